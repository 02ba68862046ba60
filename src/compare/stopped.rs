//! Whether the promises hold, and what time is saved, when sittings end as soon as they know enough:
//! SIMULATED shares, second by second.
//!
//! `cargo test --release --lib stopped -- --ignored --nocapture` prints the tables of DEVELOPERS.md, in minutes.

use super::sample::{BetweenSittings, Sample, estimate};
use super::told::{self, chance};
use super::{Quantity, Rules, Verdict};
use crate::load::Until;
use crate::seed::{Seed, standard_normal};
use crate::stats::describe::{mean, sd};
use crate::stats::interval::mean_t;
use crate::stats::precise::{
    CONFIDENCE, HOLDS_WHERE_STALLED, LOOK_CONFIDENCE, LOOKS, half_width_at_look, is_look,
};
use crate::stats::stalls::stalls;
use crate::stats::steady::warmup;

const SEED: Seed = Seed(2026);
const RULES: Rules = Rules {
    confidence: CONFIDENCE,
    threshold: 0.03,
    least_trials: 3,
    power: 0.8,
    come_to: crate::plan::Phase::Before,
};
/// What is asked for, the longest and the shortest trial in seconds, and what goes by around one.
const ASKED: f64 = 0.03;
const LONGEST: usize = 30;
const SHORTEST: u64 = 6;
const AROUND: f64 = 3.0;
/// Trials of a sitting of fixed lengths, unless something else is said.
const USUAL: usize = 5;
/// Fixed lengths have to be chosen beforehand: enough for nine sittings in ten.
const ASSURANCE: f64 = 0.9;
const MOST: usize = LOOKS[LOOKS.len() - 1];

/// How a share scatters; standard deviations relative to its rate.
#[derive(Clone, Copy, Debug)]
struct Noise {
    name: &'static str,
    /// From second to second.
    window: f64,
    /// Correlation of one second with the next.
    memory: f64,
    /// From trial to trial.
    trial: f64,
    /// Chance of a second in which hardly anything moves.
    stall: f64,
}

const fn noise(name: &'static str, window: f64, memory: f64, trial: f64, stall: f64) -> Noise {
    Noise {
        name,
        window,
        memory,
        trial,
        stall,
    }
}

/// What shares show (common practice, no source).
const SHARES: [Noise; 8] = [
    noise("quiet", 0.01, 0.0, 0.003, 0.0),
    noise("quiet, with memory", 0.02, 0.6, 0.005, 0.0),
    noise("usual", 0.05, 0.3, 0.015, 0.0),
    noise("drifting", 0.03, 0.3, 0.04, 0.0),
    noise("rough", 0.15, 0.3, 0.02, 0.0),
    noise("very rough", 0.30, 0.0, 0.0, 0.0),
    noise("very rough, with memory", 0.25, 0.7, 0.0, 0.0),
    noise("stalls", 0.02, 0.0, 0.005, 0.02),
];

/// A trial, or the trials of a sitting.
struct Ran {
    rates: Vec<f64>,
    /// With what goes by around.
    seconds: f64,
    /// The rates of its seconds, a series a trial.
    windows: Vec<Vec<f64>>,
}

impl Noise {
    /// A trial. `until` none runs all of its seconds.
    fn trial(&self, rng: &mut fastrand::Rng, until: Option<Until>) -> Ran {
        let level = (self.trial * standard_normal(rng)).exp();
        let mut last = standard_normal(rng);
        let mut windows: Vec<f64> = Vec::with_capacity(LONGEST);
        while windows.len() < LONGEST {
            let fresh = (1.0 - self.memory * self.memory).sqrt() * standard_normal(rng);
            last = self.memory * last + fresh;
            let stalled = rng.f64() < self.stall;
            let factor = if stalled { 0.1 } else { 1.0 };
            windows.push(1e8 * level * factor * (1.0 + self.window * last).max(0.01));
            if until.is_some_and(|until| until.met(&windows)) {
                break;
            }
        }
        let drop = warmup(&windows).windows_to_drop;
        Ran {
            rates: vec![mean(&windows[drop..]).unwrap()],
            seconds: windows.len() as f64 + AROUND,
            windows: vec![windows],
        }
    }

    /// The mean logarithm of the rate of trials of full length: stalls weigh in it.
    fn level(&self) -> f64 {
        let mut rng = SEED.child(self.name, 0).rng();
        let logs: Vec<f64> = (0..4_000)
            .map(|_| self.trial(&mut rng, None).rates[0].ln())
            .collect();
        mean(&logs).unwrap()
    }

