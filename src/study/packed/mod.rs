//! Rows kept small: a study of a year has millions of windows and hundreds of thousands of readings.
//!
//! A row is some ten numbers, most of them those of the row before or close to them. So each row is told
//! by what is new in it: which of its numbers changed, a bit each, and by how much. Counts change by a
//! difference (its sign in the lowest bit), figures by the bits that differ, turned round so that those
//! that rarely do come last. All of it stands in groups of seven bits, the lowest first, each but the
//! last of a number with the eighth bit set (LEB128: DWARF 5, section 7.6). Every so many rows one is told
//! from nothing, so that reading can begin there. Texts are kept once.

mod rows;
#[cfg(test)]
mod tests;

use std::borrow::Borrow;
use std::collections::BTreeMap;
use std::fmt;
use std::ops::Range;
use std::sync::Arc;

/// Rows from one that is told from nothing to the next.
const BLOCK: usize = 128;

/// A row that can be kept packed, and comes back as it was.
pub trait Pack: Sized {
    /// Its numbers: at most 64.
    type Numbers: Copy + Default + AsRef<[u64]> + AsMut<[u64]>;
    /// So many of them, in front, are counts; the others are the bits of figures.
    const COUNTS: usize;

    /// The numbers that say all of the row.
    fn pack(&self, texts: &mut Texts) -> Self::Numbers;

    /// The row of these numbers.
    fn unpack(numbers: &Self::Numbers, texts: &Texts) -> Self;
}

/// Texts by number, each kept once.
#[derive(Clone, Default)]
pub struct Texts {
    all: Vec<Arc<str>>,
    numbers: BTreeMap<Arc<str>, u64>,
}

impl Texts {
    /// The number of `text`; 0 of one that is empty.
    pub fn number(&mut self, text: &str) -> u64 {
        if text.is_empty() {
            return 0;
        }
        if let Some(number) = self.numbers.get(text) {
            return *number;
        }
        let text = Arc::<str>::from(text);
        self.all.push(text.clone());
        let number = self.all.len() as u64;
        self.numbers.insert(text, number);
        number
    }

    /// The text of a number.
    pub fn text(&self, number: u64) -> &str {
        match number {
            0 => "",
            number => &self.all[number as usize - 1],
        }
    }
}

/// Rows in the order in which they were added.
pub struct Packed<Row: Pack> {
    bytes: Vec<u8>,
    /// Where each block begins.
    blocks: Vec<usize>,
    rows: usize,
    /// The numbers of the last row.
    last: Row::Numbers,
    texts: Texts,
}

impl<Row: Pack> Packed<Row> {
    /// Adds a row.
    pub fn push(&mut self, row: impl Borrow<Row>) {
        if self.rows.is_multiple_of(BLOCK) {
            self.blocks.push(self.bytes.len());
            self.last = Row::Numbers::default();
        }
        let now = row.borrow().pack(&mut self.texts);
        let mut changed = 0_u64;
        let mut changes = Row::Numbers::default();
        let numbers = now.as_ref().iter().zip(self.last.as_ref());
        for (index, ((now, before), change)) in numbers.zip(changes.as_mut()).enumerate() {
            *change = match index < Row::COUNTS {
                true => {
                    let by = now.wrapping_sub(*before) as i64;
                    (by << 1 ^ by >> 63) as u64
                }
                false => (now ^ before).swap_bytes(),
            };
            changed |= u64::from(*change != 0) << index;
        }
        put(&mut self.bytes, changed);
        for index in places(changed) {
            put(&mut self.bytes, changes.as_ref()[index]);
        }
        self.last = now;
        self.rows += 1;
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.rows
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.rows == 0
    }

    /// All rows in their order.
    pub fn iter(&self) -> Rows<'_, Row> {
        self.span(0..self.rows)
    }

    /// Those at these places; of places behind the end there are none.
    pub fn span(&self, places: Range<usize>) -> Rows<'_, Row> {
        let end = places.end.min(self.rows);
        let mut rows = Rows {
            of: self,
            next: 0,
            end,
            ahead: Ahead::default(),
            behind: None,
        };
        rows.seek(places.start.min(end));
        rows
    }

    /// The first.
    pub fn first(&self) -> Option<Row> {
        self.span(0..1).next()
    }

    /// The last.
    pub fn last(&self) -> Option<Row> {
        (self.rows > 0).then(|| Row::unpack(&self.last, &self.texts))
    }
}

