//! The server in virtual time: when each request is ready, and where its bytes come from.
//!
//! No clocks here: moments are spans since the share was mounted.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use poolproof::seed::{Seed, standard_normal};

use super::config::{BLOCK, Cache, Config, Direct, Flush, Positioning, Writes};
use super::counts::{Origin, Served};

/// So much of the content lies on one drive before it goes on on the next.
const CHUNK: u64 = 256 << 10;
/// A gap that a drive lets pass under its head instead of positioning anew.
const SKIP: u64 = CHUNK;

/// A part of a request within one block.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Piece {
    /// Which block of the file system.
    pub(super) block: u64,
    /// Bytes of the request in it.
    pub(super) bytes: u64,
    /// The same as stored: fewer where it is compressed, none for zeros.
    pub(super) stored: u64,
}

/// What becomes of a request.
#[derive(Debug, Default)]
pub(super) struct Plan {
    /// When the server, or the client's memory, has the answer.
    pub(super) ready: Duration,
    pub(super) origin: Origin,
    /// What the drives have done by `done`.
    pub(super) served: Vec<Served>,
    /// When the drives are through with it: after `ready` for buffered writes.
    pub(super) done: Duration,
}

/// Something that carries one request after the other.
#[derive(Debug)]
pub(super) struct Link {
    rate: u64,
    free: Duration,
}

impl Link {
    pub(super) fn new(rate: u64) -> Self {
        let free = Duration::ZERO;
        Self { rate, free }
    }

    /// When `bytes` that are ready at `moment` have been carried.
    pub(super) fn carry(&mut self, moment: Duration, bytes: u64) -> Duration {
        self.free = self.free.max(moment) + transfer(bytes, self.rate);
        self.free
    }
}

/// The server.
#[derive(Debug)]
pub(super) struct Server {
    config: Config,
    drives: Vec<Drive>,
    memory: Memory,
    /// What lying direct I/O answers on this side of the link.
    client: Memory,
    inwards: Link,
    /// Buffered writes by when the drives are through with them.
    draining: BTreeMap<Duration, u64>,
    buffered: u64,
    chance: fastrand::Rng,
}

impl Server {
    pub(super) fn new(config: &Config) -> Self {
        let memory = match config.cache {
            Cache::Memory(bytes) => Memory::new(bytes),
            Cache::Nothing | Cache::Set(_) => Memory::new(0),
        };
        let client = match config.direct {
            Direct::Lies(_) => Memory::new(u64::MAX),
            Direct::Honest | Direct::Refused | Direct::RefusedLate => Memory::new(0),
        };
        Self {
            drives: vec![Drive::default(); config.drives],
            memory,
            client,
            inwards: Link::new(config.link_rate),
            draining: BTreeMap::new(),
            buffered: 0,
            chance: Seed(config.seed).child("positioning", 0).rng(),
            config: config.clone(),
        }
    }

    /// Forgets what the memories hold, as a restart of both machines does.
    pub(super) fn forget(&mut self) {
        self.memory.clear();
        self.client.clear();
    }

    /// A read that arrives at `now`. A block whose read is still in flight counts as held.
    pub(super) fn read(&mut self, now: Duration, pieces: &[Piece]) -> Plan {
        let (mut plan, mut missing) = (Plan::default(), Vec::new());
        for piece in pieces {
            let near = self.client.touch(piece.block);
            let place = if near {
                &mut plan.origin.client
            } else if self.holds(piece.block) {
                &mut plan.origin.cache
            } else if piece.stored == 0 {
                &mut plan.origin.nowhere
            } else {
                missing.push(*piece);
                &mut plan.origin.drives
            };
            *place += piece.bytes;
        }
        plan.ready = match self.config.direct {
            Direct::Lies(delay) if plan.reaches_only_client() => now + delay,
            _ => now + self.config.cache_delay,
        };
        plan.done = self.transfer(now, &missing, false, &mut plan.served);
        plan.ready = plan.ready.max(plan.done);
        plan
    }

    /// A write that arrives at `now`.
    pub(super) fn write(&mut self, now: Duration, pieces: &[Piece]) -> Plan {
        let bytes = pieces.iter().map(|piece| piece.bytes).sum();
        let arrived = self.inwards.carry(now, bytes);
        for piece in pieces {
            self.memory.touch(piece.block);
            self.client.touch(piece.block);
        }
        let stored: Vec<Piece> = pieces.iter().filter(|p| p.stored > 0).copied().collect();
        let mut plan = Plan::default();
        plan.done = self.transfer(arrived, &stored, true, &mut plan.served);
        let at_least = arrived + self.config.cache_delay;
        plan.ready = match self.config.writes {
            Writes::Through => plan.done.max(at_least),
            Writes::Buffered(room) => {
                self.drain(arrived);
                self.buffer(plan.done, bytes);
                self.fits(room).max(at_least)
            }
        };
        plan
    }

    /// When a flush that arrives at `now` is acknowledged, and the bytes that are not on the drives
    /// by then.
    pub(super) fn flush(&mut self, now: Duration) -> (Duration, u64) {
        self.drain(now);
        let at_once = now + self.config.cache_delay;
        match (self.config.flush, self.draining.last_key_value()) {
            (Flush::Drains, Some((&last, _))) => (last.max(at_once), 0),
            (Flush::Drains, None) => (at_once, 0),
            (Flush::Lies, _) => (at_once, self.buffered),
        }
    }

