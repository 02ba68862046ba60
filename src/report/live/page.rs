//! The document around the live page: the style of the report, and a script that takes in what changed.

use maud::{DOCTYPE, PreEscaped, html};

use crate::chart::stylesheet;

/// The report's own style sheet, and what only this page needs.
const STYLE: &str = include_str!("../page/style.css");
const OWN: &str = include_str!("live.css");
const SCRIPT: &str = include_str!("live.js");
/// Without scripts the page is loaded anew after so many seconds.
const AGAIN: u32 = 30;

/// The whole document. `title` and `main` are of [`super::live_title`] and [`super::live_main`], which is
/// markup already; `nonce` (letters and digits) is what lets style and script of this document, and no
/// other, be used.
pub fn live_page(title: &str, main: &str, nonce: &str) -> String {
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
                noscript { meta http-equiv="refresh" content=(AGAIN); }
            }
            body {
                main { (PreEscaped(main)) }
                footer {
                    p #link role="status" data-without=(AGAIN) {
                        "Without scripts this page is loaded anew every " (AGAIN) " s."
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