/// What tests do to rows that were made.
#[cfg(test)]
impl<Row: Pack> Packed<Row> {
    pub(crate) fn retain(&mut self, keep: impl FnMut(&Row) -> bool) {
        *self = self.iter().filter(keep).collect();
    }

    pub(crate) fn truncate(&mut self, rows: usize) {
        *self = self.iter().take(rows).collect();
    }

    /// Changes each row, which it is given with its place.
    pub(crate) fn change(&mut self, mut change: impl FnMut(usize, &mut Row)) {
        let changed = |(place, mut row)| {
            change(place, &mut row);
            row
        };
        *self = self.iter().enumerate().map(changed).collect();
    }
}

/// Rows that are unpacked one after another, from either end.
pub struct Rows<'a, Row: Pack> {
    of: &'a Packed<Row>,
    next: usize,
    end: usize,
    ahead: Ahead<Row::Numbers>,
    /// The latest block that was begun from behind, and its numbers.
    behind: Option<(usize, Vec<Row::Numbers>)>,
}

/// What was read last in order, and where the next row begins.
#[derive(Clone, Copy, Default)]
struct Ahead<Numbers> {
    at: usize,
    numbers: Numbers,
}

impl<Numbers: Copy + Default + AsMut<[u64]>> Ahead<Numbers> {
    /// Reads the row that begins here.
    fn read(&mut self, bytes: &[u8], counts: usize) {
        let changed = take(bytes, &mut self.at);
        let numbers = self.numbers.as_mut();
        for index in places(changed) {
            let change = take(bytes, &mut self.at);
            match index < counts {
                true => {
                    let by = (change >> 1) ^ (change & 1).wrapping_neg();
                    numbers[index] = numbers[index].wrapping_add(by);
                }
                false => numbers[index] ^= change.swap_bytes(),
            }
        }
    }
}

impl<Row: Pack> Rows<'_, Row> {
    /// Goes on at `place`.
    fn seek(&mut self, place: usize) {
        self.next = place;
        let block = place / BLOCK;
        if place < self.end && !place.is_multiple_of(BLOCK) {
            self.begin(block);
            for _ in 0..place % BLOCK {
                self.ahead.read(&self.of.bytes, Row::COUNTS);
            }
        }
    }

    fn begin(&mut self, block: usize) {
        self.ahead = Ahead {
            at: self.of.blocks[block],
            numbers: Row::Numbers::default(),
        };
    }

    /// The numbers of the rows of a block.
    fn block(&self, block: usize) -> Vec<Row::Numbers> {
        let rows = (self.of.rows - block * BLOCK).min(BLOCK);
        let mut ahead = Ahead {
            at: self.of.blocks[block],
            numbers: Row::Numbers::default(),
        };
        let mut read = || {
            ahead.read(&self.of.bytes, Row::COUNTS);
            ahead.numbers
        };
        (0..rows).map(|_| read()).collect()
    }
}

impl<Row: Pack> Iterator for Rows<'_, Row> {
    type Item = Row;

    fn next(&mut self) -> Option<Row> {
        if self.next >= self.end {
            return None;
        }
        if self.next.is_multiple_of(BLOCK) {
            self.begin(self.next / BLOCK);
        }
        self.ahead.read(&self.of.bytes, Row::COUNTS);
        self.next += 1;
        Some(Row::unpack(&self.ahead.numbers, &self.of.texts))
    }

    fn nth(&mut self, passed: usize) -> Option<Row> {
        match passed {
            0 => {}
            // In reach of where it stands.
            1..BLOCK => {
                for _ in 0..passed {
                    self.next()?;
                }
            }
            _ => self.seek((self.next + passed).min(self.end)),
        }
        self.next()
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        let left = self.end.saturating_sub(self.next);
        (left, Some(left))
    }
}

