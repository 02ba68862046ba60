//! Text from outside, made fit to be shown.
//!
//! Names, notes, causes, facts, file names and what commands print come from other people and other
//! machines. [`plain`] and [`short`] make one line of such a text where it is put into a sentence, a
//! table or a picture; [`printable`] is what everything passes last on its way to a terminal, and
//! [`escaped`] its like for JSON, which loses nothing. [`ascii`] is for terminals with other letters, and
//! [`nearest`] finds what a word was probably meant to be.

use std::path::Path;

use crate::units::grouped;

/// `text` without characters that a terminal obeys, that XML forbids, or that turn the direction of
/// what follows; each run of them and of white space becomes one space.
///
/// Left out: control characters, noncharacters, and Unicode's explicit directional marks,
/// embeddings, overrides and isolates (Unicode Standard Annex 9, section 2).
pub fn plain(text: &str) -> String {
    text.split(|c: char| c.is_whitespace() || unwanted(c))
        .filter(|word| !word.is_empty())
        .collect::<Vec<_>>()
        .join(" ")
}

fn unwanted(c: char) -> bool {
    let directional = matches!(
        c,
        '\u{61C}' | '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}'
    );
    let noncharacter =
        matches!(c, '\u{FDD0}'..='\u{FDEF}') || matches!(u32::from(c) & 0xFFFF, 0xFFFE | 0xFFFF);
    c.is_control() || directional || noncharacter
}

/// [`plain`] text of at most `most` characters, an ellipsis in place of what is cut.
pub fn short(text: &str, most: usize) -> String {
    let text = plain(text);
    if text.chars().count() <= most {
        return text;
    }
    let kept: String = text.chars().take(most.saturating_sub(1)).collect();
    format!("{}…", kept.trim_end())
}

/// A path as [`plain`] text.
pub fn path(path: &Path) -> String {
    plain(&path.to_string_lossy())
}

/// `1 trial`, `5,000 trials`.
pub fn count(number: usize, noun: &str) -> String {
    let plural = if number == 1 { "" } else { "s" };
    format!("{} {noun}{plural}", grouped(number as u64))
}

/// A path as one word of a shell; of one that cannot be shown as it is, the word STUDY.
pub fn typed(path: &Path) -> String {
    let path = path.display().to_string();
    let bare = |c: char| c.is_alphanumeric() || "/._-".contains(c);
    match () {
        () if plain(&path) != path => "STUDY".to_owned(),
        // A leading dash would be taken for a flag.
        () if path.starts_with('-') => typed(&Path::new(".").join(path)),
        () if !path.is_empty() && path.chars().all(bare) => path,
        () => format!("'{}'", path.replace('\'', r"'\''")),
    }
}

/// `text` with line breaks as the only characters that a terminal obeys: each other one, and each
/// that turns the direction of what follows, becomes U+FFFD.
pub fn printable(text: &str) -> String {
    let fit = |c: char| match c {
        '\n' => c,
        c if unwanted(c) => char::REPLACEMENT_CHARACTER,
        c => c,
    };
    text.chars().map(fit).collect()
}

/// JSON with each character that [`printable`] takes out as its escape; such characters stand in
/// strings only.
pub fn escaped(json: &str) -> String {
    let mut text = String::with_capacity(json.len());
    for c in json.chars() {
        if c == '\n' || !unwanted(c) {
            text.push(c);
        } else {
            let mut units = [0; 2];
            for unit in c.encode_utf16(&mut units) {
                text += &format!("\\u{unit:04x}");
            }
        }
    }
    text
}

/// `text` in ASCII, for terminals without Unicode: signs that the program uses become their nearest
/// likeness, bars of a small chart one of as many signs of growing ink, and whatever is left `?`.
pub fn ascii(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            c if c.is_ascii() => plain.push(c),
            '═' => plain.push('='),
            '─' | '−' | '–' | '—' => plain.push('-'),
            '·' => plain.push('*'),
            '→' => plain.push_str("->"),
            '←' => plain.push_str("<-"),
            '…' => plain.push_str("..."),
            '×' => plain.push('x'),
            '÷' => plain.push('/'),
            '±' => plain.push_str("+/-"),
            '≈' => plain.push('~'),
            '√' => plain.push_str("sqrt "),
            '◀' => plain.push('<'),
            '▲' => plain.push('^'),
            '▼' => plain.push('v'),
            '✕' => plain.push('x'),
            '≤' => plain.push_str("<="),
            '≥' => plain.push_str(">="),
            'µ' | 'μ' => plain.push('u'),
            '²' => plain.push_str("^2"),
            '³' => plain.push_str("^3"),
            '│' | '┃' => plain.push('|'),
            '‘' | '’' => plain.push('\''),
            '“' | '”' => plain.push('"'),
            '\u{a0}' | '\u{202f}' => plain.push(' '),
            '\u{2581}'..='\u{2588}' => plain.push(INK[c as usize - 0x2581]),
            '\u{2589}'..='▟' => plain.push('#'),
            _ => plain.push('?'),
        }
    }
    plain
}

