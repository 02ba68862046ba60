//! The share, the link to it, and its room.

use super::{Context, Found};
use crate::facts::{Link, server};
use crate::plan::{Phase, keep_free};
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
        Activity::Partly(what) => context.now(
            State::Unknown,
            what,
            "look at the server's own status and attest `idle`",
        ),
        Activity::NotSeen(why) => Found(
            State::Unknown,
            why.clone(),
            None,
            "look at the server's own status and attest `idle`, or let study.toml say under [reshape] how it is \
             read"
                .into(),
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
    let facts = &context.look.facts;
    let phase = context.phase();
    let all = context.study.data_space(facts, phase).unwrap_or(room.total);
    let filled = context.study.filled(facts, phase).unwrap_or(0.0);
    let evidence = format!(
        "{} of {} free ({}{})",
        room.available.iec(),
        all.iec(),
        percent(1.0 - filled, 0),
        match context.study.counts_parity(facts) {
            true => ", parity taken off",
            false => "",
        }
    );
    match () {
        () if room.available < keep_free(all) => context.now(
            State::NotYet,
            evidence,
            "free some space: nothing more is laid down, and file systems slow down when full",
        ),
        () if filled > FULL => context.now(
            State::Mind,
            evidence,
            "a pool this full is slow for that alone: part of a gain will be emptiness",
        ),
        () => context.now(State::Holds, evidence, ""),
    }
}

pub(super) fn fill_level(context: &Context<'_>) -> Found {
    let Some(recorded) = context.baseline else {
        return context.no_baseline();
    };
    let (study, look) = (context.study, &context.look.facts);
    let was = study.filled(recorded.facts, Phase::Before);
    let is = study.filled(look, context.phase());
    let (Some(was), Some(is)) = (was, is) else {
        return context.now(State::Unknown, "the share did not tell its room", "");
    };
    let own = study.data.total();
    let all = study.data_space(look, context.phase()).unwrap_or_default();
    let part = own.0 as f64 / all.0.max(1) as f64;
    // The facts of a sitting are taken before it lays its test data down, and after earlier ones did: how
    // much of it lay there then, none, all or a part, is not recorded. What of the difference any of these
    // explains is not others' data.
    let moved = is - was;
    let others = match moved {
        moved if moved < 0.0 => -moved,
        moved => (moved - part).max(0.0),
    };
    let evidence = format!(
        "{} full, {} {}{}",
        percent(is, 0),
        percent(was, 0),
        recorded.when(),
        match moved > 0.0 && part > 0.0 {
            true => format!(
                "; {} of it is this study's own test data, which is left aside",
                own.iec()
            ),
            false => String::new(),
        }
    );
    if others > FILL_MOVED {
        let advice = "measure once more before: a pool's speed moves with its fill level";
        return context.now(State::NotYet, evidence, advice);
    }
    context.now(State::Holds, evidence, "")
}
