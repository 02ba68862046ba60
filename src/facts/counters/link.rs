//! What a network interface carried: `/proc/net/dev`.

use super::moved::step;
use super::text::{CounterError, Text};
use crate::units::Bytes;

/// Bytes of one interface, since it came up or over an interval: all traffic of all programs, with
/// headers down to Ethernet.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LinkIo {
    /// Name of the interface.
    pub interface: String,
    /// Bytes that came in.
    pub received: Bytes,
    /// Bytes that went out.
    pub sent: Bytes,
}

impl LinkIo {
    /// Reads the counters of `interface` from the text of `/proc/net/dev`.
    ///
    /// # Errors
    /// When the interface is not there, or its line cannot be read.
    pub fn parse(text: &str, interface: &str) -> Result<Self, CounterError> {
        let text = Text::new("/proc/net/dev", text);
        let (line, fields) = text
            .lines()
            .find_map(|line| {
                // The name of an alias has a colon of its own, and a long name no blank after it.
                let (name, fields) = line.text.rsplit_once(':')?;
                (name.trim() == interface).then_some((line, fields))
            })
            .ok_or_else(|| text.absent(&format!("the interface {interface}")))?;
        // Eight fields of what came in, then eight of what went out.
        let mut fields = fields.split_whitespace();
        Ok(Self {
            interface: interface.to_owned(),
            received: Bytes(line.number(fields.next(), "bytes received")?),
            sent: Bytes(line.number(fields.nth(7), "bytes sent")?),
        })
    }

    /// What was carried since `before`.
    ///
    /// # Errors
    /// When a counter went backwards, or `before` is of another interface.
    pub fn since(&self, before: &Self) -> Result<Self, CounterError> {
        if self.interface != before.interface {
            return Err(CounterError::Different {
                before: before.interface.clone(),
                after: self.interface.clone(),
            });
        }
        Ok(Self {
            interface: self.interface.clone(),
            received: Bytes(step("bytes received", before.received.0, self.received.0)?),
            sent: Bytes(step("bytes sent", before.sent.0, self.sent.0)?),
        })
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::facts::counters) const SAMPLE: &str = "\
Inter-|   Receive                                                |  Transmit
 face |bytes    packets errs drop fifo frame compressed multicast|bytes    packets errs drop fifo colls carrier compressed
    lo:    3193      29    0    0    0     0          0         0     3193      29    0    0    0     0       0          0
  lan0: 233566178    5481    0    0    0     0          0         0   268116    3260    0    0    0     0       0          0
archive0:12    1    0    0    0     0          0         0   34    1    0    0    0     0       0          0
";

    #[test]
    fn received_is_the_first_field_and_sent_the_ninth() {
        let link = LinkIo::parse(SAMPLE, "lan0").unwrap();
        assert_eq!(
            (link.received, link.sent),
            (Bytes(233_566_178), Bytes(268_116))
        );
        let link = LinkIo::parse(SAMPLE, "archive0").unwrap();
        assert_eq!((link.received, link.sent), (Bytes(12), Bytes(34)));
    }

    #[test]
    fn an_interface_that_is_not_there_is_said() {
        assert_eq!(
            LinkIo::parse(SAMPLE, "lan").unwrap_err().to_string(),
            "/proc/net/dev has no complete line for the interface lan"
        );
        let short = "lan0: 1 2 3\n";
        assert_eq!(
            LinkIo::parse(short, "lan0").unwrap_err().to_string(),
            "/proc/net/dev line 1 has no readable bytes sent: \"lan0: 1 2 3\""
        );
    }

    #[test]
    fn a_difference_is_of_one_interface() {
        let before = LinkIo::parse(SAMPLE, "lan0").unwrap();
        let mut after = before.clone();
        after.received.0 += 1500;
        assert_eq!(after.since(&before).unwrap().received, Bytes(1500));
        assert!(before.since(&after).is_err());
        let other = LinkIo::parse(SAMPLE, "lo").unwrap();
        assert_eq!(
            other.since(&before).unwrap_err().to_string(),
            "counts of lan0 and of lo have no difference"
        );
    }
}
