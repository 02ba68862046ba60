//! Bytes layer by layer, from the drives to what the share shows: expected by the geometry, and seen.

use serde::Serialize;

use super::Sides;
use crate::facts::{Device, Facts};
use crate::study::Study;
use crate::units::Bytes;

/// A size and where it comes from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Figure {
    /// The size.
    pub bytes: Bytes,
    /// Its source, in words.
    pub source: String,
}

/// One layer, before and after the expansion.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Layer {
    /// Its name.
    pub name: &'static str,
    /// Expected by the geometry of the study, before and after; `None` where nothing can be expected.
    pub expected: [Option<Figure>; 2],
    /// Seen in the facts of the latest sitting before and after; `None` where nothing tells.
    pub seen: [Option<Figure>; 2],
}

/// What the size of such a file system counts.
pub(super) const RAW: &str = "raw bytes, parity included";

/// The layers, drives first.
pub(super) fn layers(study: &Study, sides: &Sides<'_>) -> Vec<Layer> {
    let facts = [sides.before, sides.after];
    let pool = study.config.pool.as_ref();
    let pools = [
        pool.map(|pool| pool.before()),
        pool.and_then(|pool| pool.after().ok()),
    ];
    let expected = |count: fn(&crate::pool::Pool) -> u32, what: &str| {
        pools.each_ref().map(|pool| {
            let pool = pool.as_ref()?;
            let size = pool.drive_size?;
            let source = format!("study.toml: {} {what} × {}", count(pool), size.si());
            Some(Figure {
                bytes: size.times(u64::from(count(pool))),
                source,
            })
        })
    };
    let most = |what: &'static str| {
        expected(|pool| pool.data_drives(), "data drives").map(|figure| {
            figure.map(|figure| Figure {
                source: format!("{what} the pool's"),
                ..figure
            })
        })
    };
    // What a file system counts is known once it was seen.
    let raw = facts
        .iter()
        .flatten()
        .any(|of| study.counts_parity(of.facts));
    let shown = match raw {
        true => expected(|pool| pool.drives, "drives").map(|figure| {
            figure.map(|figure| Figure {
                source: format!("{RAW}: as much as the drives'"),
                ..figure
            })
        }),
        false => most("somewhat less than"),
    };
    let seen = |find: &dyn Fn(&Facts) -> Option<(Bytes, String)>| {
        facts.each_ref().map(|recorded| {
            let recorded = recorded.as_ref()?;
            let (bytes, what) = find(recorded.facts)?;
            Some(Figure {
                bytes,
                source: format!("{what}, {}", recorded.when()),
            })
        })
    };
    vec![
        Layer {
            name: "drives",
            expected: expected(|pool| pool.drives, "drives"),
            seen: seen(&drives),
        },
        Layer {
            name: "pool",
            expected: expected(|pool| pool.data_drives(), "data drives"),
            seen: seen(&pool_device),
        },
        Layer {
            name: "volume",
            expected: most("at most"),
            seen: seen(&volume),
        },
        Layer {
            name: "share",
            expected: shown,
            seen: seen(&|facts| {
                let room = facts.space.as_ref()?;
                let what = "the file system as the share shows it";
                Some(match study.counts_parity(facts) {
                    true => (room.total, format!("{what}, in {RAW}")),
                    false => (room.total, what.to_owned()),
                })
            }),
        },
    ]
}

/// Devices that are made of no others.
fn leaves(facts: &Facts) -> Vec<&Device> {
    let leaf = |device: &&Device| device.over.is_empty();
    facts.devices.iter().filter(leaf).collect()
}

/// The drives, where several are seen: one device alone may be anything.
fn drives(facts: &Facts) -> Option<(Bytes, String)> {
    let leaves = leaves(facts);
    let bytes = leaves.iter().map(|device| device.bytes).sum();
    (leaves.len() > 1).then(|| (bytes, format!("{} block devices", leaves.len())))
}

/// The device that is made of the drives.
fn pool_device(facts: &Facts) -> Option<(Bytes, String)> {
    let leaves = leaves(facts);
    let is_leaf = |name: &String| leaves.iter().any(|leaf| leaf.name == *name);
    let pool = facts
        .devices
        .iter()
        .find(|device| device.over.len() > 1 && device.over.iter().all(is_leaf))?;
    Some((pool.bytes, format!("block device {}", pool.name)))
}

/// The device that is mounted, where it is one.
fn volume(facts: &Facts) -> Option<(Bytes, String)> {
    let first = facts.devices.first()?;
    let alone = facts.devices.len() == 1 || !first.over.is_empty();
    alone.then(|| (first.bytes, format!("block device {}", first.name)))
}
