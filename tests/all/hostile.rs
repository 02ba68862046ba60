//! A study full of hostile text, through every command that prints: no control character but line
//! breaks comes out, no line is forged, nothing is obeyed by a page.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use poolproof::facts::Facts;
use poolproof::reshape::{Reading, Reported, Source, Word};
use poolproof::store;
use poolproof::study::tables::{guard, render};
use poolproof::study::{CheckRow, Outcome, ProbeRow, ProgressRow, Side};
use tempfile::TempDir;

use crate::support::program;

/// Colour, a cleared screen, C1 controls, a title, backspaces, overrides and isolates of direction,
/// a forged line, markup, a formula.
const HOSTILE: &str = "\u{1b}[31m\u{1b}[2J\u{9b}1A\u{1b}]0;x\u{7}\u{8}\u{7f}\u{202A}\u{202E}\u{2066}\u{2069}\r\nFORGED gain of 99 %\n\nFORGED <script>alert(1)</script>'\"&=1+1";

/// The same as a name on disk.
fn name() -> String {
    HOSTILE.replace('/', "_")
}

/// Text as it stands in quotes in a table.
fn quoted(text: &str) -> String {
    format!("\"{}\"", guard(text).replace('"', "\"\""))
}

struct Scene {
    folder: TempDir,
    study: PathBuf,
}

impl Scene {
    fn run(&self, words: &[&str]) -> Output {
        let place = words.iter().map(|word| match *word {
            "STUDY" => self.study.as_os_str(),
            word => word.as_ref(),
        });
        program()
            .args(place)
            .current_dir(self.folder.path())
            .output()
            .unwrap()
    }

    fn set() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let share = folder.path().join(name());
        fs::create_dir(&share).unwrap();
        let study = folder.path().join(format!("scans{}", name()));
        let scene = Self { folder, study };
        let share = share.to_str().unwrap();
        let new = [
            "new", "STUDY", "--share", share, "--pool", "raid6", "--drives", "4",
        ];
        clean_output(
            "new",
            &scene.run(&[&new[..], &["--drive-size", "6TB"]].concat()),
        );
        for phase in ["before", "during", "after"] {
            let words =
                "--size 64MiB --seconds 1 --trials 2 --workload small-read --workload large-read";
            let words: Vec<&str> = ["measure", "STUDY", "--phase", phase]
                .into_iter()
                .chain(words.split_whitespace())
                .collect();
            let output = scene.run(&words);
            assert_eq!(output.status.code(), Some(0), "{}", text(&output));
            clean_output("measure", &output);
        }
        scene.poison();
        scene
    }

    /// Hostile text in every place that a file of the study has for text.
    fn poison(&self) {
        let file = |name: &str| self.study.join(name);
        let config = fs::read_to_string(file("study.toml")).unwrap();
        // A TOML string by way of JSON, whose escapes TOML knows.
        let string = serde_json::to_string(HOSTILE)
            .unwrap()
            .replace('\u{7f}', "\\u007f");
        let (head, rest) = config.split_once("[mount]").unwrap();
        let pool = &rest[rest.find("[pool]").unwrap()..];
        let printed = "printf '37.5 \\033[31m\\302\\233\\nFORGED'";
        let config = format!(
            "{head}[mount]\npoint = {string}\nkind = {string}\nsource = {string}\n\n[server]\naddress = {string}\nmembers = [{string}]\ndiskstats_command = {}\n\n[reshape]\nsource = \"percent\"\ncommand = {}\narray = {string}\n\n{pool}",
            serde_json::to_string(&format!("{printed}; # {HOSTILE}")).unwrap(),
            serde_json::to_string(printed).unwrap(),
        );
        fs::write(file("study.toml"), config.replace('\u{7f}', "\\u007f")).unwrap();

        let study = store::read(&self.study).unwrap();
        let mut trials = study.trials.clone();
        for (index, trial) in trials.iter_mut().enumerate() {
            trial.tags = "TAGS".into();
            trial.notes = "NOTES".into();
            if trial.workload == "small-read" {
                trial.workload = "WORKLOAD".into();
            }
            if index % 5 == 4 {
                trial.state = poolproof::study::State::Failed;
                trial.cause = "CAUSE".into();
            }
            trial.submission = "SUBMISSION".into();
            trial.submission_reason = "SUBMISSION".into();
        }
        let mut table = render(&trials, true);
        for word in ["TAGS", "NOTES", "WORKLOAD", "CAUSE", "SUBMISSION"] {
            table = table.replace(word, &quoted(HOSTILE));
        }
        fs::write(file("trials.csv"), table).unwrap();
        let seen = fs::read_to_string(file("observations.csv")).unwrap();
        fs::write(
            file("observations.csv"),
            format!("{seen}1,{},1\n", quoted(HOSTILE)),
        )
        .unwrap();

        for (id, facts) in &study.facts {
            let mut facts: Facts = facts.clone();
            facts.client.system = HOSTILE.into();
            facts.client.kernel = format!("{HOSTILE}{id}");
            facts.missing.push(HOSTILE.into());
            if let Some(mount) = &mut facts.mount {
                mount.source = HOSTILE.into();
                mount.kind = HOSTILE.into();
                mount.options = vec![HOSTILE.into()];
            }
            facts
                .links
                .iter_mut()
                .for_each(|link| link.name = HOSTILE.into());
            fs::write(
                file(&format!("facts/{id}.toml")),
                toml::to_string(&facts).unwrap(),
            )
            .unwrap();
        }
        let now = study.trials.last().unwrap().started;
        let answer = |item: &str, side| CheckRow {
            noted: now,
            done: now,
            side,
            item: item.into(),
            result: Outcome::Passed,
            by: "BY".into(),
            note: "NOTE".into(),
        };
        let answers = [
            answer("scrub", Side::Before),
            answer("reshape", Side::After),
            answer("ITEM", Side::After),
        ];
        let mut table = render(&answers, true);
        for word in ["BY", "NOTE", "ITEM"] {
            table = table.replace(word, &quoted(HOSTILE));
        }
        fs::write(file("checks.csv"), table).unwrap();
        let reading = Reading::of(now, Reported::bare(Word::Other, ""));
        let row = ProgressRow {
            note: "NOTE".into(),
            ..ProgressRow::of(&reading, Source::Percent, false)
        };
        let table = render(&[row], true).replace("NOTE", &quoted(HOSTILE));
        fs::write(file("progress.csv"), table).unwrap();
        let probe = ProbeRow {
            at: now,
            simulated: false,
            kind: "KIND".into(),
            reshape_fraction: Some(0.1),
            reshape_fraction_per_h: None,
            seconds: 1.0,
            period_s: Some(1.5),
            operations: 1,
            missed_operations: 0,
            busy_fraction: 0.1,
            rate_bytes_per_s: None,
            mean_ns: Some(1),
            p50_ns: None,
            max_ns: Some(1),
            next_operation: 1,
            cause: "CAUSE".into(),
        };
        let mut table = render(&[probe], true);
        for word in ["KIND", "CAUSE"] {
            table = table.replace(word, &quoted(HOSTILE));
        }
        fs::write(file("probes.csv"), table).unwrap();
    }
}

