//! How long a drive takes for one request.

use std::time::Duration;

/// What a drive is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Model {
    /// Size in bytes.
    pub(crate) bytes: u64,
    /// Bytes per second at its beginning, where a platter is widest.
    pub(crate) rate: f64,
    /// Rate at its end over that at its beginning.
    pub(crate) inner: f64,
    /// How it moves; `None` for a drive without moving parts.
    pub(crate) turning: Option<Turning>,
}

/// How a drive moves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Turning {
    /// From one track to the next.
    pub(crate) settle: Duration,
    /// From the first track to the last.
    pub(crate) stroke: Duration,
    /// One turn.
    pub(crate) turn: Duration,
}

/// What begins at most so far behind the last one's end is waited for, without a seek: parity of a stripe,
/// mostly, which goes by under the head in its own time.
const AHEAD: u64 = 2 << 20;
/// What a drive without moving parts takes before it transfers; from memory of data sheets.
const SOLID: Duration = Duration::from_micros(100);

impl Model {
    /// A drive of 7200 turns a minute, scaled down in size and rate: a seek over a third of the tracks
    /// takes some 8 ms and half a turn 4.17 ms (common practice, no source).
    pub(crate) fn turning(bytes: u64, rate: f64) -> Self {
        Self {
            bytes,
            rate,
            inner: 1.0,
            turning: Some(Turning {
                settle: Duration::from_millis(1),
                stroke: Duration::from_millis(13),
                turn: Duration::from_secs(60) / 7200,
            }),
        }
    }

    /// A drive without moving parts.
    pub(crate) fn solid(bytes: u64, rate: f64) -> Self {
        Self {
            turning: None,
            ..Self::turning(bytes, rate)
        }
    }

    /// Before the transfer: the way from `from` to `to`, and the part of a turn, from 0 to 1, until the
    /// sector comes by.
    pub(crate) fn positioning(&self, from: u64, to: u64, turned: f64) -> Duration {
        if (from..=from + AHEAD).contains(&to) {
            return self.transfer(from, to - from);
        }
        match self.turning {
            None => SOLID,
            Some(turning) => {
                // The arm speeds up for half of its way and slows down for the other half.
                let way = from.abs_diff(to) as f64 / self.bytes as f64;
                turning.settle
                    + (turning.stroke - turning.settle).mul_f64(way.sqrt())
                    + turning.turn.mul_f64(turned)
            }
        }
    }

    /// How long `bytes` at `offset` take to go by.
    pub(crate) fn transfer(&self, offset: u64, bytes: u64) -> Duration {
        let place = offset as f64 / self.bytes as f64;
        let rate = self.rate * (1.0 - (1.0 - self.inner) * place);
        Duration::from_secs_f64(bytes as f64 / rate)
    }

    /// The mean time that a lone read of `bytes` takes whose place is drawn from all of the drive.
    ///
    /// The mean of the root of the distance of two uniform places is 8/15.
    pub(crate) fn lone_read(&self, bytes: u64) -> Duration {
        let moving = self.turning.map_or(SOLID, |turning| {
            turning.settle
                + (turning.stroke - turning.settle).mul_f64(8.0 / 15.0)
                + turning.turn / 2
        });
        moving + self.transfer(self.bytes / 2, bytes)
    }
}
