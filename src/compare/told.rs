//! Figures that DEVELOPERS.md tells, so that tests hold simulations to them and them to simulations.

const MAP: &str = include_str!("../../DEVELOPERS.md");

/// The cells, row by row, of the table whose head begins so; an empty first cell is like the one above it.
pub(super) fn table(head: &str) -> Vec<Vec<&'static str>> {
    let lines = MAP.lines().map(str::trim);
    let mut rows: Vec<Vec<&str>> = Vec::new();
    let body = lines.skip_while(|line| !line.starts_with(head)).skip(2);
    for line in body.map_while(|line| line.strip_prefix('|')?.strip_suffix('|')) {
        let mut cells: Vec<&str> = line.split('|').map(str::trim).collect();
        if let Some(above) = rows.last().filter(|_| cells[0].is_empty()) {
            cells[0] = above[0];
        }
        rows.push(cells);
    }
    assert!(!rows.is_empty(), "DEVELOPERS.md has a table {head}");
    rows
}

/// The numbers that stand in a cell.
pub(super) fn numbers(cell: &str) -> Vec<f64> {
    let words = cell.split(|c: char| !(c.is_ascii_digit() || c == '.'));
    words.filter_map(|word| word.parse().ok()).collect()
}

/// Three times the chance error of a share of so many.
pub(super) fn chance(share: f64, of: usize) -> f64 {
    3.0 * (share * (1.0 - share) / of as f64).sqrt()
}
