//! The whole lines of a table that is read block by block, and its plain rows.
//!
//! A table may hold millions of rows, of which nothing is kept but what was made of them. Nearly all
//! are as the program wrote them: cells without quotes under the program's own head. Those are taken
//! apart here in one pass; whatever else stands in a table goes through the CSV reader.

use std::io::{self, BufRead, ErrorKind, Read};

use jiff::Timestamp;

use super::{bounds, tables::unguard};

/// Bytes that are asked for at once.
const BLOCK: usize = 256 << 10;

/// The lines of `source` that end in a line break.
#[derive(Debug)]
pub(super) struct WholeLines<R> {
    source: R,
    buffer: Vec<u8>,
    /// What was not taken yet of the whole lines, and where those end.
    start: usize,
    whole: usize,
    /// Where what was read ends.
    filled: usize,
    ended: bool,
}

impl<R: Read> WholeLines<R> {
    pub(super) fn new(source: R) -> Self {
        Self {
            source,
            buffer: Vec::new(),
            start: 0,
            whole: 0,
            filled: 0,
            ended: false,
        }
    }

    /// Bytes behind the last line break, once all lines are taken.
    pub(super) fn torn(&self) -> usize {
        self.filled - self.whole
    }

    /// Reads on behind an unfinished line, which moves to the front.
    fn fill(&mut self) -> io::Result<()> {
        self.buffer.copy_within(self.whole..self.filled, 0);
        self.filled -= self.whole;
        (self.start, self.whole) = (0, 0);
        if self.filled == self.buffer.len() {
            self.buffer.resize((2 * self.filled).max(BLOCK), 0);
        }
        let read = match self.source.read(&mut self.buffer[self.filled..]) {
            Err(error) if error.kind() == ErrorKind::Interrupted => return Ok(()),
            read => read?,
        };
        let fresh = &self.buffer[self.filled..self.filled + read];
        if let Some(last) = fresh.iter().rposition(|byte| *byte == b'\n') {
            self.whole = self.filled + last + 1;
        }
        self.filled += read;
        self.ended = read == 0;
        Ok(())
    }
}

impl<R: Read> BufRead for WholeLines<R> {
    /// Whole lines, or the rest of them; nothing at the end.
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        while self.start == self.whole && !self.ended {
            self.fill()?;
        }
        Ok(&self.buffer[self.start..self.whole])
    }

    fn consume(&mut self, bytes: usize) {
        self.start += bytes;
    }
}

impl<R: Read> Read for WholeLines<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let read = self.fill_buf()?.read(into)?;
        self.consume(read);
        Ok(read)
    }
}

/// The cells of a line in their order, as far as they are plain. What is not gives `None`, which says
/// nothing of whether the CSV reader takes it.
#[derive(Debug)]
pub struct Plain<'a> {
    bytes: &'a [u8],
    at: usize,
    ended: bool,
}

