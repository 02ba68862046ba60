//! The windows of all trials, packed: a study of a year has millions.
//!
//! A row of [`WindowRow`] takes a hundred bytes, packed some fifteen. They stand in the order in which they
//! came and are taken out again by the trial.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use super::WindowRow;
use super::packed::Packed;

/// Windows by trial. A trial that was cut off before its row was written may have left some.
#[derive(Clone, Debug, Default)]
pub struct Windows {
    rows: Packed<WindowRow>,
    /// Where those of each trial stand: in a sound table, in one place.
    places: BTreeMap<u64, Vec<Range<usize>>>,
}

impl Windows {
    /// Adds a row behind those of its trial.
    pub fn push(&mut self, row: &WindowRow) {
        let place = self.rows.len();
        self.rows.push(row);
        // Rows of a trial stand together, and trials in order.
        let latest = self.places.last_entry();
        let places = match latest.filter(|latest| *latest.key() == row.trial) {
            Some(latest) => latest.into_mut(),
            None => self.places.entry(row.trial).or_default(),
        };
        match places.last_mut().filter(|last| last.end == place) {
            Some(last) => last.end += 1,
            None => places.push(place..place + 1),
        }
    }

    /// Puts `rows` in the place of those of `trial`, whatever trial they name.
    pub fn insert(&mut self, trial: u64, rows: &[WindowRow]) {
        self.places.insert(trial, Vec::new());
        for row in rows {
            self.push(&WindowRow { trial, ..*row });
        }
    }

    /// The rows of `trial` in their order; none of a trial that is not known.
    pub fn of(&self, trial: u64) -> Vec<WindowRow> {
        let places = self.places.get(&trial).into_iter().flatten();
        places
            .flat_map(|place| self.rows.span(place.clone()))
            .collect()
    }

    /// Lets go of the rows of all trials but these.
    pub fn keep(&mut self, trials: &BTreeSet<u64>) {
        let mut kept = Self::default();
        for trial in trials {
            self.of(*trial).iter().for_each(|row| kept.push(row));
        }
        *self = kept;
    }

    /// Numbers of the trials that have any.
    pub fn trials(&self) -> impl Iterator<Item = u64> {
        self.places.keys().copied()
    }

    /// How many rows there are in all.
    pub fn rows(&self) -> usize {
        self.places.values().flatten().map(Range::len).sum()
    }
}

impl PartialEq for Windows {
    fn eq(&self, other: &Self) -> bool {
        let same = |trial| self.of(trial) == other.of(trial);
        self.trials().eq(other.trials()) && self.trials().all(same)
    }
}

impl FromIterator<WindowRow> for Windows {
    fn from_iter<I: IntoIterator<Item = WindowRow>>(rows: I) -> Self {
        let mut windows = Self::default();
        rows.into_iter().for_each(|row| windows.push(&row));
        windows
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
    fn only_those_of_some_trials_are_kept() {
        let mut windows: Windows = (1..=4).flat_map(rows).collect();
        windows.keep(&BTreeSet::from([2, 4, 9]));
        assert_eq!(windows.trials().collect::<Vec<_>>(), [2, 4]);
        assert_eq!((windows.of(1), windows.of(4)), (Vec::new(), rows(4)));
        windows.insert(4, &rows(2)[..3]);
        assert_eq!((windows.of(4).len(), windows.of(2)), (3, rows(2)));
        assert_eq!(windows.rows(), 3 + rows(2).len());
    }
}
