//! Evidence from times: touching twice, two modes of latency, a burst that a cache took.

use super::case::Case;
use super::evidence::{Evidence, Layer, Says, Share, Strength};
use crate::plan::{Access, Phase};
use crate::record::observed;
use crate::stats::change_point::{Change, largest_change, significant_change};
use crate::stats::interval::clopper_pearson;
use crate::stats::mixture::{Components, Limits, fit, match_reference, share_below};
use crate::units::{Nanos, Rate, grouped, percent};

/// Second touches so many times faster than first ones tell that a cache is live.
const LIVE: f64 = 1.3;
/// References so far apart tell operations of a cache and of drives apart by a threshold.
const APART: f64 = 4.0;
/// What a cache serves takes at most so many times as long as the second touch.
const QUICK: u64 = 3;
/// No seek and turn of a platter ends sooner than this (common practice, no source).
const PLATTER: Nanos = Nanos::MILLI;
/// Confidence of the interval of a counted share.
const CONFIDENCE: f64 = 0.95;
/// Confidence of the least number of reads in the fullest stretch, of all stretches.
const CERTAIN: f64 = 0.999;
/// Parts of a turn that are tried as a stretch.
const STRETCHES: [f64; 4] = [4.0, 8.0, 16.0, 32.0];
/// Windows on each side of a change of the rate of writes.
const LEAST: usize = 3;
/// Random orders that a change is tested by.
const DRAWS: u64 = 999;
/// A change that chance explains less often than this is one.
const CHANCE: f64 = 0.01;
/// Margin of a share that is told by a threshold: modes overlap a little.
const MARGIN: f64 = 0.02;

/// All evidence from times.
pub(super) fn evidence(case: &Case<'_>) -> Vec<Evidence> {
    [twice, fast_ones, burst]
        .into_iter()
        .filter_map(|look| look(case))
        .collect()
}

/// What untouched data took, and the same data at once again.
struct Twice {
    first: Nanos,
    second: Nanos,
}

impl Twice {
    fn of(case: &Case<'_>) -> Option<Self> {
        let nanos = |name| Some(Nanos(case.seen.get(name)?.exp() as u64));
        let first = nanos(observed::TWICE_FIRST_LOG)?;
        Some(Self {
            first,
            second: nanos(observed::TWICE_SECOND_LOG)?,
        })
    }

    /// That of a quiet pool: while one grows, its own work comes and goes between both touches.
    fn telling(case: &Case<'_>) -> Option<Self> {
        Self::of(case).filter(|_| case.trial.phase != Phase::During)
    }

    fn ratio(&self) -> f64 {
        self.first.0 as f64 / self.second.0.max(1) as f64
    }
}

/// Whether any cache is live on the path.
fn twice(case: &Case<'_>) -> Option<Evidence> {
    let twice = Twice::of(case)?;
    let live = twice.ratio() > LIVE;
    let meaning = match live {
        true if Twice::telling(case).is_none() => {
            "a cache, or the reshape, which came or went between both: it tells of no cache for sure"
        }
        true => "a cache is live on the path: what it holds comes that much faster",
        false => "no cache shows on the path, or all of the data came from one",
    };
    Some(Evidence {
        source: "touched twice",
        expected: "the second time as slow as the first".into(),
        seen: format!("{} at first, {} again", twice.first, twice.second),
        meaning: meaning.into(),
        says: Says::Remark,
        strength: Strength::Inferred,
    })
}

