//! Which interface leads to an address: `/proc/net/route` and `/proc/net/ipv6_route`.
//!
//! These hold the kernel's main table. Rules that send some traffic to other tables are not seen.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use thiserror::Error;

use super::counters::{CounterError, Text};

/// Why no interface is known.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum RouteError {
    /// No route leads there.
    #[error("no route leads to {0}")]
    None(IpAddr),
    /// A route cannot be read.
    #[error(transparent)]
    Text(#[from] CounterError),
}

/// `RTF_UP` of `include/uapi/linux/route.h`: the route can be used.
const UP: u64 = 0x1;
/// `RTF_REJECT`: packets are refused.
const REJECT: u64 = 0x200;

/// A route in bits, whatever its family.
struct Route<'a> {
    interface: &'a str,
    destination: u128,
    /// Length of the prefix.
    bits: u32,
    flags: u64,
    metric: u64,
}

/// The interface that leads to `server`: the route with the longest prefix and, among equals, the
/// smallest metric. `v4` is the text of `/proc/net/route`, `v6` that of
/// `/proc/net/ipv6_route`; only that of the server's family is read. Addresses of this machine
/// itself are not in the table of version 4, but those beginning with 127 go to `lo`.
///
/// # Errors
/// When no route leads there or a line cannot be read.
pub fn interface(server: IpAddr, v4: &str, v6: &str) -> Result<String, RouteError> {
    let server = server.to_canonical();
    if server.is_loopback() {
        return Ok("lo".into());
    }
    let (routes, width, wanted) = match server {
        IpAddr::V4(address) => (routes_v4(v4)?, 32, u128::from(address.to_bits())),
        IpAddr::V6(address) => (routes_v6(v6)?, 128, address.to_bits()),
    };
    let matches = |route: &&Route<'_>| {
        // A shift by all bits leaves nothing to compare: the default route.
        let differ = (wanted ^ route.destination).checked_shr(width - route.bits);
        route.flags & UP != 0 && differ.unwrap_or(0) == 0
    };
    routes
        .iter()
        .filter(matches)
        .min_by_key(|route| (width - route.bits, route.metric))
        .filter(|route| route.flags & REJECT == 0)
        .map(|route| route.interface.to_owned())
        .ok_or(RouteError::None(server))
}

/// Lines `Iface Destination Gateway Flags RefCnt Use Metric Mask …` below a head; addresses are
/// hexadecimal numbers in the byte order of the machine, so that 0100A8C0 is 192.168.0.1 on a
/// little-endian one.
fn routes_v4(text: &str) -> Result<Vec<Route<'_>>, CounterError> {
    Text::new("/proc/net/route", text)
        .lines()
        .skip(1)
        .filter(|line| !line.text.trim().is_empty())
        .map(|line| {
            let fields: Vec<&str> = line.text.split_whitespace().collect();
            let [interface, destination, _, flags, _, _, metric, mask, ..] = fields[..] else {
                return Err(line.error("route"));
            };
            let address = |field: &str, what| {
                let number = u32::from_str_radix(field, 16).map_err(|_| line.error(what))?;
                Ok(Ipv4Addr::from(number.to_ne_bytes()).to_bits())
            };
            let mask: u32 = address(mask, "mask")?;
            if mask.leading_ones() + mask.trailing_zeros() < 32 {
                return Err(line.error("mask"));
            }
            Ok(Route {
                interface,
                destination: u128::from(address(destination, "destination")?),
                bits: mask.leading_ones(),
                flags: u64::from_str_radix(flags, 16).map_err(|_| line.error("flags"))?,
                metric: line.number(Some(metric), "metric")?,
            })
        })
        .collect()
}

