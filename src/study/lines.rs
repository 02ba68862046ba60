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
        while let Some(digit) = self.bytes.get(end).map(|byte| byte.wrapping_sub(b'0'))
            && digit < 10
        {
            value = value.wrapping_mul(10).wrapping_add(u64::from(digit));
            end += 1;
        }
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
        self.text()?.parse().ok()
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
