//! Seals a file, and compares one with its seal.

use std::io;
use std::sync::Arc;

use super::file::{Plain, Refused, State};
use crate::integrity::{Hashes, SEAL_BLOCK, SealKey, Sealed};
use crate::load::{Pace, Watch, is_share_gone};
use crate::study::SealedState;
use crate::units::Bytes;

/// Bytes of one read where all content is read.
const CHUNK: usize = 1 << 20;

/// What reading needs to know.
#[derive(Debug)]
pub struct Read {
    /// The study's key.
    pub key: SealKey,
    /// How fast.
    pub pace: Arc<Pace>,
    /// Counts bytes, and tells when to stop.
    pub watch: Watch,
}

/// How a file was found again.
#[derive(Debug)]
pub struct Compared {
    /// In a word.
    pub state: SealedState,
    /// Blocks that were compared, where blocks were sampled.
    pub blocks: u64,
    /// Of these, blocks that differ.
    pub differing: u64,
    /// Bytes that were compared.
    pub bytes: u64,
    /// What was found; empty where nothing is to be said.
    pub found: String,
    /// The share does not answer any more: nothing can be said of this file.
    pub lost: Option<io::Error>,
}

/// Seals the file at `path` as file number `file` of seal number `seal`: the blocks of these numbers,
/// or all content. `None` when an end was asked for. Tells, beside it, whether its access time was
/// left alone.
///
/// # Errors
/// When it cannot be read, or was changed meanwhile; why.
pub fn seal(
    read: &Read,
    (seal, file): (u64, u64),
    path: &[u8],
    blocks: Option<&[u64]>,
) -> Option<Result<(Sealed, bool), String>> {
    let words = |refused| match refused {
        Refused::Gone => "it is gone".to_owned(),
        Refused::NotPlain(why) => why.to_owned(),
        Refused::Failed(error) => error.to_string(),
    };
    let plain = match Plain::open(path) {
        Ok(plain) => plain,
        Err(refused) => return Some(Err(words(refused))),
    };
    let before = match plain.state() {
        Ok(state) => state,
        Err(error) => return Some(Err(error.to_string())),
    };
    let hashes = match blocks {
        None => whole(read, &plain, (seal, file), before.size)?.map(Hashes::All),
        Some(blocks) => {
            let mut hashes = Ok(Vec::new());
            let mut buffer = vec![0; SEAL_BLOCK as usize];
            for &block in blocks
                .iter()
                .filter(|block| *block * SEAL_BLOCK < before.size)
            {
                let hash = hash(read, &plain, (seal, file, block), before.size, &mut buffer)?;
                match (&mut hashes, hash) {
                    (Ok(hashes), Ok(Some(hash))) => hashes.push((block, hash)),
                    (Ok(_), Ok(None)) => hashes = Err(io::Error::other("it ends before its size")),
                    (Ok(_), Err(error)) => hashes = Err(error),
                    (Err(_), _) => break,
                }
            }
            hashes.map(Hashes::Blocks)
        }
    };
    let sealed = hashes
        .map_err(|error| error.to_string())
        .and_then(|hashes| {
            let after = plain.state().map_err(|error| error.to_string())?;
            if (after.size, after.modified_ns) != (before.size, before.modified_ns) {
                return Err("it is being written".to_owned());
            }
            let sealed = Sealed {
                seal,
                file,
                path: path.to_vec(),
                size: before.size,
                modified_ns: before.modified_ns,
                changed_ns: before.changed_ns,
                hashes,
            };
            Ok((sealed, plain.keeps_access_time))
        });
    Some(sealed)
}

/// Compares a sealed file with what is there now; `None` when an end was asked for.
pub fn compare(read: &Read, sealed: &Sealed) -> Option<Compared> {
    let plain = match Plain::open(&sealed.path) {
        Ok(plain) => plain,
        Err(refused) => return Some(Compared::refused(refused)),
    };
    let before = match plain.state() {
        Ok(state) => state,
        Err(error) => return Some(Compared::refused(Refused::Failed(error))),
    };
    if let Some(found) = changed(sealed, before) {
        return Some(Compared::only(SealedState::Changed, found));
    }
    let mut compared = match &sealed.hashes {
        Hashes::All(hash) => compare_whole(read, &plain, sealed, hash)?,
        Hashes::Blocks(blocks) => compare_blocks(read, &plain, sealed, blocks)?,
    };
    if compared.lost.is_some() {
        return Some(compared);
    }
    let now = plain.state().ok();
    // Somebody has written it while it was read: no silence, then.
    if let Some(found) = now.and_then(|now| changed(sealed, now)) {
        return Some(Compared::only(SealedState::Changed, found));
    }
    if compared.state == SealedState::Silent && before.changed_ns != sealed.changed_ns {
        compared.found +=
            "; its other times moved, so a program may have written it and put the old time back";
    }
    Some(compared)
}

impl Compared {
    fn only(state: SealedState, found: String) -> Self {
        Self {
            state,
            blocks: 0,
            differing: 0,
            bytes: 0,
            found,
            lost: None,
        }
    }

