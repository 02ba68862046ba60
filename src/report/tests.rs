//! The renderings of whole studies: complete, honest about what is made up, and proof against text
//! from outside.

use std::collections::BTreeSet;
use std::sync::OnceLock;

use super::testing::{self, SCENES, Scene};
use super::*;
use crate::compare::{Rules, compare};
use crate::judge::judge_all;
use crate::plan::Phase;
use jiff::tz::TimeZone;

pub(super) fn generated() -> jiff::Timestamp {
    "2026-03-06T09:00:00Z".parse().unwrap()
}

/// A study with all that is made of it.
pub(super) struct Rendered {
    pub(super) study: Study,
    pub(super) judgements: grades::Judgements,
    pub(super) comparison: Comparison,
    pub(super) account: Account,
    pub(super) html: String,
}

impl Rendered {
    pub(super) fn of(study: Study, judgements: grades::Judgements) -> Self {
        let comparison = compare(&study, &judgements, Rules::of(&study));
        let account = Account::of(&study, &comparison, &judgements, TimeZone::UTC);
        let figures = Figures::of(&study, &comparison, &judgements, &account);
        let html = page(
            &study,
            &comparison,
            &judgements,
            &account,
            &figures,
            generated(),
            &[],
        );
        Self {
            study,
            judgements,
            comparison,
            account,
            html,
        }
    }

    pub(super) fn files(&self) -> Vec<(String, String)> {
        files(
            &self.study,
            &self.comparison,
            &self.judgements,
            &self.account,
            generated(),
            &[],
        )
    }

    pub(super) fn csv(&self) -> String {
        comparison_csv(&self.comparison, &self.judgements, &self.account)
    }

    pub(super) fn json(&self) -> String {
        comparison_json(
            &self.study,
            &self.comparison,
            &self.judgements,
            &self.account,
        )
    }

    pub(super) fn text(&self) -> String {
        comparison_text(&self.comparison, &self.judgements, 80)
    }

    pub(super) fn verdict(&self, row: &crate::compare::Row, phase: Phase) -> String {
        let contrast = match phase {
            Phase::After => row.after_before.as_ref().unwrap(),
            _ => row.during_before.as_ref().unwrap(),
        };
        let rules = &self.comparison.rules;
        verdict::verdict(row, contrast, phase, rules, &self.judgements)
    }
}

/// The rendered scene; each is made once.
pub(super) fn rendered(scene: Scene) -> &'static Rendered {
    static ALL: [OnceLock<Rendered>; SCENES.len()] = [const { OnceLock::new() }; SCENES.len()];
    ALL[scene as usize].get_or_init(|| {
        let study = testing::study(scene);
        let judgements = judge_all(&study);
        Rendered::of(study, judgements)
    })
}

/// What stands between `start` and the next `end`, for each occurrence.
pub(super) fn between<'a>(text: &'a str, start: &str, end: &str) -> Vec<&'a str> {
    let pieces = text.split(start).skip(1);
    pieces
        .map(|piece| piece.split(end).next().unwrap_or_default())
        .collect()
}

#[test]
fn csv_reads_back_to_the_numbers_of_the_comparison() {
    let all = rendered(Scene::Full);
    let (comparison, text) = (&all.comparison, all.csv());
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let names = reader.headers().unwrap().clone();
    let records: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(records.len(), comparison.workloads.len());
    for (record, row) in records.iter().zip(&comparison.workloads) {
        let cell = |name: &str| {
            let index = names.iter().position(|column| column == name);
            &record[index.unwrap_or_else(|| panic!("no column {name}"))]
        };
        let number = |name: &str| cell(name).parse::<f64>().ok();
        assert_eq!(cell("workload"), row.workload);
        assert_eq!(cell("simulated"), "false");
        for phase in Phase::ALL {
            let group = row.group(phase).unwrap();
            let column = |rest: &str| number(&format!("{phase}_{rest}"));
            assert_eq!(column("trials"), Some(group.trials.len() as f64));
            assert_eq!(column("bytes_per_s"), Some(group.median_rate));
            assert_eq!(column("spread"), group.spread);
            assert_eq!(column("p50_ns"), group.p50_ns);
            assert_eq!(column("p99_ns"), group.p99_ns);
        }
        for (name, contrast) in [
            ("during_before", row.during_before.as_ref().unwrap()),
            ("after_before", row.after_before.as_ref().unwrap()),
        ] {
            let column = |rest: &str| number(&format!("{name}_{rest}"));
            let welch = contrast.welch.unwrap();
            assert_eq!(column("ratio"), Some(contrast.ratio));
            assert_eq!(
                (column("low"), column("high")),
                (Some(welch.low), Some(welch.high))
            );
            assert_eq!(column("p"), Some(welch.p));
            assert_eq!(column("hodges_lehmann"), contrast.hodges_lehmann);
            assert_eq!(column("smallest_provable"), contrast.smallest_provable);
            assert_eq!(cell(&format!("{name}_verdict")), contrast.verdict.word());
        }
        assert_eq!(cell("verdict"), cell("after_before_verdict"));
    }
}