    fn holds(&mut self, block: u64) -> bool {
        match self.config.cache {
            Cache::Nothing => false,
            Cache::Set(fraction) => {
                let draw = Seed(self.config.seed).child("cached", block);
                draw.rng().f64() < fraction
            }
            Cache::Memory(_) => self.memory.touch(block),
        }
    }

    /// Hands pieces to the drives, in one request for what lies together; when the last is done.
    fn transfer(
        &mut self,
        now: Duration,
        pieces: &[Piece],
        write: bool,
        served: &mut Vec<Served>,
    ) -> Duration {
        let count = self.drives.len() as u64;
        let mut runs: Vec<Run> = Vec::new();
        for piece in pieces {
            let (chunk, within) = (piece.block * BLOCK / CHUNK, piece.block * BLOCK % CHUNK);
            let (drive, at) = ((chunk % count) as usize, chunk / count * CHUNK + within);
            match runs.last_mut() {
                Some(run) if run.drive == drive && run.end == at => {
                    run.end += BLOCK;
                    run.bytes += piece.stored;
                }
                _ => runs.push(Run {
                    drive,
                    at,
                    end: at + BLOCK,
                    bytes: piece.stored,
                }),
            }
        }
        let mut last = now;
        for run in runs {
            let (done, busy) =
                self.drives[run.drive].serve(now, &run, &self.config, &mut self.chance);
            last = last.max(done);
            served.push(Served {
                drive: run.drive,
                write,
                bytes: run.bytes,
                busy,
            });
        }
        last
    }

    fn buffer(&mut self, done: Duration, bytes: u64) {
        *self.draining.entry(done).or_default() += bytes;
        self.buffered += bytes;
    }

    fn drain(&mut self, now: Duration) {
        while let Some(entry) = self.draining.first_entry() {
            if *entry.key() > now {
                return;
            }
            self.buffered -= entry.remove();
        }
    }

    /// When the buffer holds no more than `room`.
    fn fits(&self, room: u64) -> Duration {
        let mut left = self.buffered;
        for (&done, bytes) in &self.draining {
            if left <= room {
                break;
            }
            left -= bytes;
            if left <= room {
                return done;
            }
        }
        Duration::ZERO
    }
}

impl Plan {
    /// Whether no byte comes over the link.
    pub(super) fn reaches_only_client(&self) -> bool {
        let origin = &self.origin;
        origin.client > 0 && origin.drives + origin.cache + origin.nowhere == 0
    }
}

/// What lies together on one drive.
#[derive(Debug)]
struct Run {
    drive: usize,
    at: u64,
    end: u64,
    bytes: u64,
}

/// A drive: one request after the other, in the order of their arrival.
#[derive(Clone, Debug, Default)]
struct Drive {
    free: Duration,
    /// Where its last request ended.
    head: u64,
}

impl Drive {
    /// When the request is done, and how long the drive works on it.
    fn serve(
        &mut self,
        now: Duration,
        run: &Run,
        config: &Config,
        chance: &mut fastrand::Rng,
    ) -> (Duration, Duration) {
        let finding = match run.at.checked_sub(self.head) {
            Some(gap) if gap <= SKIP => transfer(gap, config.drive_rate),
            _ => config.positioning.draw(chance),
        };
        let busy = finding + transfer(run.bytes, config.drive_rate);
        self.free = self.free.max(now) + busy;
        self.head = run.end;
        (self.free, busy)
    }
}

impl Positioning {
    fn draw(self, chance: &mut fastrand::Rng) -> Duration {
        match self {
            Self::LogNormal(median, spread) => {
                median.mul_f64((spread * standard_normal(chance)).exp())
            }
            Self::SeekAndTurn(seek, turn) => {
                seek.mul_f64(chance.f64()) + turn.mul_f64(chance.f64())
            }
        }
    }
}

fn transfer(bytes: u64, rate: u64) -> Duration {
    Duration::from_secs_f64(bytes as f64 / rate as f64)
}

/// The blocks that were used last.
#[derive(Debug)]
struct Memory {
    blocks: u64,
    used: BTreeMap<u64, u64>,
    by_age: BTreeSet<(u64, u64)>,
    uses: u64,
}

impl Memory {
    fn new(bytes: u64) -> Self {
        Self {
            blocks: bytes / BLOCK,
            used: BTreeMap::new(),
            by_age: BTreeSet::new(),
            uses: 0,
        }
    }

    fn clear(&mut self) {
        self.used.clear();
        self.by_age.clear();
    }

    /// Uses a block, which drives out the one whose use is longest ago; whether it was held.
    fn touch(&mut self, block: u64) -> bool {
        if self.blocks == 0 {
            return false;
        }
        self.uses += 1;
        let before = self.used.insert(block, self.uses);
        self.by_age.insert((self.uses, block));
        if let Some(before) = before {
            self.by_age.remove(&(before, block));
        } else if self.used.len() as u64 > self.blocks
            && let Some((_, oldest)) = self.by_age.pop_first()
        {
            self.used.remove(&oldest);
        }
        before.is_some()
    }
}
