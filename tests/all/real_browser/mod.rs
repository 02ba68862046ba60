//! The page in a real browser: what it complains of, what it asks the network for, which numbers stand in it,
//! how it looks in light and dark, on a phone and on paper, and what a screen reader is told.

pub(crate) mod devtools;

use std::fs;
use std::path::{Path, PathBuf};

use devtools::Browser;
use serde_json::Value;

use crate::hostile;
use crate::support::{find, poolproof, real, run, say};

const STUDY: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/reports/lighthouse-archive");

fn page() -> PathBuf {
    Path::new(STUDY).join("reports/report.html")
}

fn browser() -> Option<Browser> {
    real("browser", || find("chromium")).map(|_| Browser::start())
}

/// Keeps pictures of the page in the folder `POOLPROOF_PICTURES`, for who wants to look at them.
fn keep(browser: &mut Browser, name: &str, width: u32, height: u32) {
    let picture = browser.picture(width, height);
    assert!(picture.len() > 10_000, "{name}: an empty picture");
    if let Ok(folder) = std::env::var("POOLPROOF_PICTURES") {
        let coded = Path::new(&folder).join(format!("{name}.b64"));
        fs::create_dir_all(&folder).unwrap();
        fs::write(&coded, picture).unwrap();
        let script = "base64 -d \"$1\" > \"${1%.b64}.png\" && rm \"$1\"";
        run("sh", &["-c", script, "sh", coded.to_str().unwrap()]).unwrap();
    }
}

#[test]
fn the_page_opens_without_complaints_or_requests_and_shows_what_compare_says() {
    let Some(mut browser) = browser() else {
        return;
    };
    browser.open(&page());
    assert_eq!(browser.complaints(), Vec::<String>::new());
    // The page itself, and nothing else.
    let requests = browser.requests();
    assert!(
        requests.len() == 1 && requests[0].starts_with("file://"),
        "{requests:?}"
    );
    let json: Value = serde_json::from_str(&poolproof(&["compare", STUDY, "--json"])).unwrap();
    let workloads = json["workloads"].as_array().unwrap();
    assert_eq!(workloads.len(), 6);
    let mut shown = 0;
    for workload in workloads {
        let name = workload["workload"].as_str().unwrap();
        let cell = browser.evaluate(&format!(
            "[...document.querySelectorAll('#rates table tbody tr')].find(row => row.cells[0].querySelector('bdi').textContent === {name:?}).cells[5].innerText"
        ));
        let cell = cell.as_str().unwrap();
        // A void comparison has no ratio, and the page must not show one.
        let Some(ratio) = workload["after_before"]["ratio"].as_f64() else {
            assert_eq!(workload["verdict"], "void", "{name}");
            assert!(cell.to_lowercase().contains("void"), "{name}: {cell}");
            continue;
        };
        shown += 1;
        assert!(cell.starts_with(&format!("{ratio:.3}")), "{name}: {cell}");
    }
    assert!(shown >= 4, "{shown} of 6 workloads have a ratio");
    let lines = browser.evaluate("document.querySelectorAll('ol.ten > li').length");
    assert_eq!(lines, 10);
    let shouted = browser.evaluate("document.body.textContent.split('SIMULATED').length - 1");
    assert!(shouted.as_u64().unwrap() > 100, "{shouted}");
}

/// The check above can fail: a page that complains, asks or warns is noticed.
#[test]
fn a_page_with_an_error_is_noticed() {
    let Some(mut browser) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("bad.html");
    let bad =
        "<!doctype html><title>x</title><script>undefinedName()</script><img src=missing.png>";
    fs::write(&page, bad).unwrap();
    browser.open(&page);
    let complaints = browser.complaints();
    assert!(
        complaints.iter().any(|line| line.contains("undefinedName")),
        "{complaints:?}"
    );
    assert_eq!(browser.requests().len(), 2);
}

