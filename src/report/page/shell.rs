//! The shell of a page: head, style, the one small script, and what both may do.
//!
//! The document loads nothing: its policy forbids everything but its own style and the one script, which
//! is known by its hash. Without the script nothing is missing but sorting, values under the pointer and
//! a choice of colours.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::chart::stylesheet;
use crate::report::words;

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("script.js");
/// SHA-256 of [`SCRIPT`], as content security policies write it.
const SCRIPT_HASH: &str = "sha256-BbAS6mO4cJPj5wOBwdYt8lI155rOSNJVtIUpSw8/44o=";

/// A whole document: `title` for the browser's tab, a banner where what it shows is made up, then `body`.
pub(in crate::report) fn document(title: &str, simulated: bool, body: &Markup) -> Markup {
    let policy = format!(
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:; script-src '{SCRIPT_HASH}'; base-uri 'none'; form-action 'none'"
    );
    let head = html! {
        meta http-equiv="Content-Security-Policy" content=(policy);
        style { (style()) }
    };
    let body = html! {
        @if simulated {
            aside aria-label=(words::SIMULATED) {
                p.banner {
                    strong { (words::SIMULATED) }
                    " The share, its drives and every number below are made up by a model."
                }
            }
        }
        (body)
        script { (PreEscaped(SCRIPT)) }
    };
    let title = format!("{}{title}", words::banner(simulated));
    around(&title, &head, &body)
}

/// A document: what every page has in its head, then `title`, the rest of its `head`, and `body`.
pub(in crate::report) fn around(title: &str, head: &Markup, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                title { (title) }
                (head)
            }
            body { (body) }
        }
    }
}

/// The style of every page: colours by variable, light and dark, then the layout.
pub(in crate::report) fn style() -> Markup {
    html! { (PreEscaped(stylesheet())) (PreEscaped(STYLE)) }
}
