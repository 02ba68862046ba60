//! A phase that a cache served is nowhere taken for a gain, and every rendering names the grade.

use super::testing::{self, HOSTILE, Scene};
use super::tests::{Rendered, between, rendered};
use super::*;
use crate::compare::{Row, Verdict};
use crate::judge::{Evidence, Grade, Layer, Says, Share, Strength, judge_all, rule};
use crate::plan::Phase;
use crate::record::observed;

/// The large reads: before they came from the drives, after from a cache, and faster.
fn large_read(all: &Rendered) -> &Row {
    let rows = &all.comparison.workloads;
    rows.iter()
        .find(|row| row.workload == "large-read")
        .unwrap()
}

/// A number as the tables write it, so that its absence means something.
fn shown(row: &Row, phase: Phase) -> String {
    let group = row.group(phase).unwrap();
    let family = crate::chart::Family::of(row);
    words::rate(family, group.median_rate, group.block_bytes)
}

#[test]
fn the_scene_has_all_grades_and_a_void_phase_that_is_faster() {
    let all = rendered(Scene::Warm);
    for grade in grades::ALL {
        let mut judged = all.judgements.values();
        assert!(
            judged.any(|judged| judged.ruling.grade == grade),
            "{grade:?}"
        );
    }
    let row = large_read(all);
    let median = |phase| row.group(phase).unwrap().median_rate;
    assert!(median(Phase::After) > 1.3 * median(Phase::Before));
    assert_eq!(row.group(Phase::Before).unwrap().grade, Some(Grade::A));
    assert!(matches!(
        row.after_before.as_ref().unwrap().verdict,
        Verdict::Void {
            phase: Phase::After,
            cached_percent: Some(83)
        }
    ));
}

#[test]
fn a_single_bad_trial_is_left_out_with_its_grade() {
    let mut study = testing::study(Scene::Warm);
    let trial = large_read(rendered(Scene::Warm))
        .group(Phase::Before)
        .unwrap()
        .trials[0];
    let seen = study.observations.get_mut(&trial).unwrap();
    let fetched = seen.get(observed::PROCESS_FETCHED).unwrap();
    seen.put(observed::PROCESS_FETCHED, 0.1 * fetched);
    let judgements = judge_all(&study);
    let all = Rendered::of(study, judgements);
    let before = large_read(&all).group(Phase::Before).unwrap();
    assert!(before.void.is_none() && !before.trials.contains(&trial));
    let sentence =
        format!("Trial {trial} is left out: grade X: served from a cache (at least 87 %).");
    assert!(
        all.text().replace("\n    ", " ").contains(&sentence),
        "{}",
        all.text()
    );
    // Per cent signs stay with their numbers.
    assert!(all.html.contains(&sentence.replace(" %", "\u{a0}%")));
    // Memory of the client is what the advice is about then.
    let why = why_text(&all.study, Some(trial), &all.judgements, 80).unwrap();
    assert!(
        why.contains("Direct I/O was accepted and memory served"),
        "{why}"
    );
    let client = why.lines().find(|line| line.starts_with("  client "));
    assert!(client.unwrap().contains("◀ served from here"), "{why}");
}

#[test]
fn text_calls_it_void_and_shows_no_figure_of_it() {
    let all = rendered(Scene::Warm);
    let (row, text) = (large_read(all), all.text());
    let verdict = all.verdict(row, Phase::After);
    assert!(!verdict.contains("gain of"), "{verdict}");
    for part in ["void: after", "about 83 %", "grade X", "--size"] {
        assert!(verdict.contains(part), "{part}: {verdict}");
    }
    assert!(text.contains(&shown(row, Phase::Before)), "{text}");
    assert!(!text.contains(&shown(row, Phase::After)), "{text}");
    let ratio = row.after_before.as_ref().unwrap().ratio;
    assert!(!text.contains(&format!("{ratio:.3}")), "{text}");
    assert!(
        text.contains("about 83 % cached") && text.contains("A, 2.0 %, 5 trials"),
        "{text}"
    );
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("says nothing about the drives"), "{text}");
    assert!(
        text.lines().all(|line| line.chars().count() <= 80),
        "{text}"
    );
}

