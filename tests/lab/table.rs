//! The table of `docs/lab.md`, written from the ledger and the list of red cells.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

use crate::ledger::{Entry, entries};

const BEGIN: &str = "<!-- cells -->";
const END: &str = "<!-- end of cells -->";

/// Writes the newest runs of each cell into the table, `cargo test --test lab table -- --ignored`.
#[test]
#[ignore = "writes docs/lab.md anew from the ledger of runs on this machine"]
fn table() {
    let mut cells: BTreeMap<String, Vec<Entry>> = BTreeMap::new();
    for entry in entries() {
        cells
            .entry(entry.finding.cell.clone())
            .or_default()
            .push(entry);
    }
    let mut rows = String::from(
        "| cell | truth, last run | what poolproof said | right in | commit, date |\n| --- | --- | --- | --- | --- |\n",
    );
    for (cell, mut entries) in cells {
        // Runs of one program belong together; the newest program counts.
        let build = entries.last().expect("each cell has a run").build.clone();
        entries.retain(|entry| entry.build == build);
        let right = entries.iter().filter(|entry| entry.finding.right).count();
        let colour = match right {
            0 => "**red**",
            right if right == entries.len() => "green",
            _ => "**unsteady**",
        };
        let last = entries.last().expect("runs of the newest build");
        let plain = |text: &str| text.replace('|', "/").replace('\n', " ");
        writeln!(
            rows,
            "| {cell} | {} | {} | {colour}, {right} of {} | {}, {} |",
            plain(&last.finding.truth),
            plain(&last.finding.said),
            entries.len(),
            last.commit,
            last.date
        )
        .expect("text grows");
    }
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/lab.md");
    let text = std::fs::read_to_string(&file).expect("docs/lab.md is there");
    let (head, rest) = text.split_once(BEGIN).expect("it has a place for cells");
    let (_, tail) = rest.split_once(END).expect("the place has an end");
    std::fs::write(&file, format!("{head}{BEGIN}\n\n{rows}\n{END}{tail}"))
        .expect("docs can be written");
}
