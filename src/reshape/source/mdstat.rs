//! `/proc/mdstat` of Linux md.
//!
//! Printed by `status_resync()` of the kernel's `drivers/md/md.c`; fields as in its
//! `Documentation/admin-guide/md.rst`. Three things there mislead. The finish time is computed from
//! the last half minute, so it is not read at all. The speed is a whole number of KiB/s, rounded
//! down: 0 says that the reshape stands. And the total is that of each drive for RAID 5 and 6, but
//! that of the whole array for RAID 10.

use super::quote;
use crate::reshape::reading::{Extent, Reported, Word};

/// Activities that print a bar.
const ACTIVITIES: [&str; 5] = ["reshape", "resync", "recovery", "check", "repair"];
/// How far the printed percentage may lie from the counts, in points.
const ROUNDING: f64 = 0.2;

/// One array of the text.
struct Array<'a> {
    name: &'a str,
    ten: bool,
    active: bool,
    activity: Option<Activity<'a>>,
}

/// What an array is doing.
enum Activity<'a> {
    /// It has a bar: the activity's name and what follows its equals sign.
    Bar(&'a str, &'a str),
    /// It waits, in the kernel's word.
    Waits(&'a str),
}

pub(super) fn read(text: &str, wanted: Option<&str>) -> Result<Reported, String> {
    let arrays = arrays(text)?;
    if let Some(name) = wanted {
        let array = arrays.iter().find(|array| array.name == name);
        return match array {
            Some(array) => report(array),
            None => Ok(Reported::bare(
                Word::Absent,
                format!("{} is not listed: it is not assembled", quote(name)),
            )),
        };
    }
    let reshaping: Vec<&Array<'_>> = arrays.iter().filter(|array| array.reshapes()).collect();
    if reshaping.len() > 1 {
        let names: Vec<&str> = reshaping.iter().map(|array| array.name).collect();
        return Err(format!(
            "{} reshape: say which one is meant with --array",
            names.join(" and ")
        ));
    }
    let rank = |array: &&Array<'_>| match array.activity {
        Some(Activity::Bar("reshape", _)) => 0,
        Some(Activity::Waits(_)) => 1,
        Some(Activity::Bar(..)) => 2,
        None => 3,
    };
    // A bar without a reshape says more than a neighbour that waits for it.
    let busy = arrays
        .iter()
        .filter(|array| !array.reshapes())
        .any(|array| matches!(array.activity, Some(Activity::Bar(..))));
    let chosen = match reshaping.first() {
        Some(array) => Some(*array),
        None if busy => arrays
            .iter()
            .find(|array| matches!(array.activity, Some(Activity::Bar(..)))),
        None => arrays.iter().min_by_key(rank),
    };
    chosen.map_or_else(
        || Ok(Reported::bare(Word::Absent, "no array is listed")),
        report,
    )
}

impl Array<'_> {
    fn reshapes(&self) -> bool {
        matches!(self.activity, Some(Activity::Bar("reshape", _)))
    }
}

fn arrays(text: &str) -> Result<Vec<Array<'_>>, String> {
    let mut arrays: Vec<Array<'_>> = Vec::new();
    let (mut known, mut begun, mut ended) = (false, false, false);
    for line in text.lines() {
        begun |= line.starts_with("Personalities");
        ended |= line.starts_with("unused devices");
        if ["Personalities", "unused devices", "read_ahead"]
            .iter()
            .any(|word| line.starts_with(word))
        {
            known = true;
        } else if let Some(array) = header(line) {
            arrays.push(array);
        } else if let Some(activity) = activity(line) {
            let Some(array) = arrays.last_mut() else {
                // A line by itself, as somebody may have cut it out with another tool.
                let alone = Array {
                    name: "the array",
                    ten: false,
                    active: true,
                    activity: Some(activity),
                };
                arrays.push(alone);
                continue;
            };
            array.activity = Some(activity);
        }
    }
    // A whole text ends with the devices that are in no array; what is cut off before would look like
    // an array that does nothing.
    if begun && !ended {
        return Err("the text is cut off: its last line, 'unused devices', is missing".to_owned());
    }
    match arrays.is_empty() && !known {
        true => Err(format!(
            "this is no text of /proc/mdstat: it begins with {}",
            quote(text.lines().next().unwrap_or_default())
        )),
        false => Ok(arrays),
    }
}