    /// A sitting that ends when it knows enough, and whether it came to.
    fn sitting(&self, rng: &mut fastrand::Rng) -> (Ran, bool) {
        let until = Until {
            half_width: ASKED,
            least: SHORTEST,
        };
        let mut all = self.trial(rng, Some(until));
        loop {
            let logs: Vec<f64> = all.rates.iter().map(|rate| rate.ln()).collect();
            let half = is_look(logs.len())
                .then(|| half_width_at_look(&logs))
                .flatten();
            let reached = half.is_some_and(|half| half <= ASKED);
            if reached || logs.len() == MOST {
                return (all, reached);
            }
            let trial = self.trial(rng, Some(until));
            all.rates.extend(trial.rates);
            all.seconds += trial.seconds;
            all.windows.extend(trial.windows);
        }
    }

    /// The fewest trials of full length whose plain interval is as narrow in nine sittings of ten, at
    /// most [`MOST`], and whether that is reached.
    fn fixed(&self, rng: &mut fastrand::Rng) -> (usize, bool) {
        const SITTINGS: usize = 400;
        let sittings: Vec<Vec<f64>> = (0..SITTINGS)
            .map(|_| {
                (0..MOST)
                    .map(|_| self.trial(rng, None).rates[0].ln())
                    .collect()
            })
            .collect();
        let narrow = |logs: &&Vec<f64>, n: usize| {
            let interval = mean_t(&logs[..n], CONFIDENCE).unwrap();
            ((interval.high - interval.low) / 2.0).exp_m1() <= ASKED
        };
        let enough = |n: &usize| {
            let count = sittings.iter().filter(|logs| narrow(logs, *n)).count();
            count as f64 >= ASSURANCE * SITTINGS as f64
        };
        (3..=MOST).find(enough).map_or((MOST, false), |n| (n, true))
    }
}

/// Of sittings that end by the rule: part whose interval holds the mean that trials of full length have
/// in the long run, mean trials and seconds, part that came to know enough.
#[derive(Debug)]
struct Sittings {
    covered: f64,
    trials: f64,
    seconds: f64,
    /// Chance error of that mean.
    seconds_error: f64,
    reached: f64,
    /// Part that saw seconds in which hardly anything moved, and of these the part that is covered.
    stalled: f64,
    covered_stalled: Option<f64>,
}

fn sittings(share: Noise, count: usize) -> Sittings {
    let mut rng = SEED.child(share.name, 1).rng();
    let truth = share.level();
    let mut all = Sittings {
        covered: 0.0,
        trials: 0.0,
        seconds: 0.0,
        seconds_error: 0.0,
        reached: 0.0,
        stalled: 0.0,
        covered_stalled: None,
    };
    let (mut lasted, mut stalled) = (Vec::with_capacity(count), Vec::new());
    let each = 1.0 / count as f64;
    for _ in 0..count {
        let (ran, reached) = share.sitting(&mut rng);
        let logs: Vec<f64> = ran.rates.iter().map(|rate| rate.ln()).collect();
        let interval = mean_t(&logs, LOOK_CONFIDENCE).unwrap();
        let holds = (interval.low..=interval.high).contains(&truth);
        all.covered += each * f64::from(u8::from(holds));
        if stalls(ran.windows.iter().map(Vec::as_slice)).windows > 0 {
            stalled.push(f64::from(u8::from(holds)));
        }
        all.trials += each * ran.rates.len() as f64;
        lasted.push(ran.seconds);
        all.reached += each * f64::from(u8::from(reached));
    }
    all.stalled = stalled.len() as f64 * each;
    all.covered_stalled = mean(&stalled);
    all.seconds = mean(&lasted).unwrap();
    all.seconds_error = sd(&lasted).unwrap() / (count as f64).sqrt();
    all
}

/// Shares of studies whose sittings ended by the rule, the noise of the other phase perhaps another.
#[derive(Clone, Copy, Debug)]
struct Shares {
    covered: f64,
    alarms: f64,
}

