//! The most that a link carries: payload of TCP over Ethernet.
//!
//! Protocols on top (file sharing, encryption) take more, so that this is a hard ceiling: what is
//! read faster did not come over the link.

use crate::units::Rate;

/// Preamble and start of frame 8, header 14, check sequence 4, gap 12 bytes (IEEE 802.3; from
/// memory).
const FRAMING: f64 = 38.0;
/// Of these, what a frame's own length does not count: preamble and gap.
const BETWEEN_FRAMES: f64 = 20.0;
/// A VLAN tag (IEEE 802.1Q; from memory).
const VLAN_TAG: f64 = 4.0;
/// TCP header without options (RFC 9293).
const TCP: f64 = 20.0;
/// Timestamps option with its padding (RFC 7323, appendix A).
const TIMESTAMPS: f64 = 12.0;

/// Version of the internet protocol on the link.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum IpVersion {
    /// 20 bytes of header (RFC 791).
    V4,
    /// 40 bytes of header (RFC 8200).
    V6,
}

impl IpVersion {
    fn header(self) -> f64 {
        match self {
            Self::V4 => 20.0,
            Self::V6 => 40.0,
        }
    }
}

/// TCP payload per second on a link of `line_bits_per_s` with packets of `mtu` bytes; zero when a
/// packet has no room for payload.
///
/// `(mtu − ip − tcp − options) ÷ (mtu + 38 [+ 4 with a VLAN tag]) × line rate`
pub fn payload_rate(
    line_bits_per_s: u64,
    mtu: u64,
    ip: IpVersion,
    timestamps: bool,
    vlan: bool,
) -> Rate {
    let mtu = mtu as f64;
    let options = if timestamps { TIMESTAMPS } else { 0.0 };
    let tag = if vlan { VLAN_TAG } else { 0.0 };
    let payload = (mtu - ip.header() - TCP - options).max(0.0);
    Rate(payload / (mtu + FRAMING + tag) * line_bits_per_s as f64 / 8.0)
}

/// Frames per second on a link, for frames of `frame` bytes from header to check sequence
/// (RFC 5180, appendix A.1).
pub fn frames_per_second(line_bits_per_s: u64, frame: u64) -> f64 {
    line_bits_per_s as f64 / (8.0 * (frame as f64 + BETWEEN_FRAMES))
}

#[cfg(test)]
mod tests {
    use super::*;
    use IpVersion::{V4, V6};

    const GIGABIT: u64 = 1_000_000_000;

    /// Computed in exact arithmetic from the header sizes of IEEE 802.3, RFC 791, 8200, 9293, 7323:
    /// MB/s at 1, 2.5, 5 and 10 Gb/s.
    #[test]
    fn payload_of_common_links() {
        for (mtu, ip, timestamps, vlan, expected) in [
            (
                1500,
                V4,
                false,
                false,
                [118.661, 296.651, 593.303, 1186.606],
            ),
            (1500, V4, true, false, [117.685, 294.213, 588.427, 1176.853]),
            (1500, V4, true, true, [117.380, 293.450, 586.900, 1173.800]),
            (1500, V6, true, false, [116.060, 290.150, 580.299, 1160.598]),
            (
                9000,
                V4,
                false,
                false,
                [123.921, 309.803, 619.606, 1239.212],
            ),
            (9000, V4, true, false, [123.755, 309.388, 618.776, 1237.553]),
        ] {
            let lines = [GIGABIT, GIGABIT * 5 / 2, GIGABIT * 5, GIGABIT * 10];
            for (line, expected) in lines.into_iter().zip(expected) {
                let rate = payload_rate(line, mtu, ip, timestamps, vlan).0 / 1e6;
                assert!((rate - expected).abs() < 6e-4, "{mtu} {line}: {rate}");
            }
        }
    }

    /// RFC 5180, table of appendix A.1, at 10, 100, 1000 and 10000 Mb/s, rounded down.
    #[test]
    fn frame_rates_of_rfc_5180() {
        for (frame, expected) in [
            (64, [14_880, 148_809, 1_488_095, 14_880_952]),
            (512, [2_349, 23_496, 234_962, 2_349_624]),
            (1518, [812, 8_127, 81_274, 812_743]),
            (1522, [810, 8_106, 81_063, 810_635]),
            (8192, [152, 1_522, 15_221, 152_216]),
        ] {
            let lines = [GIGABIT / 100, GIGABIT / 10, GIGABIT, GIGABIT * 10];
            for (line, expected) in lines.into_iter().zip(expected) {
                assert_eq!(frames_per_second(line, frame) as u64, expected, "{frame}");
            }
        }
        // The payload formula and the frame rate agree: 1500 bytes travel in a frame of 1518.
        let bytes = frames_per_second(GIGABIT, 1518) * 1460.0;
        assert!((bytes - payload_rate(GIGABIT, 1500, V4, false, false).0).abs() < 1e-3);
    }

    #[test]
    fn a_packet_of_headers_alone_carries_nothing() {
        assert_eq!(payload_rate(GIGABIT, 40, V4, true, false), Rate(0.0));
    }
}
