//! Pictures are well-formed, carry their words, and no text from outside becomes markup.

use super::*;
use crate::compare::{Rules, compare};
use crate::judge::{Grade, judge_all};
use crate::plan::Phase;
use crate::record::histogram;
use crate::report::testing::{self, HOSTILE, Scene};
use crate::units::Rate;

/// Checks that tags are balanced, attributes quoted and no character is forbidden in XML, and
/// returns the names of the elements.
fn elements(svg: &str) -> Vec<String> {
    let (mut open, mut all) = (Vec::new(), Vec::new());
    assert!(svg.chars().all(|c| c == '\n' || !c.is_control()), "{svg:?}");
    for piece in svg.split('<').skip(1) {
        let (tag, text) = piece.split_once('>').expect("a tag ends");
        assert!(!text.contains('>'), "{text}");
        assert_eq!(tag.matches('"').count() % 2, 0, "{tag}");
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop().as_deref(), Some(name));
            continue;
        }
        let name = tag.split([' ', '/']).next().unwrap_or_default().to_owned();
        if !tag.ends_with('/') {
            open.push(name.clone());
        }
        all.push(name);
    }
    assert!(open.is_empty(), "{open:?}");
    all
}

const KNOWN: [&str; 11] = [
    "svg", "g", "title", "desc", "rect", "line", "polyline", "polygon", "circle", "text", "path",
];

/// How many separate lines a picture has.
pub(super) fn strokes(svg: &str) -> usize {
    let paths = svg.split(" d=\"m").skip(1);
    let lines = paths.map(|path| 1 + path.split('"').next().unwrap().matches('m').count());
    lines.sum::<usize>() + svg.matches("<polyline").count()
}

pub(super) fn check(svg: &str) {
    for element in elements(svg) {
        assert!(KNOWN.contains(&element.as_str()), "{element} in {svg}");
    }
    assert!(svg.starts_with("<svg role=\"img\" aria-labelledby=\"x-title x-desc\""));
    assert!(svg.contains("<title id=\"x-title\">") && svg.contains("<desc id=\"x-desc\">"));
    assert!(svg.contains("var(--ink)") && !svg.contains("\"#"), "{svg}");
    let file = standalone(svg);
    assert!(!file.contains("var(") && file.contains("\"#"), "{file}");
}

fn phase(phase: Phase, operations: u64) -> PhaseLatency {
    let mut latency = histogram(3);
    for operation in 0..operations {
        latency.record(1_000_000 + operation * 1_000).unwrap();
    }
    PhaseLatency {
        phase,
        histogram: latency,
        grade: Some(Grade::B),
        void: false,
    }
}

#[test]
fn every_picture_of_every_study_is_well_formed() {
    for scene in [Scene::Full, Scene::Warm, Scene::Hostile] {
        let study = testing::study(scene);
        let comparison = compare(&study, &judge_all(&study), Rules::of(&study));
        for family in Family::ALL {
            let rows: Vec<_> = comparison
                .workloads
                .iter()
                .filter(|row| Family::of(row) == family)
                .collect();
            check(&family_chart(HOSTILE, family, &rows, false, "x"));
        }
        for trial in study.trials.iter().step_by(7) {
            let windows = &study.windows.of(trial.trial);
            check(&trial_series(trial, windows, Some(Grade::C), 1e9, "x"));
        }
    }
}

#[test]
fn empty_input_makes_a_picture_too() {
    let trial = testing::study(Scene::BeforeOnly).trials.remove(0);
    check(&trial_series(&trial, &[], None, 0.0, "x"));
    check(&family_chart("Rates", Family::Random, &[], false, "x"));
    check(&latency_distribution(HOSTILE, &[], false, "x"));
    check(&latency_distribution(
        "one",
        &[phase(Phase::After, 3)],
        false,
        "x",
    ));
}

#[test]
fn a_family_chart_shows_every_trial_and_the_medians() {
    let study = testing::study(Scene::Full);
    let comparison = compare(&study, &judge_all(&study), Rules::of(&study));
    let large_read = comparison
        .workloads
        .iter()
        .find(|row| row.workload == "large-read")
        .unwrap();
    let svg = family_chart("Rates", Family::of(large_read), &[large_read], false, "x");
    let groups = large_read.groups.iter().flatten();
    let trials: usize = groups.clone().map(|group| group.rates.len()).sum();
    // A ring a trial, and the disc that marks the median before.
    assert_eq!(svg.matches("<circle").count(), trials + 1);
    for group in groups {
        let median = format!("{:.0}", group.median_rate / 1e6);
        assert!(
            svg.contains(&format!("{} {median} (", group.phase)),
            "{svg}"
        );
    }
}

