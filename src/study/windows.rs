//! The windows of all trials, packed: a study of a year has millions.
//!
//! A row of [`WindowRow`] takes a hundred bytes; most of its numbers are small. They are kept in
//! groups of seven bits, the lowest first, each but the last of a number with the eighth bit set
//! (LEB128: DWARF 5, section 7.6), and taken out again by the trial.

use std::collections::BTreeMap;

use super::WindowRow;

/// Windows by trial. A trial that was cut off before its row was written may have left some.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Windows(BTreeMap<u64, Packed>);

#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Packed {
    rows: usize,
    /// The number that the next row probably has.
    next: u64,
    bytes: Vec<u8>,
}

impl Windows {
    /// Adds a row behind those of its trial.
    pub fn push(&mut self, row: &WindowRow) {
        if let Some(mut last) = self.0.last_entry() {
            if *last.key() == row.trial {
                return last.get_mut().push(row);
            }
            // Rows of a trial stand together, so that it is probably complete.
            last.get_mut().bytes.shrink_to_fit();
        }
        self.0.entry(row.trial).or_default().push(row);
    }

    /// Puts `rows` in the place of those of `trial`, whatever trial they name.
    pub fn insert(&mut self, trial: u64, rows: &[WindowRow]) {
        let mut packed = Packed::default();
        rows.iter().for_each(|row| packed.push(row));
        packed.bytes.shrink_to_fit();
        self.0.insert(trial, packed);
    }

    /// The rows of `trial` in their order; none of a trial that is not known.
    pub fn of(&self, trial: u64) -> Vec<WindowRow> {
        let Some(packed) = self.0.get(&trial) else {
            return Vec::new();
        };
        let mut unpacked = Unpacked {
            trial,
            next: 0,
            bytes: &packed.bytes,
        };
        (0..packed.rows).map(|_| unpacked.row()).collect()
    }

    /// Numbers of the trials that have any.
    pub fn trials(&self) -> impl Iterator<Item = u64> {
        self.0.keys().copied()
    }

    /// How many rows there are in all.
    pub fn rows(&self) -> usize {
        self.0.values().map(|packed| packed.rows).sum()
    }
}

impl FromIterator<WindowRow> for Windows {
    fn from_iter<I: IntoIterator<Item = WindowRow>>(rows: I) -> Self {
        let mut windows = Self::default();
        rows.into_iter().for_each(|row| windows.push(&row));
        windows
    }
}

impl Packed {
    fn push(&mut self, row: &WindowRow) {
        // A missing number is a zero, any other one more than it is; 2^53 is the largest.
        let some = |value: Option<u64>| value.map_or(0, |value| value.wrapping_add(1));
        let numbers = [
            row.window.wrapping_sub(self.next) << 1 | u64::from(row.warmup),
            row.read_bytes,
            row.written_bytes,
            row.operations,
            some(row.mean_ns),
            some(row.p50_ns),
            some(row.max_ns),
        ];
        for mut number in numbers {
            while number >= 0x80 {
                self.bytes.push(number as u8 | 0x80);
                number >>= 7;
            }
            self.bytes.push(number as u8);
        }
        self.next = row.window.wrapping_add(1);
        self.rows += 1;
    }
}

struct Unpacked<'a> {
    trial: u64,
    next: u64,
    bytes: &'a [u8],
}

impl Unpacked<'_> {
    fn number(&mut self) -> u64 {
        let (mut number, mut shift) = (0, 0);
        loop {
            let (byte, rest) = self.bytes.split_first().expect("each row was packed");
            self.bytes = rest;
            number |= u64::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                return number;
            }
            shift += 7;
        }
    }

    fn row(&mut self) -> WindowRow {
        let first = self.number();
        // The shift lost the highest bit; numbers of windows are far from it, in either direction.
        let window = self.next.wrapping_add(((first as i64) >> 1) as u64);
        self.next = window.wrapping_add(1);
        let (read_bytes, written_bytes) = (self.number(), self.number());
        let operations = self.number();
        let trial = self.trial;
        let mut some = || self.number().checked_sub(1);
        WindowRow {
            trial,
            window,
            read_bytes,
            written_bytes,
            operations,
            mean_ns: some(),
            p50_ns: some(),
            max_ns: some(),
            warmup: first & 1 == 1,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::Seed;
    use crate::study::bounds::{AMOUNT, NUMBER};

    /// Rows with numbers of all sizes, and numbers of windows that jump.
    fn rows(trial: u64) -> Vec<WindowRow> {
        let mut rng = Seed(21).child("rows", trial).rng();
        let row = |window| {
            let mut amount = || rng.u64(..) % (AMOUNT >> rng.u32(0..53)).max(1);
            WindowRow {
                trial,
                window,
                read_bytes: amount(),
                written_bytes: amount(),
                operations: amount(),
                mean_ns: (window % 2 == 0).then_some(amount()),
                p50_ns: (window % 3 == 0).then_some(AMOUNT),
                max_ns: (window % 5 == 0).then_some(0),
                warmup: window < 3,
            }
        };
        (0..40).chain([7, NUMBER, 0, 41]).map(row).collect()
    }

    #[test]
    fn what_is_packed_comes_out() {
        let mut windows = Windows::default();
        let (one, two) = (rows(1), rows(2));
        // Rows of two trials by turns, as a damaged table may have them.
        for (first, second) in one.iter().zip(&two) {
            windows.push(first);
            windows.push(second);
        }
        assert_eq!(
            (windows.of(1), windows.of(2)),
            (one.clone(), two),
            "seed 21"
        );
        assert_eq!(windows.of(3), []);
        assert_eq!(windows.trials().collect::<Vec<_>>(), [1, 2]);
        assert_eq!(windows.rows(), 2 * one.len());
        let mut inserted = Windows::default();
        inserted.insert(1, &one);
        assert_eq!(inserted.of(1), one);
    }

    #[test]
    fn a_window_of_an_ordinary_trial_takes_a_quarter_of_its_row() {
        let mut windows = Windows::default();
        for window in 0..500 {
            windows.push(&WindowRow {
                trial: 1,
                window,
                read_bytes: 230 << 20,
                written_bytes: 0,
                operations: 230,
                mean_ns: Some(34_000_000),
                p50_ns: Some(31_000_000),
                max_ns: Some(120_000_000),
                warmup: false,
            });
        }
        let bytes = windows.0[&1].bytes.len() / 500;
        assert!(4 * bytes <= std::mem::size_of::<WindowRow>(), "{bytes}");
    }
}
