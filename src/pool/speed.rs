//! What growing promises for the speed of each kind of work, by every model that has a say.
//!
//! Chen, Lee, Gibson, Katz and Patterson, *RAID: High-Performance, Reliable Secondary Storage*, ACM
//! Computing Surveys 26(2) (1994) 145–185, Table 3, and Arpaci-Dusseau and Arpaci-Dusseau, *Operating
//! Systems: Three Easy Pieces* (OSTEP), chapter 38, disagree on large reads and on small writes; so a
//! promise is a band between named models, never one number. Both take as many operations as keep all
//! drives busy; with few in flight drives idle by chance, which a third model adds.

use super::Scheme;

/// The kinds of work that are predicted: those of the standard set of workloads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Work {
    /// Sequential reads of full stripes.
    LargeRead,
    /// Sequential writes of full stripes.
    LargeWrite,
    /// Random reads of one block, one at a time.
    SmallRead,
    /// Random reads of one block, many in flight.
    SmallReadDeep,
    /// Random writes of one block, many in flight.
    SmallWriteDeep,
    /// Random reads and writes of one block, more of them reads, many in flight.
    Mixed,
}

impl Work {
    /// All kinds in the order of tables.
    pub const ALL: [Self; 6] = [
        Self::LargeRead,
        Self::LargeWrite,
        Self::SmallRead,
        Self::SmallReadDeep,
        Self::SmallWriteDeep,
        Self::Mixed,
    ];

    /// The name of the standard workload.
    pub fn word(self) -> &'static str {
        match self {
            Self::LargeRead => "large-read",
            Self::LargeWrite => "large-write",
            Self::SmallRead => "small-read",
            Self::SmallReadDeep => "small-read-deep",
            Self::SmallWriteDeep => "small-write-deep",
            Self::Mixed => "mixed",
        }
    }

    /// Whether its speed is bytes per second of long runs; else it is operations per second.
    pub fn large(self) -> bool {
        matches!(self, Self::LargeRead | Self::LargeWrite)
    }
}

/// A kind of work as one workload asks for it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Load {
    /// What kind.
    pub work: Work,
    /// Bytes of one operation.
    pub block_bytes: u64,
    /// Operations in flight.
    pub in_flight: u32,
    /// The share of operations that read.
    pub read_share: f64,
}

/// As the standard set asks for it.
impl From<Work> for Load {
    fn from(work: Work) -> Self {
        let (block_bytes, in_flight, read_share) = match work {
            Work::LargeRead => (4 << 20, 4, 1.0),
            Work::LargeWrite => (4 << 20, 4, 0.0),
            Work::SmallRead => (16 << 10, 1, 1.0),
            Work::SmallReadDeep => (16 << 10, 24, 1.0),
            Work::SmallWriteDeep => (16 << 10, 24, 0.0),
            Work::Mixed => (16 << 10, 24, 0.75),
        };
        Self {
            work,
            block_bytes,
            in_flight,
            read_share,
        }
    }
}

/// Who says so.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Model {
    /// Chen et al. 1994, Table 3. Large reads use every drive; a small write costs no more drive
    /// operations than the stripe has drives.
    Chen,
    /// OSTEP chapter 38, its RAID 5 carried over to more parity. Parity and second copies add nothing
    /// to large reads; a small write costs 4 or 6 drive operations.
    Ostep,
    /// RAID-Z where each small operation is a block of its own: reads use every drive, a write costs
    /// one drive operation and one for each parity, without reading first (common practice, no
    /// source).
    OwnBlocks,
    /// RAID-Z where small operations hit records spread over all drives: one at a time, as fast as one
    /// drive (common practice, no source).
    WholeRecords,
}

impl Model {
    /// The name in a sentence.
    pub fn title(self) -> &'static str {
        match self {
            Self::Chen => "Chen et al. 1994",
            Self::Ostep => "OSTEP ch. 38",
            Self::OwnBlocks => "a block for each operation",
            Self::WholeRecords => "whole records",
        }
    }
}

/// Speed by one model, in multiples of one drive.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Multiple {
    /// Who says so.
    pub model: Model,
    /// Whether drives that idle by chance are taken off.
    pub idling: bool,
    /// Multiples of one drive's rate of large runs, or of its random operations.
    pub drives: f64,
}

/// The part of `drives` drives that `in_flight` random drive operations keep busy: `D ÷ (D + N − 1)`, the
/// throughput of a balanced closed network of N stations with D customers over its limit (Lazowska,
/// Zahorjan, Graham and Sevcik, *Quantitative System Performance*, 1984; from memory).
pub fn busy_share(drives: u32, in_flight: f64) -> f64 {
    let (drives, in_flight) = (f64::from(drives.max(1)), in_flight.max(1.0));
    in_flight / (in_flight + (drives - 1.0))
}

