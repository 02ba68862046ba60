//! What somebody means to do to a pool, and why they should not.

use jiff::civil::DateTime;

use super::assumptions::{RangeError, Stated};
use super::geometry::MOST_DRIVES;
use super::{Scheme, usual_bytes};
use crate::units::Bytes;

/// A pool, and the drives that somebody means to add.
#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    /// Level and layout now.
    pub scheme: Scheme,
    /// Level and layout afterwards.
    pub becoming: Scheme,
    /// Sizes of the pool's drives.
    pub members: Vec<Bytes>,
    /// Sizes of the drives that are added.
    pub new: Vec<Bytes>,
    /// Whether a new drive stands in an enclosure of its own, on one cable.
    pub external: bool,
    /// When the expansion would begin, by the clock of the place.
    pub start: DateTime,
    /// What was stated in place of defaults.
    pub stated: Stated,
}

/// Why a plan is not made.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Objection {
    /// Growing a stripe without redundancy.
    #[error(
        "a RAID 0 should not be grown in place: each added drive makes the loss of everything more likely, and the reshape works all of them for days; back up, make a new pool with redundancy, and restore"
    )]
    Stripe,
    /// A mirrored pair would lack its second drive.
    #[error("RAID 10 grows by pairs, and {drives} drives make none: add an even number of drives")]
    Pairs {
        /// Drives of the pool after the expansion.
        drives: usize,
    },
    /// A drive that cannot take a member's part.
    #[error(
        "the new drive has {} bytes and the smallest member {}, {} more: a pool refuses a drive that is smaller by one byte; take one of at least {} bytes{}",
        new.0, smallest.0, smallest.0 - new.0, smallest.0, label_hint(*new, *smallest)
    )]
    Smaller {
        /// Size of the new drive.
        new: Bytes,
        /// Size of the smallest member.
        smallest: Bytes,
    },
    /// A pool that would hang on one cable.
    #[error(
        "one pool should not reach across an external enclosure on a single cable: pulling it takes away more drives than the pool survives; make a pool of its own in the enclosure"
    )]
    OneCable,
    /// A change of level that a plan does not know.
    #[error(
        "{from} does not become {to} in place here: known are two drives of raid1 to raid5, and raid5 to raid6; otherwise back up, make a new pool, and restore"
    )]
    Change {
        /// Scheme now.
        from: Scheme,
        /// Scheme that was asked for.
        to: Scheme,
    },
    /// Fewer drives than the scheme needs.
    #[error("{scheme} needs at least {minimum} drives and {drives} were given: check --drives or --sizes", minimum = scheme.minimum_drives())]
    TooFew {
        /// The scheme.
        scheme: Scheme,
        /// Drives that were given.
        drives: usize,
    },
    /// More drives than any pool has.
    #[error(
        "{drives} drives are more than a pool can have ({MOST_DRIVES}): check --drives and --adding"
    )]
    TooMany {
        /// Drives that were given.
        drives: usize,
    },
    /// A drive of no size or of one that nothing has.
    #[error("a drive has from 1 GB to 1 PB, not {0}: check the sizes")]
    Size(Bytes),
    /// An expansion by nothing.
    #[error("an expansion adds at least one drive: check --adding")]
    Nothing,
    /// A stated value is out of range.
    #[error(transparent)]
    Range(#[from] RangeError),
}

impl Objection {
    /// Whether the expansion makes sense but should not be done; else what was typed makes no sense.
    pub fn refuses(&self) -> bool {
        matches!(
            self,
            Self::Stripe
                | Self::Pairs { .. }
                | Self::Smaller { .. }
                | Self::OneCable
                | Self::Change { .. }
        )
    }

    /// A word for tables and programs.
    pub fn word(&self) -> &'static str {
        match self {
            Self::Stripe => "stripe-without-redundancy",
            Self::Pairs { .. } => "pairs",
            Self::Smaller { .. } => "smaller-drive",
            Self::OneCable => "one-cable",
            Self::Change { .. } => "level-change",
            Self::TooFew { .. } => "too-few-drives",
            Self::TooMany { .. } => "too-many-drives",
            Self::Size(_) => "size",
            Self::Nothing => "nothing-added",
            Self::Range(_) => "range",
        }
    }
}

/// Two sizes that could be the same label read in two ways.
fn label_hint(new: Bytes, smallest: Bytes) -> String {
    match usual_bytes(new) {
        Some(usual) if usual >= smallest => format!(
            " (a drive labelled {new} usually has {}: if this one does, state that)",
            usual.0
        ),
        _ => String::new(),
    }
}

impl Proposal {
    /// The smallest member's size; a new drive has at least as many bytes.
    pub fn smallest(&self) -> Bytes {
        self.members.iter().copied().min().unwrap_or_default()
    }

    /// Sizes of all drives afterwards.
    pub fn all(&self) -> Vec<Bytes> {
        [self.members.as_slice(), &self.new].concat()
    }

    /// Whether parity is added without room for more data, so that every stripe is written over
    /// itself.
    pub fn over_itself(&self) -> bool {
        let count = |sizes: usize| u32::try_from(sizes).unwrap_or(u32::MAX);
        let (old, new) = (self.members.len(), self.members.len() + self.new.len());
        self.becoming != self.scheme
            && self.scheme.data_drives(count(old)) >= self.becoming.data_drives(count(new))
    }

    /// Whether only what is used is moved: RAID-Z copies blocks, some file systems their own chunks.
    pub fn used_only(&self) -> bool {
        self.scheme.raid_z() || self.stated.used_only
    }

