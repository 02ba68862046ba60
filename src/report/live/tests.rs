//! The live page and its figures, made of made-up reshapes.

use std::collections::BTreeSet;
use std::time::Duration;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::*;
use crate::report::testing::{HOSTILE, Scene, study};
use crate::reshape::simulated::Course;
use crate::reshape::{Reading, Reported, Source, State, Word, assess};
use crate::seed::Seed;
use crate::study::{Limits, ProbeRow, ProgressRow};

/// A study whose reshape was read so many times, with a probe of small reads for each reading.
fn watched(scene: Scene, readings: usize) -> Study {
    let mut study = study(scene);
    let start: Timestamp = "2026-03-02T08:00:00Z".parse().unwrap();
    let (mut course, _) = Course::straight(20.0, 0.1, 600.0).run(start, Seed(5));
    course.truncate(readings);
    let simulated = study.config.simulated;
    let row = |reading: &Reading| ProgressRow::of(reading, Source::Percent, simulated);
    study.progress = course.iter().map(row).collect();
    let probe = |reading: &Reading| ProbeRow {
        at: reading.at,
        simulated,
        kind: ProbeRow::SMALL.to_owned(),
        reshape_fraction: reading.position(),
        reshape_fraction_per_h: Some(0.05),
        seconds: 60.0,
        period_s: Some(1.5),
        operations: 40,
        missed_operations: 0,
        busy_fraction: 0.008,
        rate_bytes_per_s: None,
        mean_ns: Some(12_500_000),
        p50_ns: Some(11_000_000),
        max_ns: Some(80_000_000),
        next_operation: 40,
        cause: String::new(),
    };
    study.probes = course.iter().map(probe).collect();
    study.config.limits = Some(Limits {
        small_read_ms: Some(10.0),
        copy_mb_per_s: None,
    });
    study
}