/// The part of random reads that were too fast for drives, or too much alike.
fn fast_ones(case: &Case<'_>) -> Option<Evidence> {
    let random = case.trial.access == Access::Random && case.only_reads();
    // Decoding takes longest, and most trials tell nothing of it.
    let recorded = (random && has_threshold(case)).then(|| case.latencies())??;
    let count = |sum: u64, (_, count): &(u64, u64)| sum.saturating_add(*count);
    if recorded.iter().fold(0, count) < 100 {
        return None;
    }
    let values: Vec<(f64, u64)> = recorded
        .into_iter()
        .map(|(value, count)| (value.max(1) as f64, count))
        .collect();
    let (threshold, why) = threshold(case, &values)?;
    let below = share_below(&values, threshold.0 as f64)?;
    let exact = below.interval(CONFIDENCE)?;
    let share = Share::new(below.share(), exact.low - MARGIN, exact.high + MARGIN);
    let alike = case.turn().and_then(|turn| {
        let alone = case.trial.depth * case.trial.streams == 1;
        alike(&values, turn, if alone { 1.0 } else { 2.0 })
    });
    let says = match (case.turn(), alike) {
        (Some(_), Some(alike)) if alike > share.high => Says::AtLeast(Layer::Path, alike),
        (Some(_), _) => Says::Served(Layer::Path, share),
        // What is as quick as a cache was in one; but another one may be slower than this.
        (None, _) => Says::AtLeast(Layer::Path, share.low),
    };
    Some(Evidence {
        source: "fast reads",
        expected: format!("none below {threshold} ({why})"),
        seen: format!("{} of {}", percent(below.share(), 1), grouped(below.total)),
        meaning: match says {
            Says::Served(_, share) if exact.low > MARGIN => {
                format!("about {} came from a cache", percent(share.estimate, 0))
            }
            Says::AtLeast(_, least) if case.turn().is_some() => format!(
                "too much alike for platters, whose turns spread them: at least {} came from a cache",
                percent(least, 0)
            ),
            Says::AtLeast(_, least) if least > 0.0 => {
                format!("at least {} came from a cache", percent(least, 0))
            }
            _ => "reads were as slow as drives are".into(),
        },
        says,
        strength: Strength::Inferred,
    })
}

/// The part of all reads that is too much alike to have come from platters: not less than this came
/// from elsewhere.
///
/// The wait for a sector is spread evenly over a turn and is independent of everything else that a
/// read waits for, so that whatever the queues, no more than `w / turn` of the platters' reads end within
/// any stretch `w` of latency; twice that where the drive may choose between reads by the angle
/// (`choice` 2), as it may then do two in a turn. If `p` of all reads end in it, `s` of them from
/// elsewhere, then `p <= s + (1 - s) choice w / turn`.
fn alike(values: &[(f64, u64)], turn: Nanos, choice: f64) -> Option<f64> {
    let total: u64 = values.iter().map(|(_, count)| count).sum();
    let mut best = 0.0;
    for parts in STRETCHES {
        let most = fullest(values, turn.0 as f64 / parts);
        let platters = choice / parts;
        let elsewhere = |all: f64| (all - platters) / (1.0 - platters);
        // What is certain is less than what was counted: most counts need no look at how much less.
        if elsewhere(most as f64 / total as f64) > best
            && let Some(certain) = clopper_pearson(most, total, CERTAIN)
        {
            best = elsewhere(certain.low).max(best);
        }
    }
    (best > 0.0).then_some(best)
}

/// The most operations within any stretch of `width`; values ascend.
fn fullest(values: &[(f64, u64)], width: f64) -> u64 {
    let (mut first, mut within, mut most) = (0, 0, 0);
    for (value, count) in values {
        within += count;
        while values[first].0 + width < *value {
            within -= values[first].1;
            first += 1;
        }
        most = most.max(within);
    }
    most
}

/// Whether [`threshold`] may find one, whatever the latencies are.
fn has_threshold(case: &Case<'_>) -> bool {
    case.turn().is_some() || Twice::telling(case).is_some_and(|twice| twice.ratio() >= APART)
}

/// Below what latency a read cannot be the drives', and how that is known: from platters, from
/// two clear modes of which the fast one agrees with the second touch, or from touching twice.
fn threshold(case: &Case<'_>, values: &[(f64, u64)]) -> Option<(Nanos, &'static str)> {
    let twice = Twice::telling(case);
    if let Some(turn) = case.turn() {
        // Only where a cache is known to be live does its time say how quick a cached read is: short
        // seeks end anywhere in a turn, so that a wider threshold takes platters for caches.
        let again = twice.filter(|twice| twice.ratio() > LIVE);
        let again = again.map_or(Nanos(0), |twice| twice.second);
        let least = PLATTER.max(Nanos((2 * again.0).min(turn.0 / 4)));
        return Some((least, "the least that a platter takes"));
    }
    let twice = twice.filter(|twice| twice.ratio() >= APART)?;
    Some(between_modes(&twice, values).unwrap_or_else(|| {
        // Halfway between both on the scale of ratios, and no more than a few times the cache's: a
        // drive's quick ones lie not far below its median.
        let middle = (twice.first.0 as f64 * twice.second.0.max(1) as f64).sqrt();
        let least = Nanos((middle as u64).min(QUICK * twice.second.0).max(1));
        (least, "between first and second touch")
    }))
}

