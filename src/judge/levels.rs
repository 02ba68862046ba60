//! Where memory ends: levels in the rate of rereading growing working sets.

use crate::stats::change_point::{difference_sd, levels as segments};
use crate::study::SweepRow;
use crate::units::{Bytes, Rate};

/// Logarithms of rates are taken to scatter by this at least: less would make levels of noise.
const LEAST_NOISE: f64 = 0.08;
/// A level is a cache when it is so many times faster than the last one.
const FASTER: f64 = 1.3;
/// A cache is taken for one in a memory when it has at least such a part of it: processors and drives have
/// small caches of their own, whose end says nothing of the larger one behind them.
const LEAST_PART: u64 = 32;

/// A range of working sets that come at one rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// The largest working set of the level.
    pub up_to: Bytes,
    /// The smallest working set of the next level; `None` for the last.
    pub below: Option<Bytes>,
    /// Its rate, a geometric mean.
    pub rate: Rate,
    /// Whether all of its working sets had been read before.
    pub warm: bool,
}

impl Level {
    /// The rate of its largest working set if a cache that ends at `end` and gives `cached` bytes per second
    /// held a part of it, and the drives gave the rest: times of both parts add up. Rereading in another order
    /// each time finds about so large a part of a set as the cache has of its size.
    fn rate_beyond(&self, end: Bytes, cached: f64, drives: f64) -> f64 {
        let held = part(end, self.up_to);
        1.0 / (held / cached + (1.0 - held) / drives)
    }

    /// What the drives give alone, if this is the rate of that mixture: the same solved for them.
    fn drives_beyond(&self, end: Bytes, cached: f64) -> f64 {
        let held = part(end, self.up_to);
        (1.0 - held) / (1.0 / self.rate.0 - held / cached)
    }
}

/// How much of a working set of `whole` a cache of `held` has, 0 to 1.
fn part(held: Bytes, whole: Bytes) -> f64 {
    (held.0 as f64 / whole.0 as f64).min(1.0)
}

/// Levels of one sweep, from the smallest working set on; empty for fewer than four points.
///
/// Change points of the logarithm of the rate, by optimal partitioning; the noise is that of
/// neighbouring points.
pub fn levels(points: &[SweepRow]) -> Vec<Level> {
    let mut points: Vec<&SweepRow> = points.iter().filter(|p| p.rate_bytes_per_s > 0.0).collect();
    points.sort_by_key(|point| point.working_set_bytes);
    if points.len() < 4 {
        return Vec::new();
    }
    let logs: Vec<f64> = points
        .iter()
        .map(|point| point.rate_bytes_per_s.ln())
        .collect();
    // A change takes part in the differences, so the noise is theirs without the largest.
    let noise = difference_sd(&logs)
        .unwrap_or(0.0)
        .clamp(LEAST_NOISE, 2.0 * LEAST_NOISE);
    let found = segments(&logs, 1, noise).unwrap_or_default();
    let size = |index: usize| Bytes(points[index].working_set_bytes);
    found
        .iter()
        .map(|segment| Level {
            up_to: size(segment.end - 1),
            below: (segment.end < points.len()).then(|| size(segment.end)),
            rate: Rate(segment.mean.exp()),
            warm: points[segment.start..segment.end]
                .iter()
                .all(|point| point.warm),
        })
        .collect()
}

/// The size of the largest cache that the levels show: between the last working set that it held
/// and the first that it did not, the larger counts.
///
/// Beyond its end the rate falls little by little, since a part of each larger working set is still found: a
/// level that is no faster than that is no cache of its own. What was not all read before is not reckoned
/// with so, for how much of it is found nobody knows.
pub fn cache_size(levels: &[Level]) -> Option<Bytes> {
    let last = levels.last()?;
    let faster = levels
        .iter()
        .enumerate()
        .filter(|(_, level)| level.rate.0 > FASTER * last.rate.0)
        .filter_map(|(at, level)| Some((at, level.below?, level.rate.0)));
    let explains = |&(at, end, cached): &(usize, Bytes, f64)| {
        let drives = last.drives_beyond(end, cached);
        levels[at + 1..levels.len() - 1].iter().all(|level| {
            let mixed = level.rate_beyond(end, cached, drives);
            level.rate.0 <= FASTER * if level.warm { mixed } else { last.rate.0 }
        })
    };
    // The last of them explains all that is beyond it: no level there is much faster than the last.
    let mut ends: Vec<_> = faster.collect();
    let largest = ends.pop()?;
    let end = ends.into_iter().find(explains).unwrap_or(largest);
    Some(end.1)
}

/// The size of the largest cache of a sweep, where it read far enough to be believed: on to twice the size at
/// which that cache ended, with working sets that had been read before, and the cache has at least a 32nd
/// of `memory`, which is the largest that could serve the data.
pub fn proven_cache_size(points: &[SweepRow], memory: Bytes) -> Option<Bytes> {
    let warm = points.iter().filter(|point| point.warm);
    let largest = Bytes(warm.map(|point| point.working_set_bytes).max()?);
    plausible_cache_size(points, memory).filter(|end| largest >= end.times(2))
}

