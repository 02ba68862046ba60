//! The live page in headless Chromium, and the figures before a reference parser.

use std::fs;
use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};

use crate::live::Scene;
use crate::real_browser::devtools::Browser;
use crate::support::{find, real, run, say};

const EXAMPLE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/reports/lighthouse-archive");
const TEMPORARY: &str = env!("CARGO_TARGET_TMPDIR");

/// Gives the study of `scene` what the example's watch had seen when 41 % were done, moved in time so that
/// it was just now.
fn follow_the_example(scene: &Scene) {
    let read = |table: &str| csv::Reader::from_path(format!("{EXAMPLE}/{table}")).unwrap();
    let moment = |row: &csv::StringRecord| row[0].parse::<Timestamp>().unwrap();
    let rows: Vec<csv::StringRecord> = read("progress.csv").records().map(Result::unwrap).collect();
    let fraction = |row: &csv::StringRecord| row[4].parse::<f64>().unwrap_or(0.0);
    let until = rows.iter().position(|row| fraction(row) >= 0.41).unwrap();
    let last = moment(&rows[until]);
    let late = Timestamp::now().duration_since(last) - SignedDuration::from_mins(1);
    for table in ["progress.csv", "probes.csv"] {
        let mut reader = read(table);
        let head = reader.headers().unwrap().clone();
        let mut writer = csv::Writer::from_path(scene.path("scans").join(table)).unwrap();
        writer.write_record(&head).unwrap();
        for row in reader.records().map(Result::unwrap) {
            if moment(&row) <= last {
                let at = (moment(&row) + late).to_string();
                let cells = std::iter::once(at.as_str()).chain(row.iter().skip(1));
                writer.write_record(cells).unwrap();
            }
        }
        writer.flush().unwrap();
    }
}

/// Asks the page until `expression` is true.
fn wait_for(browser: &mut Browser, expression: &str) {
    let begun = Instant::now();
    while browser.evaluate(expression) != json!(true) {
        assert!(
            begun.elapsed() < Duration::from_secs(60),
            "never: {expression}; the page has {}",
            browser.evaluate("document.body.innerText")
        );
        sleep(Duration::from_millis(100));
    }
}

/// Keeps a picture for whoever wants to look at it, where `POOLPROOF_PICTURES` names a folder.
fn keep(browser: &mut Browser, name: &str, (width, height): (u32, u32)) {
    let Some(folder) = std::env::var_os("POOLPROOF_PICTURES") else {
        return;
    };
    let picture = browser.picture(width, height);
    let bytes =
        base64::Engine::decode(&base64::engine::general_purpose::STANDARD, picture).unwrap();
    fs::write(PathBuf::from(folder).join(format!("{name}.png")), bytes).unwrap();
}

/// The parts that stick out of the window.
const WIDER: &str = "[...document.querySelectorAll('main > *')].filter(e => e.getBoundingClientRect().right > innerWidth + 1).length";

#[test]
fn the_page_changes_as_readings_arrive_and_asks_nobody_else() {
    if real("browser", || find("chromium")).is_none() {
        return;
    }
    let scene = Scene::set();
    follow_the_example(&scene);
    scene.tell("41.5");
    let shown = scene.watch("");
    let mut browser = Browser::start();
    browser.window(1100, 900, false);
    browser.visit(&shown.place);
    wait_for(&mut browser, "document.title.includes('41.5 % ')");
    wait_for(
        &mut browser,
        "document.getElementById('link').textContent === 'Changes appear here by themselves.'",
    );
    // What has not changed is not touched: somebody may be reading there.
    browser.evaluate("window.kept = document.querySelector('[data-part=probes]'); true");
    scene.tell("42.5");
    wait_for(
        &mut browser,
        "document.querySelector('[data-part=state] strong').textContent.startsWith('42.5') \
         && document.querySelector('[data-part=readings] tbody').textContent.includes('42.5')",
    );
    assert_eq!(
        browser.evaluate("window.kept === document.querySelector('[data-part=probes]')"),
        json!(true)
    );
    let foreign: Vec<String> = browser
        .requests()
        .into_iter()
        .filter(|address| !address.starts_with(&shown.place) && !address.starts_with("data:"))
        .collect();
    assert_eq!(foreign, Vec::<String>::new());
    // Each change would be refused loudly were it not allowed by the policy.
    assert_eq!(browser.complaints(), Vec::<String>::new());
    for (width, phone) in [(1100, false), (390, true)] {
        browser.window(width, 900, phone);
        let paper = |browser: &mut Browser, scheme: &str| {
            browser.medium("screen", scheme);
            let device = if phone { "phone" } else { "desk" };
            let height = if phone { 5200 } else { 3600 };
            keep(browser, &format!("live-{device}-{scheme}"), (width, height));
            browser.evaluate("getComputedStyle(document.body).backgroundColor")
        };
        let (light, dark) = (paper(&mut browser, "light"), paper(&mut browser, "dark"));
        assert_ne!(light, dark);
        assert_eq!(browser.evaluate(WIDER), json!(0), "{width}");
    }
    let frame = format!(
        "new Promise(done => {{ const f = document.createElement('iframe'); f.src = '{}'; f.onload = f.onerror = () => done(f.contentDocument === null || f.contentDocument.body.innerText === ''); document.body.append(f); }})",
        shown.place
    );
    assert_eq!(
        browser.evaluate(&frame),
        json!(true),
        "it is shown in a frame"
    );
    let (code, said) = shown.interrupt();
    assert_eq!(code, Some(130), "{said}");
    wait_for(
        &mut browser,
        "document.getElementById('link').textContent.startsWith('The watch has ended')",
    );
    assert!(
        browser
            .evaluate("document.body.innerText")
            .to_string()
            .contains("the reshape goes on without it")
    );
}

