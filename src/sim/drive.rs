//! What the pool's drives are: spinning disks or solid-state memory.

use crate::pool::Drive;
use crate::units::{Nanos, Rate};

/// The kind of all drives of a pool.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DriveKind {
    /// Disks that turn: a seek and a part of a turn before what does not lie next.
    Rotating(Drive),
    /// Memory: every place is alike.
    Solid(Solid),
}

/// A solid-state drive: operations overlap, their bytes pass one after another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Solid {
    /// From the request to the first byte.
    pub latency: Nanos,
    /// Bytes per second of all operations together.
    pub rate: Rate,
}

impl DriveKind {
    /// Transfer rate at `fraction` (0 to 1) of the drive's addresses.
    pub fn rate_at(&self, fraction: f64) -> Rate {
        match self {
            Self::Rotating(drive) => drive.rate_at(fraction),
            Self::Solid(solid) => solid.rate,
        }
    }

    /// Time before a place at `distance`, a fraction (0 to 1) of the addresses, without the wait
    /// for a turn.
    pub fn seek(&self, distance: f64) -> Nanos {
        match self {
            Self::Rotating(drive) => drive.seek(distance),
            Self::Solid(solid) => solid.latency,
        }
    }

    /// Mean of [`Self::seek`] between two random places of a stretch of `width`, a fraction of the
    /// addresses.
    pub fn mean_seek(&self, width: f64) -> Nanos {
        match self {
            Self::Rotating(drive) => drive.mean_seek(width),
            Self::Solid(solid) => solid.latency,
        }
    }

    /// One turn; nothing where nothing turns.
    pub fn turn(&self) -> Nanos {
        match self {
            Self::Rotating(drive) => drive.turn(),
            Self::Solid(_) => Nanos(0),
        }
    }

    /// Half a turn: the mean wait for a sector.
    pub fn half_turn(&self) -> Nanos {
        match self {
            Self::Rotating(drive) => drive.half_turn(),
            Self::Solid(_) => Nanos(0),
        }
    }
}
