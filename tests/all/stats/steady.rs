use super::{assert_digits, assert_near};
use poolproof::stats::steady::{
    Reason, Truncation, Warmup, first_steady_round, mser, mser5, range_slope, warmup,
};

#[test]
fn boundary_vectors_of_range_and_slope() {
    // Limits: SNIA SSS PTS 2.0.2, definition 2.1.24. Fractions in exact arithmetic.
    let rows = [
        ([100.0, 100.0, 100.0, 100.0, 100.0], 100.0, 0.0, 0.0, true),
        ([90.0, 100.0, 110.0, 100.0, 100.0], 100.0, 0.20, 0.08, true),
        (
            [90.0, 100.0, 110.1, 100.0, 99.9],
            100.0,
            0.201,
            0.0792,
            false,
        ),
        ([95.0, 97.5, 100.0, 102.5, 105.0], 100.0, 0.10, 0.10, true),
        (
            [94.8, 97.4, 100.0, 102.6, 105.2],
            100.0,
            0.104,
            0.104,
            false,
        ),
        ([92.0, 95.0, 100.0, 105.0, 108.0], 100.0, 0.16, 0.168, false),
        (
            [100.0, 120.0, 85.0, 100.0, 100.0],
            101.0,
            0.346534653,
            0.079207921,
            false,
        ),
        (
            [110.0, 104.0, 100.0, 97.0, 95.0],
            101.2,
            0.148221344,
            0.146245059,
            false,
        ),
    ];
    for (values, average, range, slope, steady) in rows {
        // The boundary holds whatever the unit: powers of ten change the rounding.
        for unit in [1.0, 0.1, 1e-3, 1e6, 1.1e9] {
            let scaled = values.map(|v| v * unit);
            let found = range_slope(&scaled).unwrap();
            assert_digits(found.average, average * unit, 14.0);
            assert_near(found.range_fraction, range, 1e-9);
            assert_near(found.slope_fraction, slope, 1e-9);
            assert_eq!(found.steady, steady, "{values:?} times {unit}");
        }
    }
    // Over the boundary by one part in a million is over.
    assert!(
        !range_slope(&[90.0, 100.0, 110.00002, 100.0, 100.0])
            .unwrap()
            .steady
    );
    assert_eq!(range_slope(&[0.0; 5]), None);
    assert_eq!(range_slope(&[1.0, f64::NAN, 1.0]), None);
    assert_eq!(range_slope(&[1.0, 1.0]), None);
}

#[test]
fn exponential_series_is_steady_from_round_nine() {
    // y = 100 (1 + exp(-r/2)); fractions of the windows that end at 4..=9 computed apart
    // from this code.
    let rounds: Vec<f64> = (0..15)
        .map(|r| 100.0 * (1.0 + (-f64::from(r) / 2.0).exp()))
        .collect();
    let ranges = [0.589581, 0.408768, 0.271492, 0.174741, 0.110069, 0.068358];
    let slopes = [0.576235, 0.399515, 0.265347, 0.170786, 0.107578, 0.066811];
    for (start, (range, slope)) in ranges.into_iter().zip(slopes).enumerate() {
        let found = range_slope(&rounds[start..start + 5]).unwrap();
        assert_near(found.range_fraction, range, 5e-7);
        assert_near(found.slope_fraction, slope, 5e-7);
    }
    assert_eq!(first_steady_round(&rounds, 5), Some(9));
    assert_eq!(first_steady_round(&rounds[..9], 5), None);
    assert_eq!(first_steady_round(&rounds, 0), None);
}

#[test]
fn mser_reference_series() {
    // Truncation points agreed on by two independent implementations (one of them
    // kim-convergence 0.1.0).
    let step: Vec<f64> = [vec![50.0; 30], vec![100.0; 70]].concat();
    assert_eq!(
        mser(&step),
        Some(Truncation {
            index: 30,
            statistic: 0.0
        })
    );
    assert_eq!(
        mser5(&step),
        Some(Truncation {
            index: 30,
            statistic: 0.0
        })
    );

    let mut wave = vec![50.0; 30];
    wave.extend((0..70).map(|i| 100.0 + f64::from(7 * i % 5) - 2.0));
    assert_eq!(mser(&wave).unwrap().index, 31);
    assert_eq!(mser5(&wave).unwrap().index, 30);

    let decay: Vec<f64> = (0..200)
        .map(|i| {
            let sign = if i % 2 == 0 { 1.0 } else { -1.0 };
            10.0 + 0.5 * sign + 40.0 * (-f64::from(i) / 10.0).exp()
        })
        .collect();
    let single = mser(&decay).unwrap();
    assert_eq!(single.index, 43);
    assert_digits(single.statistic, 0.0016397281709734817, 11.0);
    let batched = mser5(&decay).unwrap();
    assert_eq!(batched.index, 55);
    assert_digits(batched.statistic, 0.00035675897672109413, 11.0);

    assert_eq!(
        mser(&[7.0; 50]),
        Some(Truncation {
            index: 0,
            statistic: 0.0
        })
    );
    assert_eq!(
        mser5(&[7.0; 50]),
        Some(Truncation {
            index: 0,
            statistic: 0.0
        })
    );
}

