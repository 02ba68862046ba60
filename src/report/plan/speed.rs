//! The speed of a plan: who says what, and who will see it.

use super::super::layout::paragraph;
use super::words::{speed, times};
use crate::pool::{Expected, Outlook, Promise, Range};
use crate::units::{self, Rate};

/// A block for each kind of work: the band with its models, the move to other tracks, and two lines,
/// what the pool can and what one user sees.
pub(super) fn speeds(outlook: &Outlook, width: usize) -> String {
    let mut text = paragraph(
        width,
        "",
        "Bands run from the lowest to the highest model; a gain is taken within each model, so the lowest one \
         need not stand beside the lowest speeds. What the pool can is reckoned with the data \
         that it holds now, spread over all drives afterwards and so moved to faster tracks.",
    );
    for expected in &outlook.speed {
        text += &block(expected, outlook.payload.is_finite(), width);
    }
    let link = match outlook.payload.is_finite() {
        true => format!(
            "The link carries {} of payload (TCP over IPv4 with timestamps); file sharing takes some more.",
            Rate(outlook.payload)
        ),
        false => "The share is on this machine: no link stands between.".to_owned(),
    };
    let caches = "Caches can make anything look faster than the drives; they are not in this.";
    text + "\n" + &paragraph(width, "", &format!("{link} {caches}"))
}

fn block(expected: &Expected, link: bool, width: usize) -> String {
    let line = |name: &str, text: &str| paragraph(width, &format!("  {name:<34}"), text);
    let mut text = format!("\n{}\n", expected.work.word());
    text += &line("gain by the drives", &band(expected));
    let pair = |before: Range, after: Range| {
        format!("{} → {}", range(expected, before), range(expected, after))
    };
    text += &line(
        "the pool can",
        &pair(expected.pool_before, expected.pool_after),
    );
    let user = match expected.link_bound() {
        true => format!(
            "{}, as before: the link is full",
            range(expected, expected.user_after)
        ),
        false => pair(expected.user_before, expected.user_after),
    };
    let seer = match link {
        true => "one user on this link will see",
        false => "one user on this machine will see",
    };
    text + &line(seer, &user)
}

fn range(expected: &Expected, range: Range) -> String {
    let large = expected.work.large();
    let (low, high) = (speed(large, range.low), speed(large, range.high));
    units::range(&low, &high)
}

/// `×1.25 (Chen et al. 1994) to ×1.50 (OSTEP ch. 38); old data, moved outwards, a further ×1.08`. Random
/// operations gain by another way: not by the rate of the tracks, but by shorter seeks.
fn band(expected: &Expected) -> String {
    let by = |wanted: f64| {
        let near = |promise: &&Promise| (promise.ratio() - wanted).abs() < 1e-9;
        let mut names: Vec<String> = Vec::new();
        for promise in expected.promises.iter().filter(near) {
            let idle = if promise.idling {
                ", some drives idle"
            } else {
                ""
            };
            names.push(format!("{}{idle}", promise.model.title()));
        }
        names.first().cloned().unwrap_or_default()
    };
    let Range { low, high } = expected.ratio;
    let drives = match times(low, high) {
        one if !one.contains("to") => one,
        _ => format!(
            "{} ({}) to {} ({})",
            times(low, low),
            by(low),
            times(high, high),
            by(high)
        ),
    };
    // Where the same data keeps its place, nothing is said of it.
    match (expected.location - 1.0).abs() < 0.005 {
        true => drives,
        false => format!(
            "{drives}; old data, {}, a further {}",
            match expected.work.large() {
                true => "moved outwards",
                false => "closer together, by shorter seeks",
            },
            times(expected.location, expected.location)
        ),
    }
}