/// The size of the largest cache of a sweep, however far it read, where it has at least a 32nd of `memory`.
pub fn plausible_cache_size(points: &[SweepRow], memory: Bytes) -> Option<Bytes> {
    cache_size(&levels(points)).filter(|end| *end >= memory.share(1, LEAST_PART))
}

/// Whether `rate` is so far below the fastest of `points` that a cache has ended, if it stays so.
pub fn falls_behind(points: &[SweepRow], rate: Rate) -> bool {
    points
        .iter()
        .any(|point| point.rate_bytes_per_s > FASTER * rate.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sweep(rates: &[(u64, f64)]) -> Vec<SweepRow> {
        rates
            .iter()
            .map(|&(mib, mb)| SweepRow::of(Bytes::MIB.times(mib), Rate(mb * 1e6)))
            .collect()
    }

    #[test]
    fn two_caches_and_the_drives_are_found() {
        let points = sweep(&[
            (16, 4000.0),
            (32, 4100.0),
            (64, 3900.0),
            (128, 1100.0),
            (256, 1110.0),
            (512, 1090.0),
            (1024, 1100.0),
            (2048, 410.0),
            (4096, 400.0),
            (8192, 405.0),
        ]);
        let levels = levels(&points);
        let ends: Vec<u64> = levels.iter().map(|level| level.up_to.0 >> 20).collect();
        assert_eq!(ends, [64, 1024, 8192]);
        assert!((levels[1].rate.0 / 1.1e9 - 1.0).abs() < 0.02);
        assert_eq!(cache_size(&levels), Some(Bytes::MIB.times(2048)));
    }

    /// Rereading in random order behind a cache of 4 GiB, at 1175 MB/s from it and 200 MB/s from the drives,
    /// each set at 1 / (4/size/1175 + (1 - 4/size)/200) MB/s. The middle levels are two thirds faster than the last.
    #[test]
    fn sets_of_which_a_part_is_held_make_the_cache_no_larger() {
        let mixed = |gib: f64| 1.0 / (4.0 / gib / 1175.0 + (1.0 - 4.0 / gib) / 200.0);
        let rates: Vec<(u64, f64)> = [1, 2, 3, 4, 6, 8, 12, 16, 24, 32]
            .map(|gib: u64| (gib << 10, mixed((gib as f64).max(4.0))))
            .to_vec();
        let mut points = sweep(&rates);
        let found = levels(&points);
        assert!(found.len() > 2, "{found:?}");
        assert_eq!(cache_size(&found), Some(Bytes::GIB.times(6)));
        // What was not read before may come from a larger cache that knows it from elsewhere.
        points[5].warm = false;
        assert_eq!(cache_size(&levels(&points)), Some(Bytes::GIB.times(12)));
    }

    /// The same, but a tier holds sets of up to 16 GiB and gives 450 MB/s.
    #[test]
    fn a_tier_behind_a_memory_is_a_cache_of_its_own() {
        let points = sweep(&[
            (1 << 10, 1175.0),
            (2 << 10, 1170.0),
            (4 << 10, 1180.0),
            (6 << 10, 640.0),
            (8 << 10, 450.0),
            (12 << 10, 455.0),
            (16 << 10, 440.0),
            (24 << 10, 210.0),
            (32 << 10, 205.0),
            (48 << 10, 200.0),
        ]);
        assert_eq!(cache_size(&levels(&points)), Some(Bytes::GIB.times(24)));
    }

    #[test]
    fn an_even_rate_is_one_level_and_no_cache() {
        let points = sweep(&[
            (16, 400.0),
            (32, 410.0),
            (64, 395.0),
            (128, 402.0),
            (256, 405.0),
        ]);
        assert_eq!(levels(&points).len(), 1);
        assert_eq!(cache_size(&levels(&points)), None);
    }

    #[test]
    fn a_cache_is_proven_by_twice_its_size_that_was_read_before() {
        let gib = Bytes::GIB.0;
        let rates = [(512, 1100.0), (1024, 1090.0), (1536, 400.0), (2048, 405.0)];
        let mut points = sweep(&rates);
        let end = Some(Bytes::MIB.times(1536));
        assert_eq!(plausible_cache_size(&points, Bytes(16 * gib)), end);
        assert_eq!(proven_cache_size(&points, Bytes(16 * gib)), None);
        points.extend(sweep(&[(3072, 400.0)]));
        assert_eq!(proven_cache_size(&points, Bytes(16 * gib)), end);
        // A 32nd of 48 GiB is just that; more memory has another, larger cache.
        assert_eq!(proven_cache_size(&points, Bytes(48 * gib)), end);
        assert_eq!(proven_cache_size(&points, Bytes(49 * gib)), None);
        points.last_mut().unwrap().warm = false;
        assert_eq!(proven_cache_size(&points, Bytes(16 * gib)), None);
    }

    #[test]
    fn a_rate_falls_behind_by_what_makes_a_level_a_cache() {
        let points = sweep(&[(16, 1300.0), (32, 900.0)]);
        assert!(falls_behind(&points, Rate(999e6)));
        assert!(!falls_behind(&points, Rate(1001e6)));
        assert!(!falls_behind(&[], Rate(0.0)));
    }
}