/// Signs of growing ink, for eighths of a bar.
const INK: [char; 8] = ['_', '.', ':', '-', '=', '+', '*', '#'];

/// The one of `known` that `word` was probably meant to be: the fewest letters left out, put in,
/// changed, or swapped with their neighbour (optimal string alignment), a third of its letters at most,
/// whatever their case.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word = word.to_lowercase();
    let most = (word.chars().count() / 3).max(1);
    let near = known.into_iter().filter_map(|other| {
        let distance = strsim::osa_distance(&word, &other.to_lowercase());
        (distance <= most).then_some((distance, other))
    });
    near.min_by_key(|(distance, _)| *distance)
        .map(|(_, other)| other)
}

/// What is said of a name that is none of `known`: `no KIND is named 'WORD'; did you mean 'NEAREST'?
/// Choose from ...`.
pub fn unknown<'a>(kind: &str, word: &str, known: impl IntoIterator<Item = &'a str>) -> String {
    let known: Vec<&str> = known.into_iter().collect();
    let meant = nearest(word, known.iter().copied()).map_or(String::new(), |nearest| {
        format!("did you mean '{}'? ", plain(nearest))
    });
    let known: Vec<String> = known.into_iter().map(plain).collect();
    format!(
        "no {kind} is named '{}': {meant}choose from {}",
        word.escape_debug(),
        known.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn outside_text_is_one_plain_line() {
        assert_eq!(plain("a\n\u{1b}[31mb\u{202E} \u{FFFE}c"), "a [31mb c");
        assert_eq!(plain("שלום"), "שלום");
        assert_eq!(short("lighthouse", 6), "light…");
        assert_eq!(short("museum", 6), "museum");
    }

    #[test]
    fn a_count_has_its_plural_and_its_thousands_apart() {
        assert_eq!(count(1, "trial"), "1 trial");
        assert_eq!(count(0, "trial"), "0 trials");
        assert_eq!(count(12_345, "trial"), "12,345 trials");
    }

    #[test]
    fn a_path_is_typed_as_one_word_of_a_shell() {
        let typed = |path: &str| typed(Path::new(path));
        assert_eq!(typed("my/scans-2.old"), "my/scans-2.old");
        assert_eq!(typed("my scans"), "'my scans'");
        assert_eq!(typed("it's"), r"'it'\''s'");
        assert_eq!(typed("$(reboot)"), "'$(reboot)'");
        assert_eq!(typed("-q"), "./-q");
        assert_eq!(typed("a\nFORGED"), "STUDY");
    }

    #[test]
    fn only_line_breaks_are_obeyed() {
        let text = "a\nb\r\t\u{1b}[31m\u{7f}\u{9b}2J\u{202E}c\u{2066}é\u{FFFE}";
        let shown = printable(text);
        assert_eq!(shown.replace('\u{FFFD}', "?"), "a\nb???[31m??2J?c?é?");
        assert_eq!(printable(&shown), shown);
    }

    #[test]
    fn the_nearest_name_is_close() {
        let known = ["large-read", "large-write", "small-read", "mixed"];
        assert_eq!(nearest("lrage-read", known), Some("large-read"));
        assert_eq!(nearest("Mixd", known), Some("mixed"));
        assert_eq!(nearest("small_raed", known), Some("small-read"));
        assert_eq!(nearest("tape", known), None);
        assert_eq!(nearest("x", ["y"]), Some("y"));
        let told = unknown("workload", "large-raed\u{1b}", known);
        assert_eq!(
            told,
            "no workload is named 'large-raed\\u{1b}': did you mean 'large-read'? choose from large-read, large-write, small-read, mixed"
        );
        assert!(!unknown("workload", "tape", known).contains("did you mean"));
        // Neighbours that are swapped count once (Damerau's edit).
        assert_eq!(nearest("ab", ["ba"]), Some("ba"));
    }

    #[test]
    fn every_terminal_has_the_letters_of_ascii() {
        let text = "═─ · a → b … ×2 ÷ −3 % ▁▂▃▄▅▆▇█ é";
        assert_eq!(ascii(text), "=- * a -> b ... x2 / -3 % _.:-=+*# ?");
    }

    #[test]
    fn json_keeps_what_a_terminal_must_not_see() {
        let text = "a\u{7f}\u{9b}\u{202E}\u{1FFFE}\u{1b}é";
        let json = serde_json::to_string_pretty(&[text]).unwrap();
        let shown = escaped(&json);
        assert_eq!(printable(&shown), shown);
        assert_eq!(serde_json::from_str::<Vec<String>>(&shown).unwrap(), [text]);
    }
}
