//! How often a change that is not there is proved by whoever follows what a comparison says of more sittings:
//! SIMULATED shares of studies without a true change.
//!
//! `cargo test --release --lib followed -- --ignored --nocapture` prints the table of DEVELOPERS.md.

use super::coverage::{RULES, side};
use super::sample::{BetweenSittings, Sample, estimate};
use super::told::{self, chance};
use super::verdict::{BY_CHANCE_AFTER_EACH, BY_CHANCE_ONCE_MORE, units_needed};
use super::{Quantity, Verdict};
use crate::seed::Seed;
use crate::stats::contrast::RatioEstimate;

const SEED: Seed = Seed(2026);
/// Trials of a sitting.
const TRIALS: usize = 5;
/// Sittings in each phase that a person starts with, and has at most who adds one after another.
const FIRST: usize = 2;
const MOST: usize = 6;
/// Standard deviations of the effect of a sitting and of the error of a trial, as logs; the last ones make the
/// threshold of 3 % as good as none.
const SDS: [(f64, f64); 5] = [
    (0.0, 0.05),
    (0.01, 0.05),
    (0.03, 0.05),
    (0.05, 0.05),
    (0.15, 0.05),
];

/// What a person does about sittings, as many in each phase.
#[derive(Clone, Copy, Debug)]
enum Way {
    /// Measures so many and compares once.
    Planned(usize),
    /// Compares the first, measures up to the number that is told, if one is, and compares once more.
    Advised,
    /// Compares the first, and after each further one, until a change is proved or there are [`MOST`].
    AfterEach,
}

/// Two phases that are alike, and grow.
struct Phases<'a> {
    rng: &'a mut fastrand::Rng,
    sds: (f64, f64),
    before: Vec<f64>,
    other: Vec<f64>,
}

/// What a comparison found.
struct Found {
    before: Sample,
    other: Sample,
    between: BetweenSittings,
    estimate: RatioEstimate,
    proved: bool,
}

impl Found {
    /// The sittings in each phase that would probably prove the change that is seen, where that is told.
    fn told(&self) -> Option<usize> {
        let (before, other) = (&self.before, &self.other);
        units_needed(before, other, self.estimate, self.between, RULES)
    }
}

impl Phases<'_> {
    /// Measures until there are so many sittings in each phase, and compares.
    fn compare(&mut self, sittings: usize) -> Found {
        let more = vec![TRIALS; sittings - self.before.len() / TRIALS];
        for values in [&mut self.before, &mut self.other] {
            values.extend(side(self.rng, 1e8, &more, self.sds));
        }
        let between = BetweenSittings::of(sittings, sittings);
        let sizes = vec![TRIALS; sittings];
        let before = Sample::new(&self.before, &sizes, between);
        let other = Sample::new(&self.other, &sizes, between);
        let found = estimate(&before, &other, between, RULES.confidence);
        let trials = (self.before.len(), self.other.len());
        Found {
            proved: Verdict::of(trials, found, Quantity::Rate, RULES).is_proved(),
            estimate: found.expect("sittings differ"),
            before,
            other,
            between,
        }
    }
}

impl Way {
    const ALL: [Self; 4] = [
        Self::Planned(FIRST),
        Self::Planned(MOST),
        Self::Advised,
        Self::AfterEach,
    ];

    /// The share of `studies` in which a change is proved in the end.
    fn proves(self, sds: (f64, f64), studies: usize) -> f64 {
        let mut rng = SEED.rng();
        let proved = (0..studies).filter(|_| {
            let mut phases = Phases {
                rng: &mut rng,
                sds,
                before: Vec::new(),
                other: Vec::new(),
            };
            match self {
                Self::Planned(sittings) => phases.compare(sittings).proved,
                Self::Advised => {
                    let first = phases.compare(FIRST);
                    let mut again = |told| phases.compare(told).proved;
                    first.proved || first.told().is_some_and(&mut again)
                }
                Self::AfterEach => (FIRST..=MOST).any(|sittings| phases.compare(sittings).proved),
            }
        });
        proved.count() as f64 / studies as f64
    }
}

/// DEVELOPERS.md tells what was simulated, and a comparison tells the worst of it in whole percent.
#[test]
fn whoever_compares_until_something_shows_is_told_how_often_that_is_chance() {
    const STUDIES: usize = 2_000;
    let rows = told::table("| sittings scatter by |");
    assert_eq!(rows.len(), SDS.len());
    let mut worst = [0.0_f64; Way::ALL.len()];
    for (sds, row) in SDS.into_iter().zip(rows) {
        assert_eq!(told::numbers(row[0]), [(sds.0 * 100.0).round()]);
        for ((way, cell), worst) in Way::ALL.into_iter().zip(&row[1..]).zip(&mut worst) {
            let told = told::numbers(cell)[0] / 100.0;
            let found = way.proves(sds, STUDIES);
            assert!(
                (found - told).abs() <= chance(told.max(0.005), STUDIES),
                "{SEED}, {sds:?}, {way:?}: {found} against {told}"
            );
            *worst = worst.max(told);
        }
    }
    let [_, _, once_more, after_each] = worst.map(|share| (share * 100.0).round());
    assert_eq!(once_more, f64::from(BY_CHANCE_ONCE_MORE));
    assert_eq!(after_each, f64::from(BY_CHANCE_AFTER_EACH));
}

#[test]
#[ignore = "prints a table of DEVELOPERS.md"]
#[expect(clippy::print_stdout, reason = "the table is what this is for")]
fn print_the_changes_by_chance() {
    const STUDIES: usize = 40_000;
    let ways = Way::ALL;
    println!("SIMULATED: changes proved without a true one, in %: {ways:?}");
    for sds in SDS {
        let cells = ways.map(|way| format!("{:.1}", way.proves(sds, STUDIES) * 100.0));
        println!("  | {:.0} % | {} |", sds.0 * 100.0, cells.join(" | "));
    }
}