    fn refused(refused: Refused) -> Self {
        match refused {
            Refused::Gone => Self::only(SealedState::Gone, String::new()),
            Refused::NotPlain(why) => Self::only(SealedState::Replaced, why.to_owned()),
            Refused::Failed(error) => Self::failed(error),
        }
    }

    fn failed(error: io::Error) -> Self {
        let found = error.to_string();
        let lost = is_share_gone(&error).then_some(error);
        Self {
            lost,
            ..Self::only(SealedState::Unreadable, found)
        }
    }
}

/// How size or time differ from those of the seal.
fn changed(sealed: &Sealed, now: State) -> Option<String> {
    if now.size != sealed.size {
        let (then, now) = (Bytes(sealed.size), Bytes(now.size));
        return Some(format!("its size was {then} and is {now}"));
    }
    let moment = |ns: i64| {
        jiff::Timestamp::from_nanosecond(i128::from(ns))
            .map_or("unknown".to_owned(), |at| format!("{at:.0}"))
    };
    (now.modified_ns != sealed.modified_ns).then(|| {
        let (then, now) = (moment(sealed.modified_ns), moment(now.modified_ns));
        format!("it was last written {then} and now {now}")
    })
}

/// Its hash, or what went wrong; `None` when an end was asked for.
fn whole(
    read: &Read,
    plain: &Plain,
    (seal, file): (u64, u64),
    size: u64,
) -> Option<io::Result<String>> {
    let mut hash = read.key.whole(seal, file);
    let mut buffer = vec![0; CHUNK];
    let mut at = 0;
    while at < size {
        let length = (size - at).min(CHUNK as u64) as usize;
        if !read.pace.wait(length as u64, &read.watch) {
            return None;
        }
        let content = &mut buffer[..length];
        match plain.read(content, at) {
            Ok(found) if found == length => hash.update(content),
            Ok(_) => return Some(Err(io::Error::other("it ends before its size"))),
            Err(error) => return Some(Err(error)),
        }
        read.watch.add(length as u64);
        at += length as u64;
    }
    Some(Ok(hash.hex()))
}

/// The hash of a block, or what went wrong; an empty one when the file ends before; `None` when an end
/// was asked for.
fn hash(
    read: &Read,
    plain: &Plain,
    (seal, file, block): (u64, u64, u64),
    size: u64,
    buffer: &mut [u8],
) -> Option<io::Result<Option<String>>> {
    let at = block * SEAL_BLOCK;
    let length = (size - at).min(SEAL_BLOCK) as usize;
    if !read.pace.wait(length as u64, &read.watch) {
        return None;
    }
    let content = &mut buffer[..length];
    let found = plain.read(content, at);
    read.watch.add(length as u64);
    Some(found.map(|found| (found == length).then(|| read.key.block(seal, file, block, content))))
}

fn compare_whole(read: &Read, plain: &Plain, sealed: &Sealed, hash: &str) -> Option<Compared> {
    let place = (sealed.seal, sealed.file);
    let found = match whole(read, plain, place, sealed.size)? {
        Ok(found) => found,
        Err(error) => return Some(Compared::failed(error)),
    };
    let (state, words) = match found == hash {
        true => (SealedState::Unchanged, String::new()),
        false => (SealedState::Silent, "its content is another".to_owned()),
    };
    Some(Compared {
        bytes: sealed.size,
        ..Compared::only(state, words)
    })
}

fn compare_blocks(
    read: &Read,
    plain: &Plain,
    sealed: &Sealed,
    blocks: &[(u64, String)],
) -> Option<Compared> {
    let mut compared = Compared::only(SealedState::Unchanged, String::new());
    let mut buffer = vec![0; SEAL_BLOCK as usize];
    for (block, hash) in blocks {
        let place = (sealed.seal, sealed.file, *block);
        let mut found = self::hash(read, plain, place, sealed.size, &mut buffer)?;
        let right =
            |found: &io::Result<Option<String>>| matches!(found, Ok(Some(found)) if found == hash);
        let mut once_more = "";
        if found.is_ok() && !right(&found) {
            // Once more, which tells a drive from a transport.
            found = self::hash(read, plain, place, sealed.size, &mut buffer)?;
            if right(&found) {
                once_more = "; read once more, it is right: look at memory, cables and the network before the drives";
            }
        }
        let at = block * SEAL_BLOCK;
        match found {
            Ok(_) => {
                compared.blocks += 1;
                compared.bytes += (sealed.size - at).min(SEAL_BLOCK);
                if !right(&found) || !once_more.is_empty() {
                    compared.differing += 1;
                    if compared.differing == 1 {
                        compared.state = SealedState::Silent;
                        compared.found = format!("the block at offset {at} differs{once_more}");
                    }
                }
            }
            Err(error) if is_share_gone(&error) => return Some(Compared::failed(error)),
            Err(error) => {
                if compared.state == SealedState::Unchanged {
                    compared.state = SealedState::Unreadable;
                    compared.found = format!("the block at offset {at}: {error}");
                }
            }
        }
    }
    Some(compared)
}
