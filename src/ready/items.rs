//! What people answer for, before the expansion and after it, and for how long an answer counts.
//!
//! The ages are common practice, without a source: as long as what was found is likely to be true
//! still. A drive that passed a test a month ago may fail today; a freeze is agreed for days.

use crate::study::Side;
use crate::text::unknown;

/// One thing that a person answers for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Item {
    /// The word that is typed and kept.
    pub word: &'static str,
    /// When it is asked for.
    pub side: Side,
    /// What must hold.
    pub title: &'static str,
    /// What it takes to say so.
    pub takes: &'static str,
    /// Days for which an answer counts; `None` for ever.
    pub days: Option<i64>,
}

const fn before(word: &'static str, days: i64, title: &'static str, takes: &'static str) -> Item {
    Item {
        word,
        side: Side::Before,
        title,
        takes,
        days: Some(days),
    }
}

const fn after(word: &'static str, title: &'static str, takes: &'static str) -> Item {
    Item {
        word,
        side: Side::After,
        title,
        takes,
        days: None,
    }
}

/// What a person attests before the expansion, by `check --attest`. The last two are asked only
/// where the program cannot look itself.
pub const BEFORE: [Item; 11] = [
    before(
        "self-test",
        30,
        "every drive has passed its long self-test",
        "run the long self-test on every drive of the pool, the oldest first (1.4 to 2.5 h per TB \
         when idle), and look at pending sectors and at the time-out for error recovery",
    ),
    before(
        "scrub",
        14,
        "a full scrub came out clean",
        "run a full pass over the pool and read its result: no mismatches, no errors",
    ),
    before(
        "restore",
        30,
        "a sample was restored from the backup",
        "restore some files from the backup to another place and compare them with the originals",
    ),
    before(
        "power",
        180,
        "backup power outlasts a shutdown",
        "test the uninterruptible power supply under load: its run time must exceed the time of a \
         clean shutdown, and low battery must start one",
    ),
    before(
        "new-drive",
        30,
        "the new drive is proven",
        "write the new drive full and read it back (some 3 to 4 h per TB), then run its long \
         self-test; it must be no smaller, to the byte, than the smallest drive of the pool",
    ),
    before(
        "serials",
        30,
        "serial numbers are written down bay by bay",
        "note the serial number of the drive in each bay, so that nobody pulls the wrong one",
    ),
    before(
        "stop-rules",
        90,
        "it is agreed when to throttle and when to stop",
        "agree with those who use the pool what slow-down they accept, at which hours, and who \
         decides",
    ),
    before(
        "users",
        14,
        "the users have been told",
        "tell them when it starts, how long it takes, and that the share will be slower",
    ),
    before(
        "freeze",
        7,
        "reboots and updates are frozen",
        "switch off automatic updates, planned reboots and scrubs that a timer starts, on the server \
         and on what it depends on",
    ),
    before(
        IDLE,
        1,
        "no reshape, rebuild or scrub is running",
        "look at the server's own status of the pool",
    ),
    before(
        CLOCK,
        7,
        "this machine's clock is right",
        "compare this machine's clock with another that is right, to a few seconds",
    ),
];

/// The item that stands in for a look of the program's own.
pub(super) const IDLE: &str = "idle";
/// The same for a clock that the kernel takes to be unsynchronised.
pub(super) const CLOCK: &str = "clock-set";

impl Item {
    /// Whether it stands in for a look of the program's own, and is asked only without one.
    pub fn stands_in(&self) -> bool {
        matches!(self.word, IDLE | CLOCK)
    }
}

/// What a person records while and after the pool grows, by `next --done`.
pub const AFTER: [Item; 9] = [
    after(
        "started",
        "the expansion has been started",
        "run `poolproof check STUDY` once more; when it says go, let `poolproof watch STUDY` run for some \
         minutes, which tells what users had before, add the drive to the pool as its maker says, and where study.toml lists members of [server], add it to them too",
    ),
    after(
        "reshape",
        "the new layout is finished",
        "wait until the server says that the reshape is complete and the array is clean",
    ),
    after(
        "grow",
        "the file system has been grown",
        "grow the volume, where there is one, and the file system on it",
    ),
    after(
        "alignment",
        "the file system knows the new stripe",
        "set its hints on stripe and chunk to the new number of data drives, and check that the \
         start of each partition is still a multiple of the chunk",
    ),
    after(
        "settings",
        "settings are as before",
        "put back what was changed for the expansion: priority of the reshape, caches, timers of \
         scrubs and updates; lift the freeze; tell the users",
    ),
    after(
        "scrub",
        "a scrub after the expansion came out clean",
        "run a full pass over the grown pool and read its result",
    ),
    after(
        "report",
        "the report has been sent",
        "run `poolproof report STUDY` and send the page",
    ),
    after(
        "look-7",
        "looked again after 7 days",
        "look at errors, pending sectors and temperature of the new drive, and measure a sitting as \
         after",
    ),
    after(
        "look-30",
        "looked again after 30 days",
        "the same once more, now that the pool has filled further",
    ),
];

/// The item of `side` with this word.
///
/// # Errors
/// One sentence with all valid words.
pub fn item(side: Side, word: &str) -> Result<&'static Item, String> {
    let items: &'static [Item] = match side {
        Side::Before => &BEFORE,
        Side::After => &AFTER,
    };
    items
        .iter()
        .find(|item| item.word == word)
        .ok_or_else(|| unknown("item", word, items.iter().map(|item| item.word)))
}
