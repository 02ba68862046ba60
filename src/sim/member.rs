//! One drive of the pool: operations one after another, in the order in which they come.

use super::counters::{Counted, Counters, Counting};
use super::drive::DriveKind;
use super::layout::Piece;
use crate::pool::Drive;
use crate::stats::special::normal_quantile;
use crate::units::Nanos;

/// The most that a drive's own cable carries: 6 Gb/s with 8 of 10 bits for data (Serial ATA; from
/// memory).
const CABLE: f64 = 600e6;
/// What a drive reads ahead into its own memory while nothing is asked (common practice, no source).
const READ_AHEAD: f64 = 2.0 * 1024.0 * 1024.0;

/// Over how much time a reshape judges how busy others keep the drives.
pub(super) const JUDGED: Nanos = Nanos::SECOND;

/// To the platters or from them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Read,
    Write,
}

/// On whose behalf a drive works.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Whose {
    /// The users' or the measuring's.
    Foreground,
    /// The reshape's, which makes room for others.
    Reshape,
}

/// What holds for all drives during a trial.
#[derive(Clone, Copy, Debug)]
pub(super) struct Conditions {
    pub(super) drive: DriveKind,
    /// Bytes of a drive.
    pub(super) size: u64,
    /// The drives' speed just now; 1 as a rule.
    pub(super) speed: f64,
    /// Other users' operations per second on each drive.
    pub(super) foreign_rate: f64,
    /// Bytes of one of them.
    pub(super) foreign_bytes: u64,
    /// They lie below this fraction of the drive.
    pub(super) foreign_span: f64,
}

impl Conditions {
    /// Mean time for which one of the other users' operations keeps others out.
    pub(super) fn foreign_service(&self) -> Nanos {
        let transfer = self.foreign_bytes as f64 / self.drive.rate_at(self.foreign_span / 2.0).0;
        let access = match &self.drive {
            DriveKind::Rotating(drive) => drive.mean_seek(self.foreign_span) + drive.half_turn(),
            DriveKind::Solid(_) => Nanos(0),
        };
        access + Nanos::from_secs_f64(transfer)
    }

    /// The part of a drive's time that other users take, at most nine tenths.
    pub(super) fn foreign_busy(&self) -> f64 {
        (self.foreign_rate * self.foreign_service().secs()).min(0.9)
    }

    /// The same of the busiest of so many drives, over the time in which a reshape judges it. Operations
    /// at random moments scatter the busy time about its mean (Campbell's theorem); the largest of some
    /// normal numbers lies at the quantile of Blom (1958).
    pub(super) fn busiest(&self, drives: u32) -> f64 {
        let service = self.foreign_service().secs();
        let scatter = (self.foreign_rate * service * service / (2.0 * JUDGED.secs())).sqrt();
        let drives = f64::from(drives);
        let largest = normal_quantile((drives - 0.375) / (drives + 0.25));
        (self.foreign_busy() + largest * scatter).min(0.9)
    }
}

/// A drive at work during a trial.
#[derive(Clone, Debug)]
pub(super) struct Member {
    /// When everything that came so far will be done.
    free: Nanos,
    /// Where the head stands then, in bytes.
    head: u64,
    /// When the next of the other users' operations comes.
    next_foreign: Nanos,
    /// Time that users and the measuring took.
    pub(super) foreground: Nanos,
    /// Other users' operations so far.
    pub(super) foreign: u64,
    counting: Counting,
}

impl Member {
    pub(super) fn new(conditions: &Conditions, rng: &mut fastrand::Rng) -> Self {
        let span = conditions.size as f64 * conditions.foreign_span;
        let mut member = Self {
            free: Nanos(0),
            head: (span * rng.f64()) as u64,
            next_foreign: Nanos(0),
            foreground: Nanos(0),
            foreign: 0,
            counting: Counting::default(),
        };
        member.draw_foreign(conditions, rng);
        member
    }

    /// Takes on `piece`, which comes at `now`, and says when it is done.
    pub(super) fn serve(
        &mut self,
        now: Nanos,
        piece: Piece,
        kind: Kind,
        whose: Whose,
        conditions: &Conditions,
        rng: &mut fastrand::Rng,
    ) -> Nanos {
        self.admit_foreign(now, conditions, rng);
        let (taken, done) = self.operate(now, piece, kind, conditions, rng);
        if whose == Whose::Foreground {
            self.foreground = self.foreground + taken;
        }
        done
    }

    /// Takes on what other users ask for until `now`.
    pub(super) fn admit_foreign(
        &mut self,
        now: Nanos,
        conditions: &Conditions,
        rng: &mut fastrand::Rng,
    ) {
        while self.next_foreign <= now {
            let span = conditions.size as f64 * conditions.foreign_span;
            let piece = Piece {
                member: 0,
                at: (span * rng.f64()) as u64,
                bytes: conditions.foreign_bytes,
            };
            let came = self.next_foreign;
            let (taken, _) = self.operate(came, piece, Kind::Read, conditions, rng);
            self.foreground = self.foreground + taken;
            self.foreign += 1;
            self.draw_foreign(conditions, rng);
        }
    }

