//! What was seen of a reshape at one moment.

use jiff::Timestamp;

/// What a source says of the reshape, in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Word {
    /// It runs, as far as the source says; it may stand still all the same.
    Running,
    /// It waits for its turn, behind another array or for somebody to start it.
    Waiting,
    /// It is held.
    Paused,
    /// The source says that it is done.
    Finished,
    /// No reshape is mentioned: not begun, done, or interrupted.
    Absent,
    /// The array does something else: a resync, a recovery, a check, a scrub.
    Other,
    /// The source did not answer, or said something that is no answer.
    Unreadable,
}

impl Word {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Running,
        Self::Waiting,
        Self::Paused,
        Self::Finished,
        Self::Absent,
        Self::Other,
        Self::Unreadable,
    ];

    /// Whether it says that nothing reshapes just now.
    pub fn is_idle(self) -> bool {
        matches!(self, Self::Absent | Self::Waiting)
    }

    /// The word used in tables and files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Running => "running",
            Self::Waiting => "waiting",
            Self::Paused => "paused",
            Self::Finished => "finished",
            Self::Absent => "absent",
            Self::Other => "other",
            Self::Unreadable => "unreadable",
        }
    }
}

/// What the position of a source counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Extent {
    /// Bytes of each member drive, as Linux md counts RAID 5 and 6.
    Drive,
    /// Bytes of the whole array, as Linux md counts RAID 10, or of all data.
    Array,
    /// Chunks of a file system.
    Chunks,
}

impl Extent {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Drive, Self::Array, Self::Chunks];

    /// The word used in tables and files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Drive => "drive",
            Self::Array => "array",
            Self::Chunks => "chunks",
        }
    }
}

/// The note of one that runs, and that somebody has asked to end.
pub(super) const CANCELLED: &str = "an end was requested";

/// What a source's text says.
#[derive(Clone, Debug, PartialEq)]
pub struct Reported {
    /// The state, as the source sees it.
    pub word: Word,
    /// Part that is done: 0 to 1, and above 1 where the source says so. Of [`Word::Other`] it is the
    /// progress of that other activity.
    pub fraction: Option<f64>,
    /// Bytes or chunks that are done.
    pub done: Option<f64>,
    /// Bytes or chunks in all, as far as the source knows.
    pub total: Option<f64>,
    /// What those count.
    pub extent: Option<Extent>,
    /// Speed of just now in bytes per second, where the source tells it; zero says that it stands.
    pub speed: Option<f64>,
    /// What else a reader should know.
    pub note: String,
}

impl Reported {
    /// A state without a position.
    pub fn bare(word: Word, note: impl Into<String>) -> Self {
        Self {
            word,
            fraction: None,
            done: None,
            total: None,
            extent: None,
            speed: None,
            note: note.into(),
        }
    }

    /// Whether the source says that somebody asked it to end before its time.
    pub fn cancelled(&self) -> bool {
        self.word == Word::Running && self.note == CANCELLED
    }
}

/// One moment of a reshape.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Time of day of the watching machine, whose clock may be set at any time.
    pub at: Timestamp,
    /// Seconds since the reading before by a clock that nobody sets and that goes on while the
    /// machine sleeps; `None` for the first reading after a start of the program.
    pub elapsed: Option<f64>,
    /// What the source said.
    pub reported: Reported,
    /// Whether the share was probed since the reading before; `None` where nothing is ever probed.
    pub probed: Option<bool>,
    /// Bytes read from all member drives, a counter, where the server tells it.
    pub members_read: Option<u64>,
}

impl Reading {
    /// A reading of a position at a time; for readings taken by hand.
    pub fn of(at: Timestamp, reported: Reported) -> Self {
        Self {
            at,
            elapsed: None,
            reported,
            probed: None,
            members_read: None,
        }
    }

    /// Where the reshape stands, when the reading tells it.
    pub fn position(&self) -> Option<f64> {
        match self.reported.word {
            Word::Running | Word::Waiting | Word::Paused | Word::Finished => self.reported.fraction,
            Word::Absent | Word::Other | Word::Unreadable => None,
        }
    }
}
