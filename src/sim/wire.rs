//! The client's link: how long messages take on it, what its counters say, and who else uses it.

use super::scenario::Network;
use crate::seed::{Seed, standard_normal};
use crate::units::{Nanos, Rate};

/// Protocol beside the payload in a request and in an answer (made up).
const MESSAGE: u64 = 128;
/// Headers of IPv4 (RFC 791) and TCP with timestamps (RFC 9293, RFC 7323).
const HEADERS: u64 = 20 + 20 + 12;
/// Ethernet's header, which an interface counts (IEEE 802.3; from memory).
const COUNTED: u64 = 14;
/// Preamble, header, check sequence and gap, which all take time (the same).
const FRAMING: u64 = 38;
/// Segments for one acknowledgement (RFC 9293, §3.8.6.3: at least every second one).
const ACKNOWLEDGED: u64 = 2;
/// Small talk of any machine, in bytes per second each way (made up).
const CHATTER: f64 = 500.0;
/// The most of the line that other traffic takes.
const MOST: f64 = 0.9;

/// Other traffic of the client, beside the share, in bytes per second as its interface counts them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Traffic {
    /// Towards the client.
    pub received: Rate,
    /// Away from it.
    pub sent: Rate,
    /// Standard deviation of the rates' logarithm from second to second; 0 is constant.
    pub variation: f64,
}

impl Traffic {
    /// A client that does nothing else.
    pub const NONE: Self = Self {
        received: Rate(0.0),
        sent: Rate(0.0),
        variation: 0.0,
    };
}

/// Bytes, or bytes per second, towards the client and away from it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct BothWays {
    pub(super) received: f64,
    pub(super) sent: f64,
}

/// The link during a stretch of time.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wire {
    /// Bytes per second.
    line: f64,
    segment: u64,
    traffic: Traffic,
    seed: Seed,
    /// When the stretch begins, from the start of the scenario.
    begun: Nanos,
    /// The last second that was asked for, and the time that a byte takes then, each way.
    second: u64,
    byte: BothWays,
}

impl Wire {
    pub(super) fn new(network: &Network, seed: Seed, begun: Nanos) -> Self {
        let mut wire = Self {
            line: network.bits_per_second as f64 / 8.0,
            segment: network.mtu.saturating_sub(HEADERS).max(1),
            traffic: network.traffic,
            seed: seed.child("traffic", 0),
            begun,
            second: 0,
            byte: BothWays::default(),
        };
        wire.turn_to(begun.0 / Nanos::SECOND.0);
        wire
    }

    fn turn_to(&mut self, second: u64) {
        let others = self.others(second);
        self.second = second;
        self.byte = BothWays {
            received: 1.0 / (self.line - others.received),
            sent: 1.0 / (self.line - others.sent),
        };
    }

    /// Other traffic in a second, counted from the start of the scenario.
    fn others(&self, second: u64) -> BothWays {
        let Traffic {
            received,
            sent,
            variation,
        } = self.traffic;
        let factor = if variation > 0.0 {
            let normal = standard_normal(&mut self.seed.child("second", second).rng());
            // The mean of a log-normal with this shift is one.
            (variation * normal - variation * variation / 2.0).exp()
        } else {
            1.0
        };
        BothWays {
            received: (received.0 * factor).min(MOST * self.line),
            sent: (sent.0 * factor).min(MOST * self.line),
        }
    }

    /// What the interface counts of other traffic from the stretch's beginning on for `span`.
    pub(super) fn others_during(&self, span: Nanos) -> BothWays {
        let (from, to) = (self.begun, self.begun + span);
        let mut all = BothWays::default();
        let mut at = from;
        while at < to {
            let second = at.0 / Nanos::SECOND.0;
            let end = Nanos((second + 1) * Nanos::SECOND.0).min(to);
            let (others, time) = (self.others(second), (end - at).secs());
            let chatter = -(1.0 - self.seed.child("chatter", at.0).rng().f64()).ln() * CHATTER;
            all.received += (others.received + chatter) * time;
            all.sent += (others.sent + chatter) * time;
            at = end;
        }
        all
    }

    fn packets(&self, message: u64) -> u64 {
        message.div_ceil(self.segment)
    }

    /// Time of an answer with `payload` towards the client, `since` the stretch began.
    pub(super) fn down(&mut self, payload: u64, since: Nanos) -> Nanos {
        let bytes = self.framed(payload, since);
        Nanos::from_secs_f64(bytes * self.byte.received)
    }

    /// Time of a request with `payload` away from the client.
    pub(super) fn up(&mut self, payload: u64, since: Nanos) -> Nanos {
        let bytes = self.framed(payload, since);
        Nanos::from_secs_f64(bytes * self.byte.sent)
    }

    fn framed(&mut self, payload: u64, since: Nanos) -> f64 {
        let second = (self.begun + since).0 / Nanos::SECOND.0;
        if second != self.second {
            self.turn_to(second);
        }
        let message = payload + MESSAGE;
        (message + self.packets(message) * (HEADERS + FRAMING)) as f64
    }

    /// What the interface counts, this way and back, for a message with `payload`.
    pub(super) fn counted(&self, payload: u64) -> (u64, u64) {
        let message = payload + MESSAGE;
        let packets = self.packets(message);
        let overhead = HEADERS + COUNTED;
        // A message of one packet is acknowledged by the answer to it.
        let acknowledged = packets / ACKNOWLEDGED * overhead;
        (message + packets * overhead, acknowledged)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::demo_scenario;

    #[test]
    fn varying_traffic_keeps_its_mean_and_takes_its_part_of_the_line() {
        let mut network = demo_scenario(Seed(1)).network;
        network.bits_per_second = 1_000_000_000;
        let free = Wire::new(&network, Seed(4), Nanos(0)).down(1 << 20, Nanos(0));
        network.traffic = Traffic {
            received: Rate(25e6),
            sent: Rate(0.0),
            variation: 0.0,
        };
        let mut shared = Wire::new(&network, Seed(4), Nanos(0));
        let ratio = shared.down(1 << 20, Nanos(0)).secs() / free.secs();
        assert!((ratio - 125.0 / 100.0).abs() < 1e-4, "{ratio}");
        assert_eq!(shared.up(1 << 20, Nanos(0)), free);
        network.traffic.variation = 0.5;
        let wire = Wire::new(&network, Seed(4), Nanos(0));
        let mean = wire.others_during(Nanos(5_000 * Nanos::SECOND.0)).received / 5_000.0;
        assert!((mean / 25e6 - 1.0).abs() < 0.03, "seed 4: {mean}");
    }

    /// 1,048,576 bytes and 128 of protocol in segments of 1448: 725 packets of 66 bytes of headers.
    #[test]
    fn an_interface_counts_headers_and_acknowledgements() {
        let network = demo_scenario(Seed(1)).network;
        let wire = Wire::new(&network, Seed(1), Nanos(0));
        assert_eq!(wire.counted(1 << 20), (1_048_704 + 725 * 66, 362 * 66));
        assert_eq!(wire.counted(0), (128 + 66, 0));
    }
}
