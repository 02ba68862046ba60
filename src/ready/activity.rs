//! Whether a reshape, a rebuild or a scrub is running.

use crate::reshape::{Reported, Source, Word};
use crate::units::percent;

/// What a look at the server found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Activity {
    /// Nobody could look; why.
    NotSeen(String),
    /// Nothing of the kind runs; what tells so.
    Quiet(String),
    /// Nothing runs of what could be seen, and something of the kind could not be; which.
    Partly(String),
    /// Something runs, in words.
    Running(String),
}

impl Default for Activity {
    fn default() -> Self {
        Self::NotSeen("nothing was looked at".to_owned())
    }
}

impl Activity {
    /// What a source of progress has told, `of` that kind; any activity counts, a reshape or another.
    pub fn reported(reported: &Reported, of: Source, source: &str) -> Self {
        let place = reported.fraction.map_or(String::new(), |fraction| {
            format!(" at {}", percent(fraction, 1))
        });
        let what = format!("{}{place}", reported.note);
        match reported.word {
            Word::Running | Word::Waiting | Word::Paused | Word::Other => {
                Self::of(Some(what), source)
            }
            Word::Absent | Word::Finished => match of.untold() {
                Some((seen, untold)) => Self::Partly(format!(
                    "no {seen} is running ({source}); {untold} is not told by it"
                )),
                None => Self::of(None, source),
            },
            Word::Unreadable => Self::NotSeen(format!("{source} was asked in vain: {what}")),
        }
    }

    /// What a source that can tell has told: what is running, or nothing.
    pub fn of(running: Option<String>, source: &str) -> Self {
        match running {
            Some(running) => Self::Running(format!("{running} ({source})")),
            None => Self::Quiet(format!("nothing is running ({source})")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Laid out as the kernel prints it (from memory), with names and numbers of our own.
    const TEXT: &str = "Personalities : [raid6] [raid5] [raid4]
md7 : active raid6 sde1[4] sdd1[3] sdc1[2] sdb1[1] sda1[0]
      11720780800 blocks super 1.2 level 6, 512k chunk, algorithm 2 [5/5] [UUUUU]
      [==>..................]  reshape = 12.6% (738412544/5860390400) finish=1033.1min speed=82632K/sec
      bitmap: 0/44 pages [0KB], 65536KB chunk

md8 : active raid1 sdg1[1] sdf1[0]
      976630464 blocks super 1.2 [2/2] [UU]

md9 : active raid1 sdi1[1] sdh1[0]
      976630464 blocks super 1.2 [2/2] [UU]
      \tresync=DELAYED

unused devices: <none>
";

    #[test]
    fn each_array_speaks_for_itself() {
        let of = |name| {
            let reported = Source::Mdstat.read(TEXT, Some(name)).unwrap();
            Activity::reported(&reported, Source::Mdstat, "array")
        };
        let running = |what: &str| Activity::Running(format!("{what} (array)"));
        assert_eq!(of("md7"), running("md7: reshape at 12.6 %"));
        assert!(matches!(of("md8"), Activity::Quiet(_)));
        assert_eq!(
            of("md9"),
            running("md9 waits for another array on the same drives")
        );
        assert!(matches!(of("md"), Activity::Quiet(_)));
        assert!(Source::Mdstat.read("", Some("md7")).is_err());
    }

    /// Texts of btrfs-progs (cmds/balance.c) and a bare percentage.
    #[test]
    fn a_source_claims_no_more_than_it_can_see() {
        let of = |source: Source, text: &str| {
            Activity::reported(&source.read(text, None).unwrap(), source, "command")
        };
        let partly = |what: &str| Activity::Partly(what.to_owned());
        assert_eq!(
            of(Source::Btrfs, "No balance found on '/mnt/scans'\n"),
            partly("no balance is running (command); a scrub is not told by it")
        );
        assert_eq!(
            of(Source::Percent, "100\n"),
            partly("no reshape is running (command); a scrub or rebuild is not told by it")
        );
    }

    #[test]
    fn a_source_tells_what_runs_or_that_nothing_does() {
        assert_eq!(
            Activity::of(Some("scrub at 3 %".into()), "status"),
            Activity::Running("scrub at 3 % (status)".into())
        );
        assert!(matches!(Activity::of(None, "status"), Activity::Quiet(_)));
    }
}
