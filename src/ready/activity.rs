//! Whether a reshape, a rebuild or a scrub is running.

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
    /// What a source that can tell has told: what is running, or nothing.
    pub fn of(running: Option<String>, source: &str) -> Self {
        match running {
            Some(running) => Self::Running(format!("{running} ({source})")),
            None => Self::Quiet(format!("nothing is running ({source})")),
        }
    }
}

/// The activity of the array `name` in the text of `/proc/mdstat`, as `reshape = 12.6%`; `None` when
/// it has none. The outer `None` stands for an array that is not in the text.
///
/// An array's lines reach from its name to the next empty line; a line of progress has the word and,
/// behind `=`, a percentage, or `DELAYED` or `PENDING` for one that waits its turn (format from
/// memory of the kernel's `drivers/md/md.c`).
pub fn busy_array(text: &str, name: &str) -> Option<Option<String>> {
    const WORDS: [&str; 5] = ["reshape", "recovery", "resync", "check", "repair"];
    let begins = |line: &&str| line.split_once(" :").is_some_and(|(own, _)| own == name);
    let mut lines = text.lines().skip_while(|line| !begins(line));
    lines.next()?;
    let found = lines
        .take_while(|line| !line.trim().is_empty())
        .find_map(|line| {
            let words = line.replace('=', " = ");
            let words: Vec<&str> = words.split_whitespace().collect();
            let at = words
                .windows(2)
                .position(|pair| pair[1] == "=" && WORDS.contains(&pair[0]))?;
            let value = words.get(at + 2).copied().unwrap_or("?");
            Some(format!("{} = {value}", words[at]))
        });
    Some(found)
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
        assert_eq!(
            busy_array(TEXT, "md7"),
            Some(Some("reshape = 12.6%".into()))
        );
        assert_eq!(busy_array(TEXT, "md8"), Some(None));
        assert_eq!(
            busy_array(TEXT, "md9"),
            Some(Some("resync = DELAYED".into()))
        );
        assert_eq!(busy_array(TEXT, "md"), None);
        assert_eq!(busy_array("", "md7"), None);
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