/// What `look` makes of a watch over `study`.
fn look<T>(study: &Study, look: impl FnOnce(&Live<'_>) -> T) -> T {
    let readings: Vec<Reading> = study.progress.iter().map(ProgressRow::reading).collect();
    let seen = assess(&readings, study.config.zones(), None);
    let now = study.progress.last().map(|row| row.at);
    let notes = [(now.unwrap_or_default(), format!("a note {HOSTILE}"))];
    look(&Live {
        study,
        before: &Before::of(study),
        seen: seen.as_ref(),
        probing: None,
        notes: &notes,
        over: None,
        now: now.unwrap_or_default(),
        source: Source::Percent,
        every: Duration::from_secs(300),
        zone: &TimeZone::UTC,
    })
}

#[test]
fn the_page_tells_state_finish_cost_and_what_to_do() {
    let study = watched(Scene::Full, 60);
    let main = look(&study, live_main);
    for part in [
        "<span class=\"word\">moving</span> since Mon 2 Mar 08:00",
        "80\u{a0}% range",
        "nothing: it goes as it should",
        "over your limit of 10.0 ms",
        "times the",
        "id=\"live-progress-title\"",
        "id=\"live-cost-title\"",
    ] {
        assert!(main.contains(part), "{part}: {main}");
    }
    let forecast = look(&study, |live| live.seen.unwrap().forecast.clone()).unwrap();
    let finish = look(&study, |live| live.clock().tell(forecast.finish));
    assert!(
        main.contains(&format!("<strong>{finish}</strong>")),
        "{finish}"
    );
    let names: Vec<&str> = main
        .match_indices("data-part=\"")
        .map(|(at, key)| main[at + key.len()..].split('"').next().unwrap())
        .collect();
    let all = [
        "head", "state", "users", "progress", "probes", "readings", "rests",
    ];
    assert_eq!(names, all, "the script replaces parts by their names");
    let done = look(&study, |live| live.seen.unwrap().fraction.unwrap());
    let title = format!("{} moving · scan-archive", crate::units::percent(done, 1));
    assert_eq!(look(&study, live_title), title);
}

#[test]
fn what_moves_has_a_speed_that_is_not_known_yet_and_no_speed_above_all_of_it() {
    let mut study = watched(Scene::Full, 1);
    let first = look(&study, live_main);
    assert!(
        first.contains("moving") && first.contains("<dd>not known yet</dd>"),
        "{first}"
    );
    assert!(!first.contains("does not move"), "{first}");
    study = watched(Scene::Full, 30);
    let start = study.progress.first().unwrap().at;
    study.progress.change(|place, row| {
        row.at = start + SignedDuration::from_secs(place as i64);
        row.elapsed_s = row.elapsed_s.map(|_| 1.0);
    });
    let fast = look(&study, live_main);
    assert!(
        fast.contains("% a minute") && !fast.contains("% an hour<"),
        "{fast}"
    );
}

#[test]
fn every_part_is_there_before_the_first_reading_and_at_the_end() {
    let none = watched(Scene::BeforeOnly, 0);
    let main = look(&none, live_main);
    assert_eq!(main.matches("data-part=").count(), 7);
    assert!(main.contains("No reading yet") && main.contains("Nothing to draw yet"));
    let mut done = watched(Scene::Full, 250);
    let last = done.progress.last().unwrap().at + SignedDuration::from_mins(5);
    let reading = Reading::of(last, Reported::bare(Word::Finished, ""));
    done.progress
        .push(ProgressRow::of(&reading, Source::Percent, false));
    let main = look(&done, live_main);
    assert!(main.contains("says what follows"), "{main}");
    let over = look(&done, |live| {
        live_main(&Live {
            over: Some(Over::Finished),
            ..*live
        })
    });
    assert!(over.contains("ended with the reshape"));
}

#[test]
fn hostile_text_is_text_and_made_up_numbers_say_so() {
    let mut study = watched(Scene::Hostile, 20);
    let last = study.progress.len() - 1;
    study.progress.change(|place, row| {
        if place == last {
            row.note = HOSTILE.to_owned();
        }
    });
    let last = study.probes.len() - 1;
    study.probes.change(|place, row| {
        if place == last {
            row.cause = HOSTILE.to_owned();
        }
    });
    let page = look(&study, |live| {
        live_page(&live_title(live), &live_main(live), "00ff", 30)
    });
    assert!(!page.contains("<script>alert"), "{page}");
    assert_eq!(page.matches("<script").count(), 1);
    assert!(page.contains("&lt;script&gt;alert(1)"));
    assert!(!page.chars().any(|c| c.is_control() && c != '\n'));
    assert!(!page.contains("SIMULATED"));
    let page = look(&watched(Scene::Simulated, 20), live_main);
    assert!(page.matches("SIMULATED").count() > 8);
}

#[test]
fn the_document_asks_for_nothing_from_elsewhere() {
    let study = watched(Scene::Full, 20);
    let page = look(&study, |live| {
        live_page(&live_title(live), &live_main(live), "00ff", 30)
    });
    for outside in ["http:", "https:", "@import", "url("] {
        let found = page.replace("http://www.w3.org/2000/svg", "");
        assert!(!found.contains(outside), "{outside}");
    }
    // The policy lets no attribute of style or script pass.
    for inline in [" style=", " onclick=", " onload="] {
        assert!(!page.contains(inline), "{inline}");
    }
    assert_eq!(page.matches("nonce=\"00ff\"").count(), 2);
    assert!(page.contains("<noscript><meta http-equiv=\"refresh\" content=\"30\">"));
}

/// Name, labels and value of each sample.
fn samples(text: &str) -> Vec<(String, String, f64)> {
    let lines = text.lines().filter(|line| !line.starts_with('#'));
    lines
        .map(|line| {
            let (name, rest) = line.split_once('{').unwrap();
            let (labels, value) = rest.rsplit_once("} ").unwrap();
            (name.to_owned(), labels.to_owned(), value.parse().unwrap())
        })
        .collect()
}

/// OpenMetrics 1.0.0: the text ends with `# EOF`; the unit of a family ends its name; of a state set at most
/// one is 1 here; counters end in `_total`; a family's samples stand together behind its head.
#[test]
fn figures_keep_to_open_metrics() {
    let study = watched(Scene::Full, 60);
    let text = look(&study, |live| open_metrics(live, Dialect::Full));
    assert!(text.ends_with("\n# EOF\n") && text.matches("# EOF").count() == 1);
    let mut families = BTreeSet::new();
    let mut family = "";
    for line in text.lines().filter(|line| *line != "# EOF") {
        let words: Vec<&str> = line.split(' ').collect();
        match words[..] {
            ["#", "TYPE", name, kind] => {
                assert!(families.insert(name.to_owned()), "{name} twice");
                assert!(["gauge", "counter", "info", "stateset"].contains(&kind));
                family = name;
            }
            ["#", "UNIT", name, unit] => {
                assert_eq!(name, family);
                assert!(name.ends_with(&format!("_{unit}")), "{line}");
            }
            ["#", "HELP", name, ..] => assert_eq!(name, family),
            _ => {
                let name = line.split('{').next().unwrap();
                let suffix = name.strip_prefix(family).unwrap_or("?");
                assert!(
                    ["", "_total", "_info"].contains(&suffix),
                    "{line} in {family}"
                );
            }
        }
    }
    let samples = samples(&text);
    let one = |name: &str| samples.iter().find(|sample| sample.0 == name).unwrap().2;
    let of = |name: &'static str| samples.iter().filter(move |sample| sample.0 == name);
    let seen = look(&study, |live| live.seen.unwrap().clone());
    let forecast = seen.forecast.unwrap();
    let finish = forecast.finish.as_millisecond() as f64 / 1e3;
    assert_eq!(
        one("poolproof_reshape_position_ratio"),
        seen.fraction.unwrap()
    );
    assert_eq!(one("poolproof_reshape_finish_timestamp_seconds"), finish);
    assert_eq!(one("poolproof_user_small_read_latency_seconds"), 0.0125);
    assert_eq!(one("poolproof_user_small_read_latency_limit_seconds"), 0.01);
    assert_eq!(one("poolproof_readings_total"), 60.0);
    assert_eq!(
        of("poolproof_reshape_finish_range_timestamp_seconds").count(),
        4
    );
    let states: Vec<_> = of("poolproof_reshape_state").collect();
    assert_eq!(states.len(), State::ALL.len());
    let set: Vec<_> = states.iter().filter(|state| state.2 == 1.0).collect();
    assert!(set.len() == 1 && set[0].1.contains("poolproof_reshape_state=\"moving\""));
    assert!(of("poolproof_reshape_alarm").all(|alarm| alarm.2 == 0.0));
}

#[test]
fn figures_for_a_file_have_only_types_that_older_readers_know() {
    let study = watched(Scene::Full, 60);
    let (full, plain) = look(&study, |live| {
        let of = |dialect| open_metrics(live, dialect);
        (of(Dialect::Full), of(Dialect::Plain))
    });
    let kinds: BTreeSet<&str> = plain
        .lines()
        .filter_map(|line| line.strip_prefix("# TYPE ")?.split(' ').nth(1))
        .collect();
    assert_eq!(kinds, BTreeSet::from(["counter", "gauge"]));
    assert_eq!(samples(&full), samples(&plain));
}

#[test]
fn what_is_unknown_has_no_figure_and_labels_are_escaped() {
    let mut study = watched(Scene::Empty, 0);
    study.name = "a\"b\\c\nd".to_owned();
    let text = look(&study, |live| open_metrics(live, Dialect::Full));
    assert!(text.contains("{study=\"a\\\"b\\\\c d\""), "{text}");
    for unknown in ["position", "finish_", "latency_seconds", "NaN"] {
        assert!(!text.contains(unknown), "{unknown}: {text}");
    }
    let made_up = look(&watched(Scene::Simulated, 9), |live| {
        open_metrics(live, Dialect::Full)
    });
    assert!(
        made_up
            .lines()
            .filter(|line| line.starts_with("# HELP"))
            .all(|line| line.contains("SIMULATED"))
    );
    assert!(made_up.contains("simulated=\"true\""));
}

#[test]
fn all_words_of_alarms_are_among_those_that_are_told() {
    use crate::reshape::Alarm;
    let text = String::new;
    let all = [
        Alarm::OthersFirst,
        Alarm::Slow(0.1),
        Alarm::Stalled,
        Alarm::Waits(text()),
        Alarm::Held(text()),
        Alarm::WentBack { from: 0.2, to: 0.1 },
        Alarm::Gone(0.5),
        Alarm::Unsettled(0.9),
        Alarm::NoAnswer(text()),
    ];
    assert_eq!(all.map(|alarm| alarm.word()), Alarm::WORDS);
}