impl<'a> Plain<'a> {
    /// The cells of the first line of `bytes`.
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        Self {
            bytes,
            at: 0,
            ended: false,
        }
    }

    /// Bytes of the line with its line break, when all of its cells were taken.
    pub(super) fn end(&self) -> Option<usize> {
        self.ended.then_some(self.at)
    }

    /// Ends a cell before the byte at `end`.
    fn close(&mut self, end: usize) -> Option<()> {
        let delimiter = *self.bytes.get(end).filter(|_| !self.ended)?;
        self.ended = delimiter == b'\n';
        self.at = end + 1;
        (self.ended || delimiter == b',').then_some(())
    }

    fn is_empty(&self) -> bool {
        matches!(self.bytes.get(self.at), Some(b',' | b'\n')) && !self.ended
    }

    /// A whole number of at most 19 digits, which fit into 64 bits.
    pub fn count(&mut self) -> Option<u64> {
        let (mut value, mut end) = (0_u64, self.at);
        // Most have fewer than eight digits, so that one look tells all of them.
        while let Some(bytes) = self.bytes.get(end..end + 8) {
            let eight = u64::from_le_bytes(bytes.try_into().ok()?);
            let digits = leading_digits(eight);
            value = value
                .wrapping_mul(TENS[digits])
                .wrapping_add(number(eight, digits));
            end += digits;
            if digits < 8 {
                return self.counted(value, end);
            }
        }
        while let Some(digit) = self.bytes.get(end).map(|byte| byte.wrapping_sub(b'0'))
            && digit < 10
        {
            value = value.wrapping_mul(10).wrapping_add(u64::from(digit));
            end += 1;
        }
        self.counted(value, end)
    }

    /// The `value` of a cell of digits that ends at `end`.
    fn counted(&mut self, value: u64, end: usize) -> Option<u64> {
        let digits = end - self.at;
        self.close(end).filter(|()| (1..=19).contains(&digits))?;
        Some(value)
    }

    /// A whole number, or an empty cell.
    pub fn some_count(&mut self) -> Option<Option<u64>> {
        match self.is_empty() {
            true => self.close(self.at).map(|()| None),
            false => self.count().map(Some),
        }
    }

    /// A cell without quotes.
    pub fn text(&mut self) -> Option<&'a str> {
        let rest = self.bytes.get(self.at..).filter(|_| !self.ended)?;
        let odd = |byte: &u8| matches!(byte, b',' | b'\n' | b'\r' | b'"');
        let length = rest.iter().position(odd)?;
        self.close(self.at + length)?;
        let text = std::str::from_utf8(&rest[..length]).ok()?;
        (length <= bounds::CELL).then_some(text)
    }

    /// A text that was guarded on its way into the table.
    pub fn guarded(&mut self) -> Option<&'a str> {
        self.text().map(unguard)
    }

    /// A number.
    pub fn figure(&mut self) -> Option<f64> {
        self.text()?.parse().ok()
    }

    /// A number, or an empty cell.
    pub fn some_figure(&mut self) -> Option<Option<f64>> {
        match self.is_empty() {
            true => self.close(self.at).map(|()| None),
            false => self.figure().map(Some),
        }
    }

    /// `true` or `false`.
    pub fn flag(&mut self) -> Option<bool> {
        let rest = self.bytes.get(self.at..)?;
        let (value, length) = match rest {
            [b't', b'r', b'u', b'e', ..] => (true, 4),
            [b'f', b'a', b'l', b's', b'e', ..] => (false, 5),
            _ => return None,
        };
        self.close(self.at + length).map(|()| value)
    }

    /// `true`, `false`, or an empty cell.
    pub fn some_flag(&mut self) -> Option<Option<bool>> {
        match self.is_empty() {
            true => self.close(self.at).map(|()| None),
            false => self.flag().map(Some),
        }
    }

    /// A moment.
    pub fn moment(&mut self) -> Option<Timestamp> {
        self.text()?.parse().ok()
    }
}

/// Powers of ten.
const TENS: [u64; 9] = [
    1,
    10,
    100,
    1_000,
    10_000,
    100_000,
    1_000_000,
    10_000_000,
    100_000_000,
];

/// How many of eight bytes, the first in the lowest bits, are digits before one is none.
fn leading_digits(eight: u64) -> usize {
    const EACH: u64 = 0x0101_0101_0101_0101;
    // A digit has 3 in its upper half, and has so still when 6 is added to it. What one byte of the
    // sum may carry into the next changes none before it.
    let upper = 0xf0 * EACH;
    let odd =
        (eight & upper) ^ (0x30 * EACH) | (eight.wrapping_add(6 * EACH) & upper) ^ (0x30 * EACH);
    odd.trailing_zeros() as usize / 8
}