/// The line that opens an array: `md0 : active raid5 sde[4] …`.
fn header(line: &str) -> Option<Array<'_>> {
    let (name, rest) = line.split_once(" : ")?;
    let plain = |c: char| c.is_ascii_alphanumeric() || "_-/.".contains(c);
    let good = !name.is_empty() && name.len() <= 64 && name.chars().all(plain);
    let state = rest.split_whitespace().next()?;
    (good && (state == "active" || state == "inactive")).then(|| Array {
        name,
        ten: rest.split_whitespace().any(|word| word == "raid10"),
        active: state == "active",
        activity: None,
    })
}

fn activity(line: &str) -> Option<Activity<'_>> {
    ACTIVITIES.iter().find_map(|name| {
        let (before, after) = line.split_once(name)?;
        let edge = before.is_empty() || before.ends_with([' ', '\t']);
        let value = after.trim_start().strip_prefix('=')?.trim();
        match value {
            _ if !edge => None,
            "DELAYED" | "PENDING" | "REMOTE" => Some(Activity::Waits(value)),
            _ => Some(Activity::Bar(name, value)),
        }
    })
}

fn report(array: &Array<'_>) -> Result<Reported, String> {
    let name = array.name;
    match array.activity {
        Some(Activity::Bar(activity, value)) => bar(array, activity, value),
        Some(Activity::Waits("DELAYED")) => Ok(Reported::bare(
            Word::Waiting,
            format!("{name} waits for another array on the same drives"),
        )),
        Some(Activity::Waits("REMOTE")) => Ok(Reported::bare(
            Word::Waiting,
            format!("{name} is worked on by another node of the cluster"),
        )),
        Some(Activity::Waits(_)) => Ok(Reported::bare(
            Word::Waiting,
            format!("{name} is read-only and waits for the first write"),
        )),
        None if array.active => Ok(Reported::bare(
            Word::Absent,
            format!("{name} does not reshape"),
        )),
        None => Ok(Reported::bare(
            Word::Absent,
            format!("{name} is inactive: it is not running"),
        )),
    }
}

/// `0.2% (1099280/390708736) finish=1031.7min speed=6293K/sec`, counts in KiB.
fn bar(array: &Array<'_>, activity: &str, value: &str) -> Result<Reported, String> {
    let cut = || {
        format!(
            "the {activity} line of {} is cut off or damaged at {}",
            array.name,
            quote(value)
        )
    };
    let (percent, rest) = value.split_once('%').ok_or_else(cut)?;
    let percent = super::decimal(percent).ok_or_else(cut)?;
    let (counts, rest) = rest
        .trim_start()
        .strip_prefix('(')
        .and_then(|rest| rest.split_once(')'))
        .ok_or_else(cut)?;
    let (done, total) = counts.split_once('/').ok_or_else(cut)?;
    let count = |text: &str| text.parse::<u64>().map_err(|_| cut());
    let (done, total) = (count(done)?, count(total)?);
    if total == 0 {
        return Err(format!("the {activity} of {} has no length", array.name));
    }
    let fraction = done as f64 / total as f64;
    if (fraction * 100.0 - percent).abs() > ROUNDING && kernel_percent(done, total) != percent {
        return Err(format!(
            "the {activity} line of {} contradicts itself: {percent} % stands beside {done} of {total}",
            array.name
        ));
    }
    let speed = rest
        .split_whitespace()
        .find_map(|word| word.strip_prefix("speed=")?.strip_suffix("K/sec"));
    let kib = |number: u64| number as f64 * 1024.0;
    Ok(Reported {
        word: if activity == "reshape" {
            Word::Running
        } else {
            Word::Other
        },
        fraction: Some(fraction),
        done: Some(kib(done)),
        total: Some(kib(total)),
        extent: Some(if array.ten {
            Extent::Array
        } else {
            Extent::Drive
        }),
        speed: speed.and_then(super::decimal).map(|kib| kib * 1024.0),
        note: format!("{}: {activity}", array.name),
    })
}

/// The percentage as `status_resync()` computes it from sectors, cut off after one decimal: off by
/// more than rounding for small arrays, since it counts in MiB and adds one to the total.
fn kernel_percent(done: u64, total: u64) -> f64 {
    let mib = |kib: u64| u128::from(kib) * 2 / 1024;
    (mib(done) * 1000 / (mib(total) + 1)) as f64 / 10.0
}
