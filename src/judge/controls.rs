//! Evidence from control reads: what was about to be read, against the same read a moment later.
//!
//! A block that was read a moment ago is answered by every cache that keeps what is read; `again` is how long
//! that takes. Of the blocks that a trial is about to read (`first`), those that a cache holds come as quickly.
//! If a part `s` of them does, then whatever the drives' own latencies are, no fewer than `s H(x)` of the first
//! reads take at most `x`, where `H(x)` is the part of the second reads that do. So for any `x`
//!
//! > s ≤ F(x) / H(x),
//!
//! with `F(x)` the part of the first reads. Both are counted, so that exact binomial limits of both bound `s`.
//! Where reads that a cache holds come as quickly as all others, that bounds nothing: then all of it came from a
//! cache, or nothing did, and only counts or ceilings tell which.
//!
//! Reads of a workload's trials in one sitting are pooled, unless this trial's own speak against the pool.

use super::case::Case;
use super::evidence::{Evidence, Layer, Says, Strength};
use super::members;
use crate::record::Controls;
use crate::stats::describe::median;
use crate::stats::interval::clopper_pearson;
use crate::units::{Bytes, Nanos, grouped, percent};

/// Fewer first reads, all of them slow, leave room for more than 10 % at 95 %: `1 - 0.05^(1/29)` is 9.8 %.
const LEAST: usize = 29;
/// A second tier, made of solid-state drives, answers so much later than memory at most (common practice, no
/// source): what comes within it may have come from one.
const TIER: Nanos = Nanos::MILLI;
/// Quicker than this no platter answers but by chance: a short seek and a quarter of a turn (common practice,
/// no source).
const PLATTER: Nanos = Nanos(2_000_000);
/// Platters may answer so many of 1 in that time by chance: short seeks to a sector that comes just then.
const BY_CHANCE: f64 = 0.1;
/// Parts of the second reads at which both are compared.
const LEVELS: [f64; 2] = [0.9, 1.0];
/// What is left out of the bound's confidence of 95 %.
const OUTSIDE: f64 = 0.05;
/// From this on first reads are as quick as second ones.
const ALIKE: f64 = 0.9;

/// What control reads tell of the trial.
pub(super) fn evidence(case: &Case<'_>) -> Vec<Evidence> {
    [look(case), afterwards(case)]
        .into_iter()
        .flatten()
        .collect()
}

/// What was read before the trial, once more after it: whether the caches on the path hold as much as went by.
fn afterwards(case: &Case<'_>) -> Option<Evidence> {
    let later = &case.own_controls.later;
    let again = Rungs::of(&case.own_controls)?.quickness();
    let quick = later.iter().filter(|latency| **latency <= again).count();
    let part = quick as f64 / later.len() as f64;
    let between = Bytes(case.trial.bytes).si();
    (later.len() >= LEAST).then(|| Evidence {
        source: "control reads afterwards",
        expected: format!(
            "none of {} as quick as what had just been read, {again}",
            later.len()
        ),
        seen: format!(
            "{} as quick, after {between} of the trial",
            percent(part, 0)
        ),
        meaning: match part {
            part if part >= ALIKE => format!("caches on the path hold {between} and more"),
            part if part > 1.0 - ALIKE => format!("caches on the path hold a part of {between}"),
            _ => format!("caches on the path do not keep {between}"),
        },
        says: Says::Remark,
        strength: Strength::Inferred,
    })
}

fn look(case: &Case<'_>) -> Option<Evidence> {
    let pooled = Rungs::of(&case.controls)?;
    let all = pooled.compare(case);
    let own = Rungs::of(&case.own_controls).map(|own| own.compare(case));
    // A trial of its own kind is no part of the pool.
    let found = own.filter(|own| own.low > all.bound).unwrap_or(all);
    let part = case.part_read();
    let of_writes = members::unwritten_at_most(case).unwrap_or(1.0);
    let bound = found.bound * part + of_writes * (1.0 - part);
    let alike = found.quick >= ALIKE;
    let says = match found.low > 0.0 && !alike {
        true => Says::AtLeast(Layer::Path, found.low * part),
        false => Says::AtMost(Layer::Path, bound),
    };
    let meaning = match says {
        Says::AtLeast(_, least) => format!(
            "at least {} of what was about to be read lay in a cache",
            percent(least, 0)
        ),
        _ if alike => {
            "all of it came as quickly as what had just been read: from a cache, or no cache is there".to_owned()
        }
        _ if bound >= 1.0 => "they come too much alike to tell a cache from the drives".to_owned(),
        _ => format!("caches can have held at most {} of it", percent(bound, 0)),
    };
    Some(Evidence {
        source: "control reads",
        expected: format!(
            "none of {} as quick as what had just been read, {}",
            grouped(found.of),
            found.slowest
        ),
        seen: format!("{} as quick", percent(found.quick, 1)),
        meaning,
        says,
        strength: Strength::Inferred,
    })
}

