//! Sections say what was made, fit a terminal, and say plainly what is missing.

use jiff::tz::TimeZone;

use super::*;
use crate::compare::scene::{at, large, reshaping, small};
use crate::compare::{Rules, compare};
use crate::judge::judge_all;
use crate::report::testing::{self, SCENES, Scene};
use crate::reshape::Word;
use crate::study::{Limits, Study};

fn account(study: &Study) -> Account {
    let judgements = judge_all(study);
    let comparison = compare(study, &judgements, Rules::of(study));
    Account::of(study, &comparison, &judgements, TimeZone::UTC)
}

/// Forty hours at one speed, probed every ten minutes: 30 ms by day, 12 ms else.
fn followed() -> Study {
    let mut study = reshaping(|hour| match hour < 40.0 {
        true => (hour / 40.0, Word::Running),
        false => (1.0, Word::Finished),
    });
    for index in 0..240 {
        let hour = f64::from(index) / 6.0;
        let busy = (9.0..17.0).contains(&((hour + 8.0) % 24.0));
        study
            .probes
            .push(small(hour, if busy { 30.0 } else { 12.0 }));
    }
    study.probes.push(large(2.0, 95.0));
    study
}

fn joined(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn every_scene_fits_eighty_columns_without_control_characters() {
    let mut studies: Vec<Study> = SCENES.into_iter().map(testing::study).collect();
    studies.push(followed());
    for study in studies {
        let text = account_text(&account(&study), 80);
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{}: {line}", study.name);
            assert!(!line.chars().any(char::is_control), "{line:?}");
        }
        assert_eq!(
            text.contains("SIMULATED"),
            study.config.simulated && !text.is_empty()
        );
    }
}

#[test]
fn what_was_made_is_told() {
    let mut study = followed();
    study.config.limits = Some(Limits {
        small_read_ms: Some(20.0),
        copy_mb_per_s: None,
    });
    let text = joined(&account_text(&account(&study), 100));
    for part in [
        "while the reshape went at 2.50 % an hour",
        "times the",
        "of small-read before (median 16.1 ms), whose reads follow one another at once.",
        "By probes large reads of one user got 95.00 MB/s (1 probe)",
        "nothing was measured before that reads as the probes do",
        "10:00 to 11:00 30.0 ms 12",
        "Small reads within 20 ms on average: ",
        "min were not observed, of which nothing is known",
        "No limit is set by copy_mb_per_s",
        "large-read 3 −42 % 2.50 % an hour",
        "done Thu 5 Mar 00:00, 40.0 h later",
        "The plan, reckoned with the start that it had (Tue 3 Mar 08:00), says ",
        "Longest stretch: ",
        "so few probes tell little",
        "Probes and trials need not agree",
        "held",
        "What the change is made of",
        "Settings that changed too: largest packet of lan0 (1500 → 9000)",
        "large-read ×1.25 to ×1.50",
        "as expected",
    ] {
        assert!(text.contains(part), "{part} in\n{text}");
    }
}

/// The reshape of [`followed`] at another speed: a reading every so many seconds, 21 of them.
fn quick(seconds: f64) -> Study {
    let mut study = followed();
    study.progress.truncate(21);
    study.progress.change(|place, row| {
        let done = place == 20;
        row.at = at(place as f64 * seconds / 3600.0);
        row.elapsed_s = row.elapsed_s.map(|_| seconds);
        row.state = if done { Word::Finished } else { Word::Running };
        row.fraction = Some(if done { 1.0 } else { place as f64 / 20.0 });
    });
    study.probes.truncate(0);
    for index in 0..3 {
        let hour = f64::from(index) * 5.0 * seconds / 3600.0;
        let mut probe = small(hour, 30.0);
        probe.seconds = seconds;
        study.probes.push(probe);
    }
    study
}

