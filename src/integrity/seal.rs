//! What is remembered of a person's own files: keyed hashes, from which nothing of the content can be
//! read and nothing compared with files elsewhere.
//!
//! The hash is BLAKE3 (O'Connor, Aumasson, Neves, Wilcox-O'Hearn, 2020) in its keyed mode. The key is
//! derived from the study's identity and seed; seal, file and number of the block go in before the
//! content, so that equal blocks have unlike hashes.

use std::collections::{BTreeMap, BTreeSet};

use super::path::unescaped;
use crate::seed::Seed;
use crate::study::tables::TableError;
use crate::study::{Config, SealRow};

/// Bytes of a block of a sealed file.
pub const SEAL_BLOCK: u64 = 64 << 10;
/// Blocks in one row, so that a cell stays within what spreadsheets take (32,767 characters).
const IN_A_ROW: usize = 600;
const CONTEXT: &str = "poolproof 2026 seals of files";
/// What stands for the number of a block when all content goes into one hash.
const WHOLE: u64 = u64::MAX;

/// The key of a study's seals.
#[derive(Clone)]
pub struct SealKey([u8; 32]);

impl SealKey {
    /// The key of this study.
    pub fn of(config: &Config) -> Self {
        let id = config.id.0.to_le_bytes();
        let material = [&id[..], &config.seed.0.to_le_bytes()].concat();
        Self(blake3::derive_key(CONTEXT, &material))
    }

    fn hasher(&self, seal: u64, file: u64, block: u64) -> blake3::Hasher {
        let mut hasher = blake3::Hasher::new_keyed(&self.0);
        for number in [seal, file, block] {
            hasher.update(&number.to_le_bytes());
        }
        hasher
    }

    /// The hash of one block of a file.
    pub fn block(&self, seal: u64, file: u64, block: u64, content: &[u8]) -> String {
        let mut hasher = self.hasher(seal, file, block);
        let hash = hasher.update(content).finalize();
        // 128 bits: damage is chance, and 2⁻¹²⁸ of being missed is little enough.
        hash.to_hex()[..32].to_owned()
    }

    /// A hash that takes all content of a file piece by piece.
    pub fn whole(&self, seal: u64, file: u64) -> WholeHash {
        WholeHash(self.hasher(seal, file, WHOLE))
    }
}

impl std::fmt::Debug for SealKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("SealKey")
    }
}

/// The hash of all content of a file, piece by piece.
pub struct WholeHash(blake3::Hasher);

impl WholeHash {
    /// Takes the next piece.
    pub fn update(&mut self, content: &[u8]) {
        self.0.update(content);
    }

    /// The hash of all pieces.
    pub fn hex(&self) -> String {
        self.0.finalize().to_hex().to_string()
    }
}

/// The hashes of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Hashes {
    /// Of some blocks, by number; of none where the sample holds none of the file.
    Blocks(Vec<(u64, String)>),
    /// Of all content.
    All(String),
}

impl Hashes {
    /// The cells of its rows: one at least.
    pub fn cells(&self) -> Vec<String> {
        match self {
            Self::All(hash) => vec![format!("all:{hash}")],
            Self::Blocks(blocks) if blocks.is_empty() => vec![String::new()],
            Self::Blocks(blocks) => {
                let cell = |blocks: &[(u64, String)]| {
                    let each = blocks.iter().map(|(block, hash)| format!("{block}:{hash}"));
                    each.collect::<Vec<_>>().join(";")
                };
                blocks.chunks(IN_A_ROW).map(cell).collect()
            }
        }
    }

    /// Reads a cell.
    fn parse(cell: &str) -> Option<Self> {
        let hex = |text: &str, digits: usize| {
            let good = text.len() == digits && text.bytes().all(|b| b.is_ascii_hexdigit());
            good.then(|| text.to_owned())
        };
        if cell.is_empty() {
            return Some(Self::Blocks(Vec::new()));
        }
        if let Some(hash) = cell.strip_prefix("all:") {
            return hex(hash, 64).map(Self::All);
        }
        let block = |text: &str| {
            let (number, hash) = text.split_once(':')?;
            Some((number.parse().ok()?, hex(hash, 32)?))
        };
        let blocks: Option<Vec<_>> = cell.split(';').map(block).collect();
        blocks
            .filter(|blocks| blocks.len() <= IN_A_ROW)
            .map(Self::Blocks)
    }
}

/// A sealed file, as its rows tell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sealed {
    /// Number of the seal.
    pub seal: u64,
    /// Number of the file in it.
    pub file: u64,
    /// Its path from the root.
    pub path: Vec<u8>,
    /// Its size.
    pub size: u64,
    /// When its content was last changed, in nanoseconds since 1970.
    pub modified_ns: i64,
    /// When anything of it was.
    pub changed_ns: i64,
    /// Its hashes.
    pub hashes: Hashes,
}

impl Sealed {
    /// The rows of it; `at` is the moment at which it was looked at.
    pub fn rows(&self, at: jiff::Timestamp) -> Vec<SealRow> {
        let row = |hashes| SealRow {
            seal: self.seal,
            at,
            file: self.file,
            path: super::escaped(&self.path),
            size_bytes: self.size,
            modified_ns: self.modified_ns,
            changed_ns: self.changed_ns,
            block_bytes: SEAL_BLOCK,
            hashes,
        };
        self.hashes.cells().into_iter().map(row).collect()
    }