fn studies(
    layout: (usize, usize),
    shares: (Noise, Noise),
    sitting_sd: f64,
    count: usize,
) -> Shares {
    let (mut covered, mut alarms) = (0, 0);
    let between = BetweenSittings::of(layout.0, layout.1);
    let levels = (shares.0.level(), shares.1.level());
    let mut rng = SEED.child(shares.0.name, layout.1 as u64).rng();
    for number in 0..count {
        let truth = match number % 2 {
            0 => 1.0,
            _ => 0.5 + 1.5 * rng.f64(),
        };
        let mut side = |share: Noise, factor: f64, sittings: usize| {
            let (mut values, mut sizes) = (Vec::new(), Vec::new());
            for _ in 0..sittings {
                let effect = factor * (sitting_sd * standard_normal(&mut rng)).exp();
                let (ran, _) = share.sitting(&mut rng);
                sizes.push(ran.rates.len());
                values.extend(ran.rates.into_iter().map(|rate| rate * effect));
            }
            (values, sizes)
        };
        let (before, of_before) = side(shares.0, (-levels.0).exp(), layout.0);
        let (other, of_other) = side(shares.1, truth * (-levels.1).exp(), layout.1);
        let samples = (
            Sample::new(&before, &of_before, between),
            Sample::new(&other, &of_other, between),
        );
        let confidence = between.confidence(RULES.confidence, true);
        let found = estimate(&samples.0, &samples.1, between, confidence);
        let interval = found.expect("sittings differ");
        covered += usize::from((interval.low..=interval.high).contains(&truth));
        let trials = (before.len(), other.len());
        let verdict = Verdict::of(trials, found, Quantity::Rate, RULES);
        alarms += usize::from(number % 2 == 0 && verdict.is_proved());
    }
    Shares {
        covered: covered as f64 / count as f64,
        alarms: alarms as f64 / (count / 2) as f64,
    }
}

const LAYOUTS: [(usize, usize); 5] = [(1, 1), (2, 2), (1, 3), (2, 4), (3, 3)];

/// The row of this share in the table of times that DEVELOPERS.md has.
fn told_times(share: Noise) -> Vec<&'static str> {
    let row = told::table("| share: scatter").into_iter().find(|row| {
        row[0]
            .split_once(':')
            .is_some_and(|(name, _)| name == share.name)
    });
    row.unwrap_or_else(|| panic!("{share:?} in DEVELOPERS.md"))
}

/// What DEVELOPERS.md tells of studies of phases that are alike.
fn told_studies(share: Noise, sitting_sd: f64, layout: (usize, usize)) -> Shares {
    let sd = |cell: &str| told::numbers(cell) == [(sitting_sd * 100.0).round()];
    let row = told::table("| share | sitting sd |")
        .into_iter()
        .find(|row| row[0] == share.name && sd(row[1]));
    let row = row.unwrap_or_else(|| panic!("{share:?}, {sitting_sd} in DEVELOPERS.md"));
    let column = LAYOUTS.iter().position(|one| *one == layout).unwrap();
    let figures = told::numbers(row[2 + column]);
    Shares {
        covered: figures[0] / 100.0,
        alarms: figures[1] / 100.0,
    }
}

/// The floors are what the tables of DEVELOPERS.md tell, less three times the chance error of so many studies;
/// a share of alarms of which none was seen may be half a percent.
#[test]
fn sittings_that_end_when_they_know_enough_keep_the_promise() {
    let count = 600;
    for (share, sitting_sd, layout) in [
        (SHARES[2], 0.0, (1, 1)),
        (SHARES[2], 0.03, (3, 3)),
        (SHARES[3], 0.0, (1, 1)),
        (SHARES[3], 0.03, (1, 3)),
        (SHARES[4], 0.01, (2, 2)),
    ] {
        let told = told_studies(share, sitting_sd, layout);
        let found = studies(layout, (share, share), sitting_sd, count);
        let alarms = told.alarms.max(0.005);
        assert!(
            found.covered >= told.covered - chance(told.covered, count)
                && found.alarms <= alarms + chance(alarms, count / 2),
            "{SEED}, {share:?}, {sitting_sd}, {layout:?}: {found:?} against {told:?}"
        );
    }
}

