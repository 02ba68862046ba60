//! Memory that keeps what passed through it, oldest out first.
//!
//! Pages are kept apart one by one; their age is that of the mebibyte they lie in, so that an
//! operation of a mebibyte is one step and not 256. Runs of four mebibytes, which is what a copy moves at a
//! time, can be there from the outset, chosen by chance, so that the part of all reads that finds its data
//! is known.

use std::collections::BTreeMap;

use crate::seed::Seed;

const PAGE: u64 = 4096;
const PAGES: u64 = 256;
const GROUP: u64 = PAGE * PAGES;
/// Groups that are there from the outset together.
const RUN: u64 = 4;
/// Groups of other users' data are numbered down from the end of all addresses.
const FOREIGN: u64 = u64::MAX;

/// Pages of one mebibyte, a bit each.
#[derive(Clone, Copy, Debug, Default)]
struct Pages([u64; 4]);

impl Pages {
    /// Those of a range.
    fn of(pages: std::ops::Range<u64>) -> Self {
        let word = |index: usize| {
            let base = 64 * index as u64;
            let (first, last) = (pages.start.max(base), pages.end.min(base + 64));
            match first < last {
                true => (u64::MAX >> (64 - (last - first))) << (first - base),
                false => 0,
            }
        };
        Self(std::array::from_fn(word))
    }

    fn with(self, others: Self) -> Self {
        Self(std::array::from_fn(|index| self.0[index] | others.0[index]))
    }

    fn without(self, others: Self) -> Self {
        Self(std::array::from_fn(|index| {
            self.0[index] & !others.0[index]
        }))
    }

    fn count(self) -> u64 {
        self.0.iter().map(|word| u64::from(word.count_ones())).sum()
    }

    fn first(self) -> Option<u64> {
        let index = self.0.iter().position(|word| *word != 0)?;
        Some(64 * index as u64 + u64::from(self.0[index].trailing_zeros()))
    }

    fn last(self) -> Option<u64> {
        let index = self.0.iter().rposition(|word| *word != 0)?;
        Some(64 * index as u64 + 63 - u64::from(self.0[index].leading_zeros()))
    }
}

/// What is there of one mebibyte.
#[derive(Clone, Copy, Debug, Default)]
struct Group {
    age: u64,
    pages: Pages,
}

/// What is there from the outset.
#[derive(Clone, Copy, Debug)]
struct Prewarmed {
    part: f64,
    seed: Seed,
}

impl Prewarmed {
    fn has(&self, key: u64) -> bool {
        Seed(self.seed.0 ^ (key / RUN)).rng().f64() < self.part
    }
}

/// A memory, addressed by the pool's bytes.
#[derive(Clone, Debug)]
pub(super) struct Cache {
    capacity: u64,
    held: u64,
    clock: u64,
    foreign: u64,
    prewarmed: Option<Prewarmed>,
    groups: BTreeMap<u64, Group>,
    by_age: BTreeMap<u64, u64>,
}

impl Cache {
    /// Empty, for `bytes`.
    pub(super) fn new(bytes: u64) -> Self {
        Self {
            capacity: bytes / PAGE,
            held: 0,
            clock: 0,
            foreign: 0,
            prewarmed: None,
            groups: BTreeMap::new(),
            by_age: BTreeMap::new(),
        }
    }

    /// The bytes of `start..end` that are not there, as one stretch from the first to the last of
    /// them.
    pub(super) fn missing(&self, start: u64, end: u64) -> Option<(u64, u64)> {
        let mut missing = None;
        for (key, pages) in groups(start, end) {
            if self.has_from_the_outset(key) {
                continue;
            }
            let base = key * GROUP;
            let held = self
                .groups
                .get(&key)
                .map_or_else(Pages::default, |group| group.pages);
            let absent = Pages::of(pages).without(held);
            let Some((first, last)) = absent.first().zip(absent.last()) else {
                continue;
            };
            let from = missing.map_or(base + first * PAGE, |(from, _)| from);
            missing = Some((from, base + (last + 1) * PAGE));
        }
        missing
    }

    /// Keeps `start..end` as the youngest, and lets the oldest go.
    pub(super) fn keep(&mut self, start: u64, end: u64) {
        for (key, pages) in groups(start, end) {
            if !self.has_from_the_outset(key) {
                self.keep_group(key, pages);
            }
        }
        self.evict();
    }

    /// Keeps `bytes` of other users' data, which nobody here asks for again.
    pub(super) fn displace(&mut self, bytes: u64) {
        if bytes / PAGE >= self.capacity {
            // Nothing else is left, and it would be the first to go.
            return self.clear();
        }
        for _ in 0..bytes / GROUP {
            self.foreign += 1;
            self.keep_group(FOREIGN - self.foreign, 0..PAGES);
        }
        self.evict();
    }

    /// Forgets everything, and has the part `part` of everything until it is cleared, whatever
    /// its size.
    pub(super) fn prewarm(&mut self, part: f64, seed: Seed) {
        self.clear();
        self.prewarmed = Some(Prewarmed { part, seed });
    }