/// The middle between two modes that lie as far apart as the touches do, the fast one where the
/// second touch is.
fn between_modes(twice: &Twice, values: &[(f64, u64)]) -> Option<(Nanos, &'static str)> {
    let mixture = fit(values, &Limits::for_resolution(0.001))?;
    let Components::Two { fast, slow, .. } = mixture.components else {
        return None;
    };
    let log = |nanos: Nanos| (nanos.0.max(1) as f64).ln();
    let agrees = match_reference(&mixture, log(twice.second), log(twice.first), 2.0)?
        .fast
        .agrees;
    let apart = slow.mean_log - fast.mean_log >= APART.ln();
    let middle = f64::midpoint(fast.mean_log, slow.mean_log).exp();
    let why = "between two modes, the fast one as the second touch";
    (agrees && apart).then_some((Nanos(middle as u64), why))
}

/// A fast beginning of writes, and what the flush had to pay back.
fn burst(case: &Case<'_>) -> Option<Evidence> {
    let trial = case.trial;
    if !case.only_writes() {
        return None;
    }
    let flush = trial.flush_seconds?;
    let written = trial.seconds - flush;
    let rates: Vec<f64> = case
        .windows
        .iter()
        .map(|window| window.bytes() as f64)
        .collect();
    let mut rng = case.config.seed.child("burst", trial.trial).rng();
    // Whether it is chance takes far longer than whether it is large enough.
    let change = largest_change(&rates, LEAST)
        .filter(|[before, after]| before.mean > 1.2 * after.mean)
        .and_then(|_| significant_change(&rates, LEAST, LEAST, DRAWS, CHANCE, &mut rng));
    let shows = flush > 0.1 * written || change.is_some();
    Some(Evidence {
        source: "write-back",
        expected: "an even rate and a short flush".into(),
        seen: format!("{}, flush {flush:.1} s after {written:.1} s", told(change)),
        meaning: match shows {
            true => {
                "a cache took writes first; the rate counts the flush, so it has been paid back"
                    .into()
            }
            false => "no sign that a cache took writes first".into(),
        },
        says: Says::Remark,
        strength: Strength::Counted,
    })
}

/// A change of the rate in words.
fn told(change: Option<Change>) -> String {
    match change {
        Some(change) => format!(
            "{} for {} s, then {}",
            Rate(change.before.mean),
            change.before.end,
            Rate(change.after.mean)
        ),
        None => "no clear change of the rate".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::Seed;

    const TURN: Nanos = Nanos(8_333_333);

    /// Latencies in nanoseconds, as a histogram gives them.
    fn values(mut latencies: Vec<f64>) -> Vec<(f64, u64)> {
        latencies.sort_by(f64::total_cmp);
        latencies.into_iter().map(|latency| (latency, 1)).collect()
    }

    /// A seek and a turn by chance behind a queue.
    fn platters(count: usize, seed: Seed) -> Vec<f64> {
        let mut rng = seed.rng();
        (0..count)
            .map(|_| 1e6 + 8e6 * rng.f64() + TURN.0 as f64 * rng.f64())
            .collect()
    }

    #[test]
    fn platters_are_never_too_much_alike() {
        for seed in 0..200 {
            for count in [100, 400, 5_000] {
                let alike = alike(&values(platters(count, Seed(seed))), TURN, 1.0);
                // The fullest of many stretches is full by chance, now and then.
                assert!(
                    alike.is_none_or(|alike| alike < 0.02),
                    "seed {seed}, {count} reads: {alike:?}"
                );
            }
        }
    }

    /// However slow a queue makes what a memory serves, it comes evenly.
    #[test]
    fn a_memory_behind_a_queue_is_known_by_its_evenness() {
        for part in [0.3, 0.6, 0.9, 1.0] {
            let mut rng = Seed(5).rng();
            let cached = (part * 5_000.0) as usize;
            let mut latencies = platters(5_000 - cached, Seed(6));
            latencies.extend((0..cached).map(|_| 5e6 + 2e5 * rng.f64()));
            let alike = alike(&values(latencies), TURN, 1.0).unwrap();
            assert!(
                alike <= part && alike > part - 0.05,
                "seeds 5, 6: {alike} of {part}"
            );
        }
    }

    #[test]
    fn the_fullest_stretch_is_found() {
        let values = [(1.0, 3), (5.0, 2), (6.0, 2), (20.0, 4)];
        assert_eq!(fullest(&values, 0.0), 4);
        assert_eq!(fullest(&values, 1.0), 4);
        assert_eq!(fullest(&values, 5.0), 7);
        assert_eq!(fullest(&values, 100.0), 11);
    }
}
