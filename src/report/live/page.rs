//! The document around the live page: the style of the report, and a script that takes in what changed.

use maud::{PreEscaped, html};

use crate::report::page::shell::{around, style};

/// What only this page needs beside the report's own style sheet.
const OWN: &str = include_str!("live.css");
const SCRIPT: &str = include_str!("live.js");

/// The whole document. `title` and `main` are of [`super::live_title`] and [`super::live_main`], which is
/// markup already; `nonce` (letters and digits) is what lets style and script of this document, and no
/// other, be used; without scripts the page is loaded anew after `again` seconds.
pub fn live_page(title: &str, main: &str, nonce: &str, again: u64) -> String {
    let head = html! {
        link rel="icon" href="data:,";
        style nonce=(nonce) { (style()) (PreEscaped(OWN)) }
        noscript { meta http-equiv="refresh" content=(again); }
    };
    let body = html! {
        main { (PreEscaped(main)) }
        footer {
            p #link role="status" {
                "Without scripts this page is loaded anew every " (again) " s."
            }
            p { a href="/" { "Load it now" } ". The page only tells; nothing can be changed here." }
            p { "Made by poolproof " (env!("CARGO_PKG_VERSION")) "." }
        }
        script nonce=(nonce) { (PreEscaped(SCRIPT)) }
    };
    around(title, &head, &body).into_string()
}
