//! Where the pool's bytes lie on its drives.

use crate::pool::{Level, Pool};

/// A stretch on one drive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Piece {
    /// Number of the drive.
    pub(super) member: usize,
    /// First byte on the drive.
    pub(super) at: u64,
    /// Length in bytes.
    pub(super) bytes: u64,
}

impl Piece {
    /// As it is on a drive that moves the part `stored` of each byte, 0 to 1: shorter, and as much
    /// nearer to the beginning.
    pub(super) fn stored(self, stored: f64) -> Self {
        if stored >= 1.0 {
            return self;
        }
        let scaled = |bytes: u64| (bytes as f64 * stored) as u64;
        Self {
            at: scaled(self.at),
            bytes: scaled(self.bytes).max(1),
            ..self
        }
    }
}

/// What writing takes: everything of `reads` first, then everything of `writes`.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct WritePlan {
    pub(super) reads: Vec<Piece>,
    pub(super) writes: Vec<Piece>,
}

/// Chunks dealt over drives with rotating parity.
#[derive(Clone, Copy, Debug)]
pub(super) struct Layout {
    pool: Pool,
    chunk: u64,
}

impl Layout {
    pub(super) fn new(pool: Pool, chunk: u64) -> Self {
        Self { pool, chunk }
    }

    /// Bytes of data in a stripe.
    pub(super) fn stripe(&self) -> u64 {
        self.chunk * u64::from(self.pool.data_drives())
    }

    /// The first byte of the pool behind all that lies on the first `bytes` of each drive.
    pub(super) fn filled_to(&self, bytes: u64) -> u64 {
        bytes.saturating_mul(u64::from(self.pool.data_drives()))
    }

    /// Drives of the pool.
    pub(super) fn drives(&self) -> usize {
        self.pool.drives as usize
    }

    /// The drive of data chunk `index` of `stripe`; parity stands one drive further with each stripe.
    fn member(&self, stripe: u64, index: u64) -> usize {
        let drives = self.drives();
        let parity = self.pool.level.parity_drives() as usize;
        match self.pool.level {
            Level::Raid0 => index as usize,
            Level::Raid1 => stripe as usize % drives,
            // Either drive of a pair can serve; by turns.
            Level::Raid10 => 2 * index as usize + stripe as usize % 2,
            Level::Raid5 | Level::Raid6 => {
                let first_parity = drives - 1 - (stripe % drives as u64) as usize;
                (first_parity + parity + index as usize) % drives
            }
        }
    }

    /// Data chunks of `start..end`: stripe, index in the stripe, first and last byte in the chunk.
    fn chunks(&self, start: u64, end: u64) -> impl Iterator<Item = (u64, u64, u64, u64)> {
        let (chunk, data) = (self.chunk, u64::from(self.pool.data_drives()));
        (start / chunk..end.div_ceil(chunk)).map(move |number| {
            let base = number * chunk;
            let from = start.saturating_sub(base);
            (number / data, number % data, from, (end - base).min(chunk))
        })
    }

    /// Reads `start..end` of the pool's bytes.
    pub(super) fn read(&self, start: u64, end: u64) -> Vec<Piece> {
        self.chunks(start, end)
            .map(|(stripe, index, from, to)| Piece {
                member: self.member(stripe, index),
                at: stripe * self.chunk + from,
                bytes: to - from,
            })
            .collect()
    }

