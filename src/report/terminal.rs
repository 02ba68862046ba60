//! A comparison as text for a terminal.

use super::grades::Judgements;
use super::layout::{clamp, heading, list, paragraph, table};
use super::verdict;
use super::words::{self, NONE};
use crate::chart::{self, Family};
use crate::compare::{Comparison, Contrast, Group, Row, Verdict};
use crate::plan::Phase;
use crate::text::short;

/// Verdicts in words, then rates, ratios and latencies in tables at most `width` characters wide
/// (held between 60 and 110), then what a reader should know. A void phase shows no figure that could
/// be taken for a speed. Text from outside carries no control characters.
pub fn comparison_text(comparison: &Comparison, judgements: &Judgements, width: usize) -> String {
    let width = clamp(width);
    let banner = words::banner(comparison.simulated);
    let mut text = heading(&short(
        &format!("{banner}Study {}", comparison.study),
        width,
    ));
    let lacking = words::lacking(comparison);
    if let Some(lacking) = &lacking {
        text += &paragraph(width, "", lacking);
    }
    let (compared, alone): (Vec<&Row>, Vec<&Row>) = comparison
        .workloads
        .iter()
        .partition(|row| contrasts(row).next().is_some());
    for row in &compared {
        text += &verdicts(comparison, judgements, row, width);
    }
    // Where nothing is compared, what is lacking has been said.
    if !alone.is_empty() && (lacking.is_none() || !compared.is_empty()) {
        let names: Vec<String> = alone.into_iter().map(name).collect();
        text += "\n";
        text += &paragraph(
            width,
            "",
            &format!("Nothing to compare yet: {}", names.join(", ")),
        );
    }
    if comparison.workloads.is_empty() {
        return text + &list(width, "Left out", &words::excluded(comparison));
    }
    text += &rates(comparison, width);
    text += &ratios(comparison, width);
    text += &latencies(comparison, width);
    let remarks = words::cautions(comparison, judgements);
    let limits = words::limits(comparison, judgements);
    text += &list(width, "What limits", &limits);
    text += &list(width, "To know before trusting these", &remarks);
    text + &list(width, "Left out", &words::excluded(comparison))
}

/// The contrasts of a row with their phases, the last phase first.
fn contrasts(row: &Row) -> impl Iterator<Item = (Phase, &Contrast)> {
    [
        (Phase::After, row.after_before.as_ref()),
        (Phase::During, row.during_before.as_ref()),
    ]
    .into_iter()
    .filter_map(|(phase, contrast)| Some((phase, contrast?)))
}

fn verdicts(comparison: &Comparison, judgements: &Judgements, row: &Row, width: usize) -> String {
    let mut text = format!("\n{}\n", short(&row.workload, width));
    let rules = &comparison.rules;
    for (phase, contrast) in contrasts(row) {
        let words = verdict::verdict(row, contrast, phase, rules, judgements);
        text += &paragraph(width, &format!("  {:<8}", phase.word()), &words);
    }
    text
}

fn title(comparison: &Comparison, text: &str) -> String {
    format!("\n{}{text}\n", words::banner(comparison.simulated))
}

/// The name as a table shows it.
fn name(row: &Row) -> String {
    short(&row.workload, 40)
}

fn rates(comparison: &Comparison, width: usize) -> String {
    let cell = |row: &Row, group: Option<&Group>| {
        group.map_or(NONE.to_owned(), |group| {
            let grade = chart::letter(group.grade);
            let trials = words::count(group.trials.len(), "trial");
            match group.void {
                Some(void) => {
                    let cached = chart::cached(void.cached);
                    let why = cached.unwrap_or_else(|| "not the drives' speed".to_owned());
                    format!("void\n{why}\n{grade}, {trials}")
                }
                None => format!(
                    "{}\n{grade}, {}, {trials}",
                    words::rate(Family::of(row), group.median_rate, group.block_bytes),
                    words::spread(group.spread)
                ),
            }
        })
    };
    let rows = comparison.workloads.iter().map(|row| {
        let phases = Phase::ALL.map(|phase| cell(row, row.group(phase)));
        std::iter::once(name(row)).chain(phases).collect()
    });
    let head = ["workload", "before", "during", "after"];
    title(
        comparison,
        "Median rate; below it grade, spread (deviation over mean) and trials",
    ) + &table(width, 1, &head, rows)
}

