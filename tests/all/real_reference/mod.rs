//! The program's numbers against reference libraries, and its files in other readers: numpy, scipy,
//! statsmodels, pandas, DuckDB and a second HdrHistogram, in a Python of their own.

mod compared;
mod recipes;
mod tables;

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use serde_json::Value;

use crate::support::{find, real, run};

const HERE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/all/real_reference");
const EXAMPLE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/reports/lighthouse-archive");

/// The Python that has the libraries, made once for all tests and kept while their versions stay.
fn python() -> Option<PathBuf> {
    static MADE: OnceLock<Result<PathBuf, String>> = OnceLock::new();
    real("reference libraries", || MADE.get_or_init(make).clone())
}

fn make() -> Result<PathBuf, String> {
    find("python3")?;
    let wanted = fs::read_to_string(Path::new(HERE).join("requirements.txt"))
        .map_err(|error| error.to_string())?;
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("reference");
    let (python, stamp) = (folder.join("bin/python"), folder.join("installed.txt"));
    if fs::read_to_string(&stamp).is_ok_and(|installed| installed == wanted) {
        return Ok(python);
    }
    let text = |path: &Path| path.display().to_string();
    run("python3", &["-m", "venv", "--clear", &text(&folder)])?;
    let list = format!("{HERE}/requirements.txt");
    let words = [
        "-m",
        "pip",
        "install",
        "--quiet",
        "--only-binary=:all:",
        "-r",
        &list,
    ];
    run(&text(&python), &words)?;
    fs::write(&stamp, wanted).map_err(|error| error.to_string())?;
    Ok(python)
}

/// What a script of this folder prints: one JSON object.
#[track_caller]
fn reference(python: &Path, script: &str, args: &[&str]) -> Value {
    let script = format!("{HERE}/{script}");
    let words = [&[script.as_str()], args].concat();
    let printed = match run(python.to_str().unwrap(), &words) {
        Ok(printed) => printed,
        Err(why) => panic!("{why}"),
    };
    serde_json::from_str(&printed).unwrap()
}

/// How far `found` is from `expected`, as a part of it.
fn apart(found: f64, expected: f64) -> f64 {
    (found - expected).abs() / expected.abs().max(f64::MIN_POSITIVE)
}

/// Asserts that two numbers are equal within `tolerance`, a part of `expected`.
#[track_caller]
fn assert_equal(what: &str, found: f64, expected: f64, tolerance: f64) {
    let apart = if found == expected {
        0.0
    } else {
        apart(found, expected)
    };
    assert!(
        apart <= tolerance,
        "{what}: {found} here, {expected} by the reference library: {apart:e} apart"
    );
}
