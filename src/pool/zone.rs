//! A drive with a spinning disk: fast outside, slow inside, and a turn to wait for.

use crate::units::{Nanos, Rate};

/// What the speed of a drive depends on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drive {
    /// Transfer rate on the outermost track, where the drive's addresses begin.
    pub outer: Rate,
    /// Transfer rate on the innermost track.
    pub inner: Rate,
    /// Turns per minute.
    pub rpm: u32,
    /// Time to the next track.
    pub nearest_seek: Nanos,
    /// Mean seek between two random places of the whole drive, as data sheets state it.
    pub average_seek: Nanos,
}

impl Drive {
    /// Transfer rate at `fraction` (0 to 1) of the drive's addresses: see [`relative_rate`].
    pub fn rate_at(&self, fraction: f64) -> Rate {
        let ratio = self.inner.0 / self.outer.0;
        Rate(self.outer.0 * relative_rate(fraction, ratio))
    }

    /// Size over time of reading the whole drive: the harmonic mean of [`Self::rate_at`], which is
    /// the arithmetic mean of the outer and the inner rate.
    pub fn mean_rate(&self) -> Rate {
        Rate((self.outer.0 + self.inner.0) / 2.0)
    }

    /// One turn.
    pub fn turn(&self) -> Nanos {
        Nanos::from_secs_f64(60.0 / f64::from(self.rpm))
    }

    /// The mean wait for a sector to come round: half a turn.
    pub fn half_turn(&self) -> Nanos {
        Nanos::from_secs_f64(30.0 / f64::from(self.rpm))
    }

    /// Seek over `distance`, a fraction (0 to 1) of the drive's addresses.
    ///
    /// The arm speeds up and slows down, so time grows with the root of the way: Ruemmler and
    /// Wilkes, *An introduction to disk drive modeling*, IEEE Computer 27(3) (1994) (citation from
    /// memory; they make long seeks linear, which is left out here).
    pub fn seek(&self, distance: f64) -> Nanos {
        if distance <= 0.0 {
            return Nanos(0);
        }
        self.nearest_seek + Nanos((self.reach() * distance.min(1.0).sqrt()) as u64)
    }

    /// Mean seek between two random places of a stretch of `width`, a fraction of the addresses.
    ///
    /// Two uniform places lie `u·width` apart with density `2(1 − u)`; the mean of `√u` is 8/15.
    pub fn mean_seek(&self, width: f64) -> Nanos {
        let root = width.clamp(0.0, 1.0).sqrt() * 8.0 / 15.0;
        self.nearest_seek + Nanos((self.reach() * root) as u64)
    }

    /// Nanoseconds of the root term over the whole way, from the stated average.
    fn reach(&self) -> f64 {
        (self.average_seek - self.nearest_seek).0 as f64 * 15.0 / 8.0
    }
}

/// Transfer rate at `fraction` (0 to 1) of a drive's addresses over that on its outermost track, for
/// a drive whose innermost track has `inner` (0 to 1) of the outermost's rate.
///
/// A track's rate goes with its radius, and the addresses outside a radius go with the ring's area;
/// so `r(f) = √(1 − (1 − inner²) · f)`, which for a drive twice as fast outside as inside is
/// `√(1 − 0.75 f)`.
pub fn relative_rate(fraction: f64, inner: f64) -> f64 {
    let lost = (1.0 - inner * inner) * fraction.clamp(0.0, 1.0);
    (1.0 - lost).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::Seed;

    const DRIVE: Drive = Drive {
        outer: Rate(200e6),
        inner: Rate(100e6),
        rpm: 7200,
        nearest_seek: Nanos(1_000_000),
        average_seek: Nanos(8_500_000),
    };

    /// Derived: half of 60 s over 7200 and over 5400 turns.
    #[test]
    fn half_a_turn() {
        assert_eq!(DRIVE.half_turn().to_string(), "4.17 ms");
        let slow = Drive { rpm: 5400, ..DRIVE };
        assert_eq!(slow.half_turn().to_string(), "5.56 ms");
        assert_eq!(DRIVE.turn().0 / 2, DRIVE.half_turn().0 - 1);
    }

    #[test]
    fn the_rate_falls_from_outer_to_inner() {
        assert_eq!(DRIVE.rate_at(0.0), DRIVE.outer);
        assert!((DRIVE.rate_at(1.0).0 - DRIVE.inner.0).abs() < 1.0);
        let middle = DRIVE.rate_at(0.5).0 / DRIVE.outer.0;
        assert!((middle - 0.625f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn the_mean_rate_is_that_of_reading_it_all() {
        let steps = 100_000;
        let time: f64 = (0..steps)
            .map(|i| 1.0 / DRIVE.rate_at((f64::from(i) + 0.5) / f64::from(steps)).0)
            .sum::<f64>()
            / f64::from(steps);
        assert!((1.0 / time / DRIVE.mean_rate().0 - 1.0).abs() < 1e-6);
        assert_eq!(DRIVE.mean_rate(), Rate(150e6));
    }

    /// Derived: a pool of three data drives, 0.9 full, grows to four. The same data moves from 0.9
    /// to 0.675 of each drive and is read 1.23 times as fast there.
    #[test]
    fn growing_moves_old_data_outwards() {
        let moved = DRIVE.rate_at(0.9 * 3.0 / 4.0).0 / DRIVE.rate_at(0.9).0;
        assert!((moved - 1.2326).abs() < 1e-3, "{moved}");
        assert!((moved * 4.0 / 3.0 - 1.64).abs() < 5e-3);
    }

    #[test]
    fn the_mean_of_random_seeks_is_the_stated_average() {
        let mut rng = Seed(5).rng();
        let mut mean = |width: f64| {
            let total: u64 = (0..100_000)
                .map(|_| DRIVE.seek(width * (rng.f64() - rng.f64()).abs()).0)
                .sum();
            total as f64 / 100_000.0
        };
        let near = |a: f64, b: Nanos| (a / b.0 as f64 - 1.0).abs() < 0.01;
        assert!(near(mean(1.0), DRIVE.average_seek), "seed 5");
        assert!(near(mean(0.04), DRIVE.mean_seek(0.04)), "seed 5");
        assert_eq!(DRIVE.seek(0.0), Nanos(0));
    }
}