fn ratios(comparison: &Comparison, width: usize) -> String {
    let cells = |contrast: Option<&Contrast>| match contrast {
        Some(contrast) if matches!(contrast.verdict, Verdict::Void { .. }) => {
            ["void".to_owned(), NONE.to_owned()]
        }
        Some(contrast) => [
            format!("{:.3}", contrast.ratio),
            contrast.welch.map_or(NONE.to_owned(), |welch| {
                format!("{:.3} to {:.3}", welch.low, welch.high)
            }),
        ],
        None => [NONE.to_owned(), NONE.to_owned()],
    };
    let any = |row: &&Row| contrasts(row).next().is_some();
    let rows: Vec<Vec<String>> = comparison
        .workloads
        .iter()
        .filter(any)
        .map(|row| {
            let [during, during_interval] = cells(row.during_before.as_ref());
            let [after, after_interval] = cells(row.after_before.as_ref());
            vec![name(row), during, during_interval, after, after_interval]
        })
        .collect();
    if rows.is_empty() {
        return String::new();
    }
    let confidence = words::confidence(&comparison.rules);
    let head = ["workload", "during", "interval", "after", "interval"];
    let heading =
        format!("Rate over that before, with its {confidence} interval (geometric means)");
    title(comparison, &heading) + &table(width, 1, &head, rows)
}

fn latencies(comparison: &Comparison, width: usize) -> String {
    let mut dashes = false;
    let mut rows = Vec::new();
    for row in &comparison.workloads {
        for group in row.groups.iter().flatten() {
            let percentiles = [group.p50_ns, group.p95_ns, group.p99_ns];
            let grade = chart::letter(group.grade);
            let mut cells = vec![name(row), format!("{} {grade}", group.phase)];
            if group.void.is_some() {
                cells.extend(["void"; 4].map(str::to_owned));
            } else {
                dashes |= percentiles.contains(&None);
                cells.extend(percentiles.map(words::latency));
                cells.push(words::latency(group.max_ns.map(|ns| ns as f64)));
            }
            rows.push(cells);
        }
    }
    // A name stands once, at its first phase.
    for index in (1..rows.len()).rev() {
        if rows[index][0] == rows[index - 1][0] {
            rows[index][0].clear();
        }
    }
    let head = ["workload", "phase", "median", "95th", "99th", "worst"];
    let mut text = title(
        comparison,
        "Latency: median over the trials of each percentile",
    ) + &table(width, 2, &head, rows);
    if dashes {
        text += &paragraph(width, "", words::FEW_OPERATIONS);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::super::testing::{self, Scene};
    use super::*;
    use crate::compare::{Rules, compare};
    use crate::judge::judge_all;
    use crate::text::plain;

    fn text(scene: Scene) -> String {
        let study = testing::study(scene);
        let judgements = judge_all(&study);
        let comparison = compare(&study, &judgements, Rules::of(&study));
        comparison_text(&comparison, &judgements, 80)
    }

    /// Whoever waits for blocks here and there counts them; whoever copies counts bytes.
    #[test]
    fn random_work_is_told_in_operations_and_work_in_order_in_bytes() {
        let text = text(Scene::Full);
        let table = text.split("Median rate").nth(1).unwrap();
        let table = table.split("\n\n").next().unwrap();
        let of = |name: &str| {
            let row = table
                .lines()
                .find(|line| line.split_whitespace().next() == Some(name));
            row.unwrap_or_else(|| panic!("{name} in {table}"))
        };
        for name in ["small-read", "small-read-deep", "small-write-deep", "mixed"] {
            let row = of(name);
            assert_eq!(row.matches(" op/s").count(), 3, "{row}");
            assert!(!row.contains("B/s"), "{row}");
        }
        for name in ["large-read", "large-write"] {
            let row = of(name);
            assert_eq!(row.matches("B/s").count(), 3, "{row}");
            assert!(!row.contains("op/s"), "{row}");
        }
        // What limits speaks of them alike.
        let limits = text.split("What limits").nth(1).unwrap();
        let limits = limits.split("\n\n").next().unwrap();
        let latency = limits
            .split("· ")
            .find(|told| told.contains("limited by latency"));
        let latency = latency.unwrap_or_else(|| panic!("{limits}"));
        assert!(
            latency.contains("op/s") && !latency.contains("B/s"),
            "{latency}"
        );
    }

    #[test]
    fn it_fits_eighty_columns_and_says_the_verdict() {
        for scene in testing::SCENES {
            let text = text(scene);
            for line in text.lines() {
                assert!(line.chars().count() <= 80, "{scene:?}: {line}");
            }
        }
        let text = text(Scene::Full);
        assert!(text.contains("after   gain of "), "{text}");
        assert!(text.contains("during  loss of "), "{text}");
        assert!(text.contains("the 99th 1,000"), "{text}");
    }

    #[test]
    fn made_up_results_say_so_first_and_others_never() {
        let made_up = text(Scene::Simulated);
        assert!(made_up.starts_with("SIMULATED "), "{made_up}");
        assert_eq!(made_up.matches("SIMULATED ").count(), 4, "{made_up}");
        assert!(!text(Scene::Full).contains("SIMULATED"));
    }

    #[test]
    fn names_from_outside_bring_no_control_characters() {
        let text = text(Scene::Hostile);
        assert!(
            text.chars()
                .all(|c| c == '\n' || !plain(&c.to_string()).is_empty() || c == ' '),
            "{text:?}"
        );
    }
}