#[test]
fn csv_and_json_keep_its_figures_apart() {
    let all = rendered(Scene::Warm);
    let text = all.csv();
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let names = reader.headers().unwrap().clone();
    let record = reader
        .records()
        .map(Result::unwrap)
        .find(|record| &record[0] == "large-read")
        .unwrap();
    let cell = |name: &str| {
        let index = names.iter().position(|column| column == name);
        &record[index.unwrap_or_else(|| panic!("no column {name}"))]
    };
    assert_eq!((cell("before_grade"), cell("after_grade")), ("A", "X"));
    assert_eq!((cell("before_void"), cell("after_void")), ("false", "true"));
    assert_eq!(
        (cell("before_limit"), cell("after_limit")),
        ("drives", "cache")
    );
    assert_eq!(cell("verdict"), "void");
    let share: f64 = cell("after_cached_share").parse().unwrap();
    assert!((share - 0.83).abs() < 0.01, "{share}");
    for empty in [
        "after_bytes_per_s",
        "after_p50_ns",
        "after_before_ratio",
        "after_before_p",
    ] {
        assert_eq!(cell(empty), "", "{empty}");
    }
    assert_ne!(cell("after_void_bytes_per_s"), "");
    assert_ne!(cell("before_bytes_per_s"), "");

    let json: serde_json::Value = serde_json::from_str(&all.json()).unwrap();
    let row = &json["workloads"][0];
    assert_eq!(row["verdict"], "void");
    assert!(row["after_before"]["ratio"].is_null() && row["after"]["drives"].is_null());
    assert_eq!(row["after"]["grade"], "X");
    assert!(
        row["after"]["void"]["why"]
            .as_str()
            .unwrap()
            .contains("83 %")
    );
    assert!(row["before"]["drives"]["median_bytes_per_s"].is_number());
    assert!(row["before"]["void"].is_null());
}

#[test]
fn the_page_and_its_pictures_say_void_as_loudly_as_a_gain() {
    let all = rendered(Scene::Warm);
    let html = all.html.replace('\u{a0}', " ");
    let row = large_read(all);
    let item = between(&html, "<li class=\"void\">", "</li>")[0];
    assert!(item.contains("large-read") && item.contains("✕"), "{item}");
    assert!(
        item.contains(&all.verdict(row, Phase::After)[1..]),
        "{item}"
    );
    assert!(!item.contains("▲"), "{item}");
    // No table but that of the trials shows the rate, and there it stands as void.
    let rates = between(&html, "Median rate, grade, spread", "</table>")[0];
    assert!(!rates.contains(&shown(row, Phase::After)), "{rates}");
    assert!(rates.contains("about 83 % cached"), "{rates}");
    assert!(html.contains("Is each number real?"));
    for trial in &all.study.trials {
        let Some(judged) = all.judgements.get(&trial.trial) else {
            continue;
        };
        let summary = format!("Trial {}, {}, ", trial.trial, trial.phase);
        assert!(html.contains(&summary), "{summary}");
        assert!(html.contains(&grades::sentence(&judged.ruling)));
    }
    for (name, svg) in all.files().iter().skip(1) {
        let void = name.contains("latency-1") || name.contains("rates-sequential");
        assert!(!void || svg.contains("void"), "{name}");
        assert!(
            !name.contains("series-") || svg.contains("; grade "),
            "{name}"
        );
    }
}

#[test]
fn a_sitting_and_a_study_name_grades() {
    let all = rendered(Scene::Warm);
    let text = sitting_text(&all.study, 3, &all.judgements, "scans", 80);
    let row = large_read(all);
    assert!(
        !text.contains(&format!(" {} ", shown(row, Phase::After))),
        "{text}"
    );
    assert!(
        text.contains("void") && text.contains("large-read (X): void, grade X, rejected"),
        "{text}"
    );
    let whole = study_text(&all.study, &all.judgements, LATEST, 80).replace("\n     ", " ");
    assert!(
        whole.contains("rejected (X, void)")
            && whole
                .contains("Grades: 5 verified (A), 10 no cache found (B), 15 not looked at (U)"),
        "{whole}"
    );
    assert!(
        text.lines().all(|line| line.chars().count() <= 80),
        "{text}"
    );
}

#[test]
fn why_tells_evidence_layers_gaps_and_what_to_do() {
    let all = rendered(Scene::Warm);
    let trial = large_read(all).group(Phase::After).unwrap().trials[0];
    let text = why_text(&all.study, Some(trial), &all.judgements, 80).unwrap();
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for part in [
        "grade X, rejected: served from a cache (about 83 %).",
        "void: ",
        "about 83 % (80 % to 86 %)",
        "says nothing about the drives",
        "member drives",
        "proved",
        "server ···",
        "◀ served from here",
        "page cache: how much",
        "is twice the server's memory or more already",
        "empty_cache_command under [server]",
        "Then measure the phase again (--phase after)",
    ] {
        assert!(flat.contains(part), "{part} in\n{text}");
    }
    assert!(
        text.lines().all(|line| line.chars().count() <= 80),
        "{text}"
    );
    let before = large_read(all).group(Phase::Before).unwrap().trials[0];
    let text = why_text(&all.study, Some(before), &all.judgements, 80).unwrap();
    assert!(
        text.contains("grade A, verified") && text.contains("◀ narrowest"),
        "{text}"
    );
}

