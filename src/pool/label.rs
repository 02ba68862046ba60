//! The bytes behind the label of a drive.
//!
//! Two drives of one label need not have the same number of bytes, and a pool refuses a drive that
//! is a few megabytes too small. Makers agreed on a number of sectors for each label; it is what a
//! drive most likely has, not what it must have.

use crate::units::Bytes;

const SECTOR: u64 = 512;
/// Up to this label the older rule holds.
const OLD_RULE: u64 = 8_000_000_000_000;
/// The newer rule rounds up to so many sectors, which is 1 GiB.
const ROUNDING: u64 = 1 << 21;

/// What a drive labelled `label` usually holds; `None` where the label is not a whole number of
/// gigabytes or the rule does not reach (below 50 GB).
///
/// To 8 TB: 97,696,368 + 1,953,504 × (GB − 50) sectors of 512 bytes (IDEMA LBA1-03, from memory).
/// Above: the label's bytes in sectors, rounded up to 2²¹ of them (SFF-8447, from memory).
pub fn usual_bytes(label: Bytes) -> Option<Bytes> {
    let gigabytes = label.0 / Bytes::GB.0;
    if !label.0.is_multiple_of(Bytes::GB.0) || gigabytes < 50 {
        return None;
    }
    let sectors = if label.0 <= OLD_RULE {
        97_696_368 + 1_953_504 * (gigabytes - 50)
    } else {
        label.0.div_ceil(SECTOR).div_ceil(ROUNDING) * ROUNDING
    };
    Some(Bytes(sectors.saturating_mul(SECTOR)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sizes printed on drives and in kernel logs, from memory.
    #[test]
    fn labels_stand_for_what_drives_have() {
        for (terabytes, bytes) in [
            (1, 1_000_204_886_016),
            (2, 2_000_398_934_016),
            (4, 4_000_787_030_016),
            (6, 6_001_175_126_016),
            (8, 8_001_563_222_016),
            (12, 12_000_138_625_024),
            (16, 16_000_900_661_248),
            (18, 18_000_207_937_536),
        ] {
            assert_eq!(
                usual_bytes(Bytes::TB.times(terabytes)),
                Some(Bytes(bytes)),
                "{terabytes} TB"
            );
        }
        assert_eq!(usual_bytes(Bytes(6_001_175_126_016)), None);
        assert_eq!(usual_bytes(Bytes::GB.times(40)), None);
    }
}