/// Lines `destination length source length gateway metric references use flags interface` without
/// a head; numbers are hexadecimal, addresses in the order of the network. Routes for some sources
/// only are left out.
fn routes_v6(text: &str) -> Result<Vec<Route<'_>>, CounterError> {
    let mut routes = Vec::new();
    for line in Text::new("/proc/net/ipv6_route", text).lines() {
        let fields: Vec<&str> = line.text.split_whitespace().collect();
        let [
            destination,
            bits,
            _,
            source_bits,
            _,
            metric,
            _,
            _,
            flags,
            interface,
        ] = fields[..]
        else {
            return Err(line.error("route"));
        };
        let number = |field, what| u64::from_str_radix(field, 16).map_err(|_| line.error(what));
        let bits = number(bits, "length of the prefix")?;
        if bits > 128 || destination.len() != 32 {
            return Err(line.error("destination"));
        }
        let destination = u128::from_str_radix(destination, 16)
            .map(Ipv6Addr::from_bits)
            .map_err(|_| line.error("destination"))?;
        if number(source_bits, "length of the source's prefix")? > 0 {
            continue;
        }
        routes.push(Route {
            interface,
            destination: destination.to_bits(),
            bits: bits as u32,
            flags: number(flags, "flags")?,
            metric: number(metric, "metric")?,
        });
    }
    Ok(routes)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Default by lan0, 192.0.2.0/24 by lan0, 192.0.2.128/25 by lan1, 198.51.100.0/24 by lan1 and
    /// cheaper by lan2, 203.0.113.0/24 refused; as a little-endian machine prints them.
    pub(in crate::facts) const V4: &str = "\
Iface\tDestination\tGateway \tFlags\tRefCnt\tUse\tMetric\tMask\t\tMTU\tWindow\tIRTT
lan0\t00000000\t010200C0\t0003\t0\t0\t100\t00000000\t0\t0\t0
lan0\t000200C0\t00000000\t0001\t0\t0\t0\t00FFFFFF\t0\t0\t0
lan1\t800200C0\t00000000\t0001\t0\t0\t0\t80FFFFFF\t0\t0\t0
lan1\t006433C6\t00000000\t0001\t0\t0\t200\t00FFFFFF\t0\t0\t0
lan2\t006433C6\t00000000\t0001\t0\t0\t100\t00FFFFFF\t0\t0\t0
*\t007100CB\t00000000\t0201\t0\t0\t0\t00FFFFFF\t0\t0\t0
down\t016433C6\t00000000\t0000\t0\t0\t0\tFFFFFFFF\t0\t0\t0
";

    /// fd00::/64 by lan0, one address of it local, default by lan1, unreachable by lo.
    pub(in crate::facts) const V6: &str = "\
fd000000000000000000000000000000 40 00000000000000000000000000000000 00 00000000000000000000000000000000 00000100 00000001 00000000 00000001     lan0
fd000000000000000000000000000009 80 00000000000000000000000000000000 00 00000000000000000000000000000000 00000000 00000003 00000000 80200001       lo
00000000000000000000000000000000 00 00000000000000000000000000000000 00 fd000000000000000000000000000001 00000400 00000003 00000000 00000003     lan1
00000000000000000000000000000000 00 00000000000000000000000000000000 00 00000000000000000000000000000000 ffffffff 00000001 00000000 00200200       lo
";

    fn to(server: &str) -> String {
        interface(server.parse().unwrap(), V4, V6).unwrap_or_else(|error| error.to_string())
    }

    #[cfg(target_endian = "little")]
    #[test]
    fn the_longest_prefix_wins_and_then_the_smallest_metric() {
        assert_eq!(to("192.0.2.7"), "lan0");
        assert_eq!(to("192.0.2.200"), "lan1");
        assert_eq!(to("198.51.100.1"), "lan2");
        assert_eq!(to("203.0.112.1"), "lan0");
        assert_eq!(
            to("203.0.113.1"),
            "no route leads to 203.0.113.1",
            "refused"
        );
        assert_eq!(to("198.51.101.1"), "lan0", "a route that is down");
        assert_eq!(to("127.0.0.1"), "lo");
        assert_eq!(to("::ffff:192.0.2.200"), "lan1");
    }

    #[test]
    fn version_6_is_read_in_network_order() {
        assert_eq!(to("fd00::7"), "lan0");
        assert_eq!(to("fd00::9"), "lo");
        assert_eq!(to("2001:db8::1"), "lan1");
        assert_eq!(to("::1"), "lo");
    }

    #[test]
    fn without_a_route_there_is_no_interface() {
        let server: IpAddr = "192.0.2.7".parse().unwrap();
        let head = V4.lines().next().unwrap();
        assert_eq!(
            interface(server, head, "").unwrap_err().to_string(),
            "no route leads to 192.0.2.7"
        );
        let short = format!("{head}\nlan0\t00000000\n");
        assert_eq!(
            interface(server, &short, "").unwrap_err().to_string(),
            "/proc/net/route line 2 has no readable route: \"lan0\\t00000000\""
        );
        let odd = V4.replace("00FFFFFF", "FF00FF00");
        let error = interface(server, &odd, "").unwrap_err().to_string();
        assert!(error.contains("line 3 has no readable mask"), "{error}");
    }
}
