//! Written data between its acknowledgement and the drives.
//!
//! Runs of neighbours are joined up to a stripe, so that a sequential writer causes full stripes. A
//! run that is still short of its stripe's end waits a moment for more.

use std::collections::VecDeque;

use crate::units::Nanos;

/// How long an unfinished stripe waits for its rest (common practice, no source).
pub(super) const PATIENCE: Nanos = Nanos(20_000_000);
/// How many of the youngest runs are tried as neighbours.
const NEIGHBOURS: usize = 16;

/// Dirty bytes in one stripe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Run {
    pub(super) start: u64,
    pub(super) end: u64,
    /// When the last of them came.
    touched: Nanos,
}

/// What can be drained just now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Drain {
    Run(Run),
    /// Nothing before this moment.
    Wait(Nanos),
    Empty,
}

/// The write-back buffer.
#[derive(Clone, Debug)]
pub(super) struct Buffer {
    lines: u64,
    line: u64,
    used: u64,
    /// Bytes that are not on the drives.
    bytes: u64,
    dirty: VecDeque<Run>,
}

impl Buffer {
    /// For `bytes`, kept in lines of `line` bytes. It holds at least one line.
    pub(super) fn new(bytes: u64, line: u64) -> Self {
        let line = line.max(4096);
        Self {
            lines: (bytes / line).max(1),
            line,
            used: 0,
            bytes: 0,
            dirty: VecDeque::new(),
        }
    }

    /// Whether `bytes` more fit. A write larger than the whole fits when it is empty.
    pub(super) fn fits(&self, bytes: u64) -> bool {
        self.used == 0 || self.used + bytes.div_ceil(self.line) <= self.lines
    }

    /// Takes `start..end`, split at multiples of `stripe`.
    pub(super) fn take(&mut self, now: Nanos, start: u64, end: u64, stripe: u64) {
        let mut from = start;
        while from < end {
            let to = end.min((from / stripe + 1) * stripe);
            self.take_run(now, from, to, stripe);
            from = to;
        }
    }

    fn take_run(&mut self, touched: Nanos, start: u64, end: u64, stripe: u64) {
        self.bytes += end - start;
        let neighbour = self
            .dirty
            .iter_mut()
            .rev()
            .take(NEIGHBOURS)
            .find(|run| run.end == start && !start.is_multiple_of(stripe));
        match neighbour {
            Some(run) => {
                self.used -= (run.end - run.start).div_ceil(self.line);
                (run.end, run.touched) = (end, touched);
                self.used += (run.end - run.start).div_ceil(self.line);
            }
            None => {
                self.used += (end - start).div_ceil(self.line);
                self.dirty.push_back(Run {
                    start,
                    end,
                    touched,
                });
            }
        }
    }

    /// The next run for the drives: the oldest, or the oldest full stripe when that one still waits
    /// for more. `hurry` waits for nothing. `stripe` gives the bytes of a stripe at an address.
    pub(super) fn drain(&mut self, now: Nanos, hurry: bool, stripe: impl Fn(u64) -> u64) -> Drain {
        let Some(oldest) = self.dirty.front() else {
            return Drain::Empty;
        };
        let ready = |run: &Run| {
            hurry
                || run.touched + PATIENCE <= now
                || [run.start, run.end]
                    .iter()
                    .all(|at| at.is_multiple_of(stripe(run.start)))
        };
        let wait = oldest.touched + PATIENCE;
        let index = self.dirty.iter().take(NEIGHBOURS).position(ready);
        match index.and_then(|index| self.dirty.remove(index)) {
            Some(run) => Drain::Run(run),
            None => Drain::Wait(wait),
        }
    }

    /// Lets go of a run that is on the drives.
    pub(super) fn release(&mut self, run: Run) {
        self.used -= (run.end - run.start).div_ceil(self.line);
        self.bytes -= run.end - run.start;
    }

    /// Bytes that are not on the drives.
    pub(super) fn bytes(&self) -> u64 {
        self.bytes
    }

    /// Whether all of it is on the drives.
    pub(super) fn is_clean(&self) -> bool {
        self.used == 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn neighbours_become_full_stripes_and_others_stay_apart() {
        let mut buffer = Buffer::new(1000 << 12, 1 << 12);
        let page = 4096;
        let stripe = |_| 3 * page;
        // A stripe of three pages, written in pieces of two, beside a far page.
        buffer.take(Nanos(0), 0, 2 * page, 3 * page);
        buffer.take(Nanos(1), 90 * page, 91 * page, 3 * page);
        assert_eq!(buffer.drain(Nanos(2), false, stripe), Drain::Wait(PATIENCE));
        buffer.take(Nanos(2), 2 * page, 4 * page, 3 * page);
        let Drain::Run(full) = buffer.drain(Nanos(3), false, stripe) else {
            panic!("a full stripe");
        };
        assert_eq!((full.start, full.end), (0, 3 * page));
        let Drain::Run(far) = buffer.drain(Nanos(3), true, stripe) else {
            panic!("in a hurry");
        };
        assert_eq!((far.start, far.end), (90 * page, 91 * page));
        let Drain::Run(rest) = buffer.drain(PATIENCE + PATIENCE, false, stripe) else {
            panic!("waited long enough");
        };
        assert!(!buffer.is_clean());
        for run in [full, far, rest] {
            buffer.release(run);
        }
        assert!(buffer.is_clean());
        assert_eq!(buffer.drain(Nanos(9), true, stripe), Drain::Empty);
    }

    #[test]
    fn a_small_write_takes_a_whole_line() {
        let mut buffer = Buffer::new(4 << 19, 1 << 19);
        for i in 0..4 {
            assert!(buffer.fits(4096));
            buffer.take(Nanos(0), i << 30, (i << 30) + 4096, 1 << 20);
        }
        assert!(!buffer.fits(4096));
    }
}
