//! Readings in order, wherever they are kept: a slice, or packed rows that are unpacked one by one.

use std::borrow::Cow;
use std::ops::Range;

use super::reading::{Reading, Word};

/// Readings in the order in which they were made.
pub trait Readings {
    /// How many there are.
    fn count(&self) -> usize;

    /// Those at these places, which are no more than there are.
    fn span(&self, places: Range<usize>) -> impl DoubleEndedIterator<Item = Cow<'_, Reading>>;
}

impl<T: AsRef<[Reading]> + ?Sized> Readings for T {
    fn count(&self) -> usize {
        self.as_ref().len()
    }

    fn span(&self, places: Range<usize>) -> impl DoubleEndedIterator<Item = Cow<'_, Reading>> {
        self.as_ref()[places].iter().map(Cow::Borrowed)
    }
}

impl<R: Readings + ?Sized> Readings for Span<'_, R> {
    fn count(&self) -> usize {
        self.len()
    }

    fn span(&self, places: Range<usize>) -> impl DoubleEndedIterator<Item = Cow<'_, Reading>> {
        self.all
            .span(self.from + places.start..self.from + places.end)
    }
}

/// Some of them, one after another.
#[derive(Debug)]
pub struct Span<'a, R: ?Sized> {
    all: &'a R,
    from: usize,
    to: usize,
}

impl<R: ?Sized> Clone for Span<'_, R> {
    fn clone(&self) -> Self {
        *self
    }
}

impl<R: ?Sized> Copy for Span<'_, R> {}

impl<'a, R: Readings + ?Sized> Span<'a, R> {
    /// All of them.
    pub fn of(all: &'a R) -> Self {
        let (from, to) = (0, all.count());
        Self { all, from, to }
    }

    /// How many they are.
    pub(super) fn len(&self) -> usize {
        self.to - self.from
    }

    /// One after another, unpacked where they are packed.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = Cow<'a, Reading>> + use<'a, R> {
        self.all.span(self.from..self.to)
    }

    /// The first of them.
    pub(super) fn first(&self) -> Option<Cow<'a, Reading>> {
        self.iter().next()
    }

    /// The last of them.
    pub(super) fn last(&self) -> Option<Cow<'a, Reading>> {
        self.iter().next_back()
    }

    /// The first so many.
    pub fn up_to(self, count: usize) -> Self {
        let to = self.to.min(self.from + count);
        Self { to, ..self }
    }

    /// Those behind the first so many.
    pub(super) fn behind(self, count: usize) -> Self {
        let from = self.to.min(self.from + count);
        Self { from, ..self }
    }

    /// How many stand before the last run of those that are all of a kind; all, where the last is not.
    pub(super) fn before_run(&self, kind: impl Fn(Word) -> bool) -> usize {
        let run = self.iter().rev().take_while(|r| kind(r.reported.word));
        self.len() - run.count()
    }

    /// The last that tells a position.
    pub(super) fn told(&self) -> Option<Cow<'a, Reading>> {
        self.iter().rev().find(|r| r.position().is_some())
    }
}
