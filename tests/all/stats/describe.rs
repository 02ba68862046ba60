use super::data::{LEW, LOTTERY, MAVRO, MICHELSO, num_acc};
use super::{assert_digits, digits};
use poolproof::stats::describe::{coefficient_of_variation, lag1, mad, mean, median, sd, variance};

/// Certified mean, standard deviation and lag-1 autocorrelation, with the digits that
/// each must reach. NIST certifies 15; what 64-bit floats can hold of the decimal data is
/// fewer on the last sets, whose values agree in their leading digits.
#[test]
fn nist_univariate_sets_reach_the_digits_that_floats_can_hold() {
    // Source: NIST StRD, Univariate Summary Statistics, certified values.
    let acc1 = [10_000_001.0, 10_000_003.0, 10_000_002.0];
    let acc2 = num_acc(1.2, 1.1, 1.3);
    let acc3 = num_acc(1_000_000.2, 1_000_000.1, 1_000_000.3);
    let acc4 = num_acc(10_000_000.2, 10_000_000.1, 10_000_000.3);
    type Set<'a> = (&'a str, &'a [f64], [f64; 3], [f64; 3]);
    let sets: [Set; 8] = [
        (
            "Lottery",
            &LOTTERY,
            [518.958715596330, 291.699727470969, -0.120948622967393],
            [14.0, 14.0, 14.0],
        ),
        (
            "Lew",
            &LEW,
            [-177.435, 277.332168044316, -0.307304800605679],
            [14.0, 14.0, 14.0],
        ),
        (
            "Mavro",
            &MAVRO,
            [2.001856, 0.000429123454003053, 0.937989183438248],
            [14.0, 12.0, 12.0],
        ),
        (
            "Michelso",
            &MICHELSO,
            [299.8524, 0.0790105478190518, 0.535199668621283],
            [14.0, 12.0, 12.0],
        ),
        (
            "NumAcc1",
            &acc1,
            [10_000_002.0, 1.0, -0.5],
            [15.0, 15.0, 15.0],
        ),
        ("NumAcc2", &acc2, [1.2, 0.1, -0.999], [14.0, 14.0, 13.0]),
        (
            "NumAcc3",
            &acc3,
            [1_000_000.2, 0.1, -0.999],
            [14.0, 9.0, 11.0],
        ),
        (
            "NumAcc4",
            &acc4,
            [10_000_000.2, 0.1, -0.999],
            [14.0, 8.0, 8.5],
        ),
    ];
    for (name, values, certified, least) in sets {
        let found = [mean(values), sd(values), lag1(values)];
        for i in 0..3 {
            let reached = digits(found[i].unwrap(), certified[i]);
            assert!(
                reached >= least[i],
                "{name}, value {i}: {reached:.1} digits"
            );
        }
    }
}

/// Shows that NumAcc3 and NumAcc4 can tell a good variance from the textbook one.
#[test]
fn the_textbook_variance_fails_where_ours_holds() {
    let naive = |values: &[f64]| {
        let n = values.len() as f64;
        let sum: f64 = values.iter().sum();
        let squares: f64 = values.iter().map(|v| v * v).sum();
        ((squares - sum * sum / n) / (n - 1.0)).sqrt()
    };
    let acc3 = num_acc(1_000_000.2, 1_000_000.1, 1_000_000.3);
    let acc4 = num_acc(10_000_000.2, 10_000_000.1, 10_000_000.3);
    assert!(digits(naive(&acc3), 0.1) < 2.0);
    let fourth = naive(&acc4);
    assert!(fourth.is_nan() || digits(fourth, 0.1) < 2.0);
}

#[test]
fn the_second_pass_of_the_mean_recovers_what_the_sum_lost() {
    let values = vec![0.1; 1_000_000];
    let plain = values.iter().sum::<f64>() / 1e6;
    assert!(digits(plain, 0.1) < 13.0);
    assert_digits(mean(&values).unwrap(), 0.1, 15.0);
}

#[test]
fn robust_measures_of_a_worked_sample() {
    // By hand: median 2; deviations 1 1 0 0 2 4 7 sorted 0 0 1 1 2 4 7; their median 1.
    let sample = [1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0];
    assert_eq!(median(&sample), Some(2.0));
    assert_eq!(mad(&sample), Some(1.0));
    assert_eq!(median(&[4.0, 1.0, 3.0, 2.0]), Some(2.5));
    // By hand: mean 10, variance (4 + 0 + 4) / 2 = 4.
    assert_eq!(variance(&[8.0, 10.0, 12.0]), Some(4.0));
    assert_digits(
        coefficient_of_variation(&[8.0, 10.0, 12.0]).unwrap(),
        0.2,
        15.0,
    );
}

#[test]
fn what_is_not_defined_is_none() {
    assert_eq!(mean(&[]), None);
    assert_eq!(median(&[]), None);
    assert_eq!(mad(&[]), None);
    assert_eq!(variance(&[1.0]), None);
    assert_eq!(sd(&[1.0]), None);
    assert_eq!(lag1(&[3.0, 3.0, 3.0]), None);
    assert_eq!(coefficient_of_variation(&[-1.0, 1.0]), None);
}
