//! Values under the pointer: unseen areas over a picture's marks, each with words that any browser shows
//! without scripts.

use std::fmt::Write as _;

use super::canvas::{Place, escape};
use crate::text::plain;

/// Areas with their words; where they overlap, the one put last is on top.
#[derive(Clone, Debug)]
pub(super) struct Spots {
    areas: String,
    /// Goes before all that is said of a made-up share.
    prefix: &'static str,
}

impl Spots {
    /// No areas yet; `simulated` marks what each says.
    pub(super) fn new(simulated: bool) -> Self {
        Self {
            areas: String::new(),
            prefix: if simulated { "SIMULATED " } else { "" },
        }
    }

    /// The rectangle between two corners says `words`.
    pub(super) fn put(&mut self, [(left, top), (right, bottom)]: [Place; 2], words: &str) {
        let (width, height) = (right - left, bottom - top);
        let words = escape(&plain(words));
        let prefix = self.prefix;
        write!(
            self.areas,
            "<path d=\"M{left},{top}h{width}v{height}h-{width}z\"><title>{prefix}{words}</title></path>"
        )
        .expect("memory does not fail");
    }

    /// A square of `reach` pixels around `place` says `words`.
    pub(super) fn around(&mut self, (x, y): Place, reach: i32, words: &str) {
        self.put([(x - reach, y - reach), (x + reach, y + reach)], words);
    }

    /// `svg` with the areas on top.
    pub(super) fn over(self, svg: &str) -> String {
        let end = svg.rfind("</svg>").filter(|_| !self.areas.is_empty());
        let Some(end) = end else {
            return svg.to_owned();
        };
        let (body, tail) = svg.split_at(end);
        format!(
            "{body}<g fill=\"none\" pointer-events=\"all\">{}</g>\n{tail}",
            self.areas
        )
    }
}
