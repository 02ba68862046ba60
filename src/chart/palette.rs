//! Colours, and how a picture changes between light and dark.
//!
//! Grey, rust and deep blue for before, during and after: they differ in lightness and keep apart
//! for readers with any of the common colour-vision deficiencies, because none is told from another
//! by red against green.

use std::fmt::Write as _;

use plotters::style::RGBColor;

use crate::plan::Phase;

/// A colour by its use.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ink {
    name: &'static str,
    light: u32,
    dark: u32,
}

const fn ink(name: &'static str, light: u32, dark: u32) -> Ink {
    Ink { name, light, dark }
}

/// Text and axes.
pub(super) const TEXT: Ink = ink("ink", 0x242830, 0xE6E4DC);
/// Text of less weight.
pub(super) const MUTED: Ink = ink("muted", 0x5D636E, 0xA9ADB6);
/// Grid lines.
pub(super) const RULE: Ink = ink("rule", 0xD9D5CA, 0x3D4149);
/// Background of a picture.
pub(super) const PAPER: Ink = ink("paper", 0xFDFCF8, 0x1B1D21);
/// Background of windows that do not count.
pub(super) const SHADE: Ink = ink("shade", 0xEEEADF, 0x2A2D33);
const BEFORE: Ink = ink("before", 0x71757F, 0xA4A8B3);
const DURING: Ink = ink("during", 0xB85216, 0xF09658);
const AFTER: Ink = ink("after", 0x1D4E9E, 0x88B2F4);

const ALL: [Ink; 8] = [TEXT, MUTED, RULE, PAPER, SHADE, BEFORE, DURING, AFTER];

impl Ink {
    /// The colour that plotters draws with.
    pub(super) fn colour(self) -> RGBColor {
        let [_, red, green, blue] = self.light.to_be_bytes();
        RGBColor(red, green, blue)
    }

    fn attribute(self) -> String {
        format!("\"#{:06X}\"", self.light)
    }

    fn variable(self) -> String {
        format!("\"var(--{})\"", self.name)
    }
}

/// The colour of a phase.
pub(super) fn of(phase: Phase) -> Ink {
    match phase {
        Phase::Before => BEFORE,
        Phase::During => DURING,
        Phase::After => AFTER,
    }
}

/// Replaces the light colours of a drawn picture by CSS variables. Only whole attribute values are
/// replaced: in text, plotters escapes the quotation marks around them.
pub(super) fn themed(svg: &str) -> String {
    ALL.iter().fold(svg.to_owned(), |svg, ink| {
        svg.replace(&ink.attribute(), &ink.variable())
    })
}

/// `svg` with fixed light colours in place of CSS variables, for a file of its own.
pub fn standalone(svg: &str) -> String {
    ALL.iter().fold(svg.to_owned(), |svg, ink| {
        svg.replace(&ink.variable(), &ink.attribute())
    })
}

/// The CSS that gives the variables their values: light; dark on screens that ask for it, or where the
/// root has `data-theme="dark"`; `data-theme="light"` keeps it light. Print is always light.
pub fn stylesheet() -> String {
    let values = |shade: fn(&Ink) -> u32| {
        ALL.iter().fold(String::new(), |mut css, ink| {
            write!(css, "--{}:#{:06x};", ink.name, shade(ink)).expect("memory does not fail");
            css
        })
    };
    let (light, dark) = (values(|ink| ink.light), values(|ink| ink.dark));
    format!(
        ":root{{color-scheme:light;{light}}}\n@media screen and (prefers-color-scheme:dark){{:root:not([data-theme=light]){{color-scheme:dark;{dark}}}}}\n@media screen{{:root[data-theme=dark]{{color-scheme:dark;{dark}}}}}\n"
    )
}
