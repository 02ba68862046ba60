//! What the machine and the share say of themselves, and the difference of two such statements.
//!
//! What could not be learnt is listed as missing; nothing is guessed.

pub mod counters;
mod route;
mod server;

pub use route::{RouteError, interface};
pub use server::{ServerLink, server};

use serde::{Deserialize, Serialize};
use twox_hash::XxHash3_64;

use crate::units::Bytes;

/// A fingerprint of client, mount and link at the start of a sitting.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    /// Whether all of this is made up.
    #[serde(default)]
    pub simulated: bool,
    /// The machine that measures.
    pub client: Client,
    /// The file system under the share, where it could be found.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mount: Option<Mount>,
    /// Room on the share at the start of the sitting.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub space: Option<Room>,
    /// Network interfaces that are up, in order of their names.
    #[serde(default, rename = "link")]
    pub links: Vec<Link>,
    /// Block devices under a share that is mounted from one of this machine: the mounted one first,
    /// then what each is made of. Empty for a share of another machine.
    #[serde(default, rename = "device", skip_serializing_if = "Vec::is_empty")]
    pub devices: Vec<Device>,
    /// Whether the kernel takes this machine's clock to be synchronised, where it tells.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock_synchronised: Option<bool>,
    /// What could not be learnt, and why.
    #[serde(default)]
    pub missing: Vec<String>,
}

/// The machine that measures.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Client {
    /// Operating system and its version.
    pub system: String,
    /// Version of the kernel.
    pub kernel: String,
    /// Logical processors.
    pub processors: u32,
    /// Physical memory.
    pub memory: Bytes,
    /// Version of this program.
    pub program: String,
}

/// The file system under the share.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Mount {
    /// Where it is mounted.
    pub point: String,
    /// Its type, as the kernel names it.
    pub kind: String,
    /// What is mounted there: a device, or server and path.
    pub source: String,
    /// Options, sorted.
    pub options: Vec<String>,
    /// Alignment that direct I/O needs, where the kernel tells.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub direct_io_alignment: Option<Bytes>,
}

/// Room on the share.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Room {
    /// Size of the file system.
    pub total: Bytes,
    /// What this user may still write.
    pub available: Bytes,
}

/// A network interface.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Link {
    /// Its name.
    pub name: String,
    /// Largest packet in bytes.
    pub mtu: u64,
    /// Line rate in bits per second, where the driver tells.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bits_per_second: Option<u64>,
}

/// A block device.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Device {
    /// Its name, as `md0`.
    pub name: String,
    /// Its size.
    pub bytes: Bytes,
    /// Names of the devices that it is made of; empty for a drive, a partition, or where the kernel
    /// does not tell.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub over: Vec<String>,
}

impl Facts {
    /// A name made from the content: equal facts have equal names.
    pub fn id(&self) -> String {
        let text = serde_json::to_string(self).expect("facts are plain data");
        format!("{:016x}", XxHash3_64::oneshot(text.as_bytes()))
    }

    /// Every fact as a path and its value, in a fixed order.
    pub fn lines(&self) -> Vec<(String, String)> {
        let value = serde_json::to_value(self).expect("facts are plain data");
        let mut lines = Vec::new();
        flatten("", &value, &mut lines);
        lines
    }
}

fn flatten(path: &str, value: &serde_json::Value, lines: &mut Vec<(String, String)>) {
    use serde_json::Value;
    let below = |key: &str| {
        if path.is_empty() {
            key.to_owned()
        } else {
            format!("{path}.{key}")
        }
    };
    match value {
        Value::Object(fields) => {
            fields
                .iter()
                .for_each(|(key, value)| flatten(&below(key), value, lines));
        }
        Value::Array(items) if items.iter().any(Value::is_object) => {
            for (index, item) in items.iter().enumerate() {
                let name = item.get("name").and_then(Value::as_str).map(str::to_owned);
                flatten(
                    &below(&name.unwrap_or_else(|| index.to_string())),
                    item,
                    lines,
                );
            }
        }
        Value::Array(items) => {
            let texts: Vec<String> = items.iter().map(plain).collect();
            lines.push((path.to_owned(), texts.join(", ")));
        }
        other => lines.push((path.to_owned(), plain(other))),
    }
}

fn plain(value: &serde_json::Value) -> String {
    value
        .as_str()
        .map_or_else(|| value.to_string(), str::to_owned)
}

/// One fact that changed between two fingerprints.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// Which fact.
    pub fact: String,
    /// What it was; `None` when it was not there.
    pub was: Option<String>,
    /// What it is; `None` when it is gone.
    pub is: Option<String>,
}

/// What changed from `old` to `new`, in the order of the facts.
pub fn difference(old: &Facts, new: &Facts) -> Vec<Change> {
    let (old, new) = (old.lines(), new.lines());
    let find = |lines: &[(String, String)], fact: &str| {
        lines
            .iter()
            .find(|(name, _)| name == fact)
            .map(|(_, value)| value.clone())
    };
    let mut facts: Vec<&String> = old.iter().chain(&new).map(|(fact, _)| fact).collect();
    facts.sort_unstable();
    facts.dedup();
    facts
        .into_iter()
        .map(|fact| Change {
            fact: fact.clone(),
            was: find(&old, fact),
            is: find(&new, fact),
        })
        .filter(|change| change.was != change.is)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(mtu: u64) -> Facts {
        let link = Link {
            name: "lan0".into(),
            mtu,
            bits_per_second: Some(10_000_000_000),
        };
        Facts {
            links: vec![link],
            ..Facts::default()
        }
    }

    #[test]
    fn equal_facts_have_equal_names_and_changes_are_told() {
        assert_eq!(facts(1500).id(), facts(1500).id());
        assert_ne!(facts(1500).id(), facts(9000).id());
        let changes = difference(&facts(1500), &facts(9000));
        assert_eq!(changes.len(), 1);
        assert_eq!(changes[0].fact, "link.lan0.mtu");
        assert_eq!(
            (changes[0].was.as_deref(), changes[0].is.as_deref()),
            (Some("1500"), Some("9000"))
        );
        assert_eq!(difference(&facts(1500), &facts(1500)), []);
    }
}
