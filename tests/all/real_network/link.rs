//! A cable to a network namespace of its own: a pair of virtual interfaces held to a rate.
//!
//! Segmentation is left to no device, so what the counters of the interfaces see is what a cable
//! would carry: packets no larger than the MTU.

use std::fs;
use std::path::Path;

use crate::support::run;

/// The client's end of the cable; the other end is the server's.
const CLIENT_ADDRESS: &str = "10.199.171.1";
/// The server's end of the cable.
pub(super) const SERVER_ADDRESS: &str = "10.199.171.2";
/// What Ethernet adds to a packet beside the header that the kernel counts: preamble and start of
/// frame 8, check sequence 4, gap 12 (IEEE 802.3, clauses 3 and 4).
const ETHERNET_OVERHEAD: &str = "24";
/// Longest wait in the queue of an end.
const QUEUE: &str = "20ms";

/// The names of a cable's parts, which follow from the name of the share.
pub(super) struct Link {
    namespace: String,
    client: String,
    server: String,
}

/// What an interface has carried, in bytes, with Ethernet headers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Wire {
    /// Towards the client: what reads take.
    pub(crate) received: u64,
    /// Towards the server.
    pub(crate) sent: u64,
}

impl Link {
    /// The cable of the share called `share`, whether or not it is laid. Interfaces may have 15
    /// letters.
    pub(super) fn named(share: &str) -> Self {
        Self {
            namespace: format!("poolproof-{share}"),
            client: format!("pp{share}c"),
            server: format!("pp{share}s"),
        }
    }

    /// Lays the cable: `bits_per_s` on the wire in each direction, packets of `mtu` bytes.
    pub(super) fn lay(&self, bits_per_s: u64, mtu: u32) -> Result<(), String> {
        let (namespace, mtu) = (self.namespace.as_str(), mtu.to_string());
        run("ip", &["netns", "add", namespace])?;
        let mut pair = vec!["link", "add", &self.client, "mtu", &mtu, "type", "veth"];
        pair.extend(["peer", "name", &self.server, "mtu", &mtu]);
        pair.extend(["netns", namespace]);
        run("ip", &pair)?;
        run("ip", &["-n", namespace, "link", "set", "lo", "up"])?;
        let ends = [
            (vec![], &self.client, CLIENT_ADDRESS),
            (vec!["-n", namespace], &self.server, SERVER_ADDRESS),
        ];
        let rate = format!("{bits_per_s}bit");
        // A millisecond's worth, as fine as any timer here, and some packets at least.
        let burst = (bits_per_s / 8 / 1000).max(1 << 15).to_string();
        for (inside, end, address) in ends {
            let within = |tool, words: &[&str]| run(tool, &[inside.as_slice(), words].concat());
            let address = format!("{address}/30");
            within("ip", &["addr", "add", &address, "dev", end])?;
            within("ip", &["link", "set", end, "gso_max_segs", "1", "up"])?;
            let mut shape = vec!["qdisc", "add", "dev", end, "root", "tbf", "rate", &rate];
            shape.extend(["burst", &burst, "latency", QUEUE]);
            shape.extend(["overhead", ETHERNET_OVERHEAD]);
            within("tc", &shape)?;
        }
        Ok(())
    }

    /// Name of the client's interface.
    pub(super) fn interface(&self) -> &str {
        &self.client
    }

    /// The file that stands for the server's namespace.
    pub(super) fn namespace(&self) -> String {
        format!("/run/netns/{}", self.namespace)
    }

    /// What the client's interface has carried so far.
    pub(super) fn carried(&self) -> Result<Wire, String> {
        let count = |name: &str| {
            let file = format!("/sys/class/net/{}/statistics/{name}", self.client);
            fs::read_to_string(&file)
                .map_err(|error| format!("cannot read {file}: {error}"))?
                .trim()
                .parse::<u64>()
                .map_err(|error| format!("no count in {file}: {error}"))
        };
        Ok(Wire {
            received: count("rx_bytes")?,
            sent: count("tx_bytes")?,
        })
    }

    /// The processes in the server's namespace.
    pub(super) fn processes(&self) -> Result<Vec<i32>, String> {
        if !self.is_laid() {
            return Ok(Vec::new());
        }
        let list = run("ip", &["netns", "pids", &self.namespace])?;
        Ok(list.lines().filter_map(|pid| pid.parse().ok()).collect())
    }

    /// Takes away what there is of the cable.
    pub(super) fn take_away(&self) -> Result<(), String> {
        if Path::new("/sys/class/net").join(&self.client).exists() {
            // Takes the other end along, at once; a namespace goes away later.
            run("ip", &["link", "del", &self.client])?;
        }
        if self.is_laid() {
            run("ip", &["netns", "del", &self.namespace])?;
        }
        Ok(())
    }

    fn is_laid(&self) -> bool {
        Path::new(&self.namespace()).exists()
    }
}
