//! Where caches end: levels in the rate of rereading growing working sets.

use crate::stats::change_point::{difference_sd, levels as segments};
use crate::study::SweepRow;
use crate::units::{Bytes, Rate};

/// Logarithms of rates are taken to scatter by this at least: less would make levels of noise.
const LEAST_NOISE: f64 = 0.08;
/// A level is a cache when it is so many times faster than the last one.
const FASTER: f64 = 1.3;

/// A range of working sets that come at one rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// The largest working set of the level.
    pub up_to: Bytes,
    /// The smallest working set of the next level; `None` for the last.
    pub below: Option<Bytes>,
    /// Its rate, a geometric mean.
    pub rate: Rate,
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
        })
        .collect()
}

/// The size of the largest cache that the levels show: between the last working set that it held
/// and the first that it did not, the larger counts.
pub fn cache_size(levels: &[Level]) -> Option<Bytes> {
    let last = levels.last()?.rate;
    levels
        .iter()
        .filter(|level| level.rate.0 > FASTER * last.0)
        .filter_map(|level| level.below)
        .max()
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
}
