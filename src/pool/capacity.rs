//! What drives of any sizes hold together.

use super::Scheme;
use super::layers::{Layer, slice};
use crate::units::Bytes;

/// Where the bytes of a pool's drives go.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Capacity {
    /// All drives together.
    pub raw: Bytes,
    /// What data can have.
    pub usable: Bytes,
    /// Parity and second copies.
    pub redundancy: Bytes,
    /// What no layout can use: the rest of drives bigger than their company.
    pub wasted: Bytes,
    /// The layers from the bottom, where the scheme makes them.
    pub layers: Vec<Layer>,
}

impl Capacity {
    /// Capacity of a pool that is made of drives of `sizes` at once.
    ///
    /// With levels and RAID-Z the smallest drive counts: `data drives × smallest` (OSTEP chapter 38
    /// for equal drives). Layers use the rest of bigger drives as far as enough of them have it.
    pub fn of(scheme: Scheme, sizes: &[Bytes]) -> Self {
        if scheme.uneven() {
            return Self::of_layers(scheme, sizes, slice(sizes, scheme.parity()));
        }
        let drives = sizes.len() as u64;
        let raw = sizes.iter().copied().sum();
        let smallest = sizes.iter().copied().min().unwrap_or_default();
        let data = scheme.data_drives(u32::try_from(drives).unwrap_or(u32::MAX));
        let usable = smallest.times(u64::from(data));
        let taken = smallest.times(drives);
        Self {
            raw,
            usable,
            redundancy: taken.saturating_sub(usable),
            wasted: Bytes::saturating_sub(raw, taken),
            layers: Vec::new(),
        }
    }

    /// Capacity of this pool of `sizes` after drives of `new` joined it in place.
    ///
    /// Only layers remember their past: a new drive joins a layer that exists when it can take all
    /// of it, and layers are not cut anew; what is left above them makes more layers.
    pub fn grown(&self, scheme: Scheme, sizes: &[Bytes], new: &[Bytes]) -> Self {
        let all = [sizes, new].concat();
        if !scheme.uneven() {
            return Self::of(scheme, &all);
        }
        let mut layers = self.layers.clone();
        let mut left: Vec<Bytes> = sizes
            .iter()
            .map(|size| size.saturating_sub(joined(&layers, *size)))
            .collect();
        for size in new {
            let joins = joined(&layers, *size);
            left.push(size.saturating_sub(joins));
            let mut top = Bytes(0);
            for layer in &mut layers {
                top = top + layer.height;
                layer.drives += u32::from(top <= joins);
            }
        }
        layers.extend(slice(&left, scheme.parity()));
        Self::of_layers(scheme, &all, layers)
    }

    fn of_layers(scheme: Scheme, sizes: &[Bytes], layers: Vec<Layer>) -> Self {
        let raw: Bytes = sizes.iter().copied().sum();
        let sum = |drives: fn(&Layer, u32) -> u32| -> Bytes {
            let of = |layer: &Layer| {
                let drives = drives(layer, scheme.parity());
                layer.height.times(u64::from(drives))
            };
            layers.iter().map(of).sum()
        };
        let taken = sum(|layer, _| layer.drives);
        let usable = sum(|layer, parity| layer.drives - parity);
        Self {
            raw,
            usable,
            redundancy: taken.saturating_sub(usable),
            wasted: raw.saturating_sub(taken),
            layers,
        }
    }
}

/// The height of the layers that a drive of `size` can join: from the bottom, each one whole.
fn joined(layers: &[Layer], size: Bytes) -> Bytes {
    let tops = layers.iter().scan(Bytes(0), |top, layer| {
        *top = *top + layer.height;
        Some(*top)
    });
    tops.take_while(|top| *top <= size)
        .last()
        .unwrap_or_default()
}

/// Space of a RAID-Z pool that grew while it held data.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OldBlocks {
    /// Data that it can hold as it is: what it held keeps the old data-to-parity ratio.
    pub usable: Bytes,
    /// What rewriting all old data would win.
    pub won_by_rewriting: Bytes,
}

