//! Pictures are well-formed, carry their words, and no text from outside becomes markup.

use super::*;
use crate::compare::{Rules, compare};
use crate::judge::judge_all;
use crate::plan::Phase;
use crate::record::histogram;
use crate::report::testing::{self, HOSTILE, Scene};

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

const KNOWN: [&str; 10] = [
    "svg", "title", "desc", "rect", "line", "polyline", "polygon", "circle", "text", "path",
];

fn check(svg: &str) {
    for element in elements(svg) {
        assert!(KNOWN.contains(&element.as_str()), "{element} in {svg}");
    }
    assert!(svg.starts_with("<svg role=\"img\" aria-labelledby=\"x-title x-desc\""));
    assert!(svg.contains("<title id=\"x-title\">") && svg.contains("<desc id=\"x-desc\">"));
    assert!(svg.contains("var(--ink)") && !svg.contains("\"#"), "{svg}");
    let file = standalone(svg);
    assert!(!file.contains("var(") && file.contains("\"#"), "{file}");
}

fn latencies(operations: u64) -> hdrhistogram::Histogram<u64> {
    let mut latency = histogram(3);
    for operation in 0..operations {
        latency.record(1_000_000 + operation * 1_000).unwrap();
    }
    latency
}

#[test]
fn every_picture_of_every_study_is_well_formed() {
    for scene in [Scene::Full, Scene::Hostile] {
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
            check(&trial_series(trial, &study.windows[&trial.trial], 1e9, "x"));
        }
    }
}

#[test]
fn empty_input_makes_a_picture_too() {
    let trial = testing::study(Scene::BeforeOnly).trials.remove(0);
    check(&trial_series(&trial, &[], 0.0, "x"));
    check(&family_chart("Rates", Family::Random, &[], false, "x"));
    check(&latency_distribution(HOSTILE, &[], false, "x"));
    check(&latency_distribution(
        "one",
        &[(Phase::After, latencies(3))],
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
    let svg = trial_series(trial, &study.windows[&trial.trial], 0.0, "x");
    let hollow = svg
        .lines()
        .filter(|line| line.starts_with("<circle") && line.contains("fill=\"none\""))
        .count();
    assert_eq!(hollow as u64, trial.warmup_windows);
    assert!(svg.contains("var(--shade)"));
}

#[test]
fn a_distribution_ends_where_too_few_operations_lie_beyond() {
    let svg = |operations| {
        latency_distribution("w", &[(Phase::Before, latencies(operations))], false, "x")
    };
    assert!(svg(1_000).contains("99 % within") && !svg(1_000).contains("99.9 % within"));
    assert!(!svg(999).contains("99 % within"));
}

#[test]
fn made_up_pictures_say_so_and_others_do_not() {
    for simulated in [true, false] {
        let phases = [(Phase::After, latencies(2_000))];
        let svg = latency_distribution("w", &phases, simulated, "x");
        // In the picture and in its title.
        assert_eq!(
            svg.matches("SIMULATED").count(),
            if simulated { 2 } else { 0 }
        );
    }
}

#[test]
fn outside_text_is_one_plain_line() {
    assert_eq!(plain("a\n\u{1b}[31mb\u{202E} \u{FFFE}c"), "a [31mb c");
    assert_eq!(plain("שלום"), "שלום");
    assert_eq!(short("lighthouse", 6), "light…");
    assert_eq!(short("museum", 6), "museum");
}