    /// The files that `rows` of the table `table` tell of, each as its latest seal has it.
    ///
    /// # Errors
    /// The first row that makes no sense.
    pub fn all(table: &str, rows: &[SealRow]) -> Result<Vec<Self>, TableError> {
        let mut files: BTreeMap<Vec<u8>, Self> = BTreeMap::new();
        for (index, row) in rows.iter().enumerate() {
            let wrong = |why: &str| TableError {
                table: table.to_owned(),
                line: index as u64 + 2,
                why: why.to_owned(),
            };
            let path = unescaped(&row.path).filter(|path| path.starts_with(b"/"));
            let path = path.ok_or_else(|| wrong("the path is none from the root"))?;
            if row.block_bytes != SEAL_BLOCK {
                return Err(wrong("blocks of another size than this version's"));
            }
            let hashes = Hashes::parse(&row.hashes).ok_or_else(|| wrong("these are no hashes"))?;
            if let Hashes::Blocks(blocks) = &hashes {
                let beyond = |(block, _): &(u64, String)| {
                    block
                        .checked_mul(SEAL_BLOCK)
                        .is_none_or(|at| at >= row.size_bytes)
                };
                if blocks.iter().any(beyond) {
                    return Err(wrong("a block lies beyond the end of the file"));
                }
            }
            match files.get_mut(&path) {
                Some(known) if (known.seal, known.file) == (row.seal, row.file) => {
                    match (&mut known.hashes, hashes) {
                        (Hashes::Blocks(all), Hashes::Blocks(more)) => all.extend(more),
                        _ => return Err(wrong("a file is sealed by blocks and as a whole")),
                    }
                }
                _ => {
                    let sealed = Self {
                        seal: row.seal,
                        file: row.file,
                        path: path.clone(),
                        size: row.size_bytes,
                        modified_ns: row.modified_ns,
                        changed_ns: row.changed_ns,
                        hashes,
                    };
                    files.insert(path, sealed);
                }
            }
        }
        let mut all: Vec<Self> = files.into_values().collect();
        all.sort_by_key(|sealed| (sealed.seal, sealed.file));
        Ok(all)
    }
}

/// Draws `wanted` of the numbers below `all`, each set of them with the same chance, in their order:
/// Floyd's way (J. Bentley and B. Floyd, "A sample of brilliance", Comm. ACM 30 (1987) 754-757;
/// citation from memory).
pub fn draw(all: u64, wanted: u64, seed: Seed) -> Vec<u64> {
    let mut chance = seed.rng();
    let mut drawn = BTreeSet::new();
    for last in all.saturating_sub(wanted)..all {
        let number = chance.u64(0..=last);
        if !drawn.insert(number) {
            drawn.insert(last);
        }
    }
    drawn.into_iter().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::Identity;

    fn key(seed: u64) -> SealKey {
        let at = jiff::Timestamp::UNIX_EPOCH;
        SealKey::of(&Config::new(Identity(7), Seed(seed), at, "/mnt".into()))
    }

    #[test]
    fn hashes_depend_on_key_place_and_content() {
        let one = key(1).block(1, 0, 5, b"lamp");
        assert_eq!(one, key(1).block(1, 0, 5, b"lamp"));
        let others = [
            key(2).block(1, 0, 5, b"lamp"),
            key(1).block(2, 0, 5, b"lamp"),
            key(1).block(1, 1, 5, b"lamp"),
            key(1).block(1, 0, 6, b"lamp"),
            key(1).block(1, 0, 5, b"lamq"),
        ];
        assert!(others.iter().all(|other| *other != one));
        let mut whole = key(1).whole(1, 0);
        whole.update(b"la");
        whole.update(b"mp");
        let mut again = key(1).whole(1, 0);
        again.update(b"lamp");
        assert_eq!(whole.hex(), again.hex());
    }

    #[test]
    fn rows_lead_back_to_what_was_sealed_and_a_later_seal_counts() {
        let blocks = (0..1_500).map(|n| (n, format!("{n:032x}"))).collect();
        let sealed = Sealed {
            seal: 1,
            file: 0,
            path: b"/mnt/a\nb".to_vec(),
            size: 1_500 * SEAL_BLOCK,
            modified_ns: 5,
            changed_ns: 6,
            hashes: Hashes::Blocks(blocks),
        };
        let rows = sealed.rows(jiff::Timestamp::UNIX_EPOCH);
        assert_eq!(rows.len(), 3);
        assert!(rows.iter().all(|row| row.hashes.len() < 32_767));
        assert_eq!(Sealed::all("seals.csv", &rows), Ok(vec![sealed.clone()]));
        let later = Sealed {
            seal: 2,
            hashes: Hashes::All("0".repeat(64)),
            ..sealed
        };
        let rows = [rows, later.rows(jiff::Timestamp::UNIX_EPOCH)].concat();
        assert_eq!(Sealed::all("seals.csv", &rows), Ok(vec![later]));
        for hashes in ["x", "1:", "all:12", "9999:00000000000000000000000000000000"] {
            let row = SealRow {
                hashes: hashes.into(),
                ..rows[0].clone()
            };
            let error = Sealed::all("seals.csv", &[row]).unwrap_err();
            assert_eq!(error.line, 2, "{hashes}");
        }
    }

    #[test]
    fn draws_are_distinct_and_even() {
        let mut counts = [0; 20];
        for seed in 0..2_000 {
            let drawn = draw(20, 5, Seed(seed));
            assert_eq!(drawn.len(), 5);
            drawn
                .iter()
                .for_each(|number| counts[*number as usize] += 1);
        }
        // 500 expected of each, with a deviation of 19.
        assert!(
            counts.iter().all(|count| (400..600).contains(count)),
            "{counts:?}"
        );
        assert_eq!(draw(3, 10, Seed(1)), [0, 1, 2]);
        assert!(draw(0, 10, Seed(1)).is_empty());
    }
}
