//! Opens a trial's files so that this client's cache stands aside, and finds out whether it does.
//!
//! That a file system opens a file for direct I/O says little: some refuse to transfer so, some
//! accept it and buffer all the same. So a block is moved each way that the trial will go, and the
//! kernel is asked whether its pages stayed behind. Where direct I/O is not to be had, files are
//! buffered, with their cache emptied before and after the trial, and the trial says why.

use super::buffers::Buffers;
use super::files::Files;
use super::folder::Folder;
use super::passing::{Look, Passing, look};
use crate::load::{Assignment, LoadError, Watch};
use crate::plan::{Direction, Operation};
use crate::record::{Observations, observed};
use crate::sys::{BorrowedFd, EMPTIES_CACHE, direct_alignment};
use crate::units::Bytes;

/// What being buffered means, for the trial's notes.
const BUFFERED: &str = if EMPTIES_CACHE {
    "buffered, with this client's cache emptied before and after (its memory may still have served a part)"
} else {
    "buffered, and nothing here empties this client's cache (its memory may have served all of it)"
};
/// The same when it turns out in the middle of a trial.
pub(super) const REFUSED_LATE: &str = "direct I/O was refused within the trial, which began anew";
const REFUSED: &str = "direct I/O is refused here";
const STAYED: &str =
    "direct I/O is accepted here and goes through this client's cache all the same";
const UNSEEN: &str =
    "open for direct I/O; whether that passes this client's cache cannot be seen here";

/// Blocks that have to stay in the cache before that is believed: others may read a block meanwhile.
const LOOKS: u64 = 2;
/// An operation of the wanted direction is looked for among so many.
const SEARCHED: u64 = 1_000;

/// What direct I/O needs where the kernel does not tell: common practice, no source. Blocks are
/// multiples of it.
const USUAL: usize = 4096;
/// Buffers cannot be aligned to more than their huge pages.
const MOST: usize = 2 << 20;

/// Multiples that transfers keep to, in bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Alignment {
    /// Of the address in memory.
    pub(super) memory: usize,
    /// Of the offset in the file, and of the length.
    pub(super) offset: usize,
}

impl Alignment {
    /// Buffered transfers go anywhere.
    pub(super) const ANY: Self = Self {
        memory: 1,
        offset: 1,
    };

    /// What suits both.
    fn and(self, other: Self) -> Self {
        // Alignments are powers of two.
        Self {
            memory: self.memory.max(other.memory),
            offset: self.offset.max(other.offset),
        }
    }
}

/// The files of a trial, and how they are open.
pub(super) struct Opened {
    pub(super) files: Files,
    /// Whether transfers pass this client's cache; `None` when that cannot be seen.
    pub(super) direct: Option<bool>,
    pub(super) alignment: Alignment,
    /// What a reader of the trial should know.
    pub(super) note: Option<String>,
    /// What was seen on the way.
    pub(super) seen: Observations,
}

impl Opened {
    /// Empties this client's cache of the files, unless they go past it.
    ///
    /// # Errors
    /// When it cannot be emptied.
    pub(super) fn evict(&self) -> Result<(), LoadError> {
        match self.direct {
            Some(true) => Ok(()),
            Some(false) | None => self.files.evict(),
        }
    }
}

/// Opens the files of the assignment's pattern, for direct I/O where that is to be had.
///
/// # Errors
/// When a file cannot be opened, or is not the one that was laid down.
pub(super) fn open(
    folder: &Folder,
    assignment: &Assignment<'_>,
    watch: &Watch,
) -> Result<Opened, LoadError> {
    let Some(files) = Files::open(folder, assignment, true, watch)? else {
        return buffered(folder, assignment, watch, REFUSED);
    };
    let alignment = match suits(told(&files), assignment.workload.block) {
        Ok(alignment) => alignment,
        Err(why) => return buffered(folder, assignment, watch, &why),
    };
    let mut buffers = Buffers::new(1, assignment.workload.block.0 as usize, alignment.memory);
    let (mut seen, mut passes) = (Observations::default(), true);
    for (direction, name) in [
        (Direction::Read, observed::DIRECT_READ_RESIDENT),
        (Direction::Write, observed::DIRECT_WRITE_RESIDENT),
    ] {
        let look = looks(assignment, direction, &files, &mut buffers, alignment);
        let Some(look) = look else { continue };
        seen.put_some(name, look.resident);
        let why = match look.passing {
            Passing::Passes => continue,
            Passing::Unknown => {
                passes = false;
                continue;
            }
            Passing::Refused => REFUSED,
            Passing::Stays => STAYED,
        };
        return buffered(folder, assignment, watch, why).map(|opened| Opened { seen, ..opened });
    }
    Ok(Opened {
        files,
        direct: passes.then_some(true),
        alignment,
        note: (!passes).then(|| UNSEEN.to_owned()),
        seen,
    })
}

