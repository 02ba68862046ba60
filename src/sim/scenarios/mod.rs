//! Scenarios drawn by chance, each with what it is: for testing a judgement against the truth.
//!
//! Everything that a judge has to tell apart is drawn: where the bytes come from and how many of
//! them, what else goes on, what can be seen. All ranges are made up after what is sold for homes and
//! offices.
//!
//! | drawn | from |
//! | --- | --- |
//! | drives | rotating in two of three pools: 5400 or 7200 turns, 150 to 270 MB/s outside; else solid: 60 to 150 µs, 300 to 550 MB/s |
//! | pool | any level, up to eight drives |
//! | link | 1, 2.5 or 10 Gb/s; packets of 9000 bytes now and then at 10 |
//! | cache | none, in the client, in the server's memory, a tier, or a mixture |
//! | hit ratio | 0, near 0.05, 0 to 1, or 1 |
//! | other traffic | none, up to 5 % of the line, or 20 to 50 %; half of it varies |
//! | other users | none, up to 10 % of the drives' time, or 30 to 50 % (solid: 20 %) |
//! | seen | everything, nothing of the members, the wire alone, or nothing |
//! | data | now and then compressed or kept once; the flush of a write workload now and then lies |

mod draw;

use draw::{between, pick};

use crate::load::{Assignment, Drive, LoadError, Measured, Share, Watch};
use crate::plan::{DataFile, Pattern, PatternError, Phase, Set, TestData, Workload, guessed_reach};
use crate::pool::{Level, PoolError};
use crate::seed::Seed;
use crate::sim::{
    ClientCache, Network, Scenario, Server, SimulatedShare, Tier, Truth, demo_scenario,
};
use crate::units::{Bytes, Nanos, Rate};

/// Files of the read set; the write set has a quarter of them.
const READ_FILES: u64 = 64;

/// Where what is read comes from, beside the drives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Caches {
    /// Nowhere.
    Clean,
    /// The client's memory.
    Client,
    /// The server's memory.
    Memory,
    /// A solid-state tier of the server.
    Tier,
    /// More than one of them.
    Mixture,
}

/// How much others do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Load {
    /// Nothing.
    None,
    /// What can be overlooked.
    Light,
    /// What cannot.
    Heavy,
}

/// What can be seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sight {
    /// Every observation there is.
    All,
    /// All but the counters of the drives.
    NoMembers,
    /// The counters of the interface alone.
    WireOnly,
    /// No observation.
    Nothing,
}

/// What a scenario is.
#[derive(Clone, Debug, PartialEq)]
pub struct Kind {
    /// Where what is read comes from.
    pub caches: Caches,
    /// The part of the read set, 0 to 1, that one of the caches has when a trial begins.
    pub hit_ratio: f64,
    /// Other traffic of the client.
    pub traffic: Load,
    /// Other users of the pool.
    pub users: Load,
    /// What can be seen.
    pub sight: Sight,
    /// The workload that is to be measured; one of the standard set.
    pub workload: Workload,
    /// Size of the read set.
    pub read_set: Bytes,
}