    /// Everything that speaks against it, what makes no sense first; empty when nothing does.
    pub fn objections(&self) -> Vec<Objection> {
        let (old, new) = (self.members.len(), self.members.len() + self.new.len());
        let mut found = Vec::new();
        let few = old < self.scheme.minimum_drives() as usize;
        if few {
            let (scheme, drives) = (self.scheme, old);
            found.push(Objection::TooFew { scheme, drives });
        }
        if new > MOST_DRIVES as usize {
            found.push(Objection::TooMany { drives: new });
        }
        let sane = Bytes::GB..=Bytes::TB.times(1000);
        let odd_size = self.all().into_iter().find(|size| !sane.contains(size));
        found.extend(odd_size.map(Objection::Size));
        if self.new.is_empty() {
            found.push(Objection::Nothing);
        }
        if self.scheme == Scheme::Raid0 {
            found.push(Objection::Stripe);
        }
        let (from, to) = (self.scheme, self.becoming);
        let two = from != Scheme::Raid1 || old == 2;
        if from != to && !(from.can_become(to) && two) {
            found.push(Objection::Change { from, to });
        }
        if [old, new]
            .iter()
            .any(|drives| to == Scheme::Raid10 && drives % 2 == 1)
        {
            found.push(Objection::Pairs { drives: new });
        }
        let smallest = self.smallest();
        let too_small = self.new.iter().min().filter(|size| **size < smallest);
        found.extend(too_small.map(|new| Objection::Smaller {
            new: *new,
            smallest,
        }));
        if self.external {
            found.push(Objection::OneCable);
        }
        found
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// The lighthouse museum: four 6 TB drives in RAID 6 growing to five.
    pub(in crate::pool) fn museum() -> Proposal {
        Proposal {
            scheme: Scheme::Raid6,
            becoming: Scheme::Raid6,
            members: vec![Bytes::TB.times(6); 4],
            new: vec![Bytes::TB.times(6)],
            external: false,
            start: jiff::civil::date(2026, 3, 6).at(17, 0, 0, 0),
            stated: Stated::default(),
        }
    }

    fn words(proposal: &Proposal) -> Vec<&'static str> {
        proposal.objections().iter().map(Objection::word).collect()
    }

    #[test]
    fn the_museum_may_grow() {
        assert_eq!(museum().objections(), []);
    }

    /// Common practice, no source: a RAID 0 should not be grown, RAID 10 grows by pairs.
    #[test]
    fn levels_have_their_reasons() {
        let of = |scheme, members, new| Proposal {
            scheme,
            becoming: scheme,
            members: vec![Bytes::TB.times(4); members],
            new: vec![Bytes::TB.times(4); new],
            ..museum()
        };
        assert_eq!(
            words(&of(Scheme::Raid0, 3, 1)),
            ["stripe-without-redundancy"]
        );
        assert_eq!(words(&of(Scheme::Raid10, 4, 1)), ["pairs"]);
        assert!(words(&of(Scheme::Raid10, 4, 2)).is_empty());
        assert!(words(&of(Scheme::Raid1, 2, 1)).is_empty());
        assert_eq!(words(&of(Scheme::Raid5, 2, 1)), ["too-few-drives"]);
        assert_eq!(words(&of(Scheme::Raid6, 4, 0)), ["nothing-added"]);
        assert_eq!(words(&of(Scheme::Raid6, 4, 400)), ["too-many-drives"]);
        for scheme in Scheme::ALL {
            for objection in of(scheme, 1, 0).objections() {
                assert!(objection.to_string().contains(':'), "{objection}");
            }
        }
    }

    #[test]
    fn one_byte_less_is_refused_and_labels_are_explained() {
        let exact = Bytes(6_001_175_126_016);
        let mut proposal = museum();
        proposal.members = vec![exact; 4];
        proposal.new = vec![Bytes(exact.0 - 1)];
        let [objection] = proposal.objections().try_into().unwrap();
        assert!(objection.refuses());
        assert!(
            objection
                .to_string()
                .contains("at least 6001175126016 bytes"),
            "{objection}"
        );
        assert!(!objection.to_string().contains("labelled"));
        // 6 TB by the label is fewer bytes than such drives have.
        proposal.new = vec![Bytes::TB.times(6)];
        let text = proposal.objections()[0].to_string();
        assert!(
            text.contains("labelled 6 TB usually has 6001175126016"),
            "{text}"
        );
        proposal.new = vec![exact];
        assert_eq!(proposal.objections(), []);
    }

    #[test]
    fn one_pool_stays_on_one_side_of_a_cable() {
        let proposal = Proposal {
            external: true,
            ..museum()
        };
        assert_eq!(words(&proposal), ["one-cable"]);
    }

    #[test]
    fn levels_change_only_where_it_is_known() {
        let change = |scheme, becoming, members| Proposal {
            scheme,
            becoming,
            members: vec![Bytes::TB.times(6); members],
            ..museum()
        };
        assert!(words(&change(Scheme::Raid5, Scheme::Raid6, 4)).is_empty());
        assert!(change(Scheme::Raid5, Scheme::Raid6, 4).over_itself());
        assert!(words(&change(Scheme::Raid1, Scheme::Raid5, 2)).is_empty());
        assert!(!change(Scheme::Raid1, Scheme::Raid5, 2).over_itself());
        assert_eq!(
            words(&change(Scheme::Raid1, Scheme::Raid5, 3)),
            ["level-change"]
        );
        assert_eq!(
            words(&change(Scheme::Raid6, Scheme::Raid5, 4)),
            ["level-change"]
        );
        assert!(!museum().over_itself());
    }
}