/// The floors, likewise. Those of very rough shares take long.
#[test]
fn what_a_sitting_knows_in_the_end_holds_as_often_as_is_told() {
    let count = 1_000;
    for share in [
        SHARES[0], SHARES[1], SHARES[2], SHARES[3], SHARES[4], SHARES[7],
    ] {
        let covered = told::numbers(told_times(share)[1])[0] / 100.0;
        let found = sittings(share, count);
        assert!(
            found.covered >= covered - chance(covered, count),
            "{SEED}, {share:?}: {found:?} against {covered}"
        );
        if share.stall == 0.0 {
            assert!(found.stalled <= 0.01, "{SEED}, {share:?}: {found:?}");
            continue;
        }
        // The figure that a person is told.
        let told = f64::from(HOLDS_WHERE_STALLED) / 100.0;
        let stalled = (found.stalled * count as f64).round() as usize;
        let off = (found.covered_stalled.unwrap() - told).abs();
        assert!(
            stalled > count / 5 && off <= chance(told, stalled),
            "{SEED}, {share:?}: {found:?}"
        );
    }
}

/// The promise of time, as the table of DEVELOPERS.md has it: against the usual fixed lengths where trials
/// scatter little, and everywhere against lengths that somebody has chosen who knew beforehand how much they
/// scatter. Three times the chance error of the mean time is allowed.
#[test]
fn less_time_on_quiet_shares_and_hardly_ever_more_on_noisy_ones() {
    let longest = LONGEST as f64 + AROUND;
    for share in [SHARES[0], SHARES[1], SHARES[3], SHARES[5]] {
        let (trials, _) = share.fixed(&mut SEED.rng());
        let found = sittings(share, 400);
        let told = told_times(share);
        let last = |cell: &str| *told::numbers(cell).last().unwrap();
        for (trials, told) in [(USUAL, last(told[4])), (trials, last(told[5]))] {
            let times = trials as f64 * longest / found.seconds;
            // Told to two digits after the point.
            let least = (told - 0.005) * (1.0 - 3.0 * found.seconds_error / found.seconds);
            assert!(
                times >= least,
                "{SEED}, {share:?}: {times} times against {told}: {trials} trials of 30 s, {found:?}"
            );
        }
    }
}

#[test]
#[ignore = "prints a table of DEVELOPERS.md"]
#[expect(clippy::print_stdout, reason = "the table is what this is for")]
fn print_the_times() {
    let longest = LONGEST as f64 + AROUND;
    println!(
        "SIMULATED: holds the truth, reached, trials, seconds; usual; as precise; stalls seen, held"
    );
    for share in SHARES {
        let found = sittings(share, 2_000);
        let (trials, reached) = share.fixed(&mut SEED.rng());
        let (usual, fixed) = (USUAL as f64 * longest, trials as f64 * longest);
        let more = if reached { "" } else { " or more" };
        println!(
            "  | {} | {:.1} | {:.0} | {:.1} | {:.0} s | {:.2} | {trials}{more}: {fixed:.0} s | {:.2} | {:.1}, {:.1?} |",
            share.name,
            found.covered * 100.0,
            found.reached * 100.0,
            found.trials,
            found.seconds,
            usual / found.seconds,
            fixed / found.seconds,
            found.stalled * 100.0,
            found.covered_stalled.map(|share| share * 100.0),
        );
    }
}

#[test]
#[ignore = "prints a table of DEVELOPERS.md"]
#[expect(clippy::print_stdout, reason = "the table is what this is for")]
fn print_the_coverage() {
    println!("SIMULATED: coverage (false alarms) of {LAYOUTS:?}");
    let alike = |share: usize, sd: f64| (share, share, sd);
    let rows = [
        (0, 4, 0.01),
        (4, 0, 0.01),
        (2, 3, 0.01),
        (0, 7, 0.01),
        alike(7, 0.01),
        alike(4, 0.01),
        alike(0, 0.0),
        alike(0, 0.01),
        alike(0, 0.03),
        alike(2, 0.0),
        alike(2, 0.01),
        alike(2, 0.03),
        alike(3, 0.0),
        alike(3, 0.01),
        alike(3, 0.03),
        alike(4, 0.0),
        alike(4, 0.03),
    ];
    for (before, other, sitting_sd) in rows {
        let shares = (SHARES[before], SHARES[other]);
        let cells = LAYOUTS.map(|layout| {
            let found = studies(layout, shares, sitting_sd, 2_000);
            format!("{:.1} ({:.1})", found.covered * 100.0, found.alarms * 100.0)
        });
        let name = match before == other {
            true => shares.0.name.to_owned(),
            false => format!("{}, then {}", shares.0.name, shares.1.name),
        };
        println!(
            "  | {name} | {} % | {} |",
            sitting_sd * 100.0,
            cells.join(" | ")
        );
    }
}