    fn has_from_the_outset(&self, key: u64) -> bool {
        self.prewarmed.is_some_and(|prewarmed| prewarmed.has(key))
    }

    /// Bytes of `start..end`, which begins at a whole mebibyte, that are there.
    pub(super) fn resident(&self, start: u64, end: u64) -> u64 {
        let pages = |(key, pages): (u64, std::ops::Range<u64>)| {
            if self.has_from_the_outset(key) {
                return pages.end - pages.start;
            }
            let held = self.groups.get(&key).map_or(0, |group| group.pages.count());
            held.min(pages.end - pages.start)
        };
        groups(start, end).map(pages).sum::<u64>() * PAGE
    }

    /// Forgets everything.
    pub(super) fn clear(&mut self) {
        *self = Self::new(self.capacity * PAGE);
    }

    fn keep_group(&mut self, key: u64, pages: std::ops::Range<u64>) {
        self.clock += 1;
        let group = self.groups.entry(key).or_default();
        self.by_age.remove(&group.age);
        self.held -= group.pages.count();
        group.age = self.clock;
        group.pages = group.pages.with(Pages::of(pages));
        self.held += group.pages.count();
        self.by_age.insert(self.clock, key);
    }

    fn evict(&mut self) {
        while self.held > self.capacity {
            let Some((_, key)) = self.by_age.pop_first() else {
                return;
            };
            self.held -= self
                .groups
                .remove(&key)
                .map_or(0, |group| group.pages.count());
        }
    }
}

/// The groups that `start..end` touches, each with its touched pages.
fn groups(start: u64, end: u64) -> impl Iterator<Item = (u64, std::ops::Range<u64>)> {
    (start / GROUP..end.div_ceil(GROUP)).map(move |key| {
        let base = key * GROUP;
        let first = start.saturating_sub(base) / PAGE;
        let last = (end - base).min(GROUP).div_ceil(PAGE);
        (key, first..last)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pages_are_those_of_their_range() {
        for (start, end) in (0..=PAGES).flat_map(|start| (0..=PAGES).map(move |end| (start, end))) {
            let pages = Pages::of(start..end);
            let told = |page: &u64| pages.0[(page / 64) as usize] >> (page % 64) & 1 == 1;
            assert!((0..PAGES).filter(told).eq(start..end), "{start}..{end}");
            assert_eq!(pages.count(), end.saturating_sub(start));
            let ends = (start < end).then(|| (start, end - 1));
            assert_eq!(pages.first().zip(pages.last()), ends);
        }
        let (some, others) = (Pages::of(10..200), Pages::of(100..150));
        assert_eq!(some.without(others).count(), 140);
        assert_eq!(some.without(others).with(others).count(), 190);
    }

    #[test]
    fn the_oldest_goes_first_and_pages_are_told_apart() {
        let mut cache = Cache::new(2 * GROUP);
        assert_eq!(cache.missing(0, GROUP), Some((0, GROUP)));
        cache.keep(PAGE, 3 * PAGE);
        assert_eq!(cache.missing(PAGE, 3 * PAGE), None);
        assert_eq!(cache.missing(0, 4 * PAGE), Some((0, 4 * PAGE)));
        assert_eq!(cache.missing(PAGE, 5 * PAGE), Some((3 * PAGE, 5 * PAGE)));
        cache.keep(4 * GROUP, 6 * GROUP);
        assert_eq!(cache.missing(PAGE, 2 * PAGE), Some((PAGE, 2 * PAGE)));
        assert_eq!(cache.missing(4 * GROUP, 6 * GROUP), None);
        cache.keep(4 * GROUP, 5 * GROUP);
        cache.keep(8 * GROUP, 8 * GROUP + PAGE);
        assert_eq!(cache.missing(4 * GROUP, 5 * GROUP), None, "touched again");
        assert!(cache.missing(5 * GROUP, 6 * GROUP).is_some());
    }

    #[test]
    fn a_known_part_is_there_from_the_outset() {
        let mut cache = Cache::new(4 * GROUP);
        cache.keep(0, GROUP);
        for part in [0.0, 0.05, 0.5, 1.0] {
            cache.prewarm(part, Seed(9));
            let resident = cache.resident(0, 40_000 * GROUP) as f64 / (40_000 * GROUP) as f64;
            // Binomial, 10,000 runs: five standard deviations are 0.025 at most.
            assert!((resident - part).abs() < 0.025, "seed 9: {part} {resident}");
        }
        assert_eq!(cache.missing(7 * GROUP, 9 * GROUP), None);
        cache.clear();
        assert_eq!(cache.resident(0, 10 * GROUP), 0);
    }

    #[test]
    fn other_users_push_test_data_out() {
        let mut cache = Cache::new(4 * GROUP);
        cache.keep(0, 4 * GROUP);
        cache.displace(2 * GROUP);
        assert_eq!(cache.missing(0, 4 * GROUP), Some((0, 2 * GROUP)));
        cache.displace(u64::MAX);
        assert_eq!(cache.missing(0, 4 * GROUP), Some((0, 4 * GROUP)));
    }
}