/// The contrast of every text with its ground, by WCAG 2.1: relative luminance and contrast ratio; 4.5 to 1 is
/// level AA for text of this size. Returns the texts below it.
const FAINT: &str = r"
(() => {
  const lit = c => { c /= 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4 };
  const parse = text => (text.match(/[\d.]+/g) || []).map(Number);
  const luminance = ([r, g, b]) => 0.2126 * lit(r) + 0.7152 * lit(g) + 0.0722 * lit(b);
  const ground = element => {
    for (let of = element; of; of = of.parentElement) {
      const colour = parse(getComputedStyle(of).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) return colour;
    }
    return [255, 255, 255];
  };
  const faint = [];
  for (const element of document.querySelectorAll('body *')) {
    const own = [...element.childNodes].some(node => node.nodeType === 3 && node.textContent.trim());
    if (!own || !element.checkVisibility() || element.closest('script, style, title, desc')) continue;
    const style = getComputedStyle(element);
    const ink = parse(element.closest('svg') ? style.fill : style.color);
    const back = element.closest('svg') ? parse(getComputedStyle(element.closest('svg').querySelector('rect')).fill) : ground(element);
    const [a, b] = [luminance(ink), luminance(back)].sort((x, y) => y - x);
    const ratio = (a + 0.05) / (b + 0.05);
    if (ratio < 4.5) faint.push(ratio.toFixed(2) + ' ' + element.tagName + ' ' + element.textContent.trim().slice(0, 40));
  }
  return [...new Set(faint)];
})()
";

#[test]
fn text_stands_out_in_light_and_dark_and_the_reader_can_choose() {
    let Some(mut browser) = browser() else {
        return;
    };
    browser.window(1200, 900, false);
    browser.open(&page());
    let ground = "getComputedStyle(document.body).backgroundColor";
    let mut grounds = Vec::new();
    for scheme in ["light", "dark"] {
        browser.medium("screen", scheme);
        grounds.push(browser.evaluate(ground));
        assert_eq!(browser.evaluate(FAINT), serde_json::json!([]), "{scheme}");
        keep(&mut browser, scheme, 1200, 3600);
    }
    assert_ne!(grounds[0], grounds[1]);
    // The choice goes before what the system asks for; the browser asks for dark still.
    let choose = |value: &str| {
        format!(
            "(() => {{ const of = document.querySelector('.tools select'); of.value = '{value}'; of.dispatchEvent(new Event('change')); return {ground} }})()"
        )
    };
    assert_eq!(browser.evaluate(&choose("light")), grounds[0]);
    assert_eq!(browser.evaluate(&choose("dark")), grounds[1]);
    assert_eq!(browser.evaluate(&choose("")), grounds[1]);
    // Paper is white, whatever was chosen.
    browser.evaluate(&choose("dark"));
    browser.medium("print", "dark");
    assert_eq!(browser.evaluate(ground), "rgb(255, 255, 255)");
}

#[test]
fn tables_sort_and_pictures_tell_their_values() {
    let Some(mut browser) = browser() else {
        return;
    };
    browser.window(1200, 900, false);
    browser.open(&page());
    let sorted = browser.evaluate(
        "(() => { const table = document.querySelector('table.sortable'); const head = [...table.tHead.rows[0].cells].findIndex(of => of.textContent.startsWith('Trial')); const button = table.tHead.rows[0].cells[head].querySelector('button'); button.click(); button.click(); return [...table.tBodies[0].rows].slice(0, 3).map(row => row.cells[0].textContent) })()",
    );
    assert_eq!(sorted, serde_json::json!(["180", "179", "178"]));
    let read = browser.evaluate(
        "(() => { const figure = document.querySelector('figure[data-points]'); const svg = figure.querySelector('svg'); const frame = svg.getBoundingClientRect(); svg.dispatchEvent(new PointerEvent('pointermove', {clientX: frame.left + frame.width / 2, clientY: frame.top + 9})); return figure.querySelector('.reading').textContent })()",
    );
    let read = read.as_str().unwrap();
    assert!(
        read.contains("small read") && read.contains("reshape"),
        "{read}"
    );
}

#[test]
fn a_phone_shows_it_without_scrolling_sideways_and_paper_has_pages() {
    let Some(mut browser) = browser() else {
        return;
    };
    browser.medium("screen", "light");
    browser.window(360, 740, true);
    browser.open(&page());
    let wide = "[document.documentElement.scrollWidth, innerWidth]";
    let widths = browser.evaluate(wide);
    assert!(
        widths[0].as_u64() <= widths[1].as_u64() && widths[1] == 360,
        "{widths}"
    );
    keep(&mut browser, "phone", 360, 3000);
    browser.window(700, 990, false);
    browser.medium("print", "light");
    keep(&mut browser, "print", 700, 3000);
    // A4 and Letter, in inches.
    for (width, height) in [(8.27, 11.69), (8.5, 11.0)] {
        let paper = serde_json::json!({"paperWidth": width, "paperHeight": height, "printBackground": false});
        let pdf = browser.call("Page.printToPDF", paper);
        // `%PDF-` in base64.
        assert!(
            pdf["data"].as_str().unwrap().starts_with("JVBERi"),
            "{width}"
        );
    }
}