/// What a RAID-Z pool of `old` drives, grown to `new` drives of `size`, holds when `used` bytes of
/// data were in it before: `used + (raw − used ÷ old ratio) × new ratio`, where a ratio is data drives
/// over drives. (zpool-attach(8): "old blocks retain their old data-to-parity ratio".)
pub fn old_blocks(scheme: Scheme, size: Bytes, old: u32, new: u32, used: Bytes) -> OldBlocks {
    let (old, new) = (u64::from(old), u64::from(new));
    let data = |drives: u64| drives.saturating_sub(u64::from(scheme.parity()));
    let used = used.min(size.times(data(old)));
    let held = used.share(old, data(old));
    let free = size.times(new).saturating_sub(held);
    let usable = used + free.share(data(new), new);
    let full = size.times(data(new));
    OldBlocks {
        usable: usable.min(full),
        won_by_rewriting: full.saturating_sub(usable),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn tb(sizes: &[u64]) -> Vec<Bytes> {
        sizes.iter().map(|size| Bytes::TB.times(*size)).collect()
    }

    fn usable(scheme: Scheme, sizes: &[u64]) -> u64 {
        Capacity::of(scheme, &tb(sizes)).usable.0 / Bytes::TB.0
    }

    /// OSTEP chapter 38, capacity row: N, N/2, N−1; Chen et al. 1994, Table 3, storage efficiency:
    /// RAID 6 (G−2)/G.
    #[test]
    fn levels_of_equal_drives() {
        assert_eq!(usable(Scheme::Raid0, &[6; 4]), 24);
        assert_eq!(usable(Scheme::Raid10, &[6; 4]), 12);
        assert_eq!(usable(Scheme::Raid5, &[6; 4]), 18);
        assert_eq!(usable(Scheme::Raid6, &[6; 4]), 12);
        assert_eq!(usable(Scheme::Raid6, &[6; 5]), 18);
    }

    /// Common practice, no source: 4 TB shows as 3.64 TiB; RAID 1 gains no capacity, RAID 10 grows
    /// by pairs. Computed: RAID 5 of four 4 TB drives is 12 TB = 10.913936 TiB, of five
    /// 14.551915 TiB.
    #[test]
    fn trade_checks() {
        assert_eq!(Bytes::TB.times(4).iec(), "3.64 TiB");
        assert_eq!(usable(Scheme::Raid1, &[4, 4]), 4);
        assert_eq!(usable(Scheme::Raid1, &[4, 4, 4]), 4);
        assert_eq!(usable(Scheme::Raid10, &[4; 6]), 12);
        let tib = |drives| {
            let usable = Capacity::of(Scheme::Raid5, &vec![Bytes::TB.times(4); drives]).usable;
            usable.0 as f64 / Bytes::TIB.0 as f64
        };
        assert!((tib(4) - 10.913_936).abs() < 5e-7);
        assert!((tib(5) - 14.551_915).abs() < 5e-7);
    }

    #[test]
    fn the_smallest_counts_and_the_rest_is_wasted() {
        let mixed = Capacity::of(Scheme::Raid5, &tb(&[4, 6, 8]));
        assert_eq!(mixed.usable, Bytes::TB.times(8));
        assert_eq!(mixed.redundancy, Bytes::TB.times(4));
        assert_eq!(mixed.wasted, Bytes::TB.times(6));
    }

    /// Derived: 4, 4, 8, 8 with one parity: 4 TB × (4 − 1) below, 4 TB × (2 − 1) above.
    #[test]
    fn layers_use_the_rest() {
        let mixed = Capacity::of(Scheme::Uneven1, &tb(&[4, 4, 8, 8]));
        assert_eq!(mixed.usable, Bytes::TB.times(16));
        assert_eq!(mixed.wasted, Bytes(0));
        assert_eq!(mixed.layers.len(), 2);
        // Two big drives have no third for a layer of their own with two parities.
        let double = Capacity::of(Scheme::Uneven2, &tb(&[4, 4, 8, 8]));
        assert_eq!(double.usable, Bytes::TB.times(8));
        assert_eq!(double.wasted, Bytes::TB.times(8));
    }

    /// Derived: a 6 TB drive joins the lower layer of 4, 4, 8, 8; it cannot take all 4 TB of the
    /// upper one, which is not cut anew, so 2 TB of it lie idle. Made at once, 4, 4, 6, 8, 8 hold
    /// 4 × 4 + 2 × 2 + 2 × 1.
    #[test]
    fn layers_that_exist_are_not_cut_anew() {
        let sizes = tb(&[4, 4, 8, 8]);
        let old = Capacity::of(Scheme::Uneven1, &sizes);
        let grown = old.grown(Scheme::Uneven1, &sizes, &tb(&[6]));
        assert_eq!(grown.usable, Bytes::TB.times(20));
        assert_eq!(grown.wasted, Bytes::TB.times(2));
        assert_eq!(usable(Scheme::Uneven1, &[4, 4, 6, 8, 8]), 22);
        // A second big drive finds the first one's rest.
        let sizes = tb(&[4, 4, 8]);
        let old = Capacity::of(Scheme::Uneven1, &sizes);
        let grown = old.grown(Scheme::Uneven1, &sizes, &tb(&[8]));
        assert_eq!(grown.usable, Bytes::TB.times(16));
    }

    /// zpool-attach(8): 5-wide RAID-Z2 has 3 data and 2 parity (0.600), 6-wide 4 + 2 (0.6667).
    #[test]
    fn old_blocks_keep_their_share() {
        let size = Bytes::TB.times(10);
        let empty = old_blocks(Scheme::RaidZ2, size, 5, 6, Bytes(0));
        assert_eq!(empty.usable, Bytes::TB.times(40));
        assert_eq!(empty.won_by_rewriting, Bytes(0));
        // Full: 30 TB of data hold 50 TB of drives; the new 10 TB take 6.667 TB of data.
        let full = old_blocks(Scheme::RaidZ2, size, 5, 6, Bytes::TB.times(30));
        assert_eq!(full.usable, Bytes(36_666_666_666_666));
        assert_eq!(full.won_by_rewriting, Bytes(3_333_333_333_334));
    }

    fn parity() -> impl Strategy<Value = (Scheme, Scheme)> {
        prop_oneof![
            Just((Scheme::Uneven1, Scheme::Raid5)),
            Just((Scheme::Uneven2, Scheme::Raid6)),
        ]
    }

    proptest! {
        #[test]
        fn every_byte_goes_somewhere(
            scheme in prop::sample::select(Scheme::ALL.to_vec()),
            sizes in prop::collection::vec(1..40u64, 4..12),
        ) {
            let pool = Capacity::of(scheme, &tb(&sizes));
            prop_assert_eq!(pool.usable + pool.redundancy + pool.wasted, pool.raw);
        }

        #[test]
        fn capacity_never_falls_when_a_drive_is_added(
            scheme in prop::sample::select(Scheme::ALL.to_vec()),
            sizes in prop::collection::vec(1..40u64, 4..12),
            more in 0..40u64,
        ) {
            let sizes = tb(&sizes);
            let smallest = *sizes.iter().min().unwrap();
            let new = [smallest + Bytes::GB.times(more)];
            let old = Capacity::of(scheme, &sizes);
            let grown = old.grown(scheme, &sizes, &new);
            prop_assert!(grown.usable >= old.usable);
            prop_assert_eq!(grown.usable + grown.redundancy + grown.wasted, grown.raw);
        }

        #[test]
        fn layers_hold_at_least_what_the_smallest_member_gives(
            (uneven, plain) in parity(),
            sizes in prop::collection::vec(1..40u64, 4..12),
            new in prop::collection::vec(1..40u64, 1..3),
        ) {
            let (sizes, new) = (tb(&sizes), tb(&new));
            let old = Capacity::of(uneven, &sizes);
            prop_assert!(old.usable >= Capacity::of(plain, &sizes).usable);
            let smallest = *sizes.iter().min().unwrap();
            if new.iter().all(|size| *size >= smallest) {
                let all = [sizes.clone(), new.clone()].concat();
                let grown = old.grown(uneven, &sizes, &new);
                prop_assert!(grown.usable >= Capacity::of(plain, &all).usable);
                prop_assert!(grown.usable <= Capacity::of(uneven, &all).usable);
            }
        }

        #[test]
        fn rewriting_never_loses(
            old in 4..12u32, added in 1..4u32, used in 0..100u64,
        ) {
            let size = Bytes::TB.times(6);
            let new = old + added;
            let used = size.times(u64::from(old - 2)).share(used, 100);
            let grown = old_blocks(Scheme::RaidZ2, size, old, new, used);
            let full = size.times(u64::from(new - 2));
            prop_assert_eq!(grown.usable + grown.won_by_rewriting, full);
            prop_assert!(grown.usable >= size.times(u64::from(old - 2)));
        }
    }
}
