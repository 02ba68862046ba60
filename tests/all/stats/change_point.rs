use super::{assert_digits, assert_near};
use poolproof::seed::standard_normal;
use poolproof::stats::change_point::{Segment, difference_sd, levels, single_change};

/// Yearly flow of the Nile at Aswan, 1871 to 1970, in 1e8 m^3: G. W. Cobb, "The problem of
/// the Nile", Biometrika 65 (1978) 243-251 (data from memory; their mean is 919.35 as
/// published with R's copy).
const NILE: [f64; 100] = [
    1120.0, 1160.0, 963.0, 1210.0, 1160.0, 1160.0, 813.0, 1230.0, 1370.0, 1140.0, 995.0, 935.0,
    1110.0, 994.0, 1020.0, 960.0, 1180.0, 799.0, 958.0, 1140.0, 1100.0, 1210.0, 1150.0, 1250.0,
    1260.0, 1220.0, 1030.0, 1100.0, 774.0, 840.0, 874.0, 694.0, 940.0, 833.0, 701.0, 916.0, 692.0,
    1020.0, 1050.0, 969.0, 831.0, 726.0, 456.0, 824.0, 702.0, 1120.0, 1100.0, 832.0, 764.0, 821.0,
    768.0, 845.0, 864.0, 862.0, 698.0, 845.0, 744.0, 796.0, 1040.0, 759.0, 781.0, 865.0, 845.0,
    944.0, 984.0, 897.0, 822.0, 1010.0, 771.0, 676.0, 649.0, 846.0, 812.0, 742.0, 801.0, 1040.0,
    860.0, 874.0, 848.0, 890.0, 744.0, 749.0, 838.0, 1050.0, 918.0, 986.0, 797.0, 923.0, 975.0,
    815.0, 1020.0, 906.0, 901.0, 1170.0, 912.0, 746.0, 919.0, 718.0, 714.0, 740.0,
];

fn ends(found: &[Segment]) -> Vec<usize> {
    found.iter().map(|s| s.end).collect()
}

#[test]
fn the_nile_falls_after_1898() {
    // The change after 1898 (28 years), as in Cobb (1978); means and spreads: numpy. The
    // place also by ruptures 1.1.10 (Dynp, l2).
    let seed = 0x411e;
    let mut rng = fastrand::Rng::with_seed(seed);
    let found = single_change(&NILE, 5, 1, 999, &mut rng).unwrap();
    assert_eq!((found.before.start, found.before.end), (0, 28));
    assert_eq!((found.after.start, found.after.end), (28, 100));
    assert_digits(found.before.mean, 1097.75, 14.0);
    assert_digits(found.after.mean, 849.9722222222222, 14.0);
    assert_digits(found.before.sd.unwrap(), 134.99619336196938, 13.0);
    assert_digits(found.after.sd.unwrap(), 124.77641663032662, 13.0);
    assert_digits(found.explained, 0.4365541889546515, 12.0);
    assert_eq!(found.p, 0.001, "seed {seed:#x}");
    // Floods remember the year before; blocks of five years change nothing here.
    let blocked = single_change(&NILE, 5, 5, 999, &mut rng).unwrap();
    assert_eq!(blocked.before, found.before);
    assert!(blocked.p < 0.01, "seed {seed:#x}: {}", blocked.p);
}

#[test]
fn a_burst_into_a_cache_then_the_sustained_rate() {
    // SIMULATED: 20 s at 1100, then 100 s at 240, spread 8 %.
    let seed = 0xb0057;
    let mut rng = fastrand::Rng::with_seed(seed);
    let rates: Vec<f64> = (0..120)
        .map(|i| {
            let level: f64 = if i < 20 { 1100.0 } else { 240.0 };
            level.ln() + 0.08 * standard_normal(&mut rng)
        })
        .collect();
    let found = single_change(&rates, 5, 1, 199, &mut rng).unwrap();
    assert_eq!(found.after.start, 20, "seed {seed:#x}");
    assert_eq!(found.p, 1.0 / 200.0, "seed {seed:#x}");
    let fall = (found.before.mean - found.after.mean).exp();
    assert_near(fall, 1100.0 / 240.0, 0.25);
}

#[test]
fn a_series_without_a_change_is_seldom_called_one() {
    // SIMULATED: the p values of noise are uniform.
    let seed = 0x2015e;
    let mut rng = fastrand::Rng::with_seed(seed);
    let mut share_below = |level: f64, block: usize, memory: f64| {
        let below = (0..400)
            .filter(|_| {
                let mut last = 0.0;
                let noise: Vec<f64> = (0..60)
                    .map(|_| {
                        last = memory * last + standard_normal(&mut rng);
                        last
                    })
                    .collect();
                let found = single_change(&noise, 5, block, 99, &mut rng).unwrap();
                found.p <= level
            })
            .count();
        below as f64 / 400.0
    };
    let independent = share_below(0.05, 1, 0.0);
    assert!(
        (0.03..=0.08).contains(&independent),
        "seed {seed:#x}: {independent}"
    );
    let half = share_below(0.5, 1, 0.0);
    assert!((0.44..=0.56).contains(&half), "seed {seed:#x}: {half}");
    // Values that remember: single ones mislead, blocks repair most of it.
    let misled = share_below(0.05, 1, 0.5);
    let repaired = share_below(0.05, 6, 0.5);
    assert!(misled > 0.3, "seed {seed:#x}: {misled}");
    assert!(repaired < 0.15, "seed {seed:#x}: {repaired}");
}

