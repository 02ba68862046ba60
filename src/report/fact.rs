//! Facts of a fingerprint for people: sizes in the units of the rest, and what a bare word means.

use std::str::FromStr;

use super::words::NONE;
use crate::units::{Bytes, grouped};

/// From this size on the exact bytes stand behind the units.
const LARGE: u64 = 1_000_000;

/// The value of `fact`, a path of [`crate::facts::Facts::lines`], in words.
pub(super) fn value(fact: &str, value: &str) -> String {
    let last = fact.rsplit('.').next().unwrap_or(fact);
    match (last, value) {
        ("missing", "") => "nothing: all that was looked for was told".to_owned(),
        ("clock_synchronised", "false") => {
            "no: this machine's clock is not known to be set by another, so times of day may be off; lengths of \
             time are not counted by it"
                .to_owned()
        }
        ("clock_synchronised", "true") => "yes".to_owned(),
        ("memory" | "bytes" | "total" | "available" | "direct_io_alignment", size) => {
            Bytes::from_str(size).map_or_else(|_| size.to_owned(), sized)
        }
        ("bits_per_second", bits) => bits.parse().map_or_else(
            |_| bits.to_owned(),
            |bits: f64| format!("{} Gb/s", bits / 1e9),
        ),
        (_, "") => NONE.to_owned(),
        (_, other) => other.to_owned(),
    }
}

/// `25.3 GB (23.6 GiB, 25,325,268,992 bytes)`; a small size as it is.
fn sized(bytes: Bytes) -> String {
    match bytes.0 {
        0..LARGE => bytes.to_string(),
        exact => format!("{} ({}, {} bytes)", bytes.si(), bytes.iec(), grouped(exact)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::{Client, Facts, Link, Room};

    #[test]
    fn no_fact_is_a_bare_number_of_bytes_or_a_word_without_a_meaning() {
        let facts = Facts {
            client: Client {
                memory: Bytes(17_179_869_184),
                ..Client::default()
            },
            space: Some(Room {
                total: Bytes(270_553_174_016),
                available: Bytes(41_618_747_392),
            }),
            links: vec![Link {
                name: "lan0".into(),
                mtu: 1500,
                bits_per_second: Some(2_500_000_000),
            }],
            clock_synchronised: Some(false),
            ..Facts::default()
        };
        let told: Vec<(String, String)> = facts
            .lines()
            .into_iter()
            .map(|(fact, told)| (fact.clone(), value(&fact, &told)))
            .collect();
        let of = |fact: &str| {
            let found = told.iter().find(|(name, _)| name == fact);
            found
                .unwrap_or_else(|| panic!("{fact} in {told:?}"))
                .1
                .as_str()
        };
        assert_eq!(
            of("client.memory"),
            "17.2 GB (16.0 GiB, 17,179,869,184 bytes)"
        );
        assert_eq!(of("space.total"), "271 GB (252 GiB, 270,553,174,016 bytes)");
        assert_eq!(
            of("space.available"),
            "41.6 GB (38.8 GiB, 41,618,747,392 bytes)"
        );
        assert_eq!(of("link.lan0.bits_per_second"), "2.5 Gb/s");
        assert_eq!(of("link.lan0.mtu"), "1500");
        assert!(of("clock_synchronised").starts_with("no: "));
        assert_eq!(of("missing"), "nothing: all that was looked for was told");
        assert_eq!(value("mount.direct_io_alignment", "512 B"), "512 B");
    }
}
