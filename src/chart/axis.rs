//! Scales, ticks at round numbers, and their words.

use crate::units::Nanos;

/// A straight map from values to pixels.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scale {
    values: (f64, f64),
    pixels: (i32, i32),
}

impl Scale {
    /// `low..=high` on the pixels `from..=to`; an empty or endless range is widened to one.
    pub(super) fn new(low: f64, high: f64, from: i32, to: i32) -> Self {
        let span = high - low;
        let high = if span > 0.0 && span.is_finite() {
            high
        } else {
            low + 1.0
        };
        Self {
            values: (low, high),
            pixels: (from, to),
        }
    }

    /// The pixel of `value`, at most at the ends.
    pub(super) fn at(self, value: f64) -> i32 {
        let (low, high) = self.values;
        let part = ((value - low) / (high - low)).clamp(0.0, 1.0);
        let (from, to) = (f64::from(self.pixels.0), f64::from(self.pixels.1));
        (from + part * (to - from)).round() as i32
    }
}

/// About `wanted` ticks at multiples of 1, 2 or 5 times a power of ten within `low..=high`.
pub(super) fn linear(low: f64, high: f64, wanted: usize) -> Vec<f64> {
    let rough = (high - low) / wanted.max(1) as f64;
    if !(rough > 0.0 && rough.is_finite()) {
        return vec![low];
    }
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|factor| factor * power)
        .find(|step| *step >= rough * 0.999)
        .unwrap_or(10.0 * power);
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    (first..=last).map(|i| i as f64 * step).collect()
}

/// Ticks for `10^low..=10^high`, as exponents: decades, with 2 and 5 between them (or 3, or none)
/// as room for about `wanted` allows.
pub(super) fn logarithmic(low: f64, high: f64, wanted: usize) -> Vec<f64> {
    let within = |factors: &[f64]| {
        let mut ticks = Vec::new();
        for decade in low.floor() as i32..=high.ceil() as i32 {
            ticks.extend(factors.iter().map(|f| f64::from(decade) + f.log10()));
        }
        ticks.retain(|tick| (low - 1e-9..=high + 1e-9).contains(tick));
        ticks
    };
    [&[1.0, 2.0, 5.0][..], &[1.0, 3.0], &[1.0]]
        .into_iter()
        .map(within)
        .find(|ticks| ticks.len() <= wanted + 1)
        .unwrap_or_else(|| {
            let decades = within(&[1.0]);
            let every = decades.len().div_ceil(wanted.max(1));
            decades.into_iter().step_by(every).collect()
        })
}

/// A number for a tick: no exponent, no needless zeros, thousands set apart.
pub(super) fn number(value: f64) -> String {
    let decimals = match value.abs() {
        size if size >= 10.0 || size == 0.0 => 0,
        size if size >= 1.0 => 1,
        size if size >= 0.1 => 2,
        _ => 3,
    };
    let text = format!("{value:.decimals$}");
    let text = match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.'),
        false => &text,
    };
    let (whole, rest) = text.split_at(text.find('.').unwrap_or(text.len()));
    let digits = whole.len();
    let mut grouped = String::new();
    for (index, digit) in whole.chars().enumerate() {
        if index > 0 && (digits - index).is_multiple_of(3) && digit.is_ascii_digit() {
            grouped.push(',');
        }
        grouped.push(digit);
    }
    grouped + rest
}

/// A latency for a tick, in the unit that fits: `200 µs`, `5 ms`.
pub(super) fn latency(ns: f64) -> String {
    let span = Nanos(ns.round() as u64).0 as f64;
    let (scaled, unit) = match span {
        s if s < 0.9995e3 => (s, "ns"),
        s if s < 0.9995e6 => (s / 1e3, "µs"),
        s if s < 0.9995e9 => (s / 1e6, "ms"),
        s => (s / 1e9, "s"),
    };
    format!("{} {unit}", number((scaled * 100.0).round() / 100.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_within() {
        assert_eq!(linear(0.0, 612.0, 5), [0.0, 200.0, 400.0, 600.0]);
        assert_eq!(linear(0.0, 0.0, 5), [0.0]);
        let decades = logarithmic(2.2, 5.8, 5);
        assert_eq!(decades, [3.0, 4.0, 5.0]);
        let close: Vec<f64> = logarithmic(1.9, 2.8, 5)
            .into_iter()
            .map(|tick| 10f64.powf(tick).round())
            .collect();
        assert_eq!(close, [100.0, 200.0, 500.0]);
        assert_eq!(logarithmic(-30.0, 30.0, 5).len(), 5);
    }

    #[test]
    fn numbers_are_written_for_people() {
        assert_eq!(number(12_000.0), "12,000");
        assert_eq!(number(600.0), "600");
        assert_eq!(number(0.5), "0.5");
        assert_eq!(number(0.0), "0");
        assert_eq!(latency(200_000.0), "200 µs");
        assert_eq!(latency(5e6), "5 ms");
        assert_eq!(latency(1e9), "1 s");
    }
}
