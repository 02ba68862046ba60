//! Shows how far a sitting is: bars on a terminal, plain lines elsewhere. Writes to standard error.

use std::io::{IsTerminal, stderr};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::sitting::Event;
use super::{detail, is_quiet, note, say};
use crate::judge::Judgement;
use crate::plan::Access;
use crate::report;
use crate::study::{State, Trial};
use crate::text;
use crate::units::{Bytes, Nanos, Rate};

/// A view of one sitting.
pub(super) struct Screen {
    bar: ProgressBar,
    terminal: bool,
    /// Goes before every line of a made-up share.
    prefix: &'static str,
    stage: Stage,
    /// Bytes at the last tick and when that was.
    last: (u64, Instant),
    rate: f64,
}

enum Stage {
    Start,
    Moving(Moving),
    Trials {
        count: usize,
        seconds: u64,
        /// Whether there may be fewer and shorter ones.
        most: bool,
        current: Option<Current>,
        begun: Instant,
        /// The grade of the latest trial.
        grade: &'static str,
    },
}

struct Moving {
    /// What is moved, in a word or two.
    what: &'static str,
    total: u64,
    /// Bytes that were moved before, for something else.
    before: u64,
    /// Bytes of files that are done.
    done: u64,
    begun: Instant,
    tenth: u64,
}

impl Moving {
    fn begin(what: &'static str, total: Bytes, before: u64) -> Stage {
        Stage::Moving(Self {
            what,
            total: total.0,
            before,
            done: 0,
            begun: Instant::now(),
            tenth: 0,
        })
    }

    /// Bytes of this, when so many were moved in all.
    fn moved(&self, all: u64) -> u64 {
        all.saturating_sub(self.before)
    }

    /// A file of `bytes` is done, at `elapsed`; a line for each tenth. The rate is that of all bytes
    /// `moved`: files that are read side by side end together, and by those that are done it would climb.
    fn laid(&mut self, bytes: Bytes, moved: u64, elapsed: Duration) -> Option<String> {
        self.done += bytes.0;
        let tenth = self.done * 10 / self.total.max(1);
        (tenth > self.tenth).then(|| {
            self.tenth = tenth;
            let moved = Bytes(self.moved(moved).max(self.done));
            let rate = Rate::of(moved, Nanos::from(elapsed)).unwrap_or_default();
            format!("{} {} %, {rate} so far", self.what, tenth * 10)
        })
    }
}

struct Current {
    index: usize,
    workload: String,
    /// Bytes of an operation where operations are counted.
    counted: Option<Bytes>,
    begun: Instant,
}

impl Screen {
    /// A view; `simulated` marks every line.
    pub(super) fn new(simulated: bool) -> Self {
        let terminal = stderr().is_terminal() && !is_quiet();
        let bar = ProgressBar::with_draw_target(
            None,
            if terminal {
                ProgressDrawTarget::stderr()
            } else {
                ProgressDrawTarget::hidden()
            },
        );
        let style = ProgressStyle::with_template("{prefix}{bar:24} {msg}");
        bar.set_style(
            style
                .unwrap_or_else(|_| ProgressStyle::default_bar())
                .progress_chars("=>-"),
        );
        let prefix = if simulated { "SIMULATED " } else { "" };
        bar.set_prefix(prefix);
        let last = (0, Instant::now());
        Self {
            bar,
            terminal,
            prefix,
            stage: Stage::Start,
            last,
            rate: 0.0,
        }
    }

    /// Shows an event; `moved` bytes were moved until now.
    pub(super) fn event(&mut self, event: Event, moved: u64) {
        match event {
            Event::Note(said) | Event::Ahead(said) => self.line(&said),
            Event::Warning(text) => self.aloud(&text, say),
            Event::Laying { bytes } => {
                self.line(&format!("laying down {} of test data", bytes.iec()));
                self.bar.set_position(0);
                self.bar.set_length(bytes.0);
                self.stage = Moving::begin("test data", bytes, moved);
            }
            Event::Reading { what, bytes } => {
                self.bar.set_position(0);
                self.bar.set_length(bytes.0);
                self.last = (0, Instant::now());
                self.stage = Moving::begin(what, bytes, moved);
            }
            Event::Laid { bytes } => self.laid(bytes, moved),
            Event::Trials {
                count,
                seconds,
                most,
            } => {
                let trials = text::count(count, "trial");
                self.line(&match most {
                    true => format!("at most {trials} of at most {seconds} s"),
                    false => format!(
                        "{trials} of {seconds} s: {} of load, beside flushes and pauses",
                        minutes(count as f64 * seconds as f64)
                    ),
                });
                self.bar.set_position(0);
                self.bar.set_length(count as u64 * seconds * 10);
                self.stage = Stage::Trials {
                    count,
                    seconds,
                    most,
                    current: None,
                    begun: Instant::now(),
                    grade: "",
                };
            }
            Event::Begin {
                index,
                workload,
                counted,
            } => {
                if let Stage::Trials { current, .. } = &mut self.stage {
                    *current = Some(Current {
                        index,
                        workload,
                        counted,
                        begun: Instant::now(),
                    });
                }
            }
            Event::Swept { row } => {
                let (set, rate) = (
                    Bytes(row.working_set_bytes).iec(),
                    Rate(row.rate_bytes_per_s),
                );
                self.line(&format!("{set:>9} {rate:>12}"));
            }
            Event::End { trial, judged } => self.ended(&trial, judged.as_deref()),
        }
    }

