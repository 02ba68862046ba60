//! The share, the link to it, and its room.

use super::{Context, Found};
use crate::facts::{Link, Room, server};
use crate::plan::keep_free;
use crate::pool::{IpVersion, payload_rate};
use crate::ready::{Activity, State};
use crate::study::Mounted;
use crate::units::percent;

/// A fill level that moved by more than this since the baseline moved the data's place with it.
const FILL_MOVED: f64 = 0.05;
/// Fuller than this, file systems slow down (common practice: keep 10 to 20 % free; no source).
const FULL: f64 = 0.8;

pub(super) fn share(context: &Context<'_>) -> Found {
    const MOUNT: &str = "mount the share as it was, then check again";
    let path = &context.study.config.share;
    let Some(mount) = &context.look.facts.mount else {
        return context.now(
            State::No,
            format!("nothing is known to be mounted at {path}"),
            MOUNT,
        );
    };
    let seen = Mounted::from(mount);
    if mount.options.iter().any(|option| option == "ro") {
        return context.now(
            State::No,
            format!("{seen}, read-only"),
            "find out why: file systems turn read-only after errors",
        );
    }
    if context.look.data_found == Some(false) {
        let why = format!("the test data that was laid down is not on {seen}");
        return context.now(State::No, why, MOUNT);
    }
    let made = context.study.config.mount.clone();
    let recorded = made
        .map(|mounted| (mounted, "when the study was made".to_owned()))
        .or_else(|| {
            let recorded = context.baseline?;
            let mount = recorded.facts.mount.as_ref()?;
            Some((Mounted::from(mount), recorded.when()))
        });
    match recorded {
        Some((old, when)) if !old.is_same(&seen) => {
            context.now(State::No, format!("{seen}; {when} it was {old}"), MOUNT)
        }
        _ if mount.point == "/" => context.now(
            State::Mind,
            format!("{seen}: the share is a folder of the root file system"),
            "make sure that this is the share, and mounted",
        ),
        Some((_, when)) => context.now(State::Holds, format!("{seen}, as {when}"), ""),
        None => context.now(
            State::Holds,
            format!("{seen}; the first sitting records it"),
            "",
        ),
    }
}

pub(super) fn running(context: &Context<'_>) -> Found {
    match &context.look.activity {
        Activity::Quiet(what) => context.now(State::Holds, what, ""),
        Activity::Running(what) => context.now(
            State::NotYet,
            what,
            "wait until it has ended, then check again",
        ),
        Activity::NotSeen(why) => Found(
            State::Unknown,
            why.clone(),
            None,
            "look at the server's own status and attest `idle`".into(),
        ),
    }
}

pub(super) fn link(context: &Context<'_>) -> Found {
    const STATE: &str = "state it as link_gigabits in study.toml";
    let facts = &context.look.facts;
    let local = facts
        .mount
        .as_ref()
        .is_some_and(|mount| server(mount).is_none());
    if local && !facts.simulated {
        return context.now(State::Holds, "the share is local: no link between", "");
    }
    let own = |links: &[Link]| {
        let wanted = context.look.interface.as_deref();
        let mut found = links
            .iter()
            .filter(|link| wanted.is_none_or(|name| link.name == name));
        // Without a name, one link is the link, and two are a guess.
        found.next().filter(|_| found.next().is_none()).cloned()
    };
    let Some(link) = own(&facts.links) else {
        return context.now(
            State::Unknown,
            "which link leads to the server is not known",
            STATE,
        );
    };
    let stated = context.study.config.link_gigabits.map(|rate| rate * 1e9);
    let Some(bits) = stated.or(link.bits_per_second.map(|bits| bits as f64)) else {
        let evidence = format!(
            "MTU {}; {} does not tell its line rate",
            link.mtu, link.name
        );
        return context.now(State::Unknown, evidence, STATE);
    };
    let was = context.baseline.and_then(|recorded| {
        let old = own(&recorded.facts.links)?;
        let same = (old.mtu, old.bits_per_second) == (link.mtu, link.bits_per_second);
        (!same).then(|| format!("{} {}", recorded.when(), told(&old)))
    });
    match was {
        Some(was) => context.now(
            State::NotYet,
            format!("{}, and {was}", told(&link)),
            "put the link back, or measure the baseline anew",
        ),
        None => {
            let carries = payload_rate(bits as u64, link.mtu, IpVersion::V4, true, false);
            let gigabits = bits / 1e9;
            let evidence = format!(
                "{}: {gigabits} Gb/s, MTU {}; carries at most {carries}, whatever the pool can do",
                link.name, link.mtu
            );
            context.now(State::Holds, evidence, "")
        }
    }
}

fn told(link: &Link) -> String {
    let rate = link
        .bits_per_second
        .map_or("no told rate".to_owned(), |bits| {
            format!("{} Gb/s", bits as f64 / 1e9)
        });
    format!("{} has {rate} and MTU {}", link.name, link.mtu)
}

pub(super) fn free_space(context: &Context<'_>) -> Found {
    let Some(room) = context.room() else {
        return context.now(State::Unknown, "the share does not tell its room", "");
    };
    let evidence = format!(
        "{} of {} free ({})",
        room.available.iec(),
        room.total.iec(),
        percent(1.0 - filled(room), 0)
    );
    match () {
        () if room.available < keep_free(room.total) => context.now(
            State::NotYet,
            evidence,
            "free some space: nothing more is laid down, and file systems slow down when full",
        ),
        () if filled(room) > FULL => context.now(
            State::Mind,
            evidence,
            "a pool this full is slow for that alone: part of a gain will be emptiness",
        ),
        () => context.now(State::Holds, evidence, ""),
    }
}

fn filled(room: &Room) -> f64 {
    room.total.saturating_sub(room.available).0 as f64 / room.total.0 as f64
}

pub(super) fn fill_level(context: &Context<'_>) -> Found {
    let Some(recorded) = context.baseline else {
        return context.no_baseline();
    };
    let old = recorded
        .facts
        .space
        .as_ref()
        .filter(|room| room.total.0 > 0);
    let (Some(room), Some(old)) = (context.room(), old) else {
        return context.now(State::Unknown, "the share did not tell its room", "");
    };
    let (was, is) = (filled(old), filled(room));
    let own = context.study.data.total();
    let part = own.0 as f64 / room.total.0 as f64;
    // The facts of the first sitting are taken before its test data is laid down, those of others
    // after that.
    let moved = (is - was).abs();
    let others = moved.min((is - part - was).abs());
    let evidence = format!(
        "{} full, {} {}{}",
        percent(is, 0),
        percent(was, 0),
        recorded.when(),
        match others < moved {
            true => format!("; {} of it is this study's own test data", own.iec()),
            false => String::new(),
        }
    );
    if others > FILL_MOVED {
        let advice = "measure once more before: a pool's speed moves with its fill level";
        return context.now(State::NotYet, evidence, advice);
    }
    context.now(State::Holds, evidence, "")
}