/// Speed of `load` on `drives` drives by every model that has a say.
pub fn multiples(scheme: Scheme, drives: u32, load: impl Into<Load>) -> Vec<Multiple> {
    let Load {
        work,
        in_flight,
        read_share,
        ..
    } = load.into();
    let plain = |model, drives| Multiple {
        model,
        idling: false,
        drives,
    };
    if work == Work::SmallRead {
        // One at a time is as fast as the one drive that is asked, whatever the rest do.
        return vec![plain(Model::Chen, 1.0), plain(Model::Ostep, 1.0)];
    }
    if work.large() {
        let model = |model| plain(model, large(model, scheme, drives, work));
        return vec![model(Model::Chen), model(Model::Ostep)];
    }
    let models = match scheme.raid_z() {
        true => [Model::OwnBlocks, Model::WholeRecords],
        false => [Model::Chen, Model::Ostep],
    };
    let both = models.map(|model| {
        let saturated = small(model, scheme, drives, read_share);
        let share = match model {
            Model::WholeRecords => 1.0,
            _ => {
                let at_once = at_once(model, scheme, drives, read_share);
                busy_share(drives, f64::from(in_flight) * at_once)
            }
        };
        let idling = Multiple {
            model,
            idling: true,
            drives: saturated * share,
        };
        [plain(model, saturated), idling]
    });
    both.concat()
}

fn large(model: Model, scheme: Scheme, drives: u32, work: Work) -> f64 {
    let all_read = model == Model::Chen && work == Work::LargeRead && scheme != Scheme::Raid0;
    f64::from(if all_read {
        drives
    } else {
        scheme.data_drives(drives)
    })
}

/// Random operations: all drives over the drive operations that one of them costs.
fn small(model: Model, scheme: Scheme, drives: u32, read_share: f64) -> f64 {
    if model == Model::WholeRecords {
        return 1.0;
    }
    let cost = read_share + (1.0 - read_share) * write_cost(model, scheme, drives);
    f64::from(drives) / cost
}

/// Drive operations that one operation has in flight: a read one; a write all of its own, or half of
/// them where old data and parity are read before they are written.
fn at_once(model: Model, scheme: Scheme, drives: u32, read_share: f64) -> f64 {
    let steps = if scheme.parity() > 0 && model != Model::OwnBlocks {
        2.0
    } else {
        1.0
    };
    read_share + (1.0 - read_share) * write_cost(model, scheme, drives) / steps
}

/// Drive operations for one small write.
fn write_cost(model: Model, scheme: Scheme, drives: u32) -> f64 {
    let parity = scheme.parity();
    f64::from(match (scheme, model) {
        (Scheme::Raid0, _) => 1,
        (Scheme::Raid1, _) => drives,
        (Scheme::Raid10, _) => 2,
        (_, Model::OwnBlocks) => 1 + parity,
        // Read old data and parities, write them anew: 4 with one parity (Chen et al. 1994,
        // §3.2.5), 6 with two (§3.2.7).
        (_, Model::Chen) => drives.min(2 + 2 * parity),
        _ => 2 + 2 * parity,
    })
}

/// What one model promises.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Promise {
    /// Who says so.
    pub model: Model,
    /// Whether drives that idle by chance are taken off.
    pub idling: bool,
    /// Multiples of one drive before.
    pub before: f64,
    /// Multiples of one drive after.
    pub after: f64,
}

impl Promise {
    /// New over old.
    pub fn ratio(&self) -> f64 {
        self.after / self.before
    }
}

