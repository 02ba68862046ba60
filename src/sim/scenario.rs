//! What is made up: the numbers of a simulated share.

use jiff::Timestamp;

use super::client::{Client, ClientCache, Tier, Visibility};
use super::drive::DriveKind;
use super::incident::{Happening, Incident};
use super::wire::Traffic;
use crate::pool::{Drive, IpVersion, Level, Pool, payload_rate};
use crate::seed::Seed;
use crate::units::{Bytes, Nanos, Rate};

/// A share, the pool behind it, those who use it, and how it will grow.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// The pool before it grows; the size of its drives is stated.
    pub pool: Pool,
    /// Drives that the expansion adds.
    pub adding: u32,
    /// Each of the drives.
    pub drive: DriveKind,
    /// Bytes on one drive before data goes on on the next.
    pub chunk: Bytes,
    /// Bytes that the drives move for a byte of test data, above 0 to 1: less than 1 where it is
    /// compressed, or kept once where it repeats.
    pub stored: f64,
    /// The machine with the pool.
    pub server: Server,
    /// The part of the test data, 0 to 1, that is in the server's memory when a trial begins,
    /// whatever was read before and however large the memory is; `None` leaves it to history.
    pub prewarmed: Option<f64>,
    /// A solid-state tier behind that memory.
    pub tier: Option<Tier>,
    /// The way from the server to the one who measures.
    pub network: Network,
    /// The machine that measures.
    pub client: Client,
    /// A cache that it has of the share.
    pub client_cache: Option<ClientCache>,
    /// What it can see.
    pub visibility: Visibility,
    /// Everybody else.
    pub users: Users,
    /// How the expansion goes about its work.
    pub reshape: Reshaping,
    /// What befalls the expansion, in the order of time.
    pub incidents: Vec<Incident>,
    /// The part of the pool, 0 to 1, that is full before test data is laid down behind it.
    pub filled: f64,
    /// Standard deviation of the logarithm of the drives' speed from minute to minute.
    pub drift: f64,
    /// Where all chance comes from.
    pub seed: Seed,
    /// The time of day at which it begins.
    pub start: Timestamp,
}

/// The machine with the pool.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Server {
    /// Memory that keeps what was read and written.
    pub memory: Bytes,
    /// Written data that is acknowledged before it is on the drives.
    pub write_back: Bytes,
    /// The least that one write takes up in the write-back buffer.
    pub write_back_line: Bytes,
    /// Processor time for one request; requests pass one after another.
    pub request: Nanos,
    /// Whether a flush is answered at once, with data that is not on the drives.
    pub flush_lies: bool,
}

/// The way between server and client.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Network {
    /// Line rate in bits per second.
    pub bits_per_second: u64,
    /// Largest packet in bytes.
    pub mtu: u64,
    /// There and back for a small message.
    pub round_trip: Nanos,
    /// What else the client does on its link.
    pub traffic: Traffic,
}

impl Network {
    /// Payload per second each way, over IPv4 with timestamps and no VLAN tag.
    pub fn payload_rate(&self) -> Rate {
        payload_rate(self.bits_per_second, self.mtu, IpVersion::V4, true, false)
    }
}

/// Everybody else who uses the pool.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Users {
    /// Operations per second, spread over the drives, by hour of the day in UTC.
    pub operations_per_second: [f64; 24],
    /// Bytes of one of them.
    pub block: Bytes,
}

/// How the expansion goes about its work.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reshaping {
    /// What each drive moves per second whatever else is to be done, at low priority.
    pub minimum: Rate,
    /// What each drive moves per second at most, at high priority.
    pub maximum: Rate,
    /// Whom it puts first.
    pub priority: Priority,
    /// Bytes on each drive that are read, then written, before the next.
    pub unit: Bytes,
    /// Time between two writings of the position, from which it goes on after a power cut.
    pub checkpoint: Nanos,
}

/// Whom a reshape puts first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Priority {
    /// The users: its minimum rate is certain, and a quarter of its maximum is the most.
    Low,
    /// Neither: eight times the minimum rate is certain.
    Normal,
    /// Itself: 32 times the minimum rate is certain, as far as the drives can.
    High,
}