/// Of minutes the clock needs its seconds, and hours of the day say nothing.
#[test]
fn a_reshape_of_minutes_is_told_in_seconds_and_without_hours_of_the_day() {
    let told = |seconds: f64| {
        let study = quick(seconds);
        let account = account(&study);
        let comparison = compare(&study, &judge_all(&study), Rules::of(&study));
        let figures = crate::report::Figures::of(&study, &comparison, &judge_all(&study), &account);
        (joined(&account_text(&account, 100)), figures.cost.is_some())
    };
    let (minutes, drawn) = told(4.4);
    assert!(
        minutes.contains(
            "Followed from Tue 3 Mar 08:00:00; done Tue 3 Mar 08:01:28, 1 min 28 s later"
        ),
        "{minutes}"
    );
    assert!(!minutes.contains("Hour by hour") && !drawn, "{minutes}");
    assert!(!minutes.contains("speed_by_hour"), "{minutes}");
    // An hour and a half: the minute is enough, and there is no day in it.
    let (short, _) = told(270.0);
    assert!(
        short.contains("done Tue 3 Mar 09:30, 1.5 h later"),
        "{short}"
    );
    assert!(!short.contains("Hour by hour"), "{short}");
    let (long, drawn) = told(540.0);
    assert!(long.contains("Hour by hour") && drawn, "{long}");
}

/// Three probes of a share that answers in 60 µs, and one pair of stretches.
#[test]
fn few_probes_and_pairs_carry_no_multiple_and_no_cost() {
    let mut study = followed();
    study.probes.truncate(3);
    for trial in &mut study.trials {
        trial.mean_ns = Some(60_000);
        trial.p50_ns = Some(58_000);
    }
    study.progress.change(|place, row| match place {
        1 => row.probed = Some(true),
        2 => row.probed = Some(false),
        _ => {}
    });
    let text = joined(&account_text(&account(&study), 100));
    for part in [
        "60.0 µs was that of small-read before (median 58.0 µs); so few probes tell little",
        "What probing itself cost the reshape is not known: 1 pair of stretches",
    ] {
        assert!(text.contains(part), "{part} in\n{text}");
    }
    assert!(!text.contains("Probing itself cost"), "{text}");
    // Of many probes the multiple is told, and what it is worth.
    study.probes = followed().probes;
    let text = joined(&account_text(&account(&study), 100));
    assert!(
        text.contains("at most 320.0 times the 60.0 µs of small-read before (median 58.0 µs), whose reads follow"),
        "{text}"
    );
}

#[test]
fn what_is_missing_is_said_in_a_line_and_an_empty_study_says_nothing() {
    let text = joined(&account_text(&account(&testing::study(Scene::Full)), 80));
    for part in [
        "no light probes were made",
        "it was not followed; `watch` follows it",
        "No limit is set by small_read_ms and copy_mb_per_s",
        "The reshape was not followed, so there is no forecast",
        "no part for the place: nothing says that the drives rotate",
    ] {
        assert!(text.contains(part), "{part} in\n{text}");
    }
    assert_eq!(
        account_text(&account(&testing::study(Scene::Empty)), 80),
        ""
    );
    assert_eq!(
        account_text(&account(&testing::study(Scene::BeforeOnly)), 80),
        ""
    );
    // A watch that waits for it follows it, and its probes are of the time before.
    let mut waiting = reshaping(|_| (0.0, Word::Absent));
    waiting.progress.change(|_, row| row.fraction = None);
    waiting.probes.push(small(1.0, 9.0));
    let text = joined(&account_text(&account(&waiting), 80));
    assert!(
        text.contains("it has not begun; `watch` follows it")
            && text.contains("The reshape has not begun, so there is no forecast")
            && !text.contains("By probes"),
        "{text}"
    );
}

#[test]
fn made_up_probes_say_so_in_every_heading() {
    let mut study = followed();
    study
        .probes
        .change(|place, row| row.simulated |= place == 0);
    let text = account_text(&account(&study), 80);
    let headings = text.matches("SIMULATED ").count();
    let sections = sections(&account(&study));
    let tables: usize = sections.iter().map(|of| of.tables.len()).sum();
    assert_eq!(headings, sections.len() + tables, "{text}");
}
