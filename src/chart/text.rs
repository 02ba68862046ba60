//! Text from outside, made fit to be shown.

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
