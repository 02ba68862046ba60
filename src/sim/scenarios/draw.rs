//! The parts of a scenario, each drawn by itself.

use super::{Caches, Load, Sight};
use crate::plan::Workload;
use crate::pool::{Drive, Level, Pool};
use crate::sim::{Client, DriveKind, Network, Solid, Traffic, Users, Visibility};
use crate::units::{Bytes, Nanos, Rate};

/// Parts of the test data in each cache.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Parts {
    pub(super) client: f64,
    pub(super) memory: f64,
    pub(super) tier: f64,
}

pub(super) fn pick<'a, T>(rng: &mut fastrand::Rng, choices: &'a [T]) -> &'a T {
    &choices[rng.usize(..choices.len())]
}

pub(super) fn between(rng: &mut fastrand::Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.f64()
}

pub(super) fn workload(rng: &mut fastrand::Rng) -> Workload {
    let [
        large_read,
        large_write,
        small_read,
        small_read_deep,
        small_write_deep,
        mixed,
    ] = [0, 1, 2, 3, 4, 5];
    let number = match rng.u32(0..100) {
        0..30 => large_read,
        30..50 => small_read,
        50..70 => small_read_deep,
        70..80 => large_write,
        80..90 => small_write_deep,
        _ => mixed,
    };
    Workload::standard().swap_remove(number)
}

/// Caches are asked in turn: a later one has its part of what the earlier ones do not have.
pub(super) fn parts(rng: &mut fastrand::Rng, caches: Caches, hit_ratio: f64) -> Parts {
    let mut parts = Parts::default();
    match caches {
        Caches::Clean => {}
        Caches::Client => parts.client = hit_ratio,
        Caches::Memory => parts.memory = hit_ratio,
        Caches::Tier => parts.tier = hit_ratio,
        Caches::Mixture => {
            let weights = [rng.f64(), rng.f64(), rng.f64()];
            let scale = hit_ratio / weights.iter().sum::<f64>().max(f64::MIN_POSITIVE);
            let [client, memory, _] = weights.map(|weight| weight * scale);
            parts.client = client;
            parts.memory = memory / (1.0 - client);
            let behind = 1.0 - client - memory;
            // Exactly all, where all are hits.
            parts.tier = (1.0 - (1.0 - hit_ratio) / behind).clamp(0.0, 1.0);
        }
    }
    parts
}

pub(super) fn drive(rng: &mut fastrand::Rng) -> DriveKind {
    if rng.u32(0..3) == 0 {
        return DriveKind::Solid(Solid {
            latency: Nanos(rng.u64(60_000..150_000)),
            rate: Rate(between(rng, 300e6, 550e6)),
        });
    }
    let outer = between(rng, 150e6, 270e6);
    DriveKind::Rotating(Drive {
        outer: Rate(outer),
        inner: Rate(outer * between(rng, 0.45, 0.55)),
        rpm: *pick(rng, &[5400, 7200]),
        nearest_seek: Nanos(rng.u64(500_000..1_500_000)),
        average_seek: Nanos(rng.u64(7_500_000..12_000_000)),
    })
}

pub(super) fn pool(rng: &mut fastrand::Rng) -> Pool {
    let level = *pick(rng, &Level::ALL);
    let drives = match level {
        Level::Raid1 => 2,
        Level::Raid10 => 2 * rng.u32(2..5),
        level => rng.u32(level.minimum_drives()..9),
    };
    Pool {
        level,
        drives,
        drive_size: Some(Bytes::TB.times(*pick(rng, &[2, 4, 8, 16]))),
    }
}

pub(super) fn network(rng: &mut fastrand::Rng) -> Network {
    let bits_per_second = *pick(rng, &[1_000_000_000, 2_500_000_000, 10_000_000_000]);
    let jumbo = bits_per_second == 10_000_000_000 && rng.u32(0..4) == 0;
    Network {
        bits_per_second,
        mtu: if jumbo { 9000 } else { 1500 },
        round_trip: Nanos(rng.u64(80_000..400_000)),
        traffic: Traffic::NONE,
    }
}

fn load(rng: &mut fastrand::Rng) -> Load {
    match rng.u32(0..100) {
        0..50 => Load::None,
        50..80 => Load::Light,
        _ => Load::Heavy,
    }
}

pub(super) fn traffic(rng: &mut fastrand::Rng, bits_per_second: u64) -> (Traffic, Load) {
    let load = load(rng);
    let mut part = || match load {
        Load::None => 0.0,
        Load::Light => between(rng, 0.005, 0.05),
        Load::Heavy => between(rng, 0.2, 0.5),
    };
    let line = bits_per_second as f64 / 8.0;
    let traffic = Traffic {
        received: Rate(part() * line),
        sent: Rate(part() * line / 4.0),
        variation: if rng.bool() { 0.5 } else { 0.0 },
    };
    (traffic, load)
}

pub(super) fn users(rng: &mut fastrand::Rng, drive: &DriveKind, drives: u32) -> (Users, Load) {
    let load = load(rng);
    let block = Bytes::KIB.times(*pick(rng, &[64, 256, 1024]));
    let transfer = block.0 as f64 / drive.rate_at(0.3).0;
    let (service, heavy) = match drive {
        DriveKind::Rotating(drive) => {
            let access = drive.mean_seek(0.5) + drive.half_turn();
            (access.secs() + transfer, between(rng, 0.3, 0.5))
        }
        DriveKind::Solid(_) => (transfer, 0.2),
    };
    let busy = match load {
        Load::None => 0.0,
        Load::Light => between(rng, 0.01, 0.1),
        Load::Heavy => heavy,
    };
    let users = Users {
        operations_per_second: [busy / service * f64::from(drives); 24],
        block,
    };
    (users, load)
}

pub(super) fn client(rng: &mut fastrand::Rng) -> Client {
    // One in five has cores that a fast link keeps busy.
    let (operation, byte) = match rng.u32(0..5) {
        0 => (rng.u64(60_000..150_000), between(rng, 1.0, 3.0)),
        _ => (rng.u64(15_000..40_000), between(rng, 0.3, 0.6)),
    };
    Client {
        cores: *pick(rng, &[2, 4, 8]),
        operation: Nanos(operation),
        byte,
    }
}

pub(super) fn sight(rng: &mut fastrand::Rng) -> (Sight, Visibility) {
    let no_members = Visibility {
        members: false,
        ..Visibility::ALL
    };
    let wire_only = Visibility {
        wire: true,
        ..Visibility::NONE
    };
    match rng.u32(0..100) {
        0..35 => (Sight::All, Visibility::ALL),
        35..60 => (Sight::NoMembers, no_members),
        60..80 => (Sight::WireOnly, wire_only),
        _ => (Sight::Nothing, Visibility::NONE),
    }
}
