//! Pools of the server: made, grown, looked at.

use std::ops::Range;
use std::time::{Duration, Instant};

use crate::drive::Model;
use crate::lab::Lab;
use crate::share::POOL;

/// How a pool spreads its data.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Layout {
    Raid5,
    Raid6,
    Raid10,
    BtrfsRaid1,
}

/// Where an array is.
pub(crate) const ARRAY: &str = "/dev/md0";

/// What Debian's first stage does before it assembles arrays: they stay as they are until something is written.
pub(crate) const BOOTED: &str = "modprobe raid456; echo 1 >/sys/module/md_mod/parameters/start_ro";

/// Drives of `bytes` that move 8 MB/s: few enough for emulated processors to follow.
pub(crate) fn drives(count: usize, bytes: u64) -> Vec<Model> {
    vec![Model::turning(bytes, 8e6); count]
}

/// The device names of drives by their places, parted by blanks.
pub(crate) fn devices(places: Range<usize>) -> String {
    let names: Vec<String> = places.map(device).collect();
    names.join(" ")
}

/// The device name of the drive at a place: the first one is `/dev/vdb`.
pub(crate) fn device(place: usize) -> String {
    format!("/dev/{}", member(place))
}

/// The kernel's name of the drive at a place.
pub(crate) fn member(place: usize) -> String {
    let letter = u8::try_from(place).expect("few drives") + b'b';
    format!("vd{}", char::from(letter))
}

impl Layout {
    /// The word of cells.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Raid5 => "raid5",
            Self::Raid6 => "raid6",
            Self::Raid10 => "raid10",
            Self::BtrfsRaid1 => "btrfs-raid1",
        }
    }

    /// What `new --pool` is told.
    pub(crate) fn level(self) -> &'static str {
        match self {
            Self::Raid5 => "raid5",
            Self::Raid6 => "raid6",
            // The nearest that can be said: two copies, spread over all drives.
            Self::Raid10 | Self::BtrfsRaid1 => "raid10",
        }
    }

    /// Drives that are added at least: those of mirrors come in pairs.
    pub(crate) fn adds(self) -> usize {
        match self {
            Self::Raid5 | Self::Raid6 => 1,
            Self::Raid10 | Self::BtrfsRaid1 => 2,
        }
    }

    /// The source of `watch`.
    pub(crate) fn source(self) -> &'static str {
        match self {
            Self::BtrfsRaid1 => "btrfs",
            _ => "mdstat",
        }
    }

    /// What prints on the server where the reshape is.
    pub(crate) fn progress(self) -> String {
        match self {
            Self::BtrfsRaid1 => format!("btrfs balance status {POOL}"),
            _ => "cat /proc/mdstat".into(),
        }
    }

    /// Large reads of `after` drives over those of `before`, by geometry: data drives of parity layouts; of
    /// two copies spread over all drives, all drives, as far as readers use both copies.
    pub(crate) fn gain(self, before: usize, after: usize) -> f64 {
        let parity = match self {
            Self::Raid5 => 1,
            Self::Raid6 => 2,
            Self::Raid10 | Self::BtrfsRaid1 => 0,
        };
        (after - parity) as f64 / (before - parity) as f64
    }

    /// Makes the pool of the first `count` drives, in sync by construction (the drives are empty), with a file
    /// system that is mounted.
    pub(crate) fn make(self, lab: &Lab, count: usize) -> Result<(), String> {
        if self == Self::BtrfsRaid1 {
            let devices = devices(0..count);
            return lab
                .server
                .run(&format!(
                    "modprobe btrfs; mkdir -p {POOL}; mkfs.btrfs -q -f -d raid1 -m raid1 {devices} \
                     && mount /dev/vdb {POOL}"
                ))
                .map(drop);
        }
        self.assemble(lab, count)?;
        mkfs(lab, ARRAY)
    }

    /// Makes an array of md of the first `count` drives.
    pub(crate) fn assemble(self, lab: &Lab, count: usize) -> Result<(), String> {
        let devices = devices(0..count);
        let level = match self {
            Self::Raid5 => "5",
            Self::Raid6 => "6",
            Self::Raid10 => "10 --layout=n2",
            Self::BtrfsRaid1 => return Err("btrfs has no array".into()),
        };
        lab.server
            .run(&format!(
                "mdadm --create {ARRAY} --run --assume-clean --level={level} \
                 --raid-devices={count} {devices}"
            ))
            .map(drop)
    }

    /// Begins to grow the pool from `before` to `after` drives, each reshape at most at `kib_per_s` a drive.
    pub(crate) fn grow(
        self,
        lab: &Lab,
        before: usize,
        after: usize,
        kib_per_s: u32,
    ) -> Result<(), String> {
        let added = devices(before..after);
        if self == Self::BtrfsRaid1 {
            let balance = format!(
                "btrfs device add -f {added} {POOL} && btrfs balance start --full-balance {POOL}"
            );
            return lab
                .server
                .run(&format!("({balance}) >/tmp/balance.log 2>&1 & sleep 2"))
                .map(drop);
        }
        lab.server.run(&format!(
            "mdadm {ARRAY} --add {added} && {}; mdadm --grow {ARRAY} --raid-devices={after}",
            limit(kib_per_s)
        ))?;
        Ok(())
    }

    /// Whether nothing moves any more, by the layer's own word.
    pub(crate) fn is_idle(self, lab: &Lab) -> Result<bool, String> {
        match self {
            Self::BtrfsRaid1 => {
                let status = lab
                    .server
                    .output(&self.progress(), Duration::from_secs(60))?;
                Ok(status.out.contains("No balance"))
            }
            _ => Ok(lab.server.run("cat /sys/block/md0/md/sync_action")?.trim() == "idle"),
        }
    }

    /// Waits until nothing moves any more; returns when that was.
    pub(crate) fn wait_idle(self, lab: &Lab, limit: Duration) -> Result<Instant, String> {
        let started = Instant::now();
        while !self.is_idle(lab)? {
            if started.elapsed() > limit {
                return Err(format!("the pool still moves after {limit:?}"));
            }
            std::thread::sleep(Duration::from_secs(2));
        }
        Ok(Instant::now())
    }

    /// Grows the file system to what the pool can hold; btrfs has done so.
    pub(crate) fn grow_file_system(self, lab: &Lab) -> Result<(), String> {
        match self {
            Self::BtrfsRaid1 => Ok(()),
            _ => lab.server.run(&format!("resize2fs {ARRAY}")).map(drop),
        }
    }
}

/// A file system on a device, mounted where pools are.
pub(crate) fn mkfs(lab: &Lab, device: &str) -> Result<(), String> {
    lab.server
        .run(&format!(
            "mkdir -p {POOL}; mkfs.ext4 -q -E nodiscard,lazy_itable_init=0,lazy_journal_init=0 {device} \
             && mount {device} {POOL}"
        ))
        .map(drop)
}

/// Holds what the kernel moves to so many KiB a second and drive; it makes way for users as it always does.
pub(crate) fn limit(kib_per_s: u32) -> String {
    let least = kib_per_s.min(100);
    format!(
        "echo {least} >/proc/sys/dev/raid/speed_limit_min; echo {kib_per_s} >/proc/sys/dev/raid/speed_limit_max"
    )
}
