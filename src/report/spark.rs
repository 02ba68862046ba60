//! Small charts of one line: bars from 0 to the largest value.

/// What stands in a small chart for what is no number of the drives.
pub(super) const VOID: char = '×';

/// A bar for each value, from an eighth of a letter at 0 to a whole one at `most`; [`VOID`] for `None`.
pub(super) fn bars(values: impl IntoIterator<Item = Option<f64>>, most: f64) -> String {
    let bar = |value: Option<f64>| {
        let value = value.filter(|value| value.is_finite() && *value >= 0.0);
        value.map_or(VOID, |value| {
            let eighths = if most > 0.0 {
                (value / most * 8.0).ceil()
            } else {
                0.0
            };
            // Eight letters in a row, U+2581 to U+2588.
            let index = (eighths as u32).clamp(1, 8) - 1;
            char::from_u32(0x2581 + index).unwrap_or(VOID)
        })
    };
    values.into_iter().map(bar).collect()
}

/// `values` in at most `columns` means of equally many neighbours (the last of what is left), and how
/// many stand in each.
pub(super) fn gathered(values: &[f64], columns: usize) -> (Vec<f64>, usize) {
    let each = values.len().div_ceil(columns.max(1)).max(1);
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    (values.chunks(each).map(mean).collect(), each)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::text::ascii;

    #[test]
    fn bars_stand_on_zero() {
        let values = [0.0, 0.124, 0.5, 0.99, 1.0].map(Some);
        assert_eq!(bars(values, 1.0), "▁▁▄██");
        assert_eq!(bars([Some(0.0), None, Some(f64::NAN)], 0.0), "▁××");
        // The same where a terminal has no such letters.
        assert_eq!(ascii(&bars([Some(1.0), Some(8.0), None], 8.0)), "_#x");
    }

    #[test]
    fn what_is_too_long_is_gathered() {
        assert_eq!(gathered(&[1.0, 3.0, 5.0], 2), (vec![2.0, 5.0], 2));
        assert_eq!(gathered(&[1.0, 3.0], 60), (vec![1.0, 3.0], 1));
        assert_eq!(gathered(&[], 60), (vec![], 1));
    }
}
