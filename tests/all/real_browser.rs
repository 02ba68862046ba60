//! The example's page in a real browser.

use std::fs;
use std::path::Path;

use crate::support::{find, output, poolproof, real};

const PAGE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/reports/lighthouse-archive");

/// What the browser made of a page.
struct Visit {
    /// The document after loading, as markup.
    document: String,
    /// Console messages and complaints about resources.
    complaints: Vec<String>,
}

/// Opens a file in headless Chromium.
fn visit(page: &Path) -> Visit {
    let profile = tempfile::tempdir().unwrap();
    let profile_flag = format!("--user-data-dir={}", profile.path().display());
    let address = format!("file://{}", page.display());
    let arguments = [
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--enable-logging=stderr",
        "--dump-dom",
        &profile_flag,
        &address,
    ];
    let output = output("chromium", &arguments).unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let complaints = String::from_utf8_lossy(&output.stderr)
        .lines()
        .filter(|line| line.contains("CONSOLE"))
        .map(str::to_owned)
        .collect();
    Visit {
        document: String::from_utf8(output.stdout).unwrap(),
        complaints,
    }
}

#[test]
fn the_page_opens_without_errors_and_shows_what_compare_says() {
    if real("browser", || find("chromium")).is_none() {
        return;
    }
    let page = Path::new(PAGE).join("reports/report.html");
    let visit = visit(&page);
    assert_eq!(visit.complaints, Vec::<String>::new());
    assert_eq!(visit.document.matches("<script").count(), 0);
    let json: serde_json::Value =
        serde_json::from_str(&poolproof(&["compare", PAGE, "--json"])).unwrap();
    let workloads = json["workloads"].as_array().unwrap();
    assert_eq!(workloads.len(), 6);
    let mut shown = 0;
    for workload in workloads {
        let name = workload["workload"].as_str().unwrap();
        assert!(visit.document.contains(name), "{name}");
        // A void comparison has no ratio, and the page must not show one.
        let Some(ratio) = workload["after_before"]["ratio"].as_f64() else {
            assert_eq!(workload["verdict"], "void", "{name}");
            continue;
        };
        shown += 1;
        assert!(
            visit.document.contains(&format!("{ratio:.3}")),
            "{name}: {ratio}"
        );
    }
    assert!(shown >= 4, "{shown} of 6 workloads have a ratio");
    assert!(visit.document.matches("SIMULATED").count() > 100);
}

/// The check above can fail: a page that complains is noticed.
#[test]
fn a_page_with_an_error_is_noticed() {
    if real("browser", || find("chromium")).is_none() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("bad.html");
    fs::write(
        &page,
        "<!doctype html><title>x</title><script>undefinedName()</script>",
    )
    .unwrap();
    let complaints = visit(&page).complaints;
    assert!(
        complaints.iter().any(|line| line.contains("undefinedName")),
        "{complaints:?}"
    );
}
