//! Whether a reshape, a rebuild or a scrub is running.

use crate::reshape::{Reported, Word};
use crate::units::percent;

/// What a look at the server found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Activity {
    /// Nobody could look; why.
    NotSeen(String),
    /// Nothing of the kind runs; what tells so.
    Quiet(String),
    /// Something runs, in words.
    Running(String),
}

impl Default for Activity {
    fn default() -> Self {
        Self::NotSeen("nothing was looked at".to_owned())
    }
}

impl Activity {
    /// What a source of progress has told; any activity counts, a reshape or another.
    pub fn reported(reported: &Reported, source: &str) -> Self {
        let place = reported.fraction.map_or(String::new(), |fraction| {
            format!(" at {}", percent(fraction, 1))
        });
        let what = format!("{}{place}", reported.note);
        match reported.word {
            Word::Running | Word::Waiting | Word::Paused | Word::Other => {
                Self::of(Some(what), source)
            }
            Word::Absent | Word::Finished => Self::of(None, source),
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
    use crate::reshape::Source;

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
            Activity::reported(&reported, "array")
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

    #[test]
    fn a_source_tells_what_runs_or_that_nothing_does() {
        assert_eq!(
            Activity::of(Some("scrub at 3 %".into()), "status"),
            Activity::Running("scrub at 3 % (status)".into())
        );
        assert!(matches!(Activity::of(None, "status"), Activity::Quiet(_)));
    }
}
