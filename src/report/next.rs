//! What must follow now, as text and as JSON.

use super::check::card;
use super::json::json;
use super::layout::{clamp, heading, list, paragraph, table};
use super::status::now_text;
use super::words::{self, NONE};
use crate::ready::{Changed, Figure, Layer, Located, NEVER, Next, Stage, Step, StepState, age};
use crate::text::{plain, short};
use crate::units::percent;

/// The stage, what to do now, every step with its evidence, bytes by layer with their sources, and
/// what else changed; at most `width` characters wide (held between 60 and 110).
pub fn next_text(next: &Next, width: usize) -> String {
    let width = clamp(width);
    let banner = words::banner(next.simulated);
    let name = plain(&next.study);
    let mut text = heading(&short(&format!("{banner}What follows: {name}"), width));
    text += &paragraph(width, "", next.stage.sentence());
    text += &now_text(next, width);
    text += &format!("\n{banner}Steps\n");
    text.extend(next.steps.iter().map(|step| entry(step, next, width)));
    text += &layers(&next.layers, width, banner);
    let changed: Vec<String> = next.changed.iter().map(changed).collect();
    text += &list(
        width,
        &format!("{banner}What else changed (before → during → after)"),
        &changed,
    );
    let located: Vec<String> = next.located.iter().map(located).collect();
    text += &list(
        width,
        &format!("{banner}What the place of the data explains"),
        &located,
    );
    let during = match next.stage {
        Stage::During => list(width, "Never, while it reshapes", &card(&NEVER)),
        _ => String::new(),
    };
    text + &during
}

fn entry(step: &Step, next: &Next, width: usize) -> String {
    let when = match (step.at, step.state) {
        (None, _) => String::new(),
        (Some(at), StepState::Done) => format!(" ({})", age(next.now, at)),
        (Some(at), _) => format!(" (due {})", at.strftime("%Y-%m-%d")),
    };
    let title = format!("{} ({})", step.title, step.step);
    let first = format!("  {:<8}", step.state.word());
    let evidence = format!("{}{when}", plain(&step.evidence));
    paragraph(width, &first, &title) + &paragraph(width, &" ".repeat(10), &evidence)
}

fn layers(layers: &[Layer], width: usize, banner: &str) -> String {
    let cell = |figure: &Option<Figure>| {
        figure.as_ref().map_or(NONE.to_owned(), |figure| {
            format!("{}\n{}", figure.bytes.si(), figure.bytes.iec())
        })
    };
    let row = |layer: &Layer| {
        let [expected, grown] = &layer.expected;
        let [before, after] = &layer.seen;
        let name = layer.name.to_owned();
        vec![name, cell(expected), cell(before), cell(grown), cell(after)]
    };
    let head = [
        "layer",
        "expected before",
        "seen before",
        "expected after",
        "seen after",
    ];
    let sources: Vec<String> = layers.iter().map(sources).collect();
    format!("\n{banner}Bytes by layer\n")
        + &table(width, 1, &head, layers.iter().map(row))
        + &list(width, "Where these come from", &sources)
}

fn sources(layer: &Layer) -> String {
    let told = |figures: &[Option<Figure>; 2]| {
        let mut sources: Vec<String> = figures
            .iter()
            .flatten()
            .map(|figure| plain(&figure.source))
            .collect();
        sources.dedup();
        match sources.is_empty() {
            true => "nothing tells".to_owned(),
            false => sources.join(", then "),
        }
    };
    format!(
        "{}: expected: {}; seen: {}",
        layer.name,
        told(&layer.expected),
        told(&layer.seen)
    )
}

fn changed(changed: &Changed) -> String {
    let values = changed.values.each_ref().map(|values| match &values[..] {
        [] => NONE.to_owned(),
        values => plain(&values.join(", ")),
    });
    format!("{}: {}", plain(&changed.fact), values.join(" → "))
}

fn located(located: &Located) -> String {
    let split = &located.split;
    format!(
        "{}: {} in all; {} of it by the move from {} to {} of the device, if drives are {} times as \
         fast outside as inside; {} is left for drives, settings and noise",
        plain(&located.workload),
        words::change(split.ratio),
        words::change(split.location),
        percent(split.before.mean, 0),
        percent(split.later.mean, 0),
        words::grouped(1.0 / split.inner),
        words::change(split.rest)
    )
}

/// The same as JSON.
pub fn next_json(next: &Next) -> String {
    json(next)
}
