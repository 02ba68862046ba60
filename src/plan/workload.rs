//! What a trial asks of the share: direction, access, block size, in-flight depth, pacing.

use serde::{Deserialize, Serialize};

use crate::units::Bytes;

/// Workloads that only write, in blocks of so many bytes and more, show whether the share compresses:
/// before a trial they write content of each class where they will write next.
pub const CLASS_BLOCK: u64 = 256 << 10;
/// Writes of each class of compressibility.
pub const CLASS_WRITES: u64 = 16;

/// How the next block is chosen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Access {
    /// In the order of the files.
    Sequential,
    /// In a seeded order that visits each block once before any twice.
    Random,
}

impl Access {
    /// The word used in tables and files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Sequential => "sequential",
            Self::Random => "random",
        }
    }
}

/// One kind of load.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Workload {
    /// A name of lower-case letters, digits and hyphens.
    pub name: String,
    /// Share of operations that read, 0 to 100.
    pub read_percent: u8,
    /// Order in which blocks are visited.
    pub access: Access,
    /// Bytes of one operation; a multiple of 4 KiB.
    pub block: Bytes,
    /// Operations that each stream keeps in flight.
    pub depth: u32,
    /// Independent streams, each with its own thread or ring.
    #[serde(default = "one")]
    pub streams: u32,
    /// Open loop: operations per second of all streams together. Absent: closed loop, each
    /// completion starts the next operation.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub operations_per_second: Option<f64>,
    /// Only the first so many bytes of the workload's part of the test data are visited.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub span: Option<Bytes>,
}

fn one() -> u32 {
    1
}

/// Why a described workload cannot be run.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("workload '{name}': {why}")]
pub struct WorkloadError {
    name: String,
    why: &'static str,
}

impl Workload {
    /// Whether any operation reads.
    pub fn reads(&self) -> bool {
        self.read_percent > 0
    }

    /// Whether any operation writes.
    pub fn writes(&self) -> bool {
        self.read_percent < 100
    }

    /// Whether anything can be done while an operation is in flight: another one, or making the content of the
    /// next write, which a paced one waits for until it is due.
    pub fn overlaps(&self) -> bool {
        self.depth > 1 || self.writes_ahead()
    }

    /// Whether content is made before there is room for the write.
    pub fn writes_ahead(&self) -> bool {
        self.writes() && self.operations_per_second.is_none()
    }

    /// Checks every field; the error says which is out of range.
    pub fn validate(&self) -> Result<(), WorkloadError> {
        let fail = |why| {
            Err(WorkloadError {
                name: self.name.escape_debug().to_string(),
                why,
            })
        };
        let good_name = !self.name.is_empty()
            && self.name.len() <= 40
            && self
                .name
                .bytes()
                .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-');
        if !good_name {
            return fail("a name is 1 to 40 lower-case letters, digits and hyphens");
        }
        if self.read_percent > 100 {
            return fail("read_percent is a share from 0 to 100");
        }
        if self.block.0 == 0
            || !self.block.0.is_multiple_of(4096)
            || self.block > Bytes::MIB.times(64)
        {
            return fail("block is a multiple of 4 KiB, at most 64 MiB");
        }
        if !(1..=1024).contains(&self.depth) || !(1..=64).contains(&self.streams) {
            return fail("depth is 1 to 1024 and streams 1 to 64");
        }
        if self
            .block
            .times(u64::from(self.depth) * u64::from(self.streams))
            > Bytes::GIB.times(4)
        {
            return fail("block x depth x streams may hold at most 4 GiB of buffers");
        }
        if self
            .operations_per_second
            .is_some_and(|rate| !(0.001..=1e7).contains(&rate))
        {
            return fail("operations_per_second is from 0.001 to 10,000,000");
        }
        if self.span.is_some_and(|span| span < self.block) {
            return fail("span holds at least one block");
        }
        Ok(())
    }

    /// What makes two trials comparable: everything but the name, as text.
    pub fn signature(&self) -> String {
        let pace = match self.operations_per_second {
            Some(rate) => format!("{rate}/s"),
            None => "closed loop".to_owned(),
        };
        let span = self.span.map_or("all".to_owned(), |span| span.to_string());
        format!(
            "{} % reads, {}, {}, depth {}, streams {}, {pace}, span {span}",
            self.read_percent,
            self.access.word(),
            self.block,
            self.depth,
            self.streams
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_out_of_range_are_refused_by_name() {
        let base = Workload::standard().remove(0);
        let bad = [
            Workload {
                name: "Über".into(),
                ..base.clone()
            },
            Workload {
                read_percent: 101,
                ..base.clone()
            },
            Workload {
                block: Bytes(1000),
                ..base.clone()
            },
            Workload {
                depth: 0,
                ..base.clone()
            },
            Workload {
                streams: 65,
                ..base.clone()
            },
            Workload {
                operations_per_second: Some(f64::NAN),
                ..base.clone()
            },
            Workload {
                span: Some(Bytes(4096)),
                ..base.clone()
            },
        ];
        for workload in bad {
            assert!(workload.validate().is_err(), "{workload:?}");
        }
    }
}