    fn ended(&mut self, trial: &Trial, judged: Option<&Judgement>) {
        let Stage::Trials {
            count,
            current: Some(current),
            grade,
            ..
        } = &mut self.stage
        else {
            return;
        };
        *grade = judged.map_or("-", |judged| judged.ruling.grade.letter());
        let line = format!("{}/{count} {}", current.index + 1, outcome(trial, judged));
        self.line(&line);
        for line in details(trial, judged) {
            self.aloud(&line, detail);
        }
    }

    /// Looks at the bytes moved so far; to be called a few times a second.
    pub(super) fn tick(&mut self, bytes: u64) {
        let now = Instant::now();
        let span = now.duration_since(self.last.1).as_secs_f64();
        if span > 0.2 {
            let latest = (bytes.saturating_sub(self.last.0)) as f64 / span;
            self.rate = if self.rate > 0.0 {
                0.7 * self.rate + 0.3 * latest
            } else {
                latest
            };
            self.last = (bytes, now);
        }
        let bytes_per_s = self.rate;
        match &self.stage {
            Stage::Start => {}
            Stage::Moving(moving) => {
                let Moving {
                    what, total, begun, ..
                } = moving;
                let done = moving.moved(bytes).min(*total);
                let left =
                    begun.elapsed().as_secs_f64() * (*total as f64 / done.max(1) as f64 - 1.0);
                self.bar.set_position(done);
                let left = if done > 0 { minutes(left) } else { "?".into() };
                let gone = minutes(begun.elapsed().as_secs_f64());
                self.bar.set_message(format!(
                    "{what} {}, {gone} gone, {left} left",
                    Rate(bytes_per_s)
                ));
            }
            Stage::Trials {
                count,
                seconds,
                most,
                current: Some(current),
                begun,
                grade,
            } => {
                let elapsed = current.begun.elapsed().min(Duration::from_secs(*seconds));
                let before = current.index as u64 * seconds;
                let left = (*count as u64 * seconds - before) as f64 - elapsed.as_secs_f64();
                self.bar
                    .set_position(before * 10 + elapsed.as_millis() as u64 / 100);
                let (number, name) = (current.index + 1, &current.workload);
                let rate = report::rate(bytes_per_s, current.counted);
                let gone = minutes(begun.elapsed().as_secs_f64());
                let left = match most {
                    true => String::new(),
                    false => format!(", {} left", minutes(left)),
                };
                let grade = match *grade {
                    "" => String::new(),
                    letter => format!(", last grade {letter}"),
                };
                self.bar.set_message(format!(
                    "{number}/{count} {name} {rate}, {gone} gone{left}{grade}"
                ));
            }
            Stage::Trials { current: None, .. } => {}
        }
    }

    /// Takes the bar off the screen.
    pub(super) fn close(&self) {
        self.bar.finish_and_clear();
    }

    fn laid(&mut self, bytes: Bytes, moved: u64) {
        if let Stage::Moving(moving) = &mut self.stage {
            let line = moving.laid(bytes, moved, moving.begun.elapsed());
            if let Some(line) = line.filter(|_| !self.terminal) {
                self.line(&line);
            }
        }
    }

    fn line(&self, text: &str) {
        self.aloud(text, note);
    }

    /// Says a line above the bar, as loudly as `voice` does.
    fn aloud(&self, text: &str, voice: fn(&str)) {
        let text = format!("{}{text}", self.prefix);
        if self.terminal {
            self.bar.suspend(|| voice(&text));
        } else {
            voice(&text);
        }
    }
}