impl<Row: Pack> DoubleEndedIterator for Rows<'_, Row> {
    fn next_back(&mut self) -> Option<Row> {
        if self.next >= self.end {
            return None;
        }
        self.end -= 1;
        let block = self.end / BLOCK;
        if self.behind.as_ref().is_none_or(|(of, _)| *of != block) {
            self.behind = Some((block, self.block(block)));
        }
        let (_, numbers) = self.behind.as_ref()?;
        Some(Row::unpack(&numbers[self.end % BLOCK], &self.of.texts))
    }
}

impl<Row: Pack> ExactSizeIterator for Rows<'_, Row> {}

impl<'a, Row: Pack> IntoIterator for &'a Packed<Row> {
    type Item = Row;
    type IntoIter = Rows<'a, Row>;

    fn into_iter(self) -> Rows<'a, Row> {
        self.iter()
    }
}

impl<Row: Pack> FromIterator<Row> for Packed<Row> {
    fn from_iter<I: IntoIterator<Item = Row>>(rows: I) -> Self {
        let mut packed = Self::default();
        packed.extend(rows);
        packed
    }
}

impl<Row: Pack> Extend<Row> for Packed<Row> {
    fn extend<I: IntoIterator<Item = Row>>(&mut self, rows: I) {
        rows.into_iter().for_each(|row| self.push(row));
    }
}

impl<Row: Pack> Default for Packed<Row> {
    fn default() -> Self {
        Self {
            bytes: Vec::new(),
            blocks: Vec::new(),
            rows: 0,
            last: Row::Numbers::default(),
            texts: Texts::default(),
        }
    }
}

impl<Row: Pack> Clone for Packed<Row> {
    fn clone(&self) -> Self {
        Self {
            bytes: self.bytes.clone(),
            blocks: self.blocks.clone(),
            rows: self.rows,
            last: self.last,
            texts: self.texts.clone(),
        }
    }
}

impl<Row: Pack + PartialEq> PartialEq for Packed<Row> {
    fn eq(&self, other: &Self) -> bool {
        self.iter().eq(other.iter())
    }
}

impl<Row: Pack + fmt::Debug> fmt::Debug for Packed<Row> {
    fn fmt(&self, into: &mut fmt::Formatter<'_>) -> fmt::Result {
        into.debug_list().entries(self).finish()
    }
}

/// The places of the bits that are set, the lowest first.
fn places(mut bits: u64) -> impl Iterator<Item = usize> {
    std::iter::from_fn(move || {
        let place = (bits != 0).then(|| bits.trailing_zeros() as usize)?;
        bits &= bits - 1;
        Some(place)
    })
}

fn put(bytes: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        bytes.push(number as u8 | 0x80);
        number >>= 7;
    }
    bytes.push(number as u8);
}

fn take(bytes: &[u8], at: &mut usize) -> u64 {
    let (mut number, mut shift) = (0, 0);
    loop {
        let byte = bytes[*at];
        *at += 1;
        number |= u64::from(byte & 0x7f) << shift;
        if byte & 0x80 == 0 {
            return number;
        }
        shift += 7;
    }
}

/// Numbers of a row that are told by single bits, or by a few.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Bits(u64, u32);

impl Bits {
    /// Those that make up `number`.
    pub(super) fn of(number: u64) -> Self {
        Self(number, 0)
    }

    /// Adds a number below `2.pow(width)`.
    pub(super) fn put(&mut self, number: u64, width: u32) {
        self.0 |= number << self.1;
        self.1 += width;
    }

    /// Adds whether there is a value, and gives it, or 0.
    pub(super) fn put_some(&mut self, value: Option<u64>) -> u64 {
        self.put(u64::from(value.is_some()), 1);
        value.unwrap_or(0)
    }

    /// All of them as one number.
    pub(super) fn number(self) -> u64 {
        self.0
    }

    /// Takes a number of `width` bits, in the order in which they were added.
    pub(super) fn take(&mut self, width: u32) -> u64 {
        let number = self.0 & ((1 << width) - 1);
        self.0 >>= width;
        number
    }

    /// Takes whether there is a value, which is `value` then.
    pub(super) fn take_some(&mut self, value: u64) -> Option<u64> {
        (self.take(1) == 1).then_some(value)
    }
}
