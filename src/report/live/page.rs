//! The document around the live page: the style of the report, and a script that takes in what changed.

use maud::{DOCTYPE, PreEscaped, html};

use crate::chart::stylesheet;

/// The report's own style sheet, and what only this page needs.
const STYLE: &str = include_str!("../page/style.css");
const OWN: &str = include_str!("live.css");
const SCRIPT: &str = include_str!("live.js");

/// The whole document. `title` and `main` are of [`super::live_title`] and [`super::live_main`], which is
/// markup already; `nonce` (letters and digits) is what lets style and script of this document, and no
/// other, be used; without scripts the page is loaded anew after `again` seconds.
pub fn live_page(title: &str, main: &str, nonce: &str, again: u64) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                title { (title) }
                link rel="icon" href="data:,";
                style nonce=(nonce) { (PreEscaped(stylesheet())) (PreEscaped(STYLE)) (PreEscaped(OWN)) }
                noscript { meta http-equiv="refresh" content=(again); }
            }
            body {
                main { (PreEscaped(main)) }
                footer {
                    p #link role="status" {
                        "Without scripts this page is loaded anew every " (again) " s."
                    }
                    p { a href="/" { "Load it now" } ". The page only tells; nothing can be changed here." }
                    p { "Made by poolproof " (env!("CARGO_PKG_VERSION")) "." }
                }
                script nonce=(nonce) { (PreEscaped(SCRIPT)) }
            }
        }
    }
    .into_string()
}
