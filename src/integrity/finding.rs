//! What is wrong with a block, in words that help to find the cause.

use super::Judged;
use crate::plan::content::{self, Address, BLOCK};
use crate::study::Kind;

/// Neighbouring blocks of one file that are damaged alike.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// Where the first begins in the file, in bytes.
    pub offset: u64,
    /// How many of 4 KiB.
    pub blocks: u64,
    /// What is wrong.
    pub kind: Kind,
    /// What was found instead.
    pub found: String,
}

impl Finding {
    /// One block, by its number in the file.
    pub fn block(block: u64, kind: Kind, found: String) -> Self {
        Self {
            offset: block * BLOCK as u64,
            blocks: 1,
            kind,
            found,
        }
    }

    /// Adds `next` to `all`, to the last of them where it goes on with the same.
    pub fn add(all: &mut Vec<Self>, next: Self) {
        match all.last_mut() {
            Some(last)
                if last.offset + last.blocks * BLOCK as u64 == next.offset
                    && (last.kind, &last.found) == (next.kind, &next.found) =>
            {
                last.blocks += next.blocks;
            }
            _ => all.push(next),
        }
    }
}

/// A whole block that does not belong to `home`.
pub(super) fn elsewhere(content: &[u8], home: Address) -> Judged {
    let Ok(found) = content::address(content) else {
        return altered(content, home);
    };
    if found.study != home.study {
        let study = found.study;
        let what = format!("a whole block of another study, {study:032x}");
        return Judged::Damaged(Kind::Generation, what);
    }
    let what = if found.file == home.file {
        format!(
            "the block that belongs at offset {} of this file",
            place(found)
        )
    } else {
        format!(
            "the block that belongs at offset {} of file {}",
            place(found),
            found.file
        )
    };
    Judged::Damaged(Kind::Place, what)
}

fn place(address: Address) -> u64 {
    address.block.saturating_mul(BLOCK as u64)
}

/// A block that is not whole. Its content is a function of its header, so what differs can be
/// counted.
pub(super) fn altered(content: &[u8], home: Address) -> Judged {
    let damaged = |what: String| Judged::Damaged(Kind::Content, what);
    if content.iter().all(|byte| *byte == 0) {
        return damaged("zeros".to_owned());
    }
    // The generation may be what is altered, so that of laying down is tried, too.
    let stated = u64::from_le_bytes(content[40..48].try_into().expect("eight bytes"));
    let differing = [stated, 0].map(|generation| {
        let mut meant = vec![0; BLOCK];
        content::fill(&mut meant, Address { generation, ..home });
        let differ = |(meant, found): (&u8, &u8)| meant != found;
        let count = meant
            .iter()
            .zip(content)
            .filter(|&pair| differ(pair))
            .count();
        let first = meant.iter().zip(content).position(differ).unwrap_or(0);
        (count, first)
    });
    let (count, first) = differing[0].min(differing[1]);
    match count {
        // By chance one byte in 256 of unlike content agrees.
        count if count > BLOCK * 9 / 10 => damaged("nothing of what was written".to_owned()),
        1 => damaged(format!("one byte differs, number {first} of the block")),
        _ => damaged(format!(
            "{count} bytes differ, the first is number {first} of the block"
        )),
    }
}

/// Whether the front half of a block begins as one that belongs to `home`, of any generation.
pub(super) fn header_is(front: &[u8], home: Address) -> bool {
    let generation = u64::from_le_bytes(front[40..48].try_into().expect("eight bytes"));
    let mut meant = vec![0; BLOCK];
    content::fill(&mut meant, Address { generation, ..home });
    front == &meant[..front.len()]
}
