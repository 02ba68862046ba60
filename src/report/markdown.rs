//! The report for a ticket: the verdict, the ten lines, a row a workload, in Markdown.
//!
//! Plain CommonMark with tables, no markup of a page and no pictures, so that it is the same wherever it
//! is pasted.

use jiff::Timestamp;

use super::grades::Judgements;
use super::study::moment;
use super::ten::{Line, Ten};
use super::words::{self, NONE};
use super::{history, verdict};
use crate::compare::{Account, Comparison, Contrast, Row, Verdict};
use crate::plan::Phase;
use crate::study::Study;

/// The report of `study` as Markdown; `now` is the moment that it names.
pub fn markdown(
    study: &Study,
    comparison: &Comparison,
    judgements: &Judgements,
    account: &Account,
    now: Timestamp,
) -> String {
    let ten = Ten::of(study, comparison, judgements, account, now);
    let banner = match ten.simulated {
        true => "**SIMULATED** ",
        false => "",
    };
    let mut text = format!("# {banner}{}\n\n", escaped(&study.name));
    if let Some(pool) = history::pool(study) {
        text += &format!("{}\n\n", escaped(&pool));
    }
    text += &format!("**{}**\n\n", escaped(&ten.verdict));
    text += &format!("## {banner}The expansion in ten lines\n\n");
    text += "| | | number | against | how sure | grade |\n| ---: | --- | --- | --- | --- | --- |\n";
    text.extend((1..).zip(&ten.lines).map(|(number, of)| line(number, of)));
    if !comparison.workloads.is_empty() {
        text += &format!("\n## {banner}What changed, by workload\n\n");
        text += "| workload | before | during | after | after ÷ before |\n| --- | ---: | ---: | ---: | --- |\n";
        let rows = comparison.workloads.iter();
        text.extend(rows.map(|row| workload(row, comparison, judgements)));
    }
    let cautions = words::cautions(comparison, judgements);
    let excluded = words::excluded(comparison);
    if !cautions.is_empty() || !excluded.is_empty() {
        text += &format!("\n## {banner}To know before trusting it\n\n");
        let all = cautions.iter().chain(&excluded);
        text.extend(all.map(|told| format!("- {}\n", escaped(told))));
    }
    text + &format!(
        "\nRates are medians, with the worst grade: A verified at the wire or the drives, B no cache found, U not looked at, \
         C suspect, X rejected; C and X are void. Made by poolproof {} on {}.\n",
        env!("CARGO_PKG_VERSION"),
        moment(now)
    )
}

fn line(number: usize, of: &Line) -> String {
    let standing = of
        .standing
        .word()
        .map_or(String::new(), |word| format!("**{word}:** "));
    let against = [of.comparison.as_str(), of.plain.as_str()];
    let against: Vec<String> = against
        .into_iter()
        .filter(|text| !text.is_empty())
        .map(escaped)
        .collect();
    let sure = match of.why_sure.as_str() {
        "" => of.sure.to_owned(),
        why => format!("{}, {why}", of.sure),
    };
    format!(
        "| {number} | {} | {standing}{} | {} | {} | {} |\n",
        of.title,
        escaped(&of.number),
        against.join(". "),
        escaped(&sure),
        of.grade.unwrap_or(NONE)
    )
}

fn workload(row: &Row, comparison: &Comparison, judgements: &Judgements) -> String {
    let cell = |phase: Phase| {
        row.group(phase).map_or(NONE.to_owned(), |group| {
            escaped(&words::graded_rate(row, group))
        })
    };
    let told = |contrast: &Contrast| {
        let rules = &comparison.rules;
        let told = verdict::verdict(row, contrast, Phase::After, rules, judgements);
        match contrast.verdict {
            Verdict::Void { .. } => format!("**{}**", escaped(&told)),
            _ => escaped(&told),
        }
    };
    let [before, during, after] = Phase::ALL.map(cell);
    format!(
        "| {} | {before} | {during} | {after} | {} |\n",
        escaped(&row.workload),
        row.after_before.as_ref().map_or(NONE.to_owned(), told)
    )
}

/// One line of text without anything that Markdown, or HTML in it, gives a meaning (CommonMark 0.31,
/// 2.4: any ASCII punctuation may be escaped by a backslash). Addresses are broken, so that none becomes a
/// link by itself.
fn escaped(text: &str) -> String {
    let mut safe = String::new();
    for c in crate::text::plain(text).chars() {
        if "\\`*_{}[]<>#|~!&@$".contains(c) {
            safe.push('\\');
        }
        safe.push(c);
    }
    safe.replace("://", ":\\/\\/")
}

#[cfg(test)]
mod tests {
    use super::super::testing::Scene;
    use super::super::tests::{generated, rendered};
    use super::*;

    fn of(scene: Scene) -> String {
        let all = rendered(scene);
        markdown(
            &all.study,
            &all.comparison,
            &all.judgements,
            &all.account,
            generated(),
        )
    }

    #[test]
    fn it_holds_the_verdict_ten_lines_and_a_row_a_workload() {
        let text = of(Scene::Full);
        let rows = text.lines().filter(|line| line.starts_with("| "));
        assert_eq!(rows.count(), 2 + 10 + 2 + 6, "{text}");
        for line in text.lines().filter(|line| line.starts_with("| ")) {
            let bars = line.replace("\\|", "").matches('|').count();
            assert!(bars == 6 || bars == 7, "{line}");
        }
        assert!(!text.contains("SIMULATED") && of(Scene::Simulated).starts_with("# **SIMULATED**"));
        assert!(of(Scene::Warm).contains("**void:"), "{}", of(Scene::Warm));
        assert!(of(Scene::Empty).contains("Next: measure"));
    }

    #[test]
    fn text_from_outside_has_no_meaning_in_it() {
        let text = of(Scene::Hostile);
        assert!(text.contains("\\<script\\>"), "{text}");
        assert!(!text.replace("\\<", "").contains('<'), "{text}");
        assert!(!text.contains('\u{1b}') && !text.contains('\u{202E}'));
        assert_eq!(
            escaped("[x](http://a)|*b*\n# c"),
            "\\[x\\](http:\\/\\/a)\\|\\*b\\* \\# c"
        );
    }
}
