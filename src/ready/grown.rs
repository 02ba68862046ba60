//! Whether the file system that the share shows has grown with the pool.

use super::{Recorded, Sides};
use crate::facts::Mount;
use crate::pool::Level;
use crate::reshape::Source;
use crate::study::Study;
use crate::units::percent;

/// What the sizes tell.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Grown {
    /// As large as the geometry lets expect; in words.
    Yes(String),
    /// Larger by as much as the drives' raw bytes and less than the geometry lets expect, on a file
    /// system that is not known to count raw bytes; in words.
    Raw(String),
    /// Larger, and by less than it; in words.
    Partly(String),
    /// The old size still; in words.
    No(String),
    /// Nothing tells; why.
    Unknown(&'static str),
}

/// From this part of the expected growth on, it is there: file systems keep some room for
/// themselves.
const THERE: f64 = 0.9;
/// Below this part of it, nothing has grown.
const NOTHING: f64 = 0.1;

/// Compares the size of the file system after the expansion with that before it.
pub(super) fn file_system(study: &Study, sides: &Sides<'_>) -> Grown {
    let (Some(old), Some(new)) = (sides.before, sides.after) else {
        return Grown::Unknown("the size of the share is not known from both before and after");
    };
    let total = |recorded: &Recorded<'_>| {
        let room = recorded.facts.space.as_ref()?;
        (room.total.0 > 0).then_some(room.total)
    };
    let (Some(was), Some(is)) = (total(&old), total(&new)) else {
        return Grown::Unknown("the share did not tell its size");
    };
    let Some(expected) = growth(study) else {
        return Grown::Unknown("the pool was not described, so no growth can be expected");
    };
    let told = format!(
        "the share shows {} {}, {} {}; the geometry lets expect {}",
        is.both(),
        new.when(),
        was.both(),
        old.when(),
        match expected > 1.0 {
            true => format!("+{}", percent(expected - 1.0, 0)),
            false => "no change".to_owned(),
        }
    );
    if expected <= 1.0 {
        return Grown::Yes(told);
    }
    let grown = is.0 as f64 / was.0 as f64 - 1.0;
    let raw = raw_growth(study).filter(|raw| *raw > 1.0 && grown / (raw - 1.0) >= THERE);
    match (grown / (expected - 1.0), raw) {
        (part, _) if part >= THERE => Grown::Yes(told),
        (_, Some(raw)) => {
            let raw = percent(raw - 1.0, 0);
            match study.counts_parity(new.facts) {
                true => Grown::Yes(format!(
                    "{told} of data; btrfs shows raw bytes, of which +{raw} is the whole growth"
                )),
                false => Grown::Raw(format!("{told} of data and +{raw} of raw bytes")),
            }
        }
        (part, None) if part >= NOTHING => Grown::Partly(told),
        (_, None) => Grown::No(told),
    }
}

/// Capacity of the pool after over before.
fn growth(study: &Study) -> Option<f64> {
    let expansion = study.config.pool.as_ref()?;
    let after = expansion.after().ok()?;
    Some(f64::from(after.data_drives()) / f64::from(expansion.before().data_drives().max(1)))
}

/// Drives of the pool after over before: what its raw bytes grow by.
fn raw_growth(study: &Study) -> Option<f64> {
    let expansion = study.config.pool.as_ref()?;
    let after = expansion.after().ok()?;
    Some(f64::from(after.drives) / f64::from(expansion.before().drives.max(1)))
}

/// What the mount tells of the stripe the file system lays its data out for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Stripe {
    /// There is none to keep in line; why.
    None(&'static str),
    /// It follows the new number of data drives; in words.
    New(String),
    /// It is still that of the old pool; in words.
    Old(String),
    /// The mount does not tell.
    Unknown,
}

/// Compares the stripe in the mount's options (`stripe=` of ext4, `swidth=` of XFS) after the
/// expansion with that before it.
pub(super) fn stripe(study: &Study, sides: &Sides<'_>) -> Stripe {
    let Some(expansion) = &study.config.pool else {
        return Stripe::Unknown;
    };
    if !matches!(expansion.level, Level::Raid5 | Level::Raid6) {
        return Stripe::None("no parity, no stripe to keep in line");
    }
    if lays_out_itself(study, sides) {
        return Stripe::None(
            "it does not apply: btrfs and ZFS lay their stripes out themselves, and have no hints to set",
        );
    }
    let found = sides.before.zip(sides.after).and_then(|(old, new)| {
        let grown = expansion.after().ok()?;
        let width = |recorded: &Recorded<'_>| width(recorded.facts.mount.as_ref()?);
        let (name, was) = width(&old)?;
        let (other, is) = width(&new)?;
        let data = u64::from(expansion.before().data_drives());
        // A width that is no multiple of the data drives was never theirs.
        let ours = name == other && was > 0 && was.is_multiple_of(data);
        let due = was / data.max(1) * u64::from(grown.data_drives());
        ours.then_some((name, was, is, due, new.when()))
    });
    match found {
        Some((name, _, is, due, when)) if is == due => Stripe::New(format!("{name}={is} {when}")),
        Some((name, was, is, due, when)) if is == was => Stripe::Old(format!(
            "{name}={is} {when}, as before; the grown pool's would be {due}"
        )),
        _ => Stripe::Unknown,
    }
}

/// Whether the file system is the pool's own layout, too: by its mount, or by what tells the progress of
/// the pool where the mount is another machine's.
fn lays_out_itself(study: &Study, sides: &Sides<'_>) -> bool {
    let own = |recorded: Recorded<'_>| {
        let mount = recorded.facts.mount.as_ref();
        mount.is_some_and(|mount| matches!(mount.kind.as_str(), "btrfs" | "zfs"))
    };
    let source = study
        .config
        .reshape
        .as_ref()
        .map(|following| following.source);
    sides.before.is_some_and(own)
        || sides.after.is_some_and(own)
        || matches!(source, Some(Source::Btrfs | Source::Raidz))
}

fn width(mount: &Mount) -> Option<(&'static str, u64)> {
    let value = |name: &'static str| {
        let option = mount.options.iter().find_map(|option| {
            let (own, value) = option.split_once('=')?;
            (own == name).then_some(value)
        })?;
        Some((name, option.parse().ok()?))
    };
    value("stripe").or_else(|| value("swidth"))
}
