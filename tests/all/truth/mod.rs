//! Grades against the truth, over simulated shares with known hit ratios.
//!
//! Scenarios are drawn: rotating and solid drives, every kind of cache, hit ratios from 0 to 1,
//! compression, flushes that lie, other traffic and users, and what of it all can be seen. What the
//! drives did not move may not pass for their work where something that could show it was observed.

mod confusion;
mod measured;
mod shown;

use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;

use poolproof::judge::Grade;

use crate::support::say;
use confusion::{Class, Confusion};
use measured::Verdict;

const SCENARIOS: u64 = 1_200;
/// So much of the bytes that the drives did not move is worth an estimate.
const CACHED: f64 = 0.05;
/// More than this from caches, and a trial may not hold.
const HOLDS: f64 = 0.10;

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
    // Each kind has to be told apart by itself, so that a rule which suits one cannot pass for all.
    for (rotating, parity) in [(true, true), (true, false), (false, true), (false, false)] {
        let is_one =
            |verdict: &&Verdict| verdict.rotating() == rotating && verdict.parity() == parity;
        let some = Confusion::of(verdicts.iter().filter(is_one));
        let what = format!("rotating {rotating}, parity {parity}");
        some.assert_grades(&what);
        let rejected = some.count(Class::CouldBeShown, Grade::X);
        assert!(
            some.clean >= 30 && rejected >= 15,
            "{what}: {} {rejected}",
            some.clean
        );
    }
    all.assert_grades("all");
    assert!(all.close_cached.of >= 200 && all.close_cached.share() >= 0.9);
    assert!(all.held_counted.of >= 100 && all.held_counted.share() >= 0.8);
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
