//! What the program sees itself before the expansion: a rule a line.

use jiff::Timestamp;

use super::{Activity, Line, Look, Recorded, State, days, recorded};
use crate::compare::{Comparison, Rules, compare, diff};
use crate::facts::{Link, Room, server};
use crate::judge::{Grade, cache_size, judge_all, levels};
use crate::plan::{Phase, Set, keep_free};
use crate::pool::{IpVersion, payload_rate};
use crate::study::{State as TrialState, Study};
use crate::units::percent;

/// Trials of a workload that make a baseline; the common practice of five, without a source. A
/// verdict needs three.
pub(super) const ENOUGH: usize = 5;
/// A baseline counts for so many days: fill level and load of a pool move on. Common practice.
const BASELINE_DAYS: i64 = 30;
/// A fill level that moved by more than this since the baseline moved the data's place with it.
const FILL_MOVED: f64 = 0.05;
/// Fuller than this, file systems slow down (common practice: keep 10 to 20 % free; no source).
const FULL: f64 = 0.8;
/// Test data is so many times the largest memory.
const MEMORY_FACTOR: f64 = 2.0;

/// Everything a rule looks at.
struct Context<'a> {
    study: &'a Study,
    look: &'a Look,
    now: Timestamp,
    baseline: Option<Recorded<'a>>,
}

/// What a rule finds: how it came out, the evidence, when that was so, and what to do.
struct Found(State, String, Option<Timestamp>, String);

/// All lines, in the order in which they are best mended.
pub(super) fn lines(study: &Study, look: &Look, now: Timestamp) -> Vec<Line> {
    let context = Context {
        study,
        look,
        now,
        baseline: recorded(study, Phase::Before),
    };
    type Rule = fn(&Context<'_>) -> Found;
    let rules: [(&'static str, &'static str, Rule); 12] = [
        ("not-begun", "the expansion has not begun", not_begun),
        ("share", "the share is mounted and the same", share),
        ("running", "no reshape or scrub is running", running),
        ("link", "the link is as recorded", link),
        ("direct-io", "reads and writes go past caches", direct_io),
        ("free-space", "a tenth of the share is free", free_space),
        ("fill-level", "it is as full as at the baseline", fill_level),
        ("clock", "this machine's clock is set", clock),
        ("memory", "the test data outgrows memory", memory),
        ("fingerprint", "nothing else has changed", fingerprint),
        ("baseline", "the baseline is large enough", baseline),
        ("baseline-age", "the baseline is recent", baseline_age),
    ];
    let line = |(item, title, rule): (&'static str, &'static str, Rule)| {
        let Found(state, evidence, at, advice) = rule(&context);
        Line {
            item,
            title,
            state,
            evidence,
            at,
            advice,
        }
    };
    rules.into_iter().map(line).collect()
}

impl Context<'_> {
    /// What was seen just now.
    fn now(&self, state: State, evidence: impl Into<String>, advice: &str) -> Found {
        Found(state, evidence.into(), Some(self.now), advice.to_owned())
    }

    /// What cannot be told for want of a baseline.
    fn no_baseline(&self) -> Found {
        let advice = "run `poolproof measure STUDY --phase before`";
        Found(
            State::NotYet,
            "nothing was measured before the expansion".into(),
            None,
            advice.into(),
        )
    }

    fn room(&self) -> Option<&Room> {
        self.look
            .facts
            .space
            .as_ref()
            .filter(|room| room.total.0 > 0)
    }
}

/// Nothing of a later phase was measured or recorded.
fn not_begun(context: &Context<'_>) -> Found {
    match super::next::begun(context.study) {
        Some((why, at)) => Found(
            State::No,
            why,
            Some(at),
            "this check is for before; ask `poolproof next STUDY` what follows".into(),
        ),
        None => context.now(State::Holds, "no trial or record of a later time", ""),
    }
}

