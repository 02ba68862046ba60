//! Paths as text that loses nothing and obeys nobody.
//!
//! A name of a file may hold any byte but `/` and zero: line breaks, what a terminal obeys, what is no
//! text. In tables such bytes are written as `\xNN` and a backslash as `\\`, so that a path reads
//! back as it was.

use crate::text::plain;

/// `path` as text of one line that reads back with [`unescaped`].
pub fn escaped(path: &[u8]) -> String {
    let mut text = String::with_capacity(path.len());
    for part in path.utf8_chunks() {
        for character in part.valid().chars() {
            match character {
                '\\' => text.push_str("\\\\"),
                ' ' => text.push(' '),
                // What is left out when text is shown, and white space that would become a space.
                other if plain(other.encode_utf8(&mut [0; 4])).is_empty() => {
                    push_bytes(&mut text, other.encode_utf8(&mut [0; 4]).as_bytes());
                }
                other => text.push(other),
            }
        }
        push_bytes(&mut text, part.invalid());
    }
    text
}

fn push_bytes(text: &mut String, bytes: &[u8]) {
    for byte in bytes {
        text.push_str(&format!("\\x{byte:02x}"));
    }
}

/// The path that [`escaped`] wrote; `None` when it did not write this.
pub fn unescaped(text: &str) -> Option<Vec<u8>> {
    let mut path = Vec::with_capacity(text.len());
    let mut rest = text;
    while let Some((before, after)) = rest.split_once('\\') {
        path.extend(before.bytes());
        rest = match after.strip_prefix('\\') {
            Some(rest) => {
                path.push(b'\\');
                rest
            }
            None => {
                let digits = after.strip_prefix('x')?.get(..2)?;
                if !digits.bytes().all(|byte| byte.is_ascii_hexdigit()) {
                    return None;
                }
                path.push(u8::from_str_radix(digits, 16).ok()?);
                &after[3..]
            }
        };
    }
    path.extend(rest.bytes());
    (!path.contains(&0)).then_some(path)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn hostile_names_are_neutral_and_lose_nothing() {
        let path = b"/mnt/a\nb\x1b[31m\\c \xff\xfe\xe2\x80\xae\xc3\xa9";
        let text = escaped(path);
        assert_eq!(
            text,
            "/mnt/a\\x0ab\\x1b[31m\\\\c \\xff\\xfe\\xe2\\x80\\xae\u{e9}"
        );
        assert_eq!(plain(&text), text);
        assert_eq!(unescaped(&text).as_deref(), Some(&path[..]));
    }

    #[test]
    fn what_was_not_escaped_so_is_refused() {
        for text in ["\\", "a\\n", "\\x4", "\\x+1", "\\xé", "\\x00"] {
            assert_eq!(unescaped(text), None, "{text}");
        }
    }

    proptest! {
        #[test]
        fn any_path_reads_back(path in proptest::collection::vec(1u8..=255, 0..64)) {
            let text = escaped(&path);
            prop_assert!(!text.contains(['\n', '\r', '\x1b']));
            prop_assert_eq!(unescaped(&text), Some(path));
        }
    }
}