#[test]
fn a_screen_reader_is_told_headings_tables_and_pictures() {
    let Some(mut browser) = browser() else {
        return;
    };
    browser.window(1200, 900, false);
    browser.open(&page());
    browser.evaluate("document.querySelectorAll('details').forEach(of => of.open = true)");
    let tree = browser.call("Accessibility.getFullAXTree", serde_json::json!({}));
    let nodes = tree["nodes"].as_array().unwrap();
    let of_role = |role: &str| -> Vec<&Value> {
        let nodes = nodes.iter().filter(|node| node["ignored"] == false);
        nodes.filter(|node| node["role"]["value"] == role).collect()
    };
    let pictures: Vec<&Value> = of_role("image").into_iter().chain(of_role("img")).collect();
    assert!(pictures.len() > 180, "{} pictures", pictures.len());
    for picture in pictures {
        let said = |what: &str| picture[what]["value"].as_str().unwrap_or_default().len();
        assert!(said("name") > 5 && said("description") > 10, "{picture}");
    }
    let tables = of_role("table");
    assert!(tables.len() > 10, "{} tables", tables.len());
    for table in tables {
        assert!(
            !table["name"]["value"]
                .as_str()
                .unwrap_or_default()
                .is_empty(),
            "{table}"
        );
    }
    // One title, and no level left out on the way down.
    let levels = browser.evaluate(
        "[...document.querySelectorAll('h1, h2, h3, h4, h5, h6')].map(of => Number(of.tagName[1]))",
    );
    let levels: Vec<u64> = serde_json::from_value(levels).unwrap();
    assert_eq!(of_role("heading").len(), levels.len());
    assert_eq!(levels.iter().filter(|level| **level == 1).count(), 1);
    assert!(
        levels.windows(2).all(|pair| pair[1] <= pair[0] + 1),
        "{levels:?}"
    );
}

/// axe-core, where npm can fetch it: https://github.com/dequelabs/axe-core.
#[test]
fn axe_finds_nothing() {
    let Some(mut browser) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let place = folder.path().to_str().unwrap();
    let wanted = [
        "install",
        "--prefix",
        place,
        "--no-audit",
        "--no-fund",
        "--ignore-scripts",
        "axe-core@4.14.1",
    ];
    if let Err(why) = run("npm", &wanted) {
        say(&format!(
            "skipped: axe-core cannot be had by npm on this machine: {why}"
        ));
        return;
    }
    let script = folder.path().join("node_modules/axe-core/axe.min.js");
    let script = fs::read_to_string(script).unwrap();
    let desk = (1200, 900, false);
    let phone = (360, 740, true);
    for (scheme, (width, height, is_phone)) in [
        ("light", desk),
        ("dark", desk),
        ("light", phone),
        ("dark", phone),
    ] {
        browser.medium("screen", scheme);
        browser.window(width, height, is_phone);
        browser.open(&page());
        browser.evaluate(&format!("{script};true"));
        let found = browser.evaluate(
            "axe.run(document, {resultTypes: ['violations']}).then(told => told.violations.map(of => of.id + ': ' + of.nodes.length + ' ' + of.nodes[0].html.slice(0, 200)))",
        );
        assert_eq!(found, serde_json::json!([]), "{scheme}, {width} wide");
    }
}

#[test]
fn hostile_names_are_shown_as_text() {
    let Some(mut browser) = browser() else {
        return;
    };
    let (_folder, page) = hostile::page();
    // A plain name for the address.
    let plain = tempfile::tempdir().unwrap();
    let copy = plain.path().join("page.html");
    fs::copy(page, &copy).unwrap();
    browser.open(&copy);
    assert_eq!(browser.complaints(), Vec::<String>::new());
    assert_eq!(browser.requests().len(), 1);
    let scripts = browser.evaluate("document.querySelectorAll('script').length");
    assert_eq!(scripts, 1);
    let shown = browser.evaluate("document.body.textContent.includes('<script>alert(1)</script>')");
    assert_eq!(shown, true);
}