#[test]
fn csv_of_nothing_is_a_header_and_of_half_a_study_has_empty_cells() {
    let csv = |scene| rendered(scene).csv();
    assert_eq!(csv(Scene::Empty).lines().count(), 1);
    let half = csv(Scene::BeforeDuring);
    let mut reader = csv::Reader::from_reader(half.as_bytes());
    let names = reader.headers().unwrap().clone();
    for record in reader.records().map(Result::unwrap) {
        for (name, cell) in names.iter().zip(&record) {
            let later = name.starts_with("after_") && name != "after_trials";
            assert!(!later || cell.is_empty(), "{name}: {cell}");
        }
        let during = names
            .iter()
            .position(|name| name == "during_before_verdict")
            .unwrap();
        assert_eq!(record.iter().next_back(), record.get(during));
    }
}

#[test]
fn json_holds_the_same_numbers_and_names_its_methods() {
    let all = rendered(Scene::Full);
    let (comparison, text) = (&all.comparison, all.json());
    assert_eq!(text, all.json());
    let value: serde_json::Value = serde_json::from_str(&text).unwrap();
    for (index, row) in comparison.workloads.iter().enumerate() {
        let json = &value["workloads"][index];
        assert_eq!(json["workload"], row.workload.as_str());
        let contrast = row.after_before.as_ref().unwrap();
        let after = &json["after_before"];

        // The reader of this library rounds the last digit of some numbers.
        let close = |json: &serde_json::Value, number: f64| {
            assert!(
                (json.as_f64().unwrap() / number - 1.0).abs() < 1e-12,
                "{json} {number}"
            );
        };
        close(&after["ratio"], contrast.ratio);
        close(&after["welch"]["p"], contrast.welch.unwrap().p);
        close(&after["bootstrap"]["low"], contrast.bootstrap.unwrap().low);
        let permutation = contrast.permutation.unwrap();
        assert_eq!(after["permutation"]["exact"], permutation.exact);
        assert_eq!(after["permutation"]["total"], permutation.total);
        assert_eq!(
            json["before"]["trials"],
            serde_json::json!(row.group(Phase::Before).unwrap().trials)
        );
    }
    assert_eq!(value["rules"]["least_trials"], 3);
    let quantiles = value["methods"]["bootstrap_quantiles"].as_str().unwrap();
    assert!(quantiles.contains("type 7"), "{quantiles}");
    assert_eq!(value["excluded"].as_array().unwrap().len(), 2);
}

#[test]
fn the_page_names_every_trial_and_every_verdict() {
    let all = rendered(Scene::Full);
    let (study, comparison, html) = (&all.study, &all.comparison, &all.html);
    for trial in &study.trials {
        let row = format!("<th scope=\"row\">{}</th>", trial.trial);
        assert!(html.contains(&row), "trial {}", trial.trial);
        let title = format!("trial {}, {}", trial.trial, trial.phase);
        assert!(html.contains(&title), "{title}");
    }
    for row in &comparison.workloads {
        for phase in [Phase::After, Phase::During] {
            let verdict = all.verdict(row, phase);
            // The sentence may begin with a capital letter.
            let rest: String = verdict.chars().skip(1).collect();
            assert!(html.replace('\u{a0}', " ").contains(&rest), "{verdict}");
        }
    }
    assert!(
        html.contains("link.lan0.mtu") && html.contains("input error"),
        "facts and causes"
    );
}