#[test]
fn why_takes_the_latest_complete_trial_and_tells_what_cut_others_short() {
    let all = rendered(Scene::Warm);
    let last = all.study.trials.last().unwrap().trial;
    let latest = *all.judgements.keys().next_back().unwrap();
    assert!(latest < last, "the last one failed");
    let ask = |trial| why_text(&all.study, trial, &all.judgements, 80);
    assert!(ask(None).unwrap().contains(&format!("Trial {latest}\n")));
    let cut = ask(Some(last)).unwrap();
    assert!(
        cut.contains("failed: reading file 3") && cut.contains("No grade"),
        "{cut}"
    );
    let mut faulty = all.study.clone();
    let error = std::io::Error::from_raw_os_error(5);
    faulty.trials.last_mut().unwrap().cause = format!("flushing file 3 of the test data: {error}");
    let told = why_text(&faulty, Some(last), &all.judgements, 80).unwrap();
    let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(told.contains("could not read or write a block"), "{told}");
    assert!(told.contains("Look into the server's kernel log"), "{told}");
    let json = why_json(&faulty, Some(last), &all.judgements).unwrap();
    assert!(
        json.contains("\"state\": \"failed\"") && json.contains("\"meaning\""),
        "{json}"
    );
    assert!(ask(Some(999)).unwrap_err().contains("no trial 999"));
    let empty = testing::study(Scene::Empty);
    assert!(
        why_json(&empty, None, &judge_all(&empty))
            .unwrap_err()
            .contains("measure first")
    );
}

#[test]
fn why_csv_and_json_hold_the_judgements() {
    let all = rendered(Scene::Warm);
    let text = why_csv(&all.study, &all.judgements);
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let records: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(records.len(), all.judgements.len());
    for record in &records {
        let judged = &all.judgements[&record[0].parse::<u64>().unwrap()];
        assert_eq!(&record[4], judged.ruling.grade.letter());
        assert_eq!(record[5] == *"true", judged.ruling.grade.is_void());
        let share = judged.ruling.cached.and_then(|cached| cached.estimate);
        assert_eq!(record[6].parse::<f64>().ok(), share);
    }
    let trial = large_read(all).group(Phase::After).unwrap().trials[0];
    let text = why_json(&all.study, Some(trial), &all.judgements).unwrap();
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!((&json["grade"], &json["void"]), (&"X".into(), &true.into()));
    assert!(json["rate_bytes_per_s"].is_null() && json["void_rate_bytes_per_s"].is_number());
    assert_eq!(json["layers"].as_array().unwrap().len(), 5);
    let evidence = json["evidence"].as_array().unwrap();
    let members = evidence
        .iter()
        .find(|sign| sign["source"] == "member drives")
        .unwrap();
    assert_eq!(
        (&members["layer"], &members["strength"]),
        (&"path".into(), &"proved".into())
    );
}

#[test]
fn hostile_evidence_stays_text() {
    let study = testing::study(Scene::Warm);
    let mut judgements = judge_all(&study);
    for judged in judgements.values_mut() {
        judged.ruling.reason = HOSTILE.to_owned();
        judged.limiting.pieces = vec![HOSTILE.into()];
        for sign in &mut judged.evidence {
            sign.expected = HOSTILE.to_owned();
            sign.seen = HOSTILE.to_owned();
            sign.meaning = HOSTILE.to_owned();
        }
    }
    let all = Rendered::of(study, judgements);
    let mut texts = all.files();
    let why = why_text(&all.study, None, &all.judgements, 80).unwrap();
    texts.push(("why".into(), why));
    texts.push(("text".into(), all.text()));
    texts.push((
        "study".into(),
        study_text(&all.study, &all.judgements, LATEST, 80),
    ));
    texts.push((
        "sitting".into(),
        sitting_text(&all.study, 3, &all.judgements, "scans", 80),
    ));
    for (name, text) in &texts {
        let markup = name.contains('.');
        // The page has one script of its own.
        let own = usize::from(name == "report.html");
        assert!(!markup || text.matches("<script").count() == own, "{name}");
        let forbidden = |c: char| (c.is_control() && c != '\n') || "\u{202E}\u{FFFE}".contains(c);
        assert!(!text.contains(forbidden), "{name}");
    }
    assert!(!why_csv(&all.study, &all.judgements).contains('\u{1b}'));
}

#[test]
fn the_rule_on_the_page_is_the_rule_of_grades() {
    let sign = |says, strength| Evidence {
        source: "test",
        expected: String::new(),
        seen: String::new(),
        meaning: String::new(),
        says,
        strength,
    };
    let served = |layer, share| {
        sign(
            Says::Served(layer, Share::about(share, 0.0)),
            Strength::Proved,
        )
    };
    let clear = [served(Layer::Client, 0.0), served(Layer::Path, 0.0)];
    let examples: [Vec<Evidence>; 7] = [
        vec![served(Layer::Path, 0.5)],
        vec![sign(Says::Broken, Strength::Counted)],
        vec![served(Layer::Path, 0.12)],
        vec![sign(Says::Suspect(Layer::Client), Strength::Counted)],
        clear.to_vec(),
        vec![sign(Says::AtMost(Layer::Path, 0.1), Strength::Inferred)],
        vec![],
    ];
    for ((says, grade), evidence) in page::real::RULE.iter().zip(&examples) {
        assert_eq!(rule(evidence).grade.letter(), *grade, "{says}");
    }
    assert_eq!(rule(&[served(Layer::Path, 0.049)]).grade, Grade::A);
    assert_eq!(rule(&[served(Layer::Path, 0.051)]).grade, Grade::B);
}