/// Both rungs before a trial, the second ascending.
struct Rungs {
    first: Vec<Nanos>,
    again: Vec<Nanos>,
}

/// What both rungs come to.
struct Found {
    /// The part of the first reads that was as quick as most of the second ones.
    quick: f64,
    /// Of so many.
    of: u64,
    /// What most of the second reads took at most, and what else is taken for a cache.
    slowest: Nanos,
    /// Not less than this came from a cache, where anything tells.
    low: f64,
    /// Not more than this did.
    bound: f64,
}

impl Rungs {
    fn of(controls: &Controls) -> Option<Self> {
        let (first, mut again) = (controls.first.clone(), controls.again.clone());
        again.sort_unstable();
        (first.len() >= LEAST && again.len() >= LEAST).then_some(Self { first, again })
    }

    /// What most of the second reads took at most, and what else is taken for a cache.
    fn quickness(&self) -> Nanos {
        self.again[(0.9 * self.again.len() as f64).ceil() as usize - 1] + TIER
    }

    fn compare(&self, case: &Case<'_>) -> Found {
        let (of, of_again) = (self.first.len() as u64, self.again.len() as u64);
        let as_quick = |slowest: Nanos| {
            let quick = self.first.iter().filter(|latency| **latency <= slowest);
            quick.count() as u64
        };
        // Limits of both counts at each level, and those of one of them on the other side.
        let confidence = 1.0 - OUTSIDE / LEVELS.len() as f64;
        let bound_at = |level: f64| {
            let place = (level * of_again as f64).ceil().max(1.0) as u64;
            let held = clopper_pearson(place, of_again, confidence)?.low;
            let quick = as_quick(self.again[place as usize - 1] + TIER);
            let most = clopper_pearson(quick, of, confidence)?.high;
            Some(most / held)
        };
        let nothing_keeps = case.turns() && self.again_are_slow();
        let slowest = if nothing_keeps {
            PLATTER
        } else {
            self.quickness()
        };
        let bound = match nothing_keeps {
            // A tier may be as slow as drives that do not turn.
            _ if !case.turns() => None,
            // No cache keeps what is read. One that keeps something else would be quick.
            true => clopper_pearson(as_quick(PLATTER), of, confidence).map(|limits| limits.high),
            false => LEVELS
                .into_iter()
                .filter_map(bound_at)
                .min_by(f64::total_cmp),
        };
        let quick = as_quick(slowest);
        let low = clopper_pearson(quick, of, confidence).map_or(0.0, |limits| limits.low);
        Found {
            quick: quick as f64 / of as f64,
            of,
            slowest,
            // Only platters are known to be slow: drives of which nothing was stated may be as quick as a cache.
            low: if case.turn().is_some() {
                low - BY_CHANCE
            } else {
                0.0
            },
            bound: bound.unwrap_or(1.0).min(1.0),
        }
    }

