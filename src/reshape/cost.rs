//! What probing the share costs the reshape: its speed with probes against without.
//!
//! Stretches with and without probes take turns in pairs, each pair in an order of its own, so that
//! slow changes of the speed fall on both alike. A pair gives one logarithm of a ratio; the pairs
//! give its mean and Student's interval.

use super::reading::{Reading, Word};
use super::readings::{Readings, Span};
use crate::stats::interval::{Interval, mean_t};

/// What probing costs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cost {
    /// Pairs of stretches.
    pub pairs: usize,
    /// Mean speed with probes, fraction per second.
    pub with: f64,
    /// Mean speed without.
    pub without: f64,
    /// Part of its speed that the reshape loses; negative when it was faster with probes.
    pub loss: f64,
    /// The 95 % interval of the loss; `None` for one pair.
    pub interval: Option<Interval>,
}

/// The cost, from stretches between readings that follow one another; `None` before the first pair.
pub fn probing_cost<R: Readings + ?Sized>(readings: &R) -> Option<Cost> {
    let readings = Span::of(readings);
    let pairs = readings.iter().zip(readings.behind(1).iter());
    let stretches: Vec<(bool, f64)> = pairs
        .filter_map(|(before, after)| stretch(&before, &after))
        .collect();
    let mut ratios = Vec::new();
    let (mut with, mut without) = (0.0, 0.0);
    let mut index = 0;
    while index + 1 < stretches.len() {
        let (first, second) = (stretches[index], stretches[index + 1]);
        if first.0 == second.0 {
            index += 1;
            continue;
        }
        let (probed, bare) = if first.0 {
            (first.1, second.1)
        } else {
            (second.1, first.1)
        };
        ratios.push((probed / bare).ln());
        with += probed;
        without += bare;
        index += 2;
    }
    let pairs = ratios.len();
    let mean = crate::stats::describe::mean(&ratios)?;
    let interval = mean_t(&ratios, 0.95).map(|of_log| Interval {
        low: 1.0 - of_log.high.exp(),
        high: 1.0 - of_log.low.exp(),
        confidence: of_log.confidence,
    });
    Some(Cost {
        pairs,
        with: with / pairs as f64,
        without: without / pairs as f64,
        loss: 1.0 - mean.exp(),
        interval,
    })
}

/// Whether the stretch between two readings was probed, and its speed; `None` when it did not move
/// or its length is not known.
fn stretch(before: &Reading, after: &Reading) -> Option<(bool, f64)> {
    let running = |reading: &Reading| reading.reported.word == Word::Running;
    let way = after.position()? - before.position()?;
    let seconds = after.elapsed.filter(|seconds| *seconds > 0.0)?;
    (running(before) && running(after) && way > 0.0).then_some((after.probed?, way / seconds))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reshape::simulated::Course;
    use crate::seed::Seed;

    /// A reshape that drifts to half of its speed and loses `loss` under probes, in turns.
    fn readings(loss: f64, count: usize) -> Vec<Reading> {
        let start = "2026-03-02T08:00:00Z".parse().unwrap();
        let course = Course {
            change: Some((0.2, 0.5)),
            ..Course::straight(40.0, 0.05, 900.0)
        };
        let (mut all, _) = course.run(start, Seed(12));
        all.truncate(count);
        let mut order = Seed(12).child("order", 0).rng();
        let mut taken = 0.0;
        let mut first = false;
        let before: Vec<f64> = all.iter().map(|r| r.reported.fraction.unwrap()).collect();
        for index in 1..all.len() {
            if index % 2 == 1 {
                first = order.bool();
            }
            let probed = first == (index % 2 == 1);
            taken += if probed {
                loss * (before[index] - before[index - 1])
            } else {
                0.0
            };
            all[index].probed = Some(probed);
            all[index].reported.fraction = Some(before[index] - taken);
        }
        all
    }

    #[test]
    fn the_loss_is_found_under_a_drift() {
        for loss in [0.0, 0.15, 0.4] {
            let cost = probing_cost(&readings(loss, 120)).unwrap();
            assert!(cost.pairs >= 50, "{cost:?}");
            let interval = cost.interval.unwrap();
            assert!(
                interval.low <= loss && loss <= interval.high,
                "seed 12: {cost:?}"
            );
            assert!((cost.loss - loss).abs() < 0.02, "seed 12: {cost:?}");
        }
    }

    #[test]
    fn nothing_is_said_before_a_pair_and_of_what_is_not_probed() {
        assert_eq!(probing_cost(&readings(0.1, 2)), None);
        let mut all = readings(0.1, 40);
        all.iter_mut().for_each(|reading| reading.probed = None);
        assert_eq!(probing_cost(&all), None);
    }
}
