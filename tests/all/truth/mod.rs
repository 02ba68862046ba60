//! Grades against the truth, over simulated shares with known hit ratios.
//!
//! Scenarios are drawn: rotating and solid drives, every kind of cache, hit ratios from 0 to 1,
//! compression, flushes that lie, other traffic and users, and what of it all can be seen. What the
//! drives did not move may not pass for their work where something that could show it was observed.

mod measured;
mod shown;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;

use poolproof::judge::Grade;

use crate::support::say;
use measured::Verdict;

const SCENARIOS: u64 = 1_200;
/// So much of the bytes that the drives did not move makes a trial cached.
const CACHED: f64 = 0.05;
/// An estimate is close within this.
const CLOSE: f64 = 0.05;
/// Bounds have edges, as counts have.
const EDGE: f64 = 0.01;
/// All grades, in the order of the table.
const GRADES: [Grade; 4] = [Grade::A, Grade::B, Grade::C, Grade::X];

/// What a trial was in truth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Class {
    Clean,
    UpTo5Percent,
    NothingCouldShow,
    CouldBeShown,
}

impl Class {
    const ALL: [Self; 4] = [
        Self::Clean,
        Self::UpTo5Percent,
        Self::NothingCouldShow,
        Self::CouldBeShown,
    ];

    fn of(verdict: &Verdict) -> Self {
        let cached = verdict.cached();
        match cached > CACHED {
            true if verdict.could_show() => Self::CouldBeShown,
            true => Self::NothingCouldShow,
            false if cached > 0.0 => Self::UpTo5Percent,
            false => Self::Clean,
        }
    }

    fn words(self) -> &'static str {
        match self {
            Self::Clean => "all from the drives",
            Self::UpTo5Percent => "up to 5 % not from the drives",
            Self::NothingCouldShow => "more, and nothing was observed that could show it",
            Self::CouldBeShown => "more, and something was observed that could show it",
        }
    }
}

/// How many of how many.
#[derive(Clone, Copy, Debug, Default)]
struct Count {
    hits: u32,
    of: u32,
}

impl Count {
    fn note(&mut self, hit: bool) {
        self.of += 1;
        self.hits += u32::from(hit);
    }

    fn share(self) -> f64 {
        f64::from(self.hits) / f64::from(self.of)
    }

    fn words(self) -> String {
        format!(
            "{} of {} ({:.1} %)",
            self.hits,
            self.of,
            100.0 * self.share()
        )
    }
}

/// Measures and judges all scenarios, in the order of their seeds.
fn verdicts() -> Vec<Verdict> {
    let next = AtomicU64::new(0);
    let work = || {
        let mut done = Vec::new();
        loop {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            if seed >= SCENARIOS {
                return done;
            }
            done.push(Verdict::of(seed));
        }
    };
    let threads = thread::available_parallelism().map_or(1, usize::from);
    let mut all: Vec<Verdict> = thread::scope(|scope| {
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        workers
            .into_iter()
            .flat_map(|worker| worker.join().unwrap())
            .collect()
    });
    all.sort_by_key(|verdict| verdict.seed);
    all
}

/// How the grades of some trials compare with the truth.
#[derive(Default)]
struct Confusion {
    table: BTreeMap<(Class, Grade), u32>,
    /// Grades that are wrong, in words: cached trials that passed though it could be seen, and
    /// clean ones that did not.
    passed: Vec<String>,
    /// Cached trials that were called verified, whatever could be seen.
    verified: Vec<String>,
    alarms: Vec<String>,
    clean: u32,
    /// Estimates that are close: of cached trials, and of all.
    close_cached: Count,
    close: Count,
    /// Cached trials with an estimate, of those that allow one.
    estimated: Count,
    /// Bounds of estimates, and bounds alone, that hold.
    intervals: Count,
    bounds: Count,
    /// What did not, in words.
    far: Vec<String>,
}