#[test]
fn the_shortest_side_and_what_has_no_answer() {
    // By hand: alone, the 9 explains all; with at least two values a side, 1 1 1 against
    // 1 9 is best and explains 3 x 2 / 5 x (1 - 5)^2 = 19.2 of the 51.2 about the mean.
    let spike = [1.0, 1.0, 1.0, 1.0, 9.0];
    let mut rng = fastrand::Rng::with_seed(1);
    let alone = single_change(&spike, 1, 1, 9, &mut rng).unwrap();
    assert_eq!((alone.before.end, alone.after.sd), (4, None));
    assert_digits(alone.explained, 1.0, 14.0);
    let guarded = single_change(&spike, 2, 1, 9, &mut rng).unwrap();
    assert_eq!(guarded.before.end, 3);
    assert_digits(guarded.explained, 19.2 / 51.2, 14.0);
    assert_eq!(single_change(&spike, 3, 1, 9, &mut rng), None, "too short");
    assert_eq!(single_change(&spike, 0, 1, 9, &mut rng), None);
    assert_eq!(single_change(&spike, 1, 0, 9, &mut rng), None);
    assert_eq!(single_change(&[4.0; 8], 2, 1, 9, &mut rng), None, "level");
    assert_eq!(single_change(&[], 1, 1, 9, &mut rng), None);
    assert_eq!(single_change(&[1.0, f64::NAN], 1, 1, 9, &mut rng), None);
}

#[test]
fn levels_of_the_nile() {
    // ruptures 1.1.10 (Pelt, l2, jump 1, penalty 2 ln(100) sd^2).
    let rows: [(f64, usize, &[usize]); 5] = [
        (130.0, 1, &[28, 100]),
        (130.0, 5, &[28, 100]),
        (
            60.0,
            1,
            &[
                6, 7, 9, 17, 19, 28, 37, 40, 42, 43, 45, 47, 63, 68, 71, 83, 93, 94, 100,
            ],
        ),
        (
            60.0,
            2,
            &[7, 9, 17, 19, 28, 37, 40, 45, 47, 63, 68, 71, 83, 95, 100],
        ),
        (60.0, 5, &[10, 19, 28, 35, 40, 45, 50, 83, 95, 100]),
    ];
    for (noise, least, expected) in rows {
        let found = levels(&NILE, least, noise).unwrap();
        assert_eq!(ends(&found), expected, "noise {noise}, least {least}");
    }
    let sd = difference_sd(&NILE).unwrap();
    assert_digits(sd, 115.31921651658926, 13.0);
    assert_eq!(ends(&levels(&NILE, 2, sd).unwrap()), [28, 100]);
}

#[test]
fn rates_over_growing_working_sets() {
    // Made up: served from memory, one size on the edge, served by the drives. Ends:
    // ruptures 1.1.10 as above.
    let rates = [
        1180.0, 1175.0, 1190.0, 1160.0, 1185.0, 1170.0, 905.0, 310.0, 298.0, 305.0, 290.0, 296.0f64,
    ];
    let logs = rates.map(f64::ln);
    let rows: [(f64, usize, &[usize]); 5] = [
        (0.05, 1, &[6, 7, 12]),
        (0.05, 2, &[5, 7, 12]),
        (0.05, 3, &[4, 7, 12]),
        (0.1, 2, &[7, 12]),
        (0.3, 1, &[7, 12]),
    ];
    for (noise, least, expected) in rows {
        let found = levels(&logs, least, noise).unwrap();
        assert_eq!(ends(&found), expected, "noise {noise}, least {least}");
    }
    let found = levels(&logs, 1, 0.05).unwrap();
    assert_eq!((found[1].start, found[1].sd), (6, None));
    assert_digits(found[1].mean, 905f64.ln(), 14.0);
    assert_near(found[2].mean.exp(), 299.7, 0.2);
}

#[test]
fn levels_of_short_or_odd_series() {
    assert_eq!(ends(&levels(&[3.0; 6], 1, 1.0).unwrap()), [6]);
    assert_eq!(ends(&levels(&[3.0], 1, 1.0).unwrap()), [1]);
    assert_eq!(ends(&levels(&[1.0, 9.0, 9.0], 2, 0.1).unwrap()), [3]);
    assert_eq!(levels(&[], 1, 1.0), None);
    assert_eq!(levels(&[1.0], 2, 1.0), None);
    assert_eq!(levels(&[1.0], 0, 1.0), None);
    assert_eq!(levels(&[1.0, 2.0], 1, 0.0), None);
    assert_eq!(levels(&[1.0, f64::INFINITY], 1, 1.0), None);
    assert_eq!(difference_sd(&[1.0, 2.0]), None);
}
