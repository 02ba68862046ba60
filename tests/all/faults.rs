//! The table of faults names the tests that show its rows: each has to be there.

use std::fs;
use std::path::Path;

/// All code below a folder, as one text.
fn code(folder: &Path) -> String {
    let mut text = String::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            text += &code(&path);
        } else if path.extension().is_some_and(|kind| kind == "rs") {
            text += &fs::read_to_string(path).unwrap();
        }
    }
    text
}

#[test]
fn every_fault_has_a_test_that_is_there() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let code = code(&root.join("src")) + &code(&root.join("tests"));
    let table = include_str!("faults.md");
    let map = fs::read_to_string(root.join("DEVELOPERS.md")).unwrap();
    assert!(
        map.contains(table.trim()),
        "put tests/all/faults.md into DEVELOPERS.md again"
    );
    let rows = table.lines().skip(2);
    let mut count = 0;
    for row in rows {
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        let [_, happens, lost, test] = cells[..] else {
            panic!("four cells: {row}");
        };
        assert!(!happens.is_empty() && !lost.is_empty(), "{row}");
        let test = test.trim_matches('`');
        assert!(
            code.contains(&format!("#[test]\nfn {test}() {{"))
                || code.contains(&format!("#[test]\n    fn {test}() {{"))
                || code.contains(&format!(
                    "#[tokio::test(start_paused = true)]\nasync fn {test}() {{"
                )),
            "no test is called {test}"
        );
        count += 1;
    }
    assert!(count > 30, "{count}");
}
