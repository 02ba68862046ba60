//! Whether the promises hold, and what time is saved, when sittings end as soon as they know enough:
//! SIMULATED shares, second by second.
//!
//! `cargo test --release --lib stopped -- --ignored --nocapture` prints the tables of DEVELOPERS.md, in minutes.

use super::sample::{BetweenSittings, Sample, estimate};
use super::{Quantity, Rules, Verdict};
use crate::load::Until;
use crate::seed::{Seed, standard_normal};
use crate::stats::describe::mean;
use crate::stats::interval::mean_t;
use crate::stats::precise::{CONFIDENCE, LOOK_CONFIDENCE, LOOKS, half_width_at_look, is_look};
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

impl Noise {
    /// A trial: its rate, and the seconds that it ran. `until` none runs all of them.
    fn trial(&self, rng: &mut fastrand::Rng, until: Option<Until>) -> (f64, usize) {
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
        (mean(&windows[drop..]).unwrap(), windows.len())
    }

    /// The mean logarithm of the rate of trials of full length: stalls weigh in it.
    fn level(&self) -> f64 {
        let mut rng = SEED.child(self.name, 0).rng();
        let logs: Vec<f64> = (0..4_000)
            .map(|_| self.trial(&mut rng, None).0.ln())
            .collect();
        mean(&logs).unwrap()
    }

    /// A sitting that ends when it knows enough: rates, seconds, and whether it came to know it.
    fn sitting(&self, rng: &mut fastrand::Rng) -> (Vec<f64>, f64, bool) {
        let until = Until {
            half_width: ASKED,
            least: SHORTEST,
        };
        let (mut rates, mut seconds) = (Vec::new(), 0.0);
        loop {
            let (rate, windows) = self.trial(rng, Some(until));
            rates.push(rate);
            seconds += windows as f64 + AROUND;
            let logs: Vec<f64> = rates.iter().map(|rate| rate.ln()).collect();
            let half = is_look(logs.len())
                .then(|| half_width_at_look(&logs))
                .flatten();
            if half.is_some_and(|half| half <= ASKED) {
                return (rates, seconds, true);
            }
            if rates.len() == MOST {
                return (rates, seconds, false);
            }
        }
    }

    /// The fewest trials of full length whose plain interval is as narrow in nine sittings of ten, at
    /// most [`MOST`], and whether that is reached.
    fn fixed(&self, rng: &mut fastrand::Rng) -> (usize, bool) {
        const SITTINGS: usize = 400;
        let sittings: Vec<Vec<f64>> = (0..SITTINGS)
            .map(|_| (0..MOST).map(|_| self.trial(rng, None).0.ln()).collect())
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
    reached: f64,
}

fn sittings(share: Noise, count: usize) -> Sittings {
    let mut rng = SEED.child(share.name, 1).rng();
    let truth = share.level();
    let mut all = Sittings {
        covered: 0.0,
        trials: 0.0,
        seconds: 0.0,
        reached: 0.0,
    };
    let each = 1.0 / count as f64;
    for _ in 0..count {
        let (rates, seconds, reached) = share.sitting(&mut rng);
        let logs: Vec<f64> = rates.iter().map(|rate| rate.ln()).collect();
        let interval = mean_t(&logs, LOOK_CONFIDENCE).unwrap();
        if (interval.low..=interval.high).contains(&truth) {
            all.covered += each;
        }
        all.trials += each * rates.len() as f64;
        all.seconds += each * seconds;
        all.reached += each * f64::from(u8::from(reached));
    }
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
                let (rates, _, _) = share.sitting(&mut rng);
                sizes.push(rates.len());
                values.extend(rates.into_iter().map(|rate| rate * effect));
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

/// Three times the chance error of 600 studies is allowed; the tables have more of them.
#[test]
fn sittings_that_end_when_they_know_enough_keep_the_promise() {
    let count = 600;
    let chance = |p: f64, n: f64| 3.0 * (p * (1.0 - p) / n).sqrt();
    for share in [SHARES[2], SHARES[4]] {
        for layout in [(1, 1), (2, 2), (3, 3)] {
            let found = studies(layout, (share, share), 0.01 * (layout.0 - 1) as f64, count);
            assert!(
                found.covered >= 0.93 - chance(0.05, count as f64)
                    && found.alarms <= 0.05 + chance(0.05, count as f64 / 2.0),
                "{SEED}, {share:?}, {layout:?}: {found:?}"
            );
        }
        let found = sittings(share, count);
        assert!(
            found.covered >= 0.95 - chance(0.05, count as f64),
            "{SEED}: {found:?}"
        );
    }
}

/// The promise of time: against the usual fixed lengths where trials scatter little, and everywhere
/// against lengths that somebody has chosen who knew beforehand how much they scatter. The rule pays for
/// not knowing with some percent of the trials where no trial can end early.
#[test]
fn less_time_on_quiet_shares_and_hardly_ever_more_on_noisy_ones() {
    let longest = LONGEST as f64 + AROUND;
    for share in [SHARES[0], SHARES[1], SHARES[3], SHARES[5]] {
        let (trials, _) = share.fixed(&mut SEED.rng());
        let found = sittings(share, 200);
        let times = |trials: usize| trials as f64 * longest / found.seconds;
        let quiet = share.name.starts_with("quiet");
        let least = if quiet { 2.2 } else { 0.93 };
        assert!(
            times(trials) >= least && (!quiet || times(USUAL) >= 2.8),
            "{SEED}, {share:?}: {trials} trials of 30 s, {found:?}"
        );
    }
}

#[test]
#[ignore = "prints a table of DEVELOPERS.md"]
#[expect(clippy::print_stdout, reason = "the table is what this is for")]
fn print_the_times() {
    let longest = LONGEST as f64 + AROUND;
    println!("SIMULATED: holds the truth, reached, trials, seconds; usual; as precise");
    for share in SHARES {
        let found = sittings(share, 2_000);
        let (trials, reached) = share.fixed(&mut SEED.rng());
        let (usual, fixed) = (USUAL as f64 * longest, trials as f64 * longest);
        let more = if reached { "" } else { " or more" };
        println!(
            "  | {} | {:.1} | {:.0} | {:.1} | {:.0} s | {:.2} | {trials}{more}: {fixed:.0} s | {:.2} |",
            share.name,
            found.covered * 100.0,
            found.reached * 100.0,
            found.trials,
            found.seconds,
            usual / found.seconds,
            fixed / found.seconds,
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
