//! How much test data there shall be: larger than any cache where the budget allows.

use super::{Set, TestData};
use crate::units::{Bytes, percent};

/// Memories that could serve test data instead of the drives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Memory {
    /// Of the machine that measures.
    pub client: Bytes,
    /// Of the server, as the person stated it.
    pub server: Option<Bytes>,
}

impl Memory {
    /// The larger of both.
    pub fn largest(&self) -> Bytes {
        self.client.max(self.server.unwrap_or_default())
    }

    /// The read set that is larger than any cache in them: twice the largest.
    pub fn asks_for(&self) -> Bytes {
        self.largest().times(MEMORY_FACTOR)
    }

    /// The memory that asks for a read set of `read`.
    pub fn asking_for(read: Bytes) -> Self {
        Self {
            client: read.share(1, MEMORY_FACTOR),
            server: None,
        }
    }
}

/// Room on the file system under the share.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Space {
    /// Size of the file system.
    pub total: Bytes,
    /// What this user may still write.
    pub available: Bytes,
}

/// How much stays free whatever happens: a tenth of the file system.
pub fn keep_free(total: Bytes) -> Bytes {
    total.share(1, 10)
}

/// A size for the test data, and what it means.
#[derive(Clone, Debug, PartialEq)]
pub struct Sizing {
    /// Files to be laid down beside those that are there: what each is for, and its size.
    pub files: Vec<(Set, Bytes)>,
    /// Size of the read set when they are laid down.
    pub read: Bytes,
    /// The part of the read set that the largest known memory could hold, 0 to 1.
    pub cacheable: f64,
    /// A sentence when the data is smaller than wanted.
    pub note: Option<String>,
}

/// Why no test data can be laid down.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SizingError {
    /// Even the smallest set would break the budget.
    #[error(
        "the share has {available} free and must keep {keep} of its {total} free, which leaves no room for test data: free some space or choose another share"
    )]
    NoRoom {
        /// Free now.
        available: Bytes,
        /// To be kept free.
        keep: Bytes,
        /// Size of the file system.
        total: Bytes,
    },
    /// The asked size would break the budget.
    #[error(
        "--size {asked} needs {needs} with the write set, and only {room} may be used so that a tenth of the share stays free: ask for less"
    )]
    TooLarge {
        /// Size of the read set that was asked for.
        asked: Bytes,
        /// With the write set.
        needs: Bytes,
        /// What may be used.
        room: Bytes,
    },
    /// Too small to measure anything with.
    #[error("--size {0} is too small: ask for at least 64 MiB")]
    TooSmall(Bytes),
}

/// The smallest file, so that it holds the largest block of the standard set.
const SMALLEST_FILE: Bytes = Bytes(4 << 20);
/// The smallest read set: 16 of these files, so that every workload gets some.
const SMALLEST: Bytes = Bytes(64 << 20);
/// The smallest write set: 8 of them, for the same reason.
const SMALLEST_WRITTEN: Bytes = Bytes(32 << 20);
/// The read set of a first, short look: with the write set 1.5 GB, an hour of film.
const BRIEF: Bytes = Bytes(1_200_000_000);
/// Test data is so many times the largest memory where the budget allows.
const MEMORY_FACTOR: u64 = 2;

/// Decides the size of the test data.
///
/// `asked` is the read set that the person wants; without it, it is twice the largest memory, at
/// most a quarter of free space (`brief`: at most 1.2 GB). The write set has a quarter of the read
/// set, and 32 MiB at least. What is already laid down is never made smaller, and counts as available.
///
/// # Errors
/// When the budget leaves no room, or less than was asked.
pub fn size(
    present: &TestData,
    asked: Option<Bytes>,
    brief: bool,
    memory: Memory,
    space: Space,
) -> Result<Sizing, SizingError> {
    // Fresh data stays beside whatever is laid down.
    let own = present.bytes(Set::Read) + present.bytes(Set::Write);
    let room = (space.available + own).saturating_sub(keep_free(space.total));
    let read_share = |whole: Bytes| {
        whole
            .share(4, 5)
            .min(whole.saturating_sub(SMALLEST_WRITTEN))
    };
    let wanted = match asked {
        Some(asked) if asked < SMALLEST => return Err(SizingError::TooSmall(asked)),
        Some(asked) => {
            let needs = asked + written(asked);
            if needs > room && asked > present.bytes(Set::Read) {
                return Err(SizingError::TooLarge { asked, needs, room });
            }
            asked
        }
        None => {
            let budget = (space.available + own).share(1, 4).min(room);
            let full = memory.asks_for();
            let goal = if brief { full.min(BRIEF) } else { full };
            goal.max(SMALLEST).min(read_share(budget))
        }
    };
    let wanted = wanted.max(present.bytes(Set::Read));
    if wanted < SMALLEST {
        return Err(SizingError::NoRoom {
            available: space.available,
            keep: keep_free(space.total),
            total: space.total,
        });
    }
    let wanted = whole_mebibytes(wanted);
    let mut files = Vec::new();
    for (set, all) in [(Set::Read, wanted), (Set::Write, written(wanted))] {
        let lacking = whole_mebibytes(all.saturating_sub(present.bytes(set)));
        files.extend(pieces(lacking, file_size(wanted)).map(|bytes| (set, bytes)));
    }
    let read = wanted;
    let cacheable = (memory.largest().0 as f64 / read.0 as f64).min(1.0);
    let note = (read < memory.asks_for()).then(|| {
        format!(
            "the test data to read ({}) is smaller than twice the largest known memory, which is {}: up to {} of it could be served from a cache",
            read.iec(),
            memory.largest().iec(),
            percent(cacheable, 0)
        )
    });
    Ok(Sizing {
        files,
        read,
        cacheable,
        note,
    })
}

