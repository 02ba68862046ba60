//! Odds of losing data within a window of hours, and odds as people say them.
//!
//! Failures are taken as independent, at one rate; real ones are neither (Schroeder and Gibson, *Disk
//! Failures in the Real World*, FAST 2007, abstract). So each figure stands beside one in which failures
//! follow each other faster, and none is given with more than two digits.

/// Hours of a year, as Chen et al. 1994 count them.
pub(super) const YEAR: f64 = 8760.0;

/// Failures per hour of a drive of which the fraction `annual` fails in a year: `−ln(1 − annual) ÷
/// 8760`.
pub fn failure_rate(annual: f64) -> f64 {
    -(-annual).ln_1p() / YEAR
}

/// Chance that something of `rate` events per hour happens within `hours`: `1 − exp(−rate × hours)`.
pub fn happens_within(rate: f64, hours: f64) -> f64 {
    -(-rate * hours).exp_m1()
}

/// Chance that `bits` are read without an unrecoverable error when one of `per_bit` is unreadable:
/// `(1 − per_bit)^bits`. A bound, since what makers state is a limit, not a mean.
pub fn clean_read(per_bit: f64, bits: f64) -> f64 {
    (bits * (-per_bit).ln_1p()).exp()
}

/// Chance that more than `tolerance` of the `group` drives of one of `groups` groups fail within
/// `hours`, when no failed drive is made good before the end and each failure makes the others
/// `followers` times as likely (1 where failures are independent).
///
/// The first failure is that of any drive, each next one that of any drive that is left: for
/// independent failures this is the binomial tail; with followers the chance of each step is capped
/// at certainty, which bounds it from above.
pub fn loss_within(
    rate: f64,
    hours: f64,
    groups: u32,
    group: u32,
    tolerance: u32,
    followers: f64,
) -> f64 {
    let one = if followers == 1.0 {
        more_than(tolerance, group, happens_within(rate, hours))
    } else {
        (0..=tolerance)
            .map(|step| {
                let speed = rate * followers.powi(i32::try_from(step).unwrap_or(i32::MAX));
                let left = f64::from(group.saturating_sub(step));
                happens_within(speed * left, hours)
            })
            .product()
    };
    -(f64::from(groups) * (-one).ln_1p()).exp_m1()
}

/// Chance of more than `tolerance` hits in `n` with chance `p` each, summed from the small terms so
/// that nothing cancels.
fn more_than(tolerance: u32, n: u32, p: f64) -> f64 {
    let mut term = (f64::from(n) * (-p).ln_1p()).exp();
    let mut tail = 0.0;
    for hits in 1..=n {
        term *= f64::from(n - hits + 1) / f64::from(hits) * p / (1.0 - p);
        if hits > tolerance {
            tail += term;
        }
    }
    tail
}

/// A chance as odds with two digits: `1 in 2,400`; `about 62 %` from one in three on.
pub fn odds_in_words(chance: f64) -> String {
    match chance {
        p if !p.is_finite() || p < 0.0 => "unknown".into(),
        p if p < 1e-9 => "less than 1 in a billion".into(),
        p if p > 0.99 => "almost certain".into(),
        p if p >= 1.0 / 3.0 => format!("about {:.0} %", p * 100.0),
        p => {
            let count = 1.0 / p;
            let unit = 10f64.powi((count.log10().floor() as i32 - 1).max(0));
            let rounded = (count / unit).round() * unit;
            match rounded {
                n if n >= 1e9 => "1 in a billion".into(),
                n if n >= 1e6 => format!("1 in {} million", n / 1e6),
                n => format!("1 in {}", thousands(n as u64)),
            }
        }
    }
}