impl Reshaping {
    /// What each drive moves per second whatever else is to be done.
    pub fn floor(&self) -> Rate {
        let factor = match self.priority {
            Priority::Low => 1.0,
            Priority::Normal => 8.0,
            Priority::High => 32.0,
        };
        Rate((self.minimum.0 * factor).min(self.ceiling().0))
    }

    /// What each drive moves per second at most.
    pub fn ceiling(&self) -> Rate {
        match self.priority {
            Priority::Low => Rate(self.maximum.0 / 4.0),
            Priority::Normal | Priority::High => self.maximum,
        }
    }
}

/// A busy office from 8 to 18 o'clock, half of it in the hours beside, and `night` otherwise:
/// operations per second by hour of the day.
pub fn office_hours(day: f64, night: f64) -> [f64; 24] {
    std::array::from_fn(|hour| match hour {
        8..18 => day,
        7 | 18 => (day + night) / 2.0,
        _ => night,
    })
}

/// The scan archive of a lighthouse museum: four 6 TB drives in RAID 6, 60 % full, that grow to five
/// behind a 10 Gb/s link while the museum works.
pub fn demo_scenario(seed: Seed) -> Scenario {
    Scenario {
        pool: Pool {
            level: Level::Raid6,
            drives: 4,
            drive_size: Some(Bytes::TB.times(6)),
        },
        adding: 1,
        drive: DriveKind::Rotating(Drive {
            outer: Rate(210e6),
            inner: Rate(105e6),
            rpm: 7200,
            nearest_seek: Nanos::MILLI,
            average_seek: Nanos(8_500_000),
        }),
        chunk: Bytes::KIB.times(512),
        stored: 1.0,
        server: Server {
            memory: Bytes::GIB.times(16),
            write_back: Bytes::GIB,
            write_back_line: Bytes::KIB.times(512),
            request: Nanos(15_000),
            flush_lies: false,
        },
        prewarmed: None,
        tier: None,
        network: Network {
            bits_per_second: 10_000_000_000,
            mtu: 1500,
            round_trip: Nanos(200_000),
            traffic: Traffic::NONE,
        },
        client: Client {
            cores: 4,
            operation: Nanos(5_000),
            byte: 0.2,
        },
        client_cache: None,
        visibility: Visibility::ALL,
        users: Users {
            operations_per_second: office_hours(32.0, 2.0),
            block: Bytes::KIB.times(256),
        },
        reshape: Reshaping {
            // 1000 KiB/s, the default of Linux md.
            minimum: Rate(1.024e6),
            maximum: Rate(200e6),
            priority: Priority::Normal,
            unit: Bytes::MIB,
            checkpoint: Nanos(60 * Nanos::SECOND.0),
        },
        incidents: Vec::new(),
        filled: 0.6,
        drift: 0.03,
        seed,
        // 09:00 UTC on a Monday.
        start: Timestamp::constant(1_772_442_000, 0),
    }
}

/// `scenario` with all that befalls an expansion of some days: in its second evening the keeper holds it
/// for an hour and a quarter, in the night its software stands for an hour and a half, and on the day
/// after the power is gone for twenty minutes. Its position is written down every half hour only, so
/// that it falls back by more than readings some minutes apart can miss.
pub fn eventful(scenario: Scenario) -> Scenario {
    let minutes = |minutes: u64| Nanos(60 * minutes * Nanos::SECOND.0);
    let incident = |after, lasts, what| Incident {
        after: minutes(after),
        lasts: minutes(lasts),
        what,
    };
    Scenario {
        reshape: Reshaping {
            checkpoint: minutes(30),
            ..scenario.reshape
        },
        incidents: vec![
            incident(26 * 60, 75, Happening::Pause),
            incident(33 * 60 + 20, 90, Happening::Stall),
            incident(45 * 60, 20, Happening::PowerCut),
        ],
        ..scenario
    }
}
