//! What the program is made of: where unsafe code stands and why, whose code is in it, and under
//! which licences.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::support::run;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The files in which unsafe code may stand.
const EDGES: [&str; 11] = [
    "src/cli/supervise.rs",
    "src/load/local/buffers.rs",
    "src/load/local/residency.rs",
    "src/load/local/ring.rs",
    "src/probe/clock.rs",
    "src/probe/fiemap.rs",
    "src/sys/allocator.rs",
    "src/sys/macos.rs",
    "src/sys/windows/calls.rs",
    "src/sys/windows/handle.rs",
    "src/sys/windows/transfer.rs",
];

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|end| end == "rs") {
            found.push(path);
        }
    }
}

/// Whether a line has unsafe code, and not only the word in a text or a remark.
fn is_unsafe(line: &str) -> bool {
    let code = line.split("//").next().unwrap_or_default();
    ["unsafe {", "unsafe fn", "unsafe impl", "unsafe extern"]
        .iter()
        .any(|form| code.contains(form))
}

#[test]
fn unsafe_code_stands_in_named_files_only_each_with_its_reason() {
    let mut files = Vec::new();
    sources(&root().join("src"), &mut files);
    assert!(files.len() > 200);
    let mut found = BTreeSet::new();
    for path in files {
        let text = fs::read_to_string(&path).unwrap();
        let name = path.strip_prefix(root()).unwrap().display().to_string();
        let lines: Vec<&str> = text.lines().collect();
        for (index, line) in lines.iter().enumerate() {
            if is_unsafe(line) {
                let above = &lines[index.saturating_sub(4)..=index];
                let told = above.iter().any(|line| line.contains("// SAFETY:"));
                assert!(told, "{name}:{}: no reason with // SAFETY:", index + 1);
                found.insert(name.clone());
            }
        }
        let allows = text.contains("unsafe_code,") || text.contains("unsafe_code\"");
        assert_eq!(
            allows,
            found.contains(&name),
            "{name}: the excuse is not what it has"
        );
        assert!(!allows || text.contains("reason = "), "{name}: no reason");
    }
    assert_eq!(found, EDGES.map(str::to_owned).into());
    let map = fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    for file in EDGES {
        assert!(
            map.contains(file.strip_prefix("src/").unwrap()),
            "{file} in DEVELOPERS.md"
        );
    }
}

/// Licences under which others' code may be in the program; each lets it be passed on under the MIT
/// licence beside its own text.
const LICENCES: [&str; 8] = [
    "MIT",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];

/// Whether an SPDX expression, or the older form with a slash, can be met by [`LICENCES`].
fn is_met(licence: &str) -> bool {
    let words = licence
        .replace('/', " OR ")
        .replace('(', " ( ")
        .replace(')', " ) ");
    let words: Vec<&str> = words.split_whitespace().collect();
    let mut rest = &words[..];
    let met = either(&mut rest);
    met && rest.is_empty()
}

fn either(rest: &mut &[&str]) -> bool {
    let mut met = both(rest);
    while let ["OR", more @ ..] = *rest {
        *rest = more;
        met |= both(rest);
    }
    met
}

fn both(rest: &mut &[&str]) -> bool {
    let mut met = one(rest);
    while let ["AND", more @ ..] = *rest {
        *rest = more;
        met &= one(rest);
    }
    met
}

fn one(rest: &mut &[&str]) -> bool {
    match *rest {
        ["(", more @ ..] => {
            *rest = more;
            let met = either(rest);
            *rest = rest.strip_prefix(&[")"]).unwrap_or(&["?"]);
            met
        }
        [name, "WITH", exception, more @ ..] => {
            *rest = more;
            LICENCES.contains(&format!("{name} WITH {exception}").as_str())
        }
        [name, more @ ..] => {
            *rest = more;
            LICENCES.contains(name)
        }
        [] => false,
    }
}

#[test]
fn licence_expressions_are_read_as_they_bind() {
    for (licence, met) in [
        ("MIT", true),
        ("GPL-3.0-only", false),
        ("GPL-3.0-only OR MIT", true),
        ("GPL-3.0-only AND MIT", false),
        ("MIT OR GPL-3.0-only AND MIT", true),
        ("(MIT OR Apache-2.0) AND Unicode-3.0", true),
        ("(MIT OR Apache-2.0) AND GPL-3.0-only", false),
        ("Unlicense/MIT", true),
        ("Apache-2.0 WITH LLVM-exception", true),
        ("GPL-2.0-only WITH Classpath-exception-2.0", false),
        ("(MIT", false),
        ("", false),
    ] {
        assert_eq!(is_met(licence), met, "{licence}");
    }
}

/// The packages in the program itself, those for tests and for building left out, by name with version.
fn packages() -> (usize, BTreeMap<String, String>) {
    let target = &format!("{}-unknown-linux-gnu", std::env::consts::ARCH);
    let manifest = root().join("Cargo.toml");
    let words = [
        "metadata",
        "--offline",
        "--locked",
        "--format-version=1",
        "--filter-platform",
        target,
        "--manifest-path",
        manifest.to_str().unwrap(),
    ];
    let told: Value = serde_json::from_str(&run(env!("CARGO"), &words).unwrap()).unwrap();
    let nodes: BTreeMap<&str, &Value> = told["resolve"]["nodes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|node| (node["id"].as_str().unwrap(), node))
        .collect();
    // What a package needs to run: a kind of null, where tests and builds are named.
    let needs = |id: &str| -> Vec<&str> {
        let dependencies = nodes[id]["deps"].as_array().unwrap().iter();
        dependencies
            .filter(|dependency| {
                let kinds = dependency["dep_kinds"].as_array().unwrap();
                kinds.iter().any(|kind| kind["kind"].is_null())
            })
            .map(|dependency| dependency["pkg"].as_str().unwrap())
            .collect()
    };
    let own = told["resolve"]["root"].as_str().unwrap();
    let direct = needs(own);
    let mut todo = direct.clone();
    let mut seen = BTreeSet::new();
    while let Some(id) = todo.pop() {
        if seen.insert(id) {
            todo.extend(needs(id));
        }
    }
    let licences = told["packages"].as_array().unwrap().iter();
    let licences = licences
        .filter(|package| seen.contains(package["id"].as_str().unwrap()))
        .map(|package| {
            let text = |key: &str| package[key].as_str().unwrap_or_default().to_owned();
            (
                format!("{} {}", text("name"), text("version")),
                text("license"),
            )
        })
        .collect();
    (direct.len(), licences)
}

#[test]
fn what_the_program_is_made_of_is_counted_and_may_be_passed_on() {
    let (direct, packages) = packages();
    let foreign: Vec<_> = packages
        .iter()
        .filter(|(_, licence)| !is_met(licence))
        .collect();
    assert!(
        foreign.is_empty(),
        "other licences than those allowed: {foreign:?}"
    );
    let sentence = format!("{direct} packages directly and {} in all", packages.len());
    let map = fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    assert!(
        map.contains(&sentence),
        "DEVELOPERS.md has to say: {sentence}"
    );
}