    /// Whether even what had just been read came as slowly as from platters.
    fn again_are_slow(&self) -> bool {
        let times: Vec<f64> = self.again.iter().map(|time| time.0 as f64).collect();
        median(&times).is_some_and(|middle| middle > 2.0 * PLATTER.0 as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::{Phase, Workload};
    use crate::pool::Level;
    use crate::seed::Seed;
    use crate::study::{Config, Expansion, Identity, Study, Trial};

    /// Platters of 7,200 turns: a seek of 1 to 9 ms and a turn by chance.
    fn platters(count: usize, seed: u64) -> Vec<Nanos> {
        let mut rng = Seed(seed).rng();
        let time = |rng: &mut fastrand::Rng| 1e6 + 8e6 * rng.f64() + 8.33e6 * rng.f64();
        (0..count).map(|_| Nanos(time(&mut rng) as u64)).collect()
    }

    /// A server's memory behind a network, with a stray slow one.
    fn memory(count: usize, seed: u64) -> Vec<Nanos> {
        let mut rng = Seed(seed).rng();
        let mut times: Vec<Nanos> = (0..count)
            .map(|_| Nanos(250_000 + rng.u64(..150_000)))
            .collect();
        times[0] = Nanos(40_000_000);
        times
    }

    fn found(first: Vec<Nanos>, again: Vec<Nanos>, rpm: Option<u32>) -> Says {
        let created = "2026-03-02T08:00:00Z".parse().unwrap();
        let mut study = Study::new(
            "scans",
            Config::new(Identity(1), Seed(1), created, "/mnt".into()),
        );
        study.config.pool = Some(Expansion {
            level: Level::Raid6,
            drives: 4,
            adding: 1,
            drive_size: None,
            rpm,
            drive_rate: None,
        });
        let load = &Workload::standard()[0];
        study.trials = vec![Trial {
            bytes: 1 << 30,
            ..Trial::begin(1, 1, Phase::Before, created, load)
        }];
        let trial = study.trials[0].clone();
        let mut case = Case::of(&study, &trial);
        case.controls = Controls {
            first,
            again,
            later: Vec::new(),
        };
        // What was read decides how much of the trial the reads stand for.
        case.windows = vec![crate::study::WindowRow {
            trial: 1,
            window: 0,
            read_bytes: 1 << 30,
            written_bytes: 0,
            operations: 256,
            mean_ns: None,
            p50_ns: None,
            max_ns: None,
            warmup: false,
        }];
        look(&case).unwrap().says
    }

    #[test]
    fn slow_first_reads_bound_what_a_cache_held() {
        for seed in 0..200 {
            let says = found(platters(192, seed), memory(192, seed + 1), None);
            let Says::AtMost(Layer::Path, most) = says else {
                panic!("seed {seed}: {says:?}");
            };
            assert!(most < 0.1, "seed {seed}: {most}");
        }
    }

    /// Whatever part a cache holds, the bound lies above it in 95 of 100, and what is certain below.
    #[test]
    fn a_part_in_a_cache_is_seen_and_bounded() {
        for part in [0.15, 0.3, 0.6] {
            let mut above = 0;
            for seed in 0..200 {
                let held = (part * 192.0) as usize;
                let mut first = platters(192 - held, seed);
                first.extend(
                    memory(held, seed + 7)
                        .into_iter()
                        .map(|time| time.min(Nanos(400_000))),
                );
                let says = found(first, memory(192, seed + 1), Some(7_200));
                match says {
                    Says::AtLeast(_, least) => {
                        assert!(least < part, "seed {seed}: {least}");
                        above += 1;
                    }
                    Says::AtMost(_, most) => {
                        assert!(most > 0.1, "seed {seed}: {most} of {part}");
                        above += usize::from(most > part);
                    }
                    other => panic!("{other:?}"),
                }
            }
            assert!(above >= 190, "{part}: {above} of 200");
        }
    }

    #[test]
    fn a_tier_of_solid_state_before_platters_is_no_drive() {
        let tier = |seed| {
            let mut rng = Seed(seed).rng();
            (0..192)
                .map(|_| Nanos(500_000 + rng.u64(..500_000)))
                .collect()
        };
        assert_eq!(
            found(tier(1), memory(192, 2), None),
            Says::AtMost(Layer::Path, 1.0)
        );
    }

    #[test]
    fn where_all_come_alike_nothing_is_bounded() {
        // All of it in memory; or solid drives whose answers the network hides.
        for rpm in [None, Some(7_200), Some(0)] {
            let says = found(memory(192, 1), memory(192, 2), rpm);
            assert_eq!(says, Says::AtMost(Layer::Path, 1.0), "{rpm:?}");
        }
        // Platters without any cache before them: no cache keeps what was just read, and none is quicker.
        let says = found(platters(192, 1), platters(192, 2), Some(7_200));
        assert!(
            matches!(says, Says::AtMost(_, most) if most < 0.1),
            "{says:?}"
        );
    }

    #[test]
    fn a_few_reads_bound_nothing_to_ten_per_cent() {
        assert_eq!(LEAST, 29);
        let says = found(platters(29, 1), memory(29, 2), None);
        assert!(
            matches!(says, Says::AtMost(_, most) if most > 0.1),
            "{says:?}"
        );
    }
}
