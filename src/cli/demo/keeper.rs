//! What the keeper of the archive does besides measuring: plans, answers for what no program sees,
//! asks whether to start, and records what was done.

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::{Demo, lines, told};
use crate::cli::{Failure, plan};
use crate::load::Share;
use crate::ready::{Activity, Look, readiness};
use crate::store;
use crate::study::{CheckRow, Outcome, Side};

/// Who answers for everything.
const KEEPER: &str = "the keeper";
/// What the keeper answers for before the start, and how many days ago it was done.
const ANSWERS: [(&str, &str, i64); 9] = [
    ("self-test", "all four drives passed, no pending sectors", 6),
    ("scrub", "no mismatches, no errors", 4),
    ("restore", "200 scans restored and compared, all alike", 5),
    ("power", "25 min under load, a clean shutdown takes 3", 20),
    ("new-drive", "written full, read back, self-test passed", 3),
    ("serials", "list taped inside the door of the rack", 3),
    (
        "stop-rules",
        "the head of the reading room may ask for a pause",
        2,
    ),
    ("users", "told by letter, with a date", 2),
    (
        "freeze",
        "updates and the monthly scrub are switched off",
        0,
    ),
];
/// From the end of the reshape to the end of growing the file system, and to that of a scrub, which
/// is recorded and not computed.
const GROWN: SignedDuration = SignedDuration::from_mins(10);
const SCRUBBED: SignedDuration = SignedDuration::from_hours(18);

impl Demo {
    /// What the expansion will give, by the study's own words.
    pub(super) fn plan(&self) -> Result<(), Failure> {
        let config = store::read(&self.root)?.config;
        let start = TimeZone::UTC.to_datetime(config.created);
        lines(&told::plan(&plan::outlook(&config, start)?));
        Ok(())
    }

    /// Answers for what no program sees, then asks whether the expansion may start.
    pub(super) fn check(&self) -> Result<(), Failure> {
        let now = self.share.now();
        for (item, note, days) in ANSWERS {
            let done = now - SignedDuration::from_hours(24 * days);
            self.record(Side::Before, item, note, done)?;
        }
        let running = self.share.share().reshape().map(|_| "reshape".to_owned());
        let look = Look {
            facts: self.share.clone().facts(),
            interface: None,
            data_found: Some(true),
            activity: Activity::of(running, "the SIMULATED server's own status"),
        };
        let found = readiness(&store::read(&self.root)?, &look, now);
        lines(&told::check(&found));
        Ok(())
    }

    /// Adds the drive.
    pub(super) fn start(&self) -> Result<(), Failure> {
        let now = self.share.now();
        self.share.share().start_reshape();
        self.record(Side::After, "started", "the fifth drive is added", now)?;
        self.say("the fifth drive is added: the array reshapes");
        Ok(())
    }

    /// What follows the reshape, each recorded when it is done.
    pub(super) fn finish(&self) -> Result<(), Failure> {
        let ended = self.share.now();
        self.record(Side::After, "reshape", "the array is clean", ended)?;
        for (item, note, after) in [
            ("grow", "the file system has the new size", GROWN),
            ("scrub", "no mismatches, no errors", SCRUBBED),
        ] {
            self.advance_to(ended + after);
            self.record(Side::After, item, note, self.share.now())?;
            self.say(&format!("recorded {item}: {note}"));
        }
        Ok(())
    }

    fn record(&self, side: Side, item: &str, note: &str, done: Timestamp) -> Result<(), Failure> {
        let row = CheckRow {
            noted: self.share.now(),
            done,
            side,
            item: item.to_owned(),
            result: Outcome::Passed,
            by: KEEPER.to_owned(),
            note: format!("SIMULATED {note}"),
        };
        Ok(self.writer()?.add_check(row)?)
    }
}