#[test]
fn warm_up_windows_are_hollow_and_shaded() {
    let study = testing::study(Scene::Full);
    let warm = |trial: &&crate::study::Trial| trial.steady && trial.warmup_windows > 0;
    let trial = study.trials.iter().find(warm).unwrap();
    let svg = trial_series(
        trial,
        &study.windows.of(trial.trial),
        Some(Grade::B),
        0.0,
        "x",
    );
    let hollow = svg
        .lines()
        .filter(|line| line.starts_with("<circle") && line.contains("fill=\"none\""))
        .count();
    assert_eq!(hollow as u64, trial.warmup_windows);
    assert!(svg.contains("var(--shade)"));
}

#[test]
fn a_distribution_ends_where_too_few_operations_lie_beyond() {
    let svg =
        |operations| latency_distribution("w", &[phase(Phase::Before, operations)], false, "x");
    assert!(svg(1_000).contains("99 % within") && !svg(1_000).contains("99.9 % within"));
    assert!(!svg(999).contains("99 % within"));
}

/// The outermost label has as much room as its letters take.
#[test]
fn labels_at_the_edges_lie_within_the_picture() {
    let svg = latency_distribution("w", &[phase(Phase::Before, 1_000_000)], false, "x");
    let width = 430.0;
    let mut seen = 0;
    for text in svg.split("<text").skip(1) {
        if !text.contains("text-anchor=\"middle\"") {
            continue;
        }
        let x: f64 = text
            .split(" x=\"")
            .nth(1)
            .unwrap()
            .split('"')
            .next()
            .unwrap()
            .parse()
            .unwrap();
        let words = text
            .split('>')
            .nth(1)
            .unwrap()
            .split('<')
            .next()
            .unwrap()
            .trim();
        // 11 pixels high, and wide fonts take less than 0.58 of that for a character.
        let half = words.chars().count() as f64 * 11.0 * 0.58 / 2.0;
        assert!(
            x - half >= -1.0 && x + half <= width + 1.0,
            "{words} at {x}"
        );
        seen += usize::from(words == "99.999 %");
    }
    assert_eq!(seen, 1, "{svg}");
}

#[test]
fn made_up_pictures_say_so_and_others_do_not() {
    for simulated in [true, false] {
        let phases = [phase(Phase::After, 2_000)];
        let svg = latency_distribution("w", &phases, simulated, "x");
        // In the picture, in its title, and in what each mark says.
        let marks = pointed(&svg);
        assert_eq!(
            svg.matches("SIMULATED").count(),
            if simulated { 2 + marks.len() } else { 0 }
        );
        assert!(!marks.is_empty());
    }
}

#[test]
fn a_void_group_has_a_hatched_lane_its_reason_and_no_rate() {
    let study = testing::study(Scene::Warm);
    let comparison = compare(&study, &judge_all(&study), Rules::of(&study));
    let row = &comparison.workloads[0];
    let svg = family_chart("Rates", Family::of(row), &[row], false, "x");
    check(&svg);
    let (before, after) = (row.group(Phase::Before), row.group(Phase::After));
    let median =
        |group: Option<&crate::compare::Group>| format!("{:.0}", group.unwrap().median_rate / 1e6);
    assert!(svg.contains(&median(before)), "{svg}");
    assert!(!svg.contains(&median(after)), "{svg}");
    assert!(svg.contains("void, about 83 % cached"), "{svg}");
    assert!(svg.contains("void  (X, 5 trials)"), "{svg}");
    let sound = testing::study(Scene::Full);
    let comparison = compare(&sound, &judge_all(&sound), Rules::of(&sound));
    let row = &comparison.workloads[0];
    let other = family_chart("Rates", Family::of(row), &[row], false, "x");
    assert!(strokes(&svg) > strokes(&other) + 20, "hatching");
}

#[test]
fn void_latencies_and_trials_say_so() {
    let void = PhaseLatency {
        grade: Some(Grade::X),
        void: true,
        ..phase(Phase::After, 2_000)
    };
    let svg = latency_distribution("w", &[phase(Phase::Before, 2_000), void], false, "x");
    check(&svg);
    assert!(
        svg.contains("after X void") && svg.contains("before B"),
        "{svg}"
    );
    let study = testing::study(Scene::Full);
    let trial = &study.trials[0];
    let windows = &study.windows.of(trial.trial);
    let series = |grade| trial_series(trial, windows, Some(grade), 0.0, "x");
    assert!(series(Grade::X).contains("grade X: void"));
    assert!(series(Grade::A).contains("grade A") && !series(Grade::A).contains("void"));
}