fn share(context: &Context<'_>) -> Found {
    const MOUNT: &str = "mount the share as it was, then check again";
    let path = &context.study.config.share;
    let Some(mount) = &context.look.facts.mount else {
        return context.now(
            State::No,
            format!("nothing is known to be mounted at {path}"),
            MOUNT,
        );
    };
    let told = format!("{} from {} ({})", mount.point, mount.source, mount.kind);
    if mount.options.iter().any(|option| option == "ro") {
        return context.now(
            State::No,
            format!("{told} is read-only"),
            "find out why: file systems turn read-only after errors",
        );
    }
    if context.look.data_found == Some(false) {
        let why = format!("the test data that was laid down is not on {told}");
        return context.now(State::No, why, MOUNT);
    }
    let before = context.baseline.and_then(|recorded| {
        let mount = recorded.facts.mount.as_ref()?;
        Some((recorded.when(), mount))
    });
    match before {
        Some((when, old))
            if (&old.point, &old.kind, &old.source)
                != (&mount.point, &mount.kind, &mount.source) =>
        {
            let was = format!("{} from {} ({})", old.point, old.source, old.kind);
            let why = format!("{told}, and {when} it was {was}");
            context.now(State::No, why, MOUNT)
        }
        Some((when, _)) => {
            let same = format!("{told}, as {when}");
            context.now(State::Holds, same, "")
        }
        None if mount.point == "/" => context.now(
            State::Mind,
            format!("{told}: the share is a folder of the root file system"),
            "make sure that this is the share, and mounted",
        ),
        None => context.now(
            State::Holds,
            format!("{told}; the first sitting records it"),
            "",
        ),
    }
}