#[test]
fn the_page_needs_nothing_from_elsewhere() {
    let html = &rendered(Scene::Full).html;
    let without_namespace = html.replace("http://www.w3.org/2000/svg", "");
    for outside in ["http:", "https:", "<link", "@import", "url(", "src="] {
        assert!(!without_namespace.contains(outside), "{outside}");
    }
    assert_eq!(html.matches("<script").count(), 1);
    assert!(html.contains("default-src 'none'"));
}

#[test]
fn identifiers_are_unique() {
    let html = &rendered(Scene::Hostile).html;
    let all = between(html, " id=\"", "\"");
    let unique: BTreeSet<&str> = all.iter().copied().collect();
    assert!(all.len() > 100);
    assert_eq!(unique.len(), all.len());
}

#[test]
fn text_from_outside_stays_text() {
    let all = rendered(Scene::Hostile);
    assert!(all.html.contains("&lt;script&gt;"));
    let files = all.files();
    for (name, text) in &files {
        // The page has one of its own.
        let own = usize::from(name == "report.html");
        assert_eq!(text.matches("<script").count(), own, "{name}");
        let forbidden = |c: char| (c.is_control() && c != '\n') || "\u{202E}\u{FFFE}".contains(c);
        assert!(!text.contains(forbidden), "{name}");
        let safe = |c: char| c.is_ascii_alphanumeric() || "-.".contains(c);
        let plain = name.strip_prefix("charts/").unwrap_or(name);
        assert!(plain.chars().all(safe) && !plain.starts_with('.'), "{name}");
    }
    let names: BTreeSet<&String> = files.iter().map(|(name, _)| name).collect();
    assert_eq!(names.len(), files.len());
}

#[test]
fn made_up_results_say_so_in_every_heading_table_and_picture() {
    let all = rendered(Scene::Simulated);
    let parts = [
        ("<title>", "</title>"),
        ("<h2>", "</h2>"),
        ("<h3>", "</h3>"),
        ("<caption>", "</caption>"),
        ("<summary>", "</summary>"),
        ("<figcaption>", "</figcaption>"),
        ("<title id=", "</title>"),
        ("<p class=\"banner\">", "</p>"),
    ];
    for (start, end) in parts {
        let found = between(&all.html, start, end);
        assert!(!found.is_empty(), "{start}");
        for part in found {
            assert!(part.contains("SIMULATED"), "{start}{part}");
        }
    }
    for (name, text) in all.files() {
        assert!(text.contains("SIMULATED"), "{name}");
    }
    assert!(all.json().contains("\"simulated\": true"));
    for scene in SCENES
        .into_iter()
        .filter(|scene| *scene != Scene::Simulated)
    {
        assert!(!rendered(scene).html.contains("SIMULATED"), "{scene:?}");
    }
}

#[test]
fn a_half_done_study_says_what_is_next() {
    for (scene, lacking, next) in [
        (
            Scene::Empty,
            "Nothing can be compared yet",
            "Next: measure before (line 10 says how).",
        ),
        (
            Scene::BeforeOnly,
            "Only the time before the expansion has been measured",
            "Next: check that it may start (line 10 says how).",
        ),
        (
            Scene::BeforeDuring,
            "has not been measured to its end",
            "Next: wait for the new layout (line 10 says how).",
        ),
    ] {
        let all = rendered(scene);
        assert!(
            all.html.contains(lacking) && all.html.contains(next),
            "{scene:?}"
        );
        let text = all.text().replace('\n', " ");
        assert!(text.contains(lacking), "{scene:?}: {text}");
    }
    let all = rendered(Scene::Full);
    assert!(!all.html.contains("Next:") && !all.text().contains("Next:"));
}

