//! Tables and wrapped paragraphs for a terminal.

use comfy_table::{
    CellAlignment, ColumnConstraint, ContentArrangement, ContentLineStyle, LineStyle, Table,
    TableStyle,
};

/// The narrowest and widest text that is made; terminals can report anything, zero included.
const WIDTHS: (usize, usize) = (60, 110);
/// This part of a table's width belongs to the names in its first column, if they need it.
const LEAST_NAMES: usize = 4;

/// `width` within what reads well.
pub(super) fn clamp(width: usize) -> usize {
    width.clamp(WIDTHS.0, WIDTHS.1)
}

/// A table at most `width` wide: a rule under the head, columns set apart by spaces. The first
/// `left` columns are flush left, the others flush right. Names in the first one are not broken before the
/// others are.
pub(super) fn table(
    width: usize,
    left: usize,
    head: &[&str],
    rows: impl IntoIterator<Item = Vec<String>>,
) -> String {
    let style = TableStyle::new()
        .header_lines(ContentLineStyle::none())
        .header_separator(LineStyle::none().fill('─').junction('─'))
        .content_lines(ContentLineStyle::none());
    let mut table = Table::new();
    table
        .load_style(style)
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(u16::try_from(width).unwrap_or(u16::MAX))
        .set_header(head.to_vec());
    for row in rows {
        table.add_row(row);
    }
    let widths = table.column_max_content_widths();
    let name = widths.first().map_or(0, |widest| usize::from(*widest));
    for (index, column) in table.column_iter_mut().enumerate() {
        column.set_padding((0, u16::from(index + 1 < head.len())));
        if index == 0 && name <= width / LEAST_NAMES {
            column.set_constraint(ColumnConstraint::ContentWidth);
        }
        if index >= left {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    let lines: Vec<String> = table
        .lines()
        .map(|line| line.trim_end().to_owned())
        .collect();
    lines.join("\n") + "\n"
}

/// `text` in lines of at most `width` characters, the first after `first`, the others indented by as
/// many spaces.
pub(super) fn paragraph(width: usize, first: &str, text: &str) -> String {
    let indent = first.chars().count();
    let room = width.saturating_sub(indent).max(20);
    let mut lines: Vec<String> = vec![String::new()];
    // A number stays with its per cent sign.
    let text = text.replace(" %", "\u{a0}%");
    for word in text.split(' ').flat_map(|word| pieces(word, room)) {
        let line = lines.last_mut().expect("there is a line");
        let used = line.chars().count();
        if used > 0 && used + 1 + word.chars().count() > room {
            lines.push(word);
        } else {
            if used > 0 {
                line.push(' ');
            }
            line.push_str(&word);
        }
    }
    let rest = format!("\n{}", " ".repeat(indent));
    format!("{first}{}\n", lines.join(&rest)).replace('\u{a0}', " ")
}

/// A line of at most `width` characters for each part of `text`, what follows the first indented by two.
/// A width below 20 is taken for 20.
pub fn wrapped(text: &str, width: usize) -> String {
    let width = width.max(20);
    if text.chars().count() <= width {
        return format!("{text}\n");
    }
    // What lines text up at the beginning of a line is kept.
    let indent = text
        .chars()
        .take_while(|c| *c == ' ')
        .count()
        .min(width / 2);
    let mut lines = Vec::new();
    let mut line = " ".repeat(indent);
    let mut empty = true;
    for word in text.trim_start().split(' ') {
        for piece in pieces_or_gap(word, width - indent - 2) {
            if !empty && line.chars().count() + 1 + piece.chars().count() > width {
                lines.push(std::mem::replace(&mut line, " ".repeat(indent + 2)));
                empty = true;
            }
            if !empty {
                line.push(' ');
            }
            line.push_str(&piece);
            empty = false;
        }
    }
    lines.push(line);
    let lines: Vec<&str> = lines.iter().map(|line| line.trim_end()).collect();
    lines.join("\n") + "\n"
}

/// [`pieces`], and an empty one for one of several blanks.
fn pieces_or_gap(word: &str, room: usize) -> Vec<String> {
    match word.is_empty() {
        true => vec![String::new()],
        false => pieces(word, room),
    }
}

/// A word, cut where it is longer than a line.
fn pieces(word: &str, room: usize) -> Vec<String> {
    let characters: Vec<char> = word.chars().collect();
    match characters.is_empty() {
        true => Vec::new(),
        false => characters
            .chunks(room)
            .map(|piece| piece.iter().collect())
            .collect(),
    }
}

/// A heading with a line under it.
pub(super) fn heading(text: &str) -> String {
    format!("{text}\n{}\n", "═".repeat(text.chars().count()))
}

/// Sentences as a list under a small heading; nothing when there are none.
pub(super) fn list(width: usize, title: &str, sentences: &[String]) -> String {
    if sentences.is_empty() {
        return String::new();
    }
    let items = sentences.iter().map(|text| paragraph(width, "  · ", text));
    format!("\n{title}\n{}", items.collect::<String>())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paragraphs_keep_their_width_even_with_a_word_longer_than_a_line() {
        let text = format!("a few words then {} and more of them", "x".repeat(200));
        let wrapped = paragraph(60, "  · ", &text);
        assert!(
            wrapped.lines().all(|line| line.chars().count() <= 60),
            "{wrapped}"
        );
        let joined: String = wrapped.replace("  · ", "").split_whitespace().collect();
        assert_eq!(joined, text.split_whitespace().collect::<String>());
    }

    #[test]
    fn lines_are_wrapped_with_what_follows_indented() {
        assert_eq!(wrapped("short  and spaced", 40), "short  and spaced\n");
        let text = "SIMULATED Fri 6 Mar 17:30  check: GO, 22 of 25 lines hold";
        let expected = "SIMULATED Fri 6 Mar 17:30\n  check: GO, 22 of 25 lines\n  hold\n";
        assert_eq!(wrapped(text, 30), expected);
        let long = wrapped(&format!("  {}", "x".repeat(100)), 30);
        assert!(
            long.lines().all(|line| line.chars().count() <= 30),
            "{long}"
        );
        assert_eq!(long.matches('x').count(), 100);
        assert!(wrapped("any words at all that are long", 0).lines().count() > 1);
    }

    #[test]
    fn tables_keep_their_width() {
        let row = vec![
            "a name that is rather long".repeat(3),
            "1".into(),
            "2".into(),
        ];
        let text = table(60, 1, &["name", "one", "two"], [row]);
        assert!(
            text.lines().all(|line| line.chars().count() <= 60),
            "{text}"
        );
    }
}
