//! A reshape that is followed: what was foreseen on the way, and when it was really done.

use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use crate::lab::Lab;
use crate::ledger::Finding;
use crate::pool::Layout;
use crate::proof::Study;

/// Parts of the way at which a forecast is held against the end.
const PLACES: [f64; 4] = [0.10, 0.33, 0.50, 0.90];
/// A reshape of the laboratory is over by then.
const LIMIT: Duration = Duration::from_secs(3600);
/// Where the watch keeps its figures on the client.
const FIGURES: &str = "/root/watch.prom";

/// A forecast, in seconds since 1970 of the client's clock.
struct Foreseen {
    place: f64,
    position: f64,
    /// Ends of the 95 % range.
    range: Option<(f64, f64)>,
}

/// A reshape from its begin to its end.
pub(super) struct Followed {
    began: f64,
    ended: f64,
    foreseen: Vec<Foreseen>,
    /// Exit code of the watch, and what it said last.
    watch: (i32, String),
}

impl Followed {
    /// Watches over ssh while `begin` begins the growth and does what is done meanwhile; until nothing moves.
    pub(super) fn through(
        study: &Study<'_>,
        layout: Layout,
        begin: impl FnOnce() -> Result<(), String> + Send,
    ) -> Result<Self, String> {
        let lab = study.lab;
        let watch = lab.client.begin(&format!(
            "cd /root; poolproof watch scans --every 10s --metrics {FIGURES} 2>&1"
        ))?;
        let ahead = lab.client.clock_offset()?;
        let now = || {
            let now = SystemTime::now()
                .duration_since(UNIX_EPOCH)
                .expect("after 1970");
            now.as_secs_f64() + ahead
        };
        let began = now();
        let (foreseen, ended, done) = std::thread::scope(|scope| {
            let watching = scope.spawn(|| look(lab, layout, &now));
            let done = begin();
            let (foreseen, ended) = watching.join().expect("looking does not panic")?;
            Ok::<_, String>((foreseen, ended, done))
        })?;
        done?;
        // The watch sees the end at its next reading.
        let said = watch.recv_timeout(Duration::from_secs(180)).map_or_else(
            |_| {
                (
                    -1,
                    "the watch goes on three minutes after the end".to_owned(),
                )
            },
            |output| (output.code, output.out),
        );
        lab.client
            .output("pkill -INT poolproof; sleep 3", Duration::from_secs(60))?;
        Ok(Self {
            began,
            ended,
            foreseen,
            watch: said,
        })
    }

    /// One cell a forecast.
    pub(super) fn forecasts(&self, job: &str) -> Vec<Finding> {
        let took = self.ended - self.began;
        PLACES
            .iter()
            .map(|place| {
                let foreseen = self
                    .foreseen
                    .iter()
                    .find(|foreseen| foreseen.place == *place);
                let range = foreseen.and_then(|foreseen| foreseen.range);
                let position = foreseen.map_or(f64::NAN, |foreseen| foreseen.position);
                Finding {
                    cell: format!("{job} forecast-{:.0}", 100.0 * place),
                    truth: format!("ended {took:.0} s after the begin"),
                    said: match range {
                        Some((early, late)) => format!(
                            "at {:.0} %: {:.0} to {:.0} s (95 %)",
                            100.0 * position,
                            early - self.began,
                            late - self.began
                        ),
                        None => "no range".into(),
                    },
                    right: range.is_some_and(|(early, late)| (early..=late).contains(&self.ended)),
                }
            })
            .collect()
    }

    /// How the watch ended.
    pub(super) fn ended(&self, job: &str) -> Finding {
        let last = self
            .watch
            .1
            .lines()
            .rev()
            .find(|line| !line.trim().is_empty());
        Finding {
            cell: format!("{job} watch"),
            truth: "nothing moves any more".into(),
            said: format!(
                "ended with {}: {}",
                self.watch.0,
                last.unwrap_or("nothing").trim()
            ),
            right: self.watch.0 == 0,
        }
    }
}

/// Looks at the server and at the watch's figures until nothing moves.
fn look(lab: &Lab, layout: Layout, now: &impl Fn() -> f64) -> Result<(Vec<Foreseen>, f64), String> {
    let started = Instant::now();
    let mut foreseen: Vec<Foreseen> = Vec::new();
    let mut moved = false;
    loop {
        if started.elapsed() > LIMIT {
            return Err(format!("the pool still moves after {LIMIT:?}"));
        }
        std::thread::sleep(Duration::from_secs(2));
        let idle = layout.is_idle(lab)?;
        moved |= !idle;
        if idle && (moved || started.elapsed() > Duration::from_secs(90)) {
            return Ok((foreseen, now()));
        }
        let figures = lab
            .client
            .output(&format!("cat {FIGURES}"), Duration::from_secs(60))?
            .out;
        let Some(position) = figure(&figures, "poolproof_reshape_position_ratio", &[]) else {
            continue;
        };
        let next = PLACES
            .iter()
            .find(|place| position >= **place && foreseen.iter().all(|seen| seen.place < **place));
        if let Some(place) = next.filter(|_| moved) {
            let end = |end| {
                figure(
                    &figures,
                    "poolproof_reshape_finish_range_timestamp_seconds",
                    &["0.95", end],
                )
            };
            let range = end("early").zip(end("late"));
            foreseen.push(Foreseen {
                place: *place,
                position,
                range,
            });
        }
    }
}

/// A sample of a metric whose labels have all these words.
fn figure(text: &str, name: &str, words: &[&str]) -> Option<f64> {
    text.lines()
        .filter(|line| {
            line.strip_prefix(name)
                .is_some_and(|rest| rest.starts_with(['{', ' ']))
        })
        .find(|line| {
            words
                .iter()
                .all(|word| line.contains(&format!("\"{word}\"")))
        })?
        .rsplit(' ')
        .next()?
        .parse()
        .ok()
}