    /// Random moments: the time to the next is exponential.
    fn draw_foreign(&mut self, conditions: &Conditions, rng: &mut fastrand::Rng) {
        self.next_foreign = if conditions.foreign_rate > 0.0 {
            let wait = -(1.0 - rng.f64()).ln() / conditions.foreign_rate;
            self.next_foreign + Nanos::from_secs_f64(wait)
        } else {
            Nanos(u64::MAX)
        };
    }

    /// Queues one operation behind what is there; returns the time for which it keeps others out,
    /// and when it is done.
    fn operate(
        &mut self,
        now: Nanos,
        piece: Piece,
        kind: Kind,
        conditions: &Conditions,
        rng: &mut fastrand::Rng,
    ) -> (Nanos, Nanos) {
        let begin = self.free.max(now);
        let (seconds, latency) = match &conditions.drive {
            DriveKind::Rotating(drive) => {
                let seconds = self.turn_and_transfer(begin, piece, kind, conditions, drive, rng);
                (seconds, Nanos(0))
            }
            DriveKind::Solid(solid) => (piece.bytes as f64 / solid.rate.0, solid.latency),
        };
        let taken = Nanos::from_secs_f64(seconds / conditions.speed);
        self.free = begin + taken;
        self.head = piece.at + piece.bytes;
        let done = self.free + latency;
        self.counting.take(Counted {
            came: now,
            done,
            bytes: piece.bytes,
            kind,
        });
        (taken, done)
    }

    /// What its counters say at `now`.
    pub(super) fn counters(&mut self, now: Nanos) -> Counters {
        self.counting.at(now)
    }

    /// Seconds that a spinning drive takes for an operation which it begins at `begin`.
    fn turn_and_transfer(
        &self,
        begin: Nanos,
        piece: Piece,
        kind: Kind,
        conditions: &Conditions,
        drive: &Drive,
        rng: &mut fastrand::Rng,
    ) -> f64 {
        let size = conditions.size as f64;
        let rate = drive.rate_at(piece.at as f64 / size).0;
        let transfer = piece.bytes as f64 / rate;
        let distance = piece.at.abs_diff(self.head) as f64;
        let passing = distance / rate;
        // The platter brings what lies less than a turn ahead round by itself, and no seek is faster.
        let forward = piece.at >= self.head && passing < drive.turn().secs();
        if forward {
            let ahead = match kind {
                Kind::Read => (begin - self.free).secs().min(READ_AHEAD / rate),
                Kind::Write => 0.0,
            };
            (passing + transfer - ahead).max(piece.bytes as f64 / CABLE)
        } else {
            let turning = drive.turn().secs() * rng.f64();
            drive.seek(distance / size).secs() + turning + transfer
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::Seed;
    use crate::sim::demo_scenario;

    const SIZE: u64 = 6_000_000_000_000;

    fn conditions(foreign_rate: f64) -> Conditions {
        Conditions {
            drive: demo_scenario(Seed(1)).drive,
            size: SIZE,
            speed: 1.0,
            foreign_rate,
            foreign_bytes: 256 << 10,
            foreign_span: 0.6,
        }
    }

    #[test]
    fn a_forward_run_pays_one_turn_and_skips_at_the_speed_of_the_platter() {
        let (conditions, mut rng) = (conditions(0.0), Seed(2).rng());
        let mut member = Member::new(&conditions, &mut rng);
        let mut end = Nanos(0);
        for i in 0..1_000 {
            let piece = Piece {
                member: 0,
                at: i << 20,
                bytes: 512 << 10,
            };
            end = member.serve(
                Nanos(0),
                piece,
                Kind::Read,
                Whose::Foreground,
                &conditions,
                &mut rng,
            );
        }
        // Every second half mebibyte is passed over: as long as reading it all.
        let whole = (1_000u64 << 20) as f64 / 210e6;
        assert!((end.secs() / whole - 1.0).abs() < 0.01, "seed 2: {end}");
    }

    /// Little's law for one server: the part of the time that it is busy is rate × mean service.
    #[test]
    fn other_users_take_the_time_that_is_computed_for_them() {
        let (conditions, mut rng) = (conditions(20.0), Seed(3).rng());
        let mut member = Member::new(&conditions, &mut rng);
        let span = Nanos(1_000 * Nanos::SECOND.0);
        member.admit_foreign(span, &conditions, &mut rng);
        let busy = member.foreground.secs() / span.secs();
        assert!(
            (busy / conditions.foreign_busy() - 1.0).abs() < 0.03,
            "seed 3: {busy}"
        );
        assert!(
            (member.foreign as f64 / 20_000.0 - 1.0).abs() < 0.03,
            "seed 3"
        );
    }
}