#[test]
fn layers_mark_the_narrowest_and_hatch_what_is_void() {
    let stage = |name, ceiling: Option<f64>, mark| Stage {
        name,
        ceiling: ceiling.map(Rate),
        words: HOSTILE.to_owned(),
        mark,
    };
    let stages = [
        stage("drive", Some(210e6), None),
        stage("wire", Some(117e6), Some("narrowest")),
        stage("client", None, None),
    ];
    let reached = |void| Reached {
        phase: Phase::After,
        rate: Rate(115e6),
        words: "grade".to_owned(),
        void,
    };
    let chart = |void| layers_chart("Layers", &stages, &reached(void), false, "x");
    check(&chart(false));
    check(&chart(true));
    assert_eq!(chart(false).matches("◀ narrowest").count(), 1);
    assert!(chart(false).contains("wire (narrowest)"));
    assert!(chart(true).len() > chart(false).len(), "hatching");
}

#[test]
fn a_followed_reshape_makes_two_pictures_and_so_does_one_of_which_little_is_known() {
    use crate::compare::scene::{reshaping, small};
    use crate::compare::{Account, Reshaped};
    use crate::reshape::Word;
    use jiff::tz::TimeZone;

    let account = |study: &crate::study::Study| {
        let judgements = judge_all(study);
        let comparison = compare(study, &judgements, Rules::of(study));
        Account::of(study, &comparison, &judgements, TimeZone::UTC)
    };
    // A pause, a power cut that takes it back, a stall; then its end.
    let whole = reshaping(|hour| match hour {
        h if h < 8.0 => (0.04 * h, Word::Running),
        h if h < 10.0 => (0.32, Word::Paused),
        h if h < 14.0 => (0.32 + 0.04 * (h - 10.0), Word::Running),
        h if h < 20.0 => (0.40 + 0.02 * (h - 14.0), Word::Running),
        h if h < 22.0 => (0.52, Word::Running),
        h if h < 34.0 => (0.52 + 0.04 * (h - 22.0), Word::Running),
        _ => (1.0, Word::Finished),
    });
    let bare = reshaping(|_| (0.1, Word::Waiting));
    for mut study in [whole, bare] {
        for index in 0..60 {
            study
                .probes
                .push(small(f64::from(index) / 2.0, f64::from(index) + 3.0));
        }
        let account = account(&study);
        let lines = CostLines {
            baseline_ns: Some(8e6),
            limit_ns: Some(40e6),
            busy: Some(Busy {
                from: 8,
                hours: 10.0,
                weekends: false,
            }),
        };
        let zone = TimeZone::UTC;
        check(&cost_chart(&account.cost.timeline, lines, &zone, true, "x"));
        let reshaped: &Reshaped = account.reshaped.as_ref().unwrap();
        let found = account.forecasts.as_ref().unwrap();
        let svg = progress_chart(reshaped, found, &zone, true, "x");
        check(&svg);
        assert!(
            svg.contains("SIMULATED") && svg.contains("told at 33 %"),
            "{svg}"
        );
    }
    check(&cost_chart(
        &[],
        CostLines::default(),
        &TimeZone::UTC,
        false,
        "x",
    ));
}

/// The words of each area of a picture, without those of the picture itself.
fn pointed(svg: &str) -> Vec<&str> {
    let areas = svg.split("<title>").skip(1);
    areas
        .map(|area| area.split_once("</title>").unwrap().0)
        .collect()
}

#[test]
fn each_mark_says_its_value_under_the_pointer() {
    let study = testing::study(Scene::Full);
    let trial = &study.trials[0];
    let windows = study.windows.of(trial.trial);
    let svg = trial_series(trial, &windows, Some(Grade::B), 0.0, "x");
    let words = pointed(&svg);
    assert_eq!(words.len(), windows.len());
    for (index, window) in windows.iter().enumerate() {
        let told = format!(
            "{} s: {}",
            index + 1,
            crate::units::Rate(window.bytes() as f64)
        );
        assert!(words[index].starts_with(&told), "{} {told}", words[index]);
    }
    let svg = trial_series(trial, &windows, Some(Grade::X), 0.0, "x");
    assert_eq!(pointed(&svg), [""; 0], "what is void has no values");
    // Of a long trial, stretches: a page holds many such pictures.
    let long: Vec<_> = windows.iter().cycle().take(10_000).cloned().collect();
    let svg = trial_series(trial, &long, Some(Grade::B), 0.0, "x");
    let words = pointed(&svg);
    assert_eq!(words.len(), 20);
    assert!(words[19].starts_with("9501 to 10000 s: "), "{}", words[19]);

    let svg = latency_distribution("one", &[phase(Phase::After, 3_000)], false, "x");
    let words = pointed(&svg);
    assert_eq!(words.len(), 3, "{words:?}");
    assert!(words[0].starts_with("after B: 50 % within 2."), "{words:?}");

    let comparison = compare(&study, &judge_all(&study), Rules::of(&study));
    let rows: Vec<_> = comparison.workloads.iter().take(1).collect();
    let svg = family_chart("Rates", Family::of(rows[0]), &rows, false, "x");
    let groups = rows[0].groups.iter().flatten();
    let marks: usize = groups.map(|group| 1 + group.rates.len()).sum();
    assert_eq!(pointed(&svg).len(), marks);
}
