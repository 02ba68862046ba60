//! What stands in a block of test data: each describes itself and no two are alike.
//!
//! | bytes | content |
//! | --- | --- |
//! | 0..8 | `POOLPRF1` |
//! | 8..24 | identity of the study |
//! | 24..32 | number of the file |
//! | 32..40 | number of the block in the file |
//! | 40..48 | generation: which writing of this block it is |
//! | 48..4088 | incompressible filling, a function of all the above |
//! | 4088..4096 | XXH3-64 of everything before it |
//!
//! Numbers are little-endian. Content is a pure function of the address, so that any block can be
//! made again without state, no block repeats within or across files, phases and sittings, and a
//! block that is read from the wrong place gives itself away.

use twox_hash::XxHash3_64;

/// Bytes of one self-describing block; operations are multiples of it.
pub const BLOCK: usize = 4096;
const MAGIC: &[u8; 8] = b"POOLPRF1";
const SUM: usize = BLOCK - 8;

/// Which block of which study, and which writing of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Address {
    /// Identity of the study.
    pub study: u128,
    /// Number of the file in the study's test data.
    pub file: u64,
    /// Number of the block in the file, counted in [`BLOCK`] bytes.
    pub block: u64,
    /// Which writing of the block.
    pub generation: u64,
}

/// What is wrong with a block that was read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Damage {
    /// It does not begin as a block of test data.
    #[error("not a block of test data")]
    Foreign,
    /// The checksum does not fit the content.
    #[error("content differs from its checksum")]
    Content,
    /// A whole block, from another study, file or place.
    #[error("a block from another place")]
    Place,
}

/// Fills `buffer`, a multiple of [`BLOCK`], with the blocks from `first` on.
pub fn fill(buffer: &mut [u8], first: Address) {
    for (index, block) in buffer.chunks_exact_mut(BLOCK).enumerate() {
        fill_block(
            block,
            Address {
                block: first.block + index as u64,
                ..first
            },
        );
    }
}

fn fill_block(block: &mut [u8], address: Address) {
    block[..8].copy_from_slice(MAGIC);
    block[8..24].copy_from_slice(&address.study.to_le_bytes());
    block[24..32].copy_from_slice(&address.file.to_le_bytes());
    block[32..40].copy_from_slice(&address.block.to_le_bytes());
    block[40..48].copy_from_slice(&address.generation.to_le_bytes());
    let key = XxHash3_64::oneshot(&block[..48]);
    incompressible(&mut block[48..SUM], key);
    let sum = XxHash3_64::oneshot(&block[..SUM]);
    block[SUM..].copy_from_slice(&sum.to_le_bytes());
}

/// A counter through a 64-bit multiply-and-fold: one multiplication for eight bytes, so that making
/// content never limits a share.
fn incompressible(buffer: &mut [u8], key: u64) {
    for (index, word) in buffer.chunks_exact_mut(8).enumerate() {
        let s = key.wrapping_add((index as u64 + 1).wrapping_mul(0x2d35_8dcc_aa6c_78a5));
        let t = u128::from(s).wrapping_mul(u128::from(s ^ 0x8bb8_4b93_962e_acc9));
        word.copy_from_slice(&((t as u64) ^ (t >> 64) as u64).to_le_bytes());
    }
}

/// Reads one block back: its generation when it is whole and in its place.
///
/// `expected.generation` is not compared: blocks of the write set change theirs with every write.
pub fn check(block: &[u8], expected: Address) -> Result<u64, Damage> {
    let found = address(block)?;
    let at_home = Address {
        generation: found.generation,
        ..expected
    };
    match found == at_home {
        true => Ok(found.generation),
        false => Err(Damage::Place),
    }
}

/// Which block a whole block of test data is, wherever it was found.
///
/// # Errors
/// [`Damage::Foreign`] or [`Damage::Content`] when it is none, or not whole.
pub fn address(block: &[u8]) -> Result<Address, Damage> {
    if &block[..8] != MAGIC {
        return Err(Damage::Foreign);
    }
    let word = |at: usize| u64::from_le_bytes(block[at..at + 8].try_into().expect("eight bytes"));
    if XxHash3_64::oneshot(&block[..SUM]) != word(SUM) {
        return Err(Damage::Content);
    }
    Ok(Address {
        study: u128::from(word(8)) | u128::from(word(16)) << 64,
        file: word(24),
        block: word(32),
        generation: word(40),
    })
}

/// Whether a block of a file that is written to can be this program's: it begins as test data does, or
/// is empty as a write of zeros that was cut off leaves it.
pub fn may_be_ours(block: &[u8]) -> bool {
    block.starts_with(MAGIC) || block.iter().all(|byte| *byte == 0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    const HOME: Address = Address {
        study: 77,
        file: 3,
        block: 10,
        generation: 5,
    };

    #[test]
    fn a_filled_block_checks_and_each_damage_is_told() {
        let mut buffer = vec![0; 3 * BLOCK];
        fill(&mut buffer, HOME);
        let at = |n: u64| Address {
            block: 10 + n,
            ..HOME
        };
        for n in 0..3 {
            let block = &buffer[n as usize * BLOCK..][..BLOCK];
            assert_eq!(check(block, at(n)), Ok(5));
            assert_eq!(check(block, at(n + 1)), Err(Damage::Place));
        }
        buffer[2000] ^= 1;
        assert_eq!(check(&buffer[..BLOCK], at(0)), Err(Damage::Content));
        assert_eq!(check(&[0; BLOCK], at(0)), Err(Damage::Foreign));
    }

    #[test]
    fn blocks_differ_by_every_part_of_their_address() {
        let others = [
            HOME,
            Address { study: 78, ..HOME },
            Address { file: 4, ..HOME },
            Address { block: 11, ..HOME },
            Address {
                generation: 6,
                ..HOME
            },
        ];
        let middles: BTreeSet<Vec<u8>> = others
            .iter()
            .map(|&address| {
                let mut block = vec![0; BLOCK];
                fill(&mut block, address);
                block[48..SUM].to_vec()
            })
            .collect();
        assert_eq!(middles.len(), others.len());
    }

    /// Shannon 1948: incompressible bytes have close to 8 bits of entropy each. The mean of the
    /// plug-in estimate over N bytes lies about 255/(2 N ln 2) below 8 (Miller 1955, from memory).
    #[test]
    fn filling_has_the_entropy_of_random_bytes() {
        let mut buffer = vec![0; 256 * BLOCK];
        fill(&mut buffer, HOME);
        let mut counts = [0u64; 256];
        buffer.iter().for_each(|&byte| counts[byte as usize] += 1);
        let total = buffer.len() as f64;
        let entropy: f64 = counts
            .iter()
            .filter(|&&count| count > 0)
            .map(|&count| count as f64 / total)
            .map(|p| -p * p.log2())
            .sum();
        // The 56 bytes of header, file and place repeat in part: about 1.4 % of the block.
        assert!(entropy > 7.99, "{entropy}");
    }
}