fn running(context: &Context<'_>) -> Found {
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

fn link(context: &Context<'_>) -> Found {
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

fn direct_io(context: &Context<'_>) -> Found {
    let of_baseline = context
        .study
        .trials
        .iter()
        .filter(|trial| trial.phase == Phase::Before && trial.state == TrialState::Complete);
    let (mut all, mut buffered) = (0, 0);
    for trial in of_baseline {
        all += 1;
        buffered += usize::from(!trial.direct);
    }
    let alignment = context.look.facts.mount.as_ref();
    let alignment = alignment.and_then(|mount| mount.direct_io_alignment);
    let at = context.baseline.map(|recorded| recorded.at);
    match (all, buffered, alignment) {
        (0, _, Some(bytes)) => context.now(
            State::Holds,
            format!("the kernel tells an alignment of {bytes} for direct I/O"),
            "",
        ),
        (0, _, None) => context.now(
            State::Unknown,
            "the file system does not tell; the first sitting tries it",
            "",
        ),
        (_, 0, _) => Found(
            State::Holds,
            format!("all {all} trials of the baseline used direct I/O"),
            at,
            String::new(),
        ),
        _ => Found(
            State::Mind,
            format!("{buffered} of {all} trials of the baseline were buffered"),
            at,
            "this client's memory may have served a part: look at the grades".into(),
        ),
    }
}

fn free_space(context: &Context<'_>) -> Found {
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

fn fill_level(context: &Context<'_>) -> Found {
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
    let evidence = format!(
        "{} full, {} {}",
        percent(is, 0),
        percent(was, 0),
        recorded.when()
    );
    if (is - was).abs() > FILL_MOVED {
        let advice = "measure once more before: a pool's speed moves with its fill level";
        return context.now(State::NotYet, evidence, advice);
    }
    context.now(State::Holds, evidence, "")
}

fn clock(context: &Context<'_>) -> Found {
    match context.look.facts.clock_synchronised {
        Some(true) => context.now(State::Holds, "the kernel takes it to be synchronised", ""),
        Some(false) => context.now(
            State::NotYet,
            "the kernel takes it to be unsynchronised",
            "start the service that sets it: finish times and hours of the day build on it",
        ),
        None => context.now(State::Unknown, "the kernel does not tell", ""),
    }
}

fn memory(context: &Context<'_>) -> Found {
    let data = context.study.data.bytes(Set::Read);
    if data.0 == 0 {
        return Found(
            State::NotYet,
            "no test data was laid down".into(),
            None,
            "run `poolproof measure STUDY --phase before`".into(),
        );
    }
    let server = context.study.config.server_memory;
    let client = context.look.facts.client.memory;
    let swept = cache_size(&levels(context.study.latest_sweep()));
    let server = server.max(swept);
    let largest = client.max(server.unwrap_or_default());
    let times = data.0 as f64 / largest.0.max(1) as f64;
    let evidence = format!(
        "{} to read, {times:.1} times the largest known memory ({})",
        data.iec(),
        largest.iec()
    );
    if times < MEMORY_FACTOR {
        return match verified(context) {
            true => context.now(
                State::Mind,
                format!("{evidence}; yet counts of bytes verify every reading trial"),
                "",
            ),
            false => context.now(
                State::NotYet,
                evidence,
                "lay down more with `measure --size`, or state commands that ask the server",
            ),
        };
    }
    match server {
        Some(_) => context.now(State::Holds, evidence, ""),
        None => context.now(
            State::Unknown,
            format!("{evidence}; the server's memory was not stated"),
            "state server_memory in study.toml",
        ),
    }
}

/// Whether every reading trial of the baseline has grade A.
fn verified(context: &Context<'_>) -> bool {
    let judged = judge_all(context.study);
    let mut readers = context
        .study
        .trials
        .iter()
        .filter(|trial| trial.phase == Phase::Before && trial.read_percent > 0)
        .filter_map(|trial| judged.get(&trial.trial))
        .peekable();
    readers.peek().is_some() && readers.all(|judged| judged.ruling.grade == Grade::A)
}

fn fingerprint(context: &Context<'_>) -> Found {
    let Some(recorded) = context.baseline else {
        return context.no_baseline();
    };
    let changes = diff::changes(recorded.facts, &context.look.facts);
    if changes.is_empty() {
        let same = format!("all facts are as {}", recorded.when());
        return context.now(State::Holds, same, "");
    }
    let side = |value: &Option<String>| value.clone().unwrap_or_else(|| "none".to_owned());
    let told: Vec<String> = changes
        .iter()
        .map(|c| format!("{}: {} → {}", c.fact, side(&c.was), side(&c.is)))
        .collect();
    context.now(
        State::NotYet,
        format!("{}, and now: {}", recorded.when(), told.join("; ")),
        "put it back, or measure the baseline anew under what holds now",
    )
}

/// The comparison as it stands, which knows which trials count.
pub(super) fn comparison(study: &Study) -> Comparison {
    compare(study, &judge_all(study), Rules::of(study))
}

/// Trials of `phase` whose grade holds, and their sittings, for each workload that was measured.
pub(super) fn holding(comparison: &Comparison, phase: Phase) -> Vec<(&str, usize, usize)> {
    let rows = comparison.workloads.iter();
    rows.map(|row| {
        let group = row.group(phase).filter(|group| group.void.is_none());
        let (trials, sittings) = group.map_or((0, 0), |g| (g.trials.len(), g.sittings));
        (row.workload.as_str(), trials, sittings)
    })
    .collect()
}

fn baseline(context: &Context<'_>) -> Found {
    let Some(recorded) = context.baseline else {
        return context.no_baseline();
    };
    let comparison = comparison(context.study);
    let found = holding(&comparison, Phase::Before);
    let at = Some(recorded.at);
    let few: Vec<String> = found
        .iter()
        .filter(|(_, trials, _)| *trials < ENOUGH)
        .map(|(name, trials, _)| format!("{name} {trials}"))
        .collect();
    if !few.is_empty() {
        let evidence = format!(
            "trials with grade A or B, of {ENOUGH} wanted: {}",
            few.join(", ")
        );
        let advice = "measure another sitting before; `compare` says why trials were left out";
        return Found(State::NotYet, evidence, at, advice.into());
    }
    let least = found
        .iter()
        .map(|(_, trials, _)| *trials)
        .min()
        .unwrap_or(0);
    let sittings = found
        .iter()
        .map(|(.., sittings)| *sittings)
        .min()
        .unwrap_or(0);
    let evidence = format!(
        "{} workloads with {least} trials or more of grade A or B",
        found.len()
    );
    if sittings < 2 {
        let advice = "hold a second sitting at another hour: one does not show how hours differ";
        let evidence = format!("{evidence}, from one sitting");
        return Found(State::Mind, evidence, at, advice.into());
    }
    let evidence = format!("{evidence}, from {sittings} sittings or more");
    Found(State::Holds, evidence, at, String::new())
}

fn baseline_age(context: &Context<'_>) -> Found {
    let Some(recorded) = context.baseline else {
        return context.no_baseline();
    };
    let old = days(context.now, recorded.at);
    let evidence = format!("latest measured {}", recorded.when());
    let at = Some(recorded.at);
    match old > BASELINE_DAYS {
        true => Found(
            State::NotYet,
            format!("stale: counts for {BASELINE_DAYS} days; {evidence}"),
            at,
            "measure another sitting before".into(),
        ),
        false => Found(State::Holds, evidence, at, String::new()),
    }
}