/// Opens the files buffered, because of `why`.
///
/// # Errors
/// As [`open`].
pub(super) fn buffered(
    folder: &Folder,
    assignment: &Assignment<'_>,
    watch: &Watch,
    why: &str,
) -> Result<Opened, LoadError> {
    let files = Files::open(folder, assignment, false, watch)?;
    Ok(Opened {
        files: files.expect("only direct I/O is refused"),
        direct: Some(false),
        alignment: Alignment::ANY,
        note: Some(format!("{why}: {BUFFERED}")),
        seen: Observations::default(),
    })
}

/// What the kernel tells of one file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Told {
    Nothing,
    /// It takes no direct I/O.
    None,
    Alignment(Alignment),
}

fn told(files: &Files) -> impl Iterator<Item = Told> {
    files.all().map(|(_, file)| told_of(file))
}

fn told_of(file: BorrowedFd<'_>) -> Told {
    match direct_alignment(file) {
        None => Told::Nothing,
        Some((_, 0)) => Told::None,
        Some((memory, offset)) => Told::Alignment(Alignment {
            memory: (memory as usize).max(1),
            offset: offset as usize,
        }),
    }
}

/// What suits one file that is open for direct I/O; or why blocks of this size cannot be moved so.
pub(super) fn suit(file: BorrowedFd<'_>, block: Bytes) -> Result<Alignment, String> {
    suits(std::iter::once(told_of(file)), block)
}

/// What suits all files; or why blocks of this size cannot be moved directly.
fn suits(files: impl Iterator<Item = Told>, block: Bytes) -> Result<Alignment, String> {
    let usual = Alignment {
        memory: USUAL,
        offset: USUAL,
    };
    let mut all: Option<Alignment> = None;
    for told in files {
        let own = match told {
            Told::Nothing => usual,
            Told::None => return Err("the file system says that it takes no direct I/O".into()),
            Told::Alignment(alignment) => alignment,
        };
        all = Some(all.map_or(own, |all| all.and(own)));
    }
    let all = all.unwrap_or(usual);
    if !block.0.is_multiple_of(all.offset as u64) || all.memory > MOST {
        let needs = Bytes(all.offset.max(all.memory) as u64);
        return Err(format!(
            "direct I/O here needs multiples of {needs} and this workload's blocks are {block}"
        ));
    }
    Ok(all)
}

/// Moves a block directly and looks whether it stays in the cache: twice before it is believed that
/// it does. `None` when the trial does not go this way.
fn looks(
    assignment: &Assignment<'_>,
    direction: Direction,
    files: &Files,
    buffers: &mut Buffers,
    alignment: Alignment,
) -> Option<Look> {
    let mut last = None;
    for operation in places(assignment, direction) {
        let file = files.get(operation.file);
        let look = look(file, &operation, buffers.get(0), alignment);
        last = Some(look);
        if look.passing != Passing::Stays {
            break;
        }
    }
    last
}

/// Blocks to look at: those that the trial is furthest from, so that it finds them in no cache.
fn places(assignment: &Assignment<'_>, direction: Direction) -> impl Iterator<Item = Operation> {
    let pattern = &assignment.pattern;
    let furthest = assignment.first + pattern.operations() - 1;
    (0..SEARCHED.min(furthest + 1))
        .map(move |back| pattern.at(furthest - back))
        .filter(move |operation| operation.direction == direction)
        .take(LOOKS as usize)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn aligned(memory: usize, offset: usize) -> Told {
        Told::Alignment(Alignment { memory, offset })
    }

    #[test]
    fn the_largest_alignment_suits_all_files() {
        let files = [aligned(4, 512), aligned(512, 4096), aligned(1, 512)];
        let suits = suits(files.into_iter(), Bytes(8192)).unwrap();
        assert_eq!((suits.memory, suits.offset), (512, 4096));
    }

    #[test]
    fn what_is_not_told_is_taken_as_usual() {
        let suits = suits([Told::Nothing].into_iter(), Bytes(4096)).unwrap();
        assert_eq!((suits.memory, suits.offset), (4096, 4096));
    }

    #[test]
    fn blocks_that_cannot_be_moved_directly_are_said() {
        let why = suits([aligned(512, 16384)].into_iter(), Bytes(4096)).unwrap_err();
        assert!(
            why.contains("multiples of 16 KiB") && why.contains("4 KiB"),
            "{why}"
        );
        assert!(suits([aligned(512, 16384)].into_iter(), Bytes(24 << 10)).is_err());
        assert!(suits([aligned(512, 16384)].into_iter(), Bytes(1 << 20)).is_ok());
        let files = [aligned(512, 512), Told::None];
        let why = suits(files.into_iter(), Bytes(4096)).unwrap_err();
        assert!(why.contains("takes no direct I/O"), "{why}");
    }
}