    /// Writes `start..end`, which lies in one stripe.
    pub(super) fn write(&self, start: u64, end: u64) -> WritePlan {
        let data = self.read(start, end);
        let stripe = start / self.stripe();
        let parity = self.pool.level.parity_drives() as usize;
        match self.pool.level {
            Level::Raid0 => {
                return WritePlan {
                    reads: vec![],
                    writes: data,
                };
            }
            Level::Raid1 => {
                let copies = |piece: &Piece| {
                    let piece = *piece;
                    (0..self.drives()).map(move |member| Piece { member, ..piece })
                };
                let writes = data.iter().flat_map(copies).collect();
                return WritePlan {
                    reads: vec![],
                    writes,
                };
            }
            Level::Raid10 => {
                let both = |piece: &Piece| {
                    let (member, piece) = (piece.member & !1, *piece);
                    [member, member + 1].map(|member| Piece { member, ..piece })
                };
                let writes = data.iter().flat_map(both).collect();
                return WritePlan {
                    reads: vec![],
                    writes,
                };
            }
            Level::Raid5 | Level::Raid6 => {}
        }
        // Parity covers the rows, counted within a chunk, that any of the data touches.
        let base = stripe * self.chunk;
        let from = data.iter().map(|piece| piece.at).min().unwrap_or(base);
        let to = data
            .iter()
            .map(|piece| piece.at + piece.bytes)
            .max()
            .unwrap_or(base);
        let row = |member| Piece {
            member,
            at: from,
            bytes: to - from,
        };
        let first_parity = self.drives() - 1 - (stripe % self.drives() as u64) as usize;
        let parities = (0..parity).map(|i| row((first_parity + i) % self.drives()));
        let data_drives = u64::from(self.pool.data_drives());
        // Data of these rows that is not written as a whole, and so would have to be read.
        let rest: Vec<Piece> = (0..data_drives)
            .map(|index| row(self.member(stripe, index)))
            .filter(|all| !data.contains(all))
            .collect();
        let reads = if data.len() + parity <= rest.len() {
            data.iter().copied().chain(parities.clone()).collect()
        } else {
            rest
        };
        let writes = data.iter().copied().chain(parities).collect();
        WritePlan { reads, writes }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    const CHUNK: u64 = 512 << 10;

    fn layout(level: Level, drives: u32) -> Layout {
        let pool = Pool {
            level,
            drives,
            drive_size: None,
        };
        Layout::new(pool, CHUNK)
    }

    #[test]
    fn no_two_bytes_share_a_place_and_all_drives_serve() {
        for (level, drives) in [
            (Level::Raid0, 3),
            (Level::Raid10, 4),
            (Level::Raid5, 4),
            (Level::Raid6, 5),
        ] {
            let layout = layout(level, drives);
            let stripes = 2 * u64::from(drives);
            let pieces = layout.read(0, stripes * layout.stripe());
            let places: BTreeSet<_> = pieces.iter().map(|p| (p.member, p.at)).collect();
            assert_eq!(places.len(), pieces.len(), "{level}");
            let members: BTreeSet<_> = pieces.iter().map(|p| p.member).collect();
            assert_eq!(members.len(), drives as usize, "{level}");
            assert_eq!(
                pieces.iter().map(|p| p.bytes).sum::<u64>(),
                stripes * layout.stripe()
            );
        }
    }

    /// Chen et al. 1994, §3.2.5, §3.2.7 and Table 3: a small write costs 4 or 6 operations, or one on
    /// each drive of a small pool; a full stripe is written without reading.
    #[test]
    fn writes_cost_what_the_book_says() {
        for (level, drives, operations) in [
            (Level::Raid0, 4, 1),
            (Level::Raid1, 2, 2),
            (Level::Raid10, 4, 2),
            (Level::Raid5, 3, 3),
            (Level::Raid5, 5, 4),
            (Level::Raid6, 4, 4),
            (Level::Raid6, 8, 6),
        ] {
            let layout = layout(level, drives);
            let small = layout.write(5 * CHUNK + 8192, 5 * CHUNK + 12_288);
            assert_eq!(
                small.reads.len() + small.writes.len(),
                operations,
                "{level} {drives}"
            );
            let full = layout.write(layout.stripe(), 2 * layout.stripe());
            assert_eq!(full.reads, []);
            let members: BTreeSet<_> = full.writes.iter().map(|p| p.member).collect();
            assert_eq!(members.len(), drives as usize);
            assert_eq!(full.writes.len(), drives as usize);
        }
    }
}