fn thousands(number: u64) -> String {
    match number {
        0..1000 => number.to_string(),
        _ => format!("{},{:03}", number / 1000, number % 1000),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn near(a: f64, b: f64, relative: f64) {
        assert!((a / b - 1.0).abs() < relative, "{a} and {b}");
    }

    /// Computed: −ln(1 − AFR) ÷ 8760 for 2, 4 and 13 %.
    #[test]
    fn annual_rates_become_hourly_ones() {
        for (annual, hourly) in [
            (0.02, 2.306_245_1e-6),
            (0.04, 4.660_045_0e-6),
            (0.13, 1.589_749_6e-5),
        ] {
            near(failure_rate(annual), hourly, 1e-7);
            near(happens_within(failure_rate(annual), YEAR), annual, 1e-12);
        }
        // The exact annual rate of a stated mean time to failure (computed): 1e6 h 0.8721742992 %.
        near(happens_within(1e-6, YEAR), 0.008_721_742_992, 1e-9);
        near(happens_within(1.0 / 2.5e6, YEAR), 0.003_497_868_156, 1e-9);
    }

    /// Derived: any of 5 drives in 48 h at 1.5 % a year 0.04 %; a power cut at one a year 0.55 %.
    #[test]
    fn the_window_of_a_reshape() {
        let any = loss_within(failure_rate(0.015), 48.0, 1, 5, 0, 1.0);
        assert!((any * 100.0 - 0.04).abs() < 0.005, "{any}");
        let cut = happens_within(1.0 / YEAR, 48.0);
        assert!((cut * 100.0 - 0.55).abs() < 0.005, "{cut}");
        assert_eq!(odds_in_words(any), "1 in 2,400");
        assert_eq!(odds_in_words(cut), "1 in 180");
    }

    /// Computed: reading 4 TB meets an error at 1e-14 with 27.385 %, at 1e-15 with 3.1493 %; 12 TB
    /// 61.711 %, 9.1536 %; 6 × 8 TB 97.851 %, 31.887 %; 5 × 20 TB 99.966 %, 55.067 %. Errors × bits
    /// would exceed 1.
    #[test]
    fn clean_reads() {
        for (terabytes, poor, good) in [
            (4.0, 27.385, 3.1493),
            (12.0, 61.711, 9.1536),
            (48.0, 97.851, 31.887),
            (100.0, 99.966, 55.067),
        ] {
            let bits = terabytes * 8e12;
            near((1.0 - clean_read(1e-14, bits)) * 100.0, poor, 2e-5);
            near((1.0 - clean_read(1e-15, bits)) * 100.0, good, 2e-5);
        }
        // Chen et al. 1994, §3.4.3: 200 million sectors, one in 2.4e10 unreadable: 0.830 % (the
        // paper's text: "on average, 0.8 % of disk failures would result in data loss").
        near(clean_read(1.0 / 2.4e10, 2e8), 0.991_701_3, 1e-7);
    }

    #[test]
    fn more_redundancy_needs_more_failures() {
        let rate = failure_rate(0.015);
        let of = |tolerance, followers| loss_within(rate, 48.0, 1, 5, tolerance, followers);
        // Two of five: close to 10 q².
        let q = happens_within(rate, 48.0);
        near(of(1, 1.0), 10.0 * q * q, 1e-3);
        near(of(2, 1.0), 10.0 * q.powi(3), 1e-3);
        // Followers ten times as likely: 5 q × 40 q, then 300 q beside it.
        near(of(1, 10.0), 200.0 * q * q, 5e-3);
        near(of(2, 10.0), 200.0 * 300.0 * q.powi(3), 2e-2);
        // Three pairs are three times one pair.
        let pair = loss_within(rate, 48.0, 1, 2, 1, 1.0);
        near(loss_within(rate, 48.0, 3, 2, 1, 1.0), 3.0 * pair, 1e-6);
    }

    #[test]
    fn odds_have_two_digits() {
        for (chance, words) in [
            (0.62, "about 62 %"),
            (0.25, "1 in 4"),
            (1.0 / 83.4, "1 in 83"),
            (1.0 / 996.0, "1 in 1,000"),
            (1.0 / 2_391.0, "1 in 2,400"),
            (1.0 / 38_052.0, "1 in 38,000"),
            (1.0 / 1_234_567.0, "1 in 1.2 million"),
            (1e-12, "less than 1 in a billion"),
            (1.0, "almost certain"),
            (f64::NAN, "unknown"),
        ] {
            assert_eq!(odds_in_words(chance), words);
        }
    }

    proptest! {
        #[test]
        fn chances_are_chances(
            annual in 0.0001..0.9f64,
            hours in 0.1..5000.0f64,
            group in 2..30u32,
            tolerance in 0..3u32,
            followers in 1.0..100.0f64,
        ) {
            let rate = failure_rate(annual);
            let independent = loss_within(rate, hours, 1, group, tolerance, 1.0);
            let following = loss_within(rate, hours, 1, group, tolerance, followers);
            prop_assert!((0.0..=1.0 + 1e-12).contains(&independent), "{independent}");
            prop_assert!((0.0..=1.0 + 1e-12).contains(&following), "{following}");
            prop_assert!(loss_within(rate, hours + 1.0, 1, group, tolerance, 1.0) >= independent);
        }
    }
}