impl Confusion {
    fn of<'a>(verdicts: impl Iterator<Item = &'a Verdict>) -> Self {
        let mut confusion = Self::default();
        verdicts.for_each(|verdict| {
            confusion.grade(verdict);
            confusion.estimate(verdict);
        });
        confusion
    }

    fn grade(&mut self, verdict: &Verdict) {
        let (class, grade) = (Class::of(verdict), verdict.judgement.ruling.grade);
        *self.table.entry((class, grade)).or_default() += 1;
        self.clean += u32::from(class == Class::Clean);
        if verdict.cached() > CACHED && grade == Grade::A {
            self.verified.push(describe(verdict));
        }
        match class {
            Class::CouldBeShown if grade.holds() => self.passed.push(describe(verdict)),
            Class::Clean if !grade.holds() => self.alarms.push(describe(verdict)),
            _ => {}
        }
    }

    fn estimate(&mut self, verdict: &Verdict) {
        let (cached, truth) = (verdict.judgement.ruling.cached, verdict.cached());
        let estimate = cached.and_then(|cached| cached.estimate);
        if verdict.could_estimate() && truth > CACHED {
            self.estimated.note(estimate.is_some());
        }
        if let Some(estimate) = estimate {
            let near = (estimate - truth).abs() <= CLOSE;
            self.close.note(near);
            if truth > CACHED {
                self.close_cached.note(near);
            }
            if !near {
                self.far.push(describe(verdict));
            }
        }
        if let Some(cached) = cached {
            let holds = (cached.low - EDGE..=cached.high + EDGE).contains(&truth);
            match estimate {
                Some(_) => self.intervals.note(holds),
                None => self.bounds.note(holds),
            }
            if estimate.is_none() && !holds {
                self.far.push(describe(verdict));
            }
        }
    }

    fn count(&self, class: Class, grade: Grade) -> u32 {
        self.table.get(&(class, grade)).copied().unwrap_or(0)
    }

    /// The requirements on grades.
    #[track_caller]
    fn assert_grades(&self, what: &str) {
        let (passed, alarms) = (&self.passed, &self.alarms);
        assert!(passed.is_empty(), "{what}, passed: {passed:#?}");
        let verified = &self.verified;
        assert!(verified.is_empty(), "{what}, verified: {verified:#?}");
        let share = alarms.len() as f64 / f64::from(self.clean);
        assert!(share < 0.01, "{what}, clean and rejected: {alarms:#?}");
    }

    /// As text for people, in Markdown.
    fn markdown(&self) -> String {
        let mut text = format!(
            "SIMULATED: {SCENARIOS} drawn scenarios, one trial each.\n\n\
             | bytes that the drives did not move | A | B | C | X |\n\
             | --- | ---: | ---: | ---: | ---: |\n"
        );
        for class in Class::ALL {
            let counts = GRADES.map(|grade| self.count(class, grade).to_string());
            writeln!(text, "| {} | {} |", class.words(), counts.join(" | ")).unwrap();
        }
        let rows = [
            (
                "estimate within 5 points of the truth, trials with more than 5 %",
                self.close_cached,
            ),
            ("the same, all trials", self.close),
            (
                "estimate given, trials with more than 5 % that allow one",
                self.estimated,
            ),
            ("truth within the bounds of an estimate", self.intervals),
            ("truth within bounds without an estimate", self.bounds),
        ];
        text.push_str("\n| estimates | trials |\n| --- | ---: |\n");
        for (what, count) in rows {
            writeln!(text, "| {what} | {} |", count.words()).unwrap();
        }
        text
    }
}

fn describe(verdict: &Verdict) -> String {
    let (kind, scenario) = (&verdict.kind, &verdict.scenario);
    format!(
        "seed {}: {:?} {} {} {}, sight {:?}, users {:?}, traffic {:?}, stored {:.2}, {} lies: {:.3} \
         not from the drives, {:?}",
        verdict.seed,
        kind.caches,
        kind.workload.name,
        if verdict.rotating() {
            "rotating"
        } else {
            "solid"
        },
        scenario.pool.level,
        kind.sight,
        kind.users,
        kind.traffic,
        scenario.stored,
        if scenario.server.flush_lies {
            "flush"
        } else {
            "nothing"
        },
        verdict.cached(),
        verdict.judgement.ruling
    )
}

/// What the documents say of the confusion of grades, kept current by this test.
const TABLE: &str = include_str!("confusion.md");
const DEVELOPERS: &str = include_str!("../../../DEVELOPERS.md");
/// The first line of the table, by which a copy of it is known.
const FIRST: &str = "SIMULATED: ";

#[test]
fn grades_agree_with_the_truth() {
    let verdicts = verdicts();
    let all = Confusion::of(verdicts.iter());
    let text = all.markdown();
    say(&text);
    all.far.iter().for_each(|line| say(line));
    let kinds: [(&str, fn(&Verdict) -> bool); 4] = [
        ("rotating drives", Verdict::rotating),
        ("solid drives", |verdict| !verdict.rotating()),
        ("rotating drives with parity", |verdict| {
            verdict.rotating() && verdict.parity()
        }),
        ("solid drives with parity", |verdict| {
            !verdict.rotating() && verdict.parity()
        }),
    ];
    for (what, is_one) in kinds {
        let some = Confusion::of(verdicts.iter().filter(|verdict| is_one(verdict)));
        some.assert_grades(what);
        // Each kind has to be told apart, not only passed over.
        let rejected = some.count(Class::CouldBeShown, Grade::X);
        assert!(some.clean >= 30 && rejected >= 20, "{what}: {rejected}");
    }
    all.assert_grades("all");
    assert!(all.close_cached.of >= 200 && all.close_cached.share() >= 0.9);
    assert!(all.estimated.of >= 200 && all.estimated.share() >= 0.95);
    assert!(all.intervals.share() >= 0.9 && all.bounds.share() >= 0.95);
    assert_eq!(
        TABLE, text,
        "put the printed table into tests/all/truth/confusion.md and DEVELOPERS.md"
    );
    assert!(
        !DEVELOPERS.contains(FIRST) || DEVELOPERS.contains(&text),
        "put tests/all/truth/confusion.md into DEVELOPERS.md again"
    );
}