/// The write set beside a read set of so many bytes.
fn written(read: Bytes) -> Bytes {
    read.share(1, 4).max(SMALLEST_WRITTEN)
}

/// The next multiple of 1 MiB.
fn whole_mebibytes(amount: Bytes) -> Bytes {
    Bytes(amount.0.next_multiple_of(1 << 20))
}

/// `whole` in pieces of `piece`, and one of what is left.
fn pieces(whole: Bytes, piece: Bytes) -> impl Iterator<Item = Bytes> {
    (0..whole.0)
        .step_by(piece.0 as usize)
        .map(move |at| Bytes(whole.0 - at).min(piece))
}

/// 32 to 64 files, so that they can be dealt out to workloads; fewer of a small set.
fn file_size(set: Bytes) -> Bytes {
    Bytes((set.0 / 64).next_power_of_two()).max(SMALLEST_FILE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Phase;

    const MEMORY: Memory = Memory {
        client: Bytes(8 << 30),
        server: Some(Bytes(16 << 30)),
    };

    fn space(total_gib: u64, available_gib: u64) -> Space {
        Space {
            total: Bytes::GIB.times(total_gib),
            available: Bytes::GIB.times(available_gib),
        }
    }

    #[test]
    fn twice_the_larger_memory_where_it_fits() {
        let sizing = size(&TestData::default(), None, false, MEMORY, space(1000, 800)).unwrap();
        let data = laid(TestData::default(), &sizing);
        assert_eq!(sizing.read, Bytes::GIB.times(32));
        assert_eq!(data.bytes(Set::Read), Bytes::GIB.times(32));
        assert_eq!(data.bytes(Set::Write), Bytes::GIB.times(8));
        assert_eq!(data.files.len(), 80);
        assert_eq!((sizing.cacheable, sizing.note), (0.5, None));
    }

    #[test]
    fn a_quarter_of_free_space_at_most_and_it_is_said() {
        let sizing = size(&TestData::default(), None, false, MEMORY, space(100, 80)).unwrap();
        let total = laid(TestData::default(), &sizing).total();
        assert!(
            total <= Bytes::GIB.times(20) + Bytes::MIB.times(2),
            "{total}"
        );
        assert_eq!(sizing.cacheable, 1.0);
        assert!(sizing.note.unwrap().contains("100 %"));
    }

    #[test]
    fn a_tenth_stays_free_whatever_is_asked() {
        let asked = Some(Bytes::GIB.times(80));
        let error = size(&TestData::default(), asked, false, MEMORY, space(100, 90)).unwrap_err();
        assert!(matches!(error, SizingError::TooLarge { .. }), "{error}");
        let error = size(&TestData::default(), None, false, MEMORY, space(100, 10)).unwrap_err();
        assert!(matches!(error, SizingError::NoRoom { .. }), "{error}");
    }

    /// The test data once `sizing` is laid down on top of `present`.
    fn laid(mut present: TestData, sizing: &Sizing) -> TestData {
        for &(set, bytes) in &sizing.files {
            let mut file = present.next_file(set, bytes, Phase::Before);
            file.complete = true;
            present.next_number += 1;
            present.files.push(file);
        }
        present
    }

    #[test]
    fn data_on_the_share_is_reused_and_only_grows() {
        let ask = |present: &TestData, asked: Bytes| {
            size(present, Some(asked), false, MEMORY, space(100, 88)).unwrap()
        };
        let first = ask(&TestData::default(), Bytes::GIB);
        let present = laid(TestData::default(), &first);
        let smaller = ask(&present, Bytes::MIB.times(64));
        assert_eq!(smaller.files, []);
        assert_eq!(smaller.read, first.read);
        let larger = laid(present.clone(), &ask(&present, Bytes::GIB.times(2)));
        assert_eq!(larger.files[..present.files.len()], present.files);
        assert_eq!(larger.bytes(Set::Read), Bytes::GIB.times(2));
        assert_eq!(larger.bytes(Set::Write), Bytes::MIB.times(512));
    }

    #[test]
    fn all_that_may_be_used_can_be_asked_for_whatever_is_there() {
        let ask = |present: &TestData, asked| {
            let available = Bytes::GIB.times(90).saturating_sub(present.total());
            let space = Space {
                total: Bytes::GIB.times(100),
                available,
            };
            size(present, Some(asked), false, MEMORY, space).unwrap()
        };
        for first in [64, 100, 1000, 1025, 5000] {
            let first = ask(&TestData::default(), Bytes::MIB.times(first));
            let present = laid(TestData::default(), &first);
            let all = laid(present.clone(), &ask(&present, Bytes::GIB.times(64)));
            assert_eq!(all.total(), Bytes::GIB.times(80));
        }
    }

    #[test]
    fn a_brief_look_does_not_fix_the_size_of_files() {
        let memory = Memory {
            client: Bytes::GIB.times(64),
            server: Some(Bytes::GIB.times(512)),
        };
        let ask = |present: &TestData, brief| {
            size(present, None, brief, memory, space(20_000, 18_000)).unwrap()
        };
        let brief = laid(TestData::default(), &ask(&TestData::default(), true));
        assert_eq!(brief.bytes(Set::Read), whole_mebibytes(BRIEF));
        assert!((1.49e9..1.51e9).contains(&(brief.total().0 as f64)));
        let full = laid(brief.clone(), &ask(&brief, false));
        assert!(full.bytes(Set::Read) >= Bytes::GIB.times(1024));
        assert!(full.files.len() < 200, "{} files", full.files.len());
    }
}