#[test]
fn mser_refuses_what_it_cannot_tell() {
    assert_eq!(mser(&[1.0; 4]), None);
    assert_eq!(mser5(&[1.0; 24]), None);
    // Settles only after 60 of 100.
    let late: Vec<f64> = [vec![50.0; 60], vec![100.0; 40]].concat();
    assert_eq!(mser(&late), None);
}

fn never(reason: Reason) -> Warmup {
    Warmup {
        windows_to_drop: 0,
        steady: false,
        reason,
    }
}

#[test]
fn warmup_drops_the_ramp_and_keeps_the_level() {
    let ramp = [vec![20.0, 40.0, 60.0, 80.0], vec![100.0; 26]].concat();
    let steady = |windows_to_drop| Warmup {
        windows_to_drop,
        steady: true,
        reason: Reason::Steady,
    };
    assert_eq!(warmup(&ramp), steady(4));
    // From 300 windows on in batches: the ramp ends within the first five.
    let long = [vec![20.0, 40.0, 60.0, 80.0], vec![100.0; 296]].concat();
    assert_eq!(warmup(&long), steady(5));
    assert_eq!(warmup(&[100.0; 5]), steady(0));
}

#[test]
fn warmup_says_why_not() {
    assert_eq!(warmup(&[100.0; 4]), never(Reason::TooFewWindows));
    assert_eq!(warmup(&[0.0; 30]), never(Reason::NoAverage));
    let mut broken = [100.0; 30];
    broken[7] = f64::NAN;
    assert_eq!(warmup(&broken), never(Reason::NoAverage));
    let late = [vec![50.0; 40], vec![100.0; 20]].concat();
    assert_eq!(warmup(&late), never(Reason::StillSettling));
    // A drift of 15 % from end to end: rounds 12 % apart, a line that rises as much.
    let drift: Vec<f64> = (0..30).map(|i| 92.5 + 0.5 * f64::from(i)).collect();
    let waved: Vec<f64> = drift
        .iter()
        .enumerate()
        .map(|(i, v)| v + 10.0 * f64::from(i as u8 % 2))
        .collect();
    assert_eq!(warmup(&waved), never(Reason::SlopeTooSteep));
    // The last of five rounds at half the rate: too wide and too steep, the range is named.
    let dip = [vec![100.0; 24], vec![50.0; 6]].concat();
    assert_eq!(warmup(&dip), never(Reason::RangeTooWide));
    for reason in [Reason::Steady, Reason::StillSettling, Reason::RangeTooWide] {
        assert_eq!(
            reason.text().starts_with("steady"),
            reason == Reason::Steady
        );
    }
}

/// Measured: trials without any warm-up are hardly ever called unsteady.
#[test]
fn steady_noise_is_called_steady() {
    for (windows, most_refused) in [(20, 0.15), (30, 0.10), (60, 0.04), (120, 0.02), (300, 0.04)] {
        let seed = 0x57ea_d1e5 + windows as u64;
        let mut rng = fastrand::Rng::with_seed(seed);
        let refused = (0..500)
            .filter(|_| {
                // A mean of 12 uniforms: close to normal, 5 % spread.
                let series: Vec<f64> = (0..windows)
                    .map(|_| 1.0 + 0.05 * ((0..12).map(|_| rng.f64()).sum::<f64>() - 6.0))
                    .collect();
                !warmup(&series).steady
            })
            .count();
        let share = refused as f64 / 500.0;
        assert!(
            share <= most_refused,
            "{windows} windows, seed {seed}: {share} refused"
        );
    }
}