#[test]
fn without_scripts_the_page_loads_itself_anew() {
    if real("browser", || find("chromium")).is_none() {
        return;
    }
    let scene = Scene::set();
    let shown = scene.watch("");
    let mut browser = Browser::start();
    browser.call(
        "Emulation.setScriptExecutionDisabled",
        json!({"value": true}),
    );
    browser.visit(&shown.place);
    // One call: the document is replaced again and again.
    let text = |browser: &mut Browser| {
        let seen = browser.call("DOMSnapshot.captureSnapshot", json!({"computedStyles": []}));
        seen["strings"].to_string()
    };
    let begun = Instant::now();
    let wait = |browser: &mut Browser, what: &str| {
        while !text(browser).contains(what) {
            assert!(
                begun.elapsed() < Duration::from_secs(90),
                "never {what}: {}",
                text(browser)
            );
            sleep(Duration::from_millis(200));
        }
    };
    wait(&mut browser, "10.0\u{a0}%");
    scene.tell("33");
    wait(&mut browser, "33.0\u{a0}%");
    shown.interrupt();
}

/// Python with a reference parser of OpenMetrics, or why there is none.
fn parser() -> Result<String, String> {
    let place = Path::new(TEMPORARY).join("figures-venv");
    let python = place.join("bin/python").display().to_string();
    let ready = ["-c", "import prometheus_client.openmetrics.parser"];
    if run(&python, &ready).is_err() {
        run("python3", &["-m", "venv", &place.display().to_string()])?;
        let words = [
            "-m",
            "pip",
            "install",
            "--quiet",
            "prometheus-client>=0.21,<1",
        ];
        run(&python, &words)?;
    }
    Ok(python)
}

const PARSE: &str = "
import json, sys
from prometheus_client.openmetrics import parser as openmetrics
from prometheus_client import parser as older
read = {'openmetrics': openmetrics, 'older': older}[sys.argv[1]]
families = read.text_string_to_metric_families(open(sys.argv[2]).read())
print(json.dumps([{'name': f.name, 'type': f.type, 'unit': getattr(f, 'unit', ''), 'samples': [[s.name, s.labels, s.value] for s in f.samples]} for f in families]))
";

/// Checked against the parsers of PyPI's prometheus-client: that of OpenMetrics 1.0, which refuses what the
/// standard does not allow, and that of the older text format, which readers of folders use.
#[test]
fn figures_are_read_by_a_reference_parser() {
    let Some(python) = real("reference parser", parser) else {
        return;
    };
    let scene = Scene::set();
    follow_the_example(&scene);
    scene.tell("41.5");
    let shown = scene.watch("--metrics watch.prom");
    let full = loop {
        let answer = shown.ask("/metrics");
        let (_, text) = answer.split_once("\r\n\r\n").unwrap();
        if text.contains("position_ratio{study=\"scans\"} 0.415\n") {
            break text.to_owned();
        }
        sleep(Duration::from_millis(50));
    };
    shown.interrupt();
    let file = scene.path("watch.prom");
    fs::write(scene.path("full"), full).unwrap();
    let read = |how: &str, path: &Path| -> Value {
        let told = run(&python, &["-c", PARSE, how, &path.display().to_string()]).unwrap();
        serde_json::from_str(&told).unwrap()
    };
    let full = read("openmetrics", &scene.path("full"));
    let families = full.as_array().unwrap();
    assert!(families.len() >= 12, "{full}");
    let of = |name: &str| {
        families
            .iter()
            .find(|family| family["name"] == name)
            .unwrap()
    };
    for (name, kind, unit) in [
        ("poolproof_reshape_state", "stateset", ""),
        ("poolproof_watch", "info", ""),
        ("poolproof_readings", "counter", ""),
        ("poolproof_reshape_position_ratio", "gauge", "ratio"),
        (
            "poolproof_reshape_finish_timestamp_seconds",
            "gauge",
            "seconds",
        ),
        (
            "poolproof_user_small_read_latency_seconds",
            "gauge",
            "seconds",
        ),
    ] {
        assert_eq!(
            (of(name)["type"].as_str(), of(name)["unit"].as_str()),
            (Some(kind), Some(unit))
        );
    }
    assert_eq!(
        of("poolproof_reshape_position_ratio")["samples"][0][2],
        json!(0.415)
    );
    assert_eq!(
        of("poolproof_reshape_finish_range_timestamp_seconds")["samples"]
            .as_array()
            .unwrap()
            .len(),
        4
    );
    for how in ["openmetrics", "older"] {
        let kept = read(how, &file);
        let samples: usize = kept
            .as_array()
            .unwrap()
            .iter()
            .map(|family| family["samples"].as_array().unwrap().len())
            .sum();
        let all: usize = families
            .iter()
            .map(|family| family["samples"].as_array().unwrap().len())
            .sum();
        assert_eq!(samples, all, "{how}: {kept}");
    }
    // The check can fail: without its end the text is none.
    let text = fs::read_to_string(&file).unwrap();
    fs::write(&file, text.replace("# EOF\n", "")).unwrap();
    assert!(
        run(
            &python,
            &["-c", PARSE, "openmetrics", &file.display().to_string()]
        )
        .is_err()
    );
    say("figures: read by a reference parser");
}
