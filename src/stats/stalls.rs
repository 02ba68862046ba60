//! Windows in which hardly anything moves, now and then, in a load that is otherwise even.
//!
//! They are few and weigh much: the mean of what few windows tell is skewed by whether it met one. What ends a
//! warm-up cannot help to find them, since it takes most of them for warm-up.

use super::describe::{mad, median};

/// A window below this part of the median of its series may be one.
const FAR: f64 = 0.5;
/// And it lies further below than so many standard deviations. Of normal values that is one in three million.
const DEVIATIONS: f64 = 5.0;

/// How many windows stood nearly still, of how many.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stalls {
    /// That stood nearly still.
    pub windows: usize,
    /// That were looked at.
    pub of: usize,
}

/// The stalls of several series of one load, each beside its own median: windows below half of it that lie further
/// below than five standard deviations, as the median absolute deviation of all series estimates them (a rule of
/// this house, no source). Low windows before the first other one are a start and no stall. A series whose median
/// is not positive is not looked at.
pub fn stalls<'a>(series: impl IntoIterator<Item = &'a [f64]>) -> Stalls {
    let mut parts = Vec::new();
    for values in series {
        let Some(median) = median(values).filter(|median| *median > 0.0) else {
            continue;
        };
        let of = values.iter().map(|value| value / median);
        parts.extend(of.skip_while(|part| *part < FAR));
    }
    let deviation = 1.4826 * mad(&parts).unwrap_or(0.0);
    let limit = FAR.min(1.0 - DEVIATIONS * deviation);
    Stalls {
        windows: parts.iter().filter(|part| **part < limit).count(),
        of: parts.len(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(series: &[&[f64]]) -> (usize, usize) {
        let found = stalls(series.iter().copied());
        (found.windows, found.of)
    }

    #[test]
    fn what_is_far_below_is_of_another_kind() {
        let with = |value: f64| [96.0, 98.0, 99.0, 100.0, value, 101.0, 102.0, 104.0, 100.0];
        assert_eq!(of(&[&with(49.0)]), (1, 9));
        assert_eq!(of(&[&with(51.0)]), (0, 9));
        // Each beside its own median.
        assert_eq!(of(&[&with(10.0), &[1.0, 1.0, 1.0]]), (1, 12));
        // By hand: the median is 105, the middle deviation from it 25; below half of it is not far then.
        let rough = [105.0, 60.0, 40.0, 95.0, 110.0, 130.0, 160.0];
        assert_eq!(of(&[&rough]), (0, 7));
        assert_eq!((of(&[]), of(&[&[0.0, 0.0, 1.0]])), ((0, 0), (0, 0)));
    }

    #[test]
    fn what_is_slow_at_the_start_is_no_stall() {
        assert_eq!(of(&[&[0.0, 0.3, 1.0, 1.0, 1.0, 0.1, 1.0]]), (1, 5));
        assert_eq!(of(&[&[1.0, 1.0, 1.0, 0.1]]), (1, 4));
    }
}