fn text(output: &Output) -> String {
    let bytes = [&output.stdout[..], &output.stderr[..]].concat();
    String::from_utf8(bytes).expect("output is text")
}

/// Whether a terminal obeys a character, or lets it turn what follows.
fn obeyed(c: char) -> bool {
    let turns = matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}');
    c != '\n' && (c.is_control() || turns)
}

#[track_caller]
fn clean_output(what: &str, output: &Output) {
    let text = text(output);
    assert!(!text.is_empty(), "{what} said nothing");
    for line in text.lines() {
        assert!(!line.contains(obeyed), "{what}: {line:?}");
        assert!(
            line.trim() != "FORGED gain of 99 %",
            "{what}: {line:?} in {text:?}"
        );
    }
}

#[test]
fn nothing_hostile_reaches_terminal_table_or_page() {
    let scene = Scene::set();
    let commands = [
        "show STUDY",
        "why STUDY",
        "status STUDY",
        "status",
        "STUDY",
        "why STUDY 2",
        "why STUDY 99",
        "why STUDY --csv",
        "why STUDY --json",
        "compare STUDY",
        "compare STUDY --csv",
        "compare STUDY --json",
        "check STUDY",
        "check STUDY --json",
        "next STUDY",
        "next STUDY --json",
        "plan STUDY",
        "plan STUDY --json",
        "plan STUDY --csv",
        "report STUDY",
        "allow STUDY",
        "watch STUDY --once",
        "allow STUDY --yes",
        "watch STUDY --once",
        "check STUDY",
        "next STUDY",
        "measure STUDY --phase before",
        "sweep STUDY",
        "clean STUDY",
        "check STUDY --attest nothing --by x --note y",
    ];
    for command in commands {
        let words: Vec<&str> = command.split_whitespace().collect();
        clean_output(command, &scene.run(&words));
    }
    let shown = text(&scene.run(&["show", "STUDY"]));
    assert!(
        shown.contains("FORGED"),
        "the hostile text is shown, as text: {shown}"
    );
    let odd = text(&scene.run(&["show", name().as_str()]));
    assert!(
        odd.contains("is no study") && !odd.contains(obeyed),
        "{odd:?}"
    );
    assert!(
        !odd.lines().any(|line| line.trim() == "FORGED gain of 99 %"),
        "{odd:?}"
    );

    // Tables that were asked for, and those of the study, calculate nothing in a spreadsheet.
    for table in ["compare STUDY --csv", "why STUDY --csv"] {
        let words: Vec<&str> = table.split_whitespace().collect();
        no_formulas(table, &scene.run(&words).stdout);
    }
    pages(&scene.study.join("reports"));
}

fn no_formulas(what: &str, table: &[u8]) {
    let mut reader = csv::Reader::from_reader(table);
    for record in reader.records() {
        for cell in &record.unwrap() {
            let formula = cell.trim_start().starts_with(['=', '+', '-', '@']);
            assert!(!formula || cell.parse::<f64>().is_ok(), "{what}: {cell:?}");
        }
    }
}

/// The page of such a study, in a folder that is removed with the first value.
pub(crate) fn page() -> (TempDir, PathBuf) {
    let scene = Scene::set();
    clean_output("report STUDY", &scene.run(&["report", "STUDY"]));
    let page = scene.study.join("reports/report.html");
    (scene.folder, page)
}

fn pages(folder: &Path) {
    let charts = fs::read_dir(folder.join("charts")).unwrap();
    let charts = charts.map(|entry| entry.unwrap().path());
    let mut seen = 0;
    for path in charts.chain([folder.join("report.html")]) {
        let page = fs::read_to_string(&path).unwrap();
        // The page has one script of its own.
        let own = usize::from(path.ends_with("report.html"));
        assert!(
            page.matches("<script").count() == own && !page.contains(obeyed),
            "{path:?}"
        );
        seen += page.matches("&lt;script&gt;").count();
    }
    assert!(seen > 10, "the hostile text is on the page, as text");
}