/// One line on a trial that has ended.
fn outcome(trial: &Trial, judged: Option<&Judgement>) -> String {
    let name = format!("{:<17}", trial.workload);
    if trial.state != State::Complete {
        return format!("{name}{}: {}", trial.state.word(), trial.cause);
    }
    // What is void is no speed of the drives, and gets no figure here either.
    let void = judged.is_some_and(|judged| judged.ruling.grade.is_void());
    let rate = match (void, trial.rate_bytes_per_s) {
        (true, _) => "void".to_owned(),
        (false, rate) => rate.map_or(String::new(), |rate| {
            let block = Bytes(trial.block_bytes);
            let counted = (trial.access == Access::Random).then_some(block);
            report::rate(rate, counted)
        }),
    };
    let latency = trial
        .p50_ns
        .filter(|_| !void)
        .map(|ns| format!(", median {}", Nanos(ns)))
        .unwrap_or_default();
    let steady = if trial.steady { "" } else { ", not steady" };
    let grade = judged.map_or("", |judged| judged.ruling.grade.letter());
    format!("{name}{rate:>12}  {grade}{latency}{steady}")
}

/// What whoever wants to know more is told of a trial.
fn details(trial: &Trial, judged: Option<&Judgement>) -> Vec<String> {
    let direct = match trial.direct {
        Some(true) => "direct",
        Some(false) => "through this client's cache",
        None => "nobody tells whether direct",
    };
    let flush = trial
        .flush_seconds
        .map_or(String::new(), |seconds| format!(", flush {seconds:.1} s"));
    let ran = format!(
        "    submitted by {}, {direct}, {} operations in {:.1} s, warm-up {} s{flush}",
        trial.submission, trial.operations, trial.seconds, trial.warmup_windows
    );
    let grade = judged.map(|judged| {
        let sentence = report::grade_sentence(&judged.ruling);
        format!("    {sentence}; {}", judged.limiting.sentence())
    });
    std::iter::once(ran).chain(grade).collect()
}

fn minutes(seconds: f64) -> String {
    let seconds = seconds.max(0.0).round() as u64;
    match seconds {
        0..100 => format!("{seconds} s"),
        100..6_000 => format!("{} min {:02} s", seconds / 60, seconds % 60),
        _ => format!("{} h {:02} min", seconds / 3600, seconds / 60 % 60),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn trials_are_told_in_the_unit_of_the_tables() {
        let study = report::testing::study(report::testing::Scene::Full);
        let comparison = {
            let judgements = crate::judge::judge_all(&study);
            let rules = crate::compare::Rules::of(&study);
            crate::compare::compare(&study, &judgements, rules)
        };
        for (name, unit) in [("large-read", " MB/s"), ("small-read-deep", " op/s")] {
            let mut trials = study.trials.iter();
            let trial = trials.find(|trial| trial.workload == name).unwrap();
            let line = outcome(trial, None);
            assert!(line.contains(unit), "{line}");
            let row = comparison.workloads.iter().find(|row| row.workload == name);
            let table = report::comparison_text(&comparison, &Default::default(), 100);
            assert!(row.is_some() && table.contains(unit), "{table}");
        }
    }

    #[test]
    fn files_that_end_together_do_not_make_the_rate_climb() {
        let Stage::Moving(mut moving) = Moving::begin("sealing", Bytes(1_000_000_000), 0) else {
            panic!("a stage that moves");
        };
        let mut line = |moved| {
            let second = Duration::from_secs(moved / 400_000_000);
            moving.laid(Bytes(100_000_000), moved, second).unwrap()
        };
        let lines: Vec<String> = (0..8).map(|_| line(800_000_000)).collect();
        assert_eq!(lines[0], "sealing 10 %, 400.0 MB/s so far");
        assert_eq!(lines[7], "sealing 80 %, 400.0 MB/s so far");
        // What nobody counts while it moves is counted by what is done.
        assert_eq!(moving.laid(Bytes(1), 0, Duration::from_secs(1)), None);
    }

    #[test]
    fn what_was_moved_before_counts_neither_for_the_rate_nor_for_the_part_done() {
        let before = 50_000_000_000;
        let Stage::Moving(mut moving) = Moving::begin("test data", Bytes(1_000_000_000), before)
        else {
            panic!("a stage that moves");
        };
        assert_eq!(moving.moved(before + 7), 7);
        let line = moving.laid(
            Bytes(200_000_000),
            before + 200_000_000,
            Duration::from_secs(2),
        );
        assert_eq!(line.unwrap(), "test data 20 %, 100.0 MB/s so far");
    }
}