/// How a step is done stands in one place.
#[test]
fn no_sentence_on_what_to_do_stands_twice_on_the_page() {
    for scene in SCENES {
        let all = rendered(scene);
        let next = crate::ready::next_by(&all.study, &all.comparison, None, generated());
        let typed = crate::text::typed(std::path::Path::new(&all.study.name));
        let next = next.at(&typed);
        let step = next.now().next().unwrap();
        // The longest piece between commands, which are set as such.
        let whole = words::sentence_case(&step.advice);
        let pieces = whole.split('`').step_by(2);
        let advice = pieces.max_by_key(|piece| piece.len()).unwrap();
        assert!(advice.len() > 10, "{scene:?}: {advice}");
        let times = between(&all.html, "<ol class=\"ten\">", "</ol>")[0]
            .matches(advice)
            .count();
        assert_eq!(times, 1, "{scene:?}: {advice}");
        assert!(!all.html.contains('`'), "{scene:?}");
    }
    let html = &rendered(Scene::Full).html;
    let step = "Give diskstats_command and members under [server]";
    assert_eq!(html.matches(step).count(), 1);
}

/// Who follows a link of the contents finds its words as a heading.
#[test]
fn the_contents_name_the_headings_to_which_they_lead() {
    for scene in SCENES {
        let html = &rendered(scene).html;
        let contents = between(html, "<ul class=\"contents\">", "</ul>")[0];
        let links = between(contents, "<a href=\"#", "</a>");
        assert!(links.len() > 3, "{scene:?}");
        for link in &links {
            let (id, title) = link.split_once("\">").unwrap();
            let section = between(html, &format!("<section id=\"{id}\">"), "</h2>");
            assert_eq!(section.len(), 1, "{scene:?}: {id}");
            assert!(
                section[0].ends_with(title),
                "{scene:?}: {} {title}",
                section[0]
            );
        }
        // One heading more: that of the ten lines, above the contents.
        assert_eq!(html.matches("<h2>").count(), links.len() + 1, "{scene:?}");
    }
}

/// On a narrow screen a wide picture is scrolled, and the words under it are not.
#[test]
fn what_is_scrolled_of_a_figure_is_its_picture_alone() {
    let html = &rendered(Scene::Full).html;
    let mut scrolled = 0;
    for figure in between(html, "<figure", "</figure>") {
        let picture = between(figure, "<div class=\"scroll\"", "</div>");
        scrolled += picture.len();
        for inside in picture {
            assert!(inside.contains("tabindex=\"0\"") && inside.contains("<svg"));
            assert!(!inside.contains("<figcaption"));
        }
    }
    assert!(scrolled >= 2, "{scrolled}");
}

#[test]
fn pictures_in_files_stand_alone() {
    let all = rendered(Scene::Full);
    let files = all.files();
    assert_eq!(files[0].0, "report.html");
    // Two families, three phases, six workloads, what was expected, every trial.
    assert_eq!(files.len(), 1 + 2 + 3 + 6 + 1 + all.study.trials.len());
    for (name, svg) in &files[1..] {
        assert!(name.ends_with(".svg") && svg.starts_with("<svg "), "{name}");
        assert!(svg.contains("xmlns=") && !svg.contains("var("), "{name}");
    }
}

#[test]
fn the_page_names_the_study_in_each_command() {
    for scene in SCENES {
        let all = rendered(scene);
        let name = crate::text::typed(std::path::Path::new(&all.study.name));
        assert!(name == "STUDY" || !all.html.contains("STUDY"), "{scene:?}");
    }
    let mut study = testing::study(Scene::Empty);
    study.name = "the keeper's scans".into();
    let judgements = judge_all(&study);
    let all = Rendered::of(study, judgements);
    let html = all.html.replace("&#39;", "'");
    assert!(
        html.contains(r"poolproof measure 'the keeper'\''s scans' --phase before"),
        "{html}"
    );
}

#[test]
fn the_evidence_of_a_trial_tells_why_its_submission_was_taken() {
    let mut study = testing::study(Scene::Full);
    study.trials[0].submission_reason = "measured: 1.40 times the rate".into();
    let judgements = judge_all(&study);
    let html = Rendered::of(study, judgements).html;
    let told = "1.40 times the rate of the other";
    assert_eq!(html.matches(told).count(), 1, "{html}");
}