/// Why a scenario could not be measured.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    /// Its pool cannot be.
    #[error(transparent)]
    Pool(#[from] PoolError),
    /// Its workload has no room.
    #[error(transparent)]
    Pattern(#[from] PatternError),
    /// Its share did not answer.
    #[error(transparent)]
    Load(#[from] LoadError),
}

impl Kind {
    /// The test data of the scenario, as if laid down before.
    pub fn test_data(&self) -> TestData {
        let file = |number| DataFile {
            number,
            set: if number < READ_FILES {
                Set::Read
            } else {
                Set::Write
            },
            bytes: self.read_set.share(1, READ_FILES),
            phase: Phase::Before,
            complete: true,
        };
        let files = READ_FILES + READ_FILES / 4;
        TestData {
            folder: "test-data".into(),
            next_number: files,
            files: (0..files).map(file).collect(),
        }
    }

    /// Measures one trial of `seconds` in `scenario`, and tells the truth about it.
    ///
    /// # Errors
    /// When the scenario cannot be, or its workload finds no room in the test data.
    pub fn measure(
        &self,
        scenario: Scenario,
        seconds: u64,
    ) -> Result<(Measured, Truth), ScenarioError> {
        let (data, study) = (self.test_data(), scenario.seed.child("study", 0));
        let pattern = Pattern::new(&self.workload, &Workload::standard(), &data, study)?;
        let mut share = SimulatedShare::new(scenario)?;
        let assignment = Assignment {
            workload: &self.workload,
            pattern,
            data: &data,
            length: Nanos(seconds * Nanos::SECOND.0),
            until: None,
            first: 0,
            reach: guessed_reach(&self.workload, seconds),
            trial: 0,
            drive: Drive::Usual,
            observe: true,
        };
        let measured = share.run(&assignment, &Watch::default())?;
        Ok((measured, share.truth()))
    }
}

/// The scenario that belongs to `seed`.
pub fn random(seed: Seed) -> (Scenario, Kind) {
    let rng = &mut seed.child("scenario", 0).rng();
    let workload = draw::workload(rng);
    let read_set = Bytes::GIB.times(*pick(rng, &[16, 32, 64]));
    let caches = match rng.u32(0..100) {
        0..30 => Caches::Clean,
        30..48 => Caches::Client,
        48..66 => Caches::Memory,
        66..84 => Caches::Tier,
        _ => Caches::Mixture,
    };
    let hit_ratio = match (caches, rng.u32(0..100)) {
        (Caches::Clean, _) | (_, 0..15) => 0.0,
        (_, 15..35) => between(rng, 0.03, 0.07),
        (_, 35..85) => rng.f64(),
        _ => 1.0,
    };
    let parts = draw::parts(rng, caches, hit_ratio);
    // A cache is large enough for its part of the read set and the write set.
    let room = |rng: &mut fastrand::Rng, part: f64, sizes: &[u64]| {
        let needed = Bytes((read_set.0 as f64 * 1.4 * part) as u64);
        Bytes::GIB.times(*pick(rng, sizes)).max(needed)
    };
    let drive = draw::drive(rng);
    let pool = draw::pool(rng);
    let network = draw::network(rng);
    let (users, users_load) = draw::users(rng, &drive, pool.drives);
    let (traffic, traffic_load) = draw::traffic(rng, network.bits_per_second);
    let (sight, visibility) = draw::sight(rng);
    let has = |this| caches == this || caches == Caches::Mixture;
    let client_cache = has(Caches::Client).then(|| ClientCache {
        memory: room(rng, parts.client, &[4, 8, 16]),
        latency: Nanos(rng.u64(3_000..15_000)),
        rate: Rate(between(rng, 2e9, 6e9)),
        prewarmed: Some(parts.client),
        says_direct: rng.bool(),
    });
    let tier = has(Caches::Tier).then(|| Tier {
        bytes: room(rng, parts.tier, &[128, 256, 512]),
        latency: Nanos(rng.u64(70_000..150_000)),
        rate: Rate(between(rng, 400e6, 2_500e6)),
        prewarmed: Some(parts.tier),
    });
    let scenario = Scenario {
        pool,
        adding: if pool.level == Level::Raid10 { 2 } else { 1 },
        drive,
        stored: match rng.u32(0..10) {
            0 => between(rng, 0.2, 0.7),
            _ => 1.0,
        },
        server: Server {
            memory: room(rng, parts.memory, &[2, 4, 8, 16, 32]),
            write_back: Bytes::MIB.times(*pick(rng, &[16, 256, 1024])),
            write_back_line: Bytes::KIB.times(512),
            request: Nanos(rng.u64(40_000..150_000)),
            flush_lies: workload.writes() && rng.u32(0..4) == 0,
        },
        prewarmed: Some(parts.memory),
        tier,
        network: Network { traffic, ..network },
        client: draw::client(rng),
        client_cache,
        visibility,
        users,
        filled: between(rng, 0.1, 0.8),
        drift: 0.03,
        seed,
        ..demo_scenario(seed)
    };
    let kind = Kind {
        caches,
        hit_ratio,
        traffic: traffic_load,
        users: users_load,
        sight,
        workload,
        read_set,
    };
    (scenario, kind)
}