/// What growing from `old` drives of one scheme to `new` of another promises for `load`.
pub fn promises(
    before: (Scheme, u32),
    after: (Scheme, u32),
    load: impl Into<Load>,
) -> Vec<Promise> {
    let load = load.into();
    let old = multiples(before.0, before.1, load);
    let new = multiples(after.0, after.1, load);
    old.iter()
        .filter_map(|old| {
            let same = |new: &&Multiple| new.model == old.model && new.idling == old.idling;
            let new = new.iter().find(same)?;
            Some(Promise {
                model: old.model,
                idling: old.idling,
                before: old.drives,
                after: new.drives,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Workload;
    use proptest::prelude::*;

    fn multiple(scheme: Scheme, drives: u32, work: Work, model: Model) -> f64 {
        let all = multiples(scheme, drives, work);
        let plain = all.iter().find(|m| m.model == model && !m.idling);
        plain.unwrap().drives
    }

    #[test]
    fn work_is_that_of_the_standard_set() {
        for (work, workload) in Work::ALL.into_iter().zip(Workload::standard()) {
            let load = Load::from(work);
            assert_eq!(work.word(), workload.name);
            assert_eq!(load.block_bytes, workload.block.0);
            assert_eq!(load.in_flight, workload.depth * workload.streams);
            assert_eq!(load.read_share, f64::from(workload.read_percent) / 100.0);
        }
    }

    /// Chen et al. 1994, Table 3, times N with one group: small write, large write of RAID 5 with 3
    /// to 6 drives and RAID 6 with 4, 6, 8; small and large reads use every drive.
    #[test]
    fn chen_table_3() {
        for (scheme, drives, small_write, large_write) in [
            (Scheme::Raid5, 3, 1.0, 2.0),
            (Scheme::Raid5, 4, 1.0, 3.0),
            (Scheme::Raid5, 5, 1.25, 4.0),
            (Scheme::Raid5, 6, 1.5, 5.0),
            (Scheme::Raid6, 4, 1.0, 2.0),
            (Scheme::Raid6, 6, 1.0, 4.0),
            (Scheme::Raid6, 8, 4.0 / 3.0, 6.0),
            (Scheme::Raid0, 4, 4.0, 4.0),
            (Scheme::Raid10, 4, 2.0, 2.0),
            (Scheme::Raid1, 2, 1.0, 1.0),
        ] {
            let of = |work| multiple(scheme, drives, work, Model::Chen);
            let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-12, "{scheme} {drives}: {a}");
            near(of(Work::SmallWriteDeep), small_write);
            near(of(Work::LargeWrite), large_write);
            near(of(Work::SmallReadDeep), f64::from(drives));
            near(of(Work::LargeRead), f64::from(drives));
        }
    }

    /// OSTEP chapter 38, its closing table, in drives: sequential read and write, random read and
    /// write of N = 4.
    #[test]
    fn ostep_chapter_38() {
        for (scheme, read, write, random_read, random_write) in [
            (Scheme::Raid0, 4.0, 4.0, 4.0, 4.0),
            (Scheme::Raid10, 2.0, 2.0, 4.0, 2.0),
            (Scheme::Raid5, 3.0, 3.0, 4.0, 1.0),
        ] {
            let of = |work| multiple(scheme, 4, work, Model::Ostep);
            assert_eq!(of(Work::LargeRead), read, "{scheme}");
            assert_eq!(of(Work::LargeWrite), write, "{scheme}");
            assert_eq!(of(Work::SmallReadDeep), random_read, "{scheme}");
            assert_eq!(of(Work::SmallWriteDeep), random_write, "{scheme}");
        }
    }

    /// Derived from data drives new over old: RAID 5 3→4 +50 %, 4→5 +33 %, 5→6 +25 %; RAID 6 4→5
    /// +50 %, 5→6 +33 %, 6→7 +25 %.
    #[test]
    fn large_writes_gain_by_data_drives() {
        for (scheme, old, gain) in [
            (Scheme::Raid5, 3, 0.5),
            (Scheme::Raid5, 4, 1.0 / 3.0),
            (Scheme::Raid5, 5, 0.25),
            (Scheme::Raid6, 4, 0.5),
            (Scheme::Raid6, 5, 1.0 / 3.0),
            (Scheme::Raid6, 6, 0.25),
        ] {
            for promise in promises((scheme, old), (scheme, old + 1), Work::LargeWrite) {
                assert!(
                    (promise.ratio() - 1.0 - gain).abs() < 1e-12,
                    "{scheme} {old}"
                );
            }
        }
    }

    #[test]
    fn models_that_disagree_make_a_band() {
        let ratios = |work| -> Vec<f64> {
            let all = promises((Scheme::Raid6, 4), (Scheme::Raid6, 5), work);
            all.iter().map(Promise::ratio).collect()
        };
        assert_eq!(ratios(Work::LargeRead), [1.25, 1.5]);
        assert_eq!(ratios(Work::SmallRead), [1.0, 1.0]);
        // Chen: five drives over five operations is as four over four; OSTEP: a sixth of each.
        let small = ratios(Work::SmallWriteDeep);
        // With few in flight some of the promise goes to drives that wait.
        assert!(small[1] < small[0] && small[1] > 0.99, "{small:?}");
        assert!((small[0] - 1.0).abs() < 1e-12 && (small[2] - 1.25).abs() < 1e-12);
        // Level change with one drive: no gain in large reads or writes.
        let change = promises((Scheme::Raid5, 4), (Scheme::Raid6, 5), Work::LargeWrite);
        assert!(change.iter().all(|promise| promise.ratio() == 1.0));
    }

    /// Drawn once: rounding made it more than all of one drive.
    #[test]
    fn a_lone_drive_is_busy_all_the_time() {
        assert_eq!(busy_share(1, 127.472_694_738_888_5), 1.0);
    }

    proptest! {
        #[test]
        fn more_drives_never_slow_a_level_down(
            scheme in prop::sample::select(Scheme::ALL.to_vec()),
            work in prop::sample::select(Work::ALL.to_vec()),
            drives in 4..40u32,
        ) {
            // Each copy of a mirror has to be written.
            prop_assume!(scheme != Scheme::Raid1 || Load::from(work).read_share == 1.0);
            for promise in promises((scheme, drives), (scheme, drives + 2), work) {
                // A small write that costs an operation on each drive gains nothing, and of more
                // drives slightly more wait.
                let least = if promise.idling { 0.99 } else { 1.0 - 1e-12 };
                prop_assert!(promise.ratio() >= least, "{:?}", promise);
            }
        }

        #[test]
        fn idling_drives_take_off(drives in 1..40u32, in_flight in 1.0..200.0f64) {
            let share = busy_share(drives, in_flight);
            prop_assert!(share > 0.0 && share <= 1.0);
            // One at a time keeps one drive busy.
            prop_assert!((busy_share(drives, 1.0) * f64::from(drives) - 1.0).abs() < 1e-12);
        }
    }
}
