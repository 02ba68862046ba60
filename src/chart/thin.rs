//! Long series made short for a picture: nothing that stands out is lost, and nothing is made up.
//!
//! The values are cut into stretches of equal length, and of each the least and the greatest are kept
//! at their places: as much as a column of pixels can show of them. The first and the last value are
//! kept too, so that the picture begins and ends where the series does.

use crate::units::grouped;

/// Places of the values that are kept of a series cut into `stretches`, ascending: of each stretch the
/// first of its least and the first of its greatest; all, where these would not be fewer. A value that
/// is no number is kept only at either end of the series, or where a stretch has no other.
pub fn thin(values: &[f64], stretches: usize) -> Vec<usize> {
    let (length, stretches) = (values.len(), stretches.max(1));
    if length <= 2 * stretches + 2 {
        return (0..length).collect();
    }
    let mut kept = vec![0];
    for stretch in 0..stretches {
        let begin = length * stretch / stretches;
        let end = length * (stretch + 1) / stretches;
        let numbers = || (begin..end).filter(|place| !values[*place].is_nan());
        let order = |a: &usize, b: &usize| values[*a].total_cmp(&values[*b]);
        let least = numbers().min_by(order).unwrap_or(begin);
        // Of equal ones the first, as of the least.
        let greatest = numbers().rev().max_by(order).unwrap_or(begin);
        for place in [least.min(greatest), least.max(greatest)] {
            if kept.last() != Some(&place) {
                kept.push(place);
            }
        }
    }
    if kept.last() != Some(&(length - 1)) {
        kept.push(length - 1);
    }
    kept
}

/// Places of at most `most` of `length` things in an order, evenly spaced from the first to the last;
/// all where they are no more.
pub fn evenly(length: usize, most: usize) -> impl Iterator<Item = usize> {
    let kept = length.min(most);
    (0..kept).map(move |index| match kept {
        1 => 0,
        kept => index * (length - 1) / (kept - 1),
    })
}

/// What a reader is told of a series of `of` things that is drawn with `kept` of them; nothing where
/// that is all.
pub fn told(kept: usize, of: usize, things: &str) -> Option<String> {
    (kept < of).then(|| {
        format!(
            "shown: {} of {} {things}; least and greatest of each stretch kept",
            grouped(kept as u64),
            grouped(of as u64)
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn value() -> impl Strategy<Value = f64> {
        // Ties and things that are no numbers are as likely as others.
        prop_oneof![
            4 => -1e9..1e9_f64,
            2 => (0..4).prop_map(f64::from),
            1 => Just(f64::NAN),
            1 => Just(f64::INFINITY),
        ]
    }

    proptest! {
        #[test]
        fn every_extreme_is_kept_in_order_and_nothing_is_made_up(
            values in prop::collection::vec(value(), 0..400),
            stretches in 1..60_usize,
        ) {
            let kept = thin(&values, stretches);
            prop_assert!(kept.windows(2).all(|pair| pair[0] < pair[1]), "{kept:?}");
            prop_assert!(kept.iter().all(|place| *place < values.len()));
            prop_assert!(kept.len() <= 2 * stretches + 2);
            prop_assert_eq!(kept.first().copied(), (!values.is_empty()).then_some(0));
            prop_assert_eq!(kept.last().copied(), values.len().checked_sub(1));
            // Of each stretch, not only of the whole.
            for stretch in 0..stretches {
                let (begin, end) = (values.len() * stretch / stretches, values.len() * (stretch + 1) / stretches);
                let seen: Vec<f64> = kept.iter().filter(|place| (begin..end).contains(*place)).map(|place| values[*place]).collect();
                let of = |some: &[f64], pick: fn(f64, f64) -> f64| some.iter().copied().filter(|v| !v.is_nan()).reduce(pick);
                prop_assert_eq!(of(&seen, f64::min), of(&values[begin..end], f64::min));
                prop_assert_eq!(of(&seen, f64::max), of(&values[begin..end], f64::max));
            }
        }

        #[test]
        fn what_is_short_stays_as_it_is(values in prop::collection::vec(value(), 0..40)) {
            prop_assert_eq!(thin(&values, 20), (0..values.len()).collect::<Vec<_>>());
        }

        #[test]
        fn even_places_begin_and_end_with_the_ends(length in 0..2_000_usize, most in 2..50_usize) {
            let places: Vec<usize> = evenly(length, most).collect();
            prop_assert_eq!(places.len(), length.min(most));
            prop_assert!(places.windows(2).all(|pair| pair[0] < pair[1]));
            prop_assert_eq!(places.first().copied(), (length > 0).then_some(0));
            prop_assert_eq!(places.last().copied(), length.checked_sub(1));
        }
    }

    #[test]
    fn a_lone_spike_among_a_million_is_seen() {
        let mut values = vec![1.0; 1_000_000];
        (values[123_456], values[654_321]) = (9.0, 0.0);
        let kept = thin(&values, 100);
        assert!(kept.contains(&123_456) && kept.contains(&654_321));
        assert!(kept.len() <= 202);
    }

    #[test]
    fn readers_are_told_how_much_is_shown() {
        let words = "shown: 2,000 of 5,000,000 windows; least and greatest of each stretch kept";
        assert_eq!(told(2_000, 5_000_000, "windows").as_deref(), Some(words));
        assert_eq!(told(30, 30, "windows"), None);
    }
}