/// The number of the first `digits` of eight bytes, which are digits: neighbours are put together in
/// pairs, those in pairs, and those again (common practice, no source).
fn number(eight: u64, digits: usize) -> u64 {
    if digits == 0 {
        return 0;
    }
    // Zeros before them: the first digit stands in the lowest bits.
    let zeros = (eight & 0x0f0f_0f0f_0f0f_0f0f) << (8 * (8 - digits));
    let pairs = (zeros.wrapping_mul(10 << 8 | 1) >> 8) & 0x00ff_00ff_00ff_00ff;
    let fours = (pairs.wrapping_mul(100 << 16 | 1) >> 16) & 0x0000_ffff_0000_ffff;
    fours.wrapping_mul(10_000 << 32 | 1) >> 32
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gives a few bytes at a time.
    struct Drops<'a>(&'a [u8], usize);

    impl Read for Drops<'_> {
        fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
            let length = self.1.min(into.len()).min(self.0.len());
            let (now, later) = self.0.split_at(length);
            into[..length].copy_from_slice(now);
            self.0 = later;
            Ok(length)
        }
    }

    #[test]
    fn whole_lines_come_whole_however_they_arrive() {
        let text = b"one,1\n\ntwo,2\nthree,3\nfo";
        for drop in 1..=text.len() {
            let mut lines = WholeLines::new(Drops(text, drop));
            let mut seen = Vec::new();
            loop {
                let block = lines.fill_buf().unwrap();
                if block.is_empty() {
                    break;
                }
                assert!(block.ends_with(b"\n"), "{drop} at a time");
                seen.extend_from_slice(block);
                let length = block.len();
                lines.consume(length);
            }
            assert_eq!((seen.as_slice(), lines.torn()), (&text[..21], 2));
        }
    }

    #[test]
    fn counts_of_all_lengths_are_what_they_say() {
        let mut values = vec![0, 9, u64::from(u32::MAX), 9_999_999_999_999_999_999];
        values.extend(
            (0..19).flat_map(|n| [10_u64.pow(n), 10_u64.pow(n) * 9 / 7, 10_u64.pow(n) - 1]),
        );
        for value in values {
            for behind in ["\n", ",\n", ",12345678,1\n", "\n0000000000"] {
                let text = format!("{value}{behind}");
                let mut cells = Plain::new(text.as_bytes());
                assert_eq!(cells.count(), Some(value), "{text:?}");
                assert_eq!(cells.at, value.to_string().len() + 1, "{text:?}");
            }
            let text = format!("{value:019}\n");
            assert_eq!(Plain::new(text.as_bytes()).count(), Some(value), "{text}");
        }
        // Each byte that is no digit, at each place among digits.
        for byte in (0..=u8::MAX).filter(|byte| !byte.is_ascii_digit()) {
            for place in 0..12 {
                let mut text = *b"123456789012\n";
                text[place] = byte;
                let expected = 123_456_789_012 / 10_u64.pow(12 - place as u32);
                let ends = matches!(byte, b',' | b'\n') && place > 0;
                let read = Plain::new(&text).count();
                assert_eq!(read, ends.then_some(expected), "{byte} at {place}");
            }
        }
    }

    #[test]
    fn plain_cells_are_taken_and_others_left() {
        let mut cells = Plain::new(b"7,,true,1.5,a b,\nnext");
        assert_eq!(cells.count(), Some(7));
        assert_eq!(cells.some_count(), Some(None));
        assert_eq!(cells.flag(), Some(true));
        assert_eq!(cells.end(), None);
        assert_eq!(cells.some_figure(), Some(Some(1.5)));
        assert_eq!((cells.text(), cells.text()), (Some("a b"), Some("")));
        assert_eq!(cells.end(), Some(17));
        assert_eq!(
            (cells.text(), cells.count(), cells.some_count()),
            (None, None, None)
        );
        for odd in [
            "-1\n",
            "+1\n",
            "0x1\n",
            "1 \n",
            "\n",
            "12345678901234567890\n",
            "1",
            "1\r\n",
        ] {
            assert_eq!(Plain::new(odd.as_bytes()).count(), None, "{odd:?}");
        }
        for odd in ["\"a\"\n", "a\r\n", "a", "a\"\n"] {
            assert_eq!(Plain::new(odd.as_bytes()).text(), None, "{odd:?}");
        }
        assert_eq!(Plain::new(b"\xff\n").text(), None);
        assert_eq!(Plain::new(b"'=1\n").guarded(), Some("=1"));
    }
}
