//! Reads test data back, block by block, as fast as the share gives it.
//!
//! Several threads take the next mebibyte of the next file, read it, and compare it while others read.
//! Reads pass this client's cache where that is to be had, which is tried with the first file as the
//! trials try it. A read that fails is made again in small pieces, so that only what cannot be
//! read counts; a block that differs is read once more, which tells a drive from a transport.

use std::collections::{BTreeMap, VecDeque};
use std::io::ErrorKind;
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::sync::{Arc, Mutex, OnceLock, mpsc};
use std::thread;
use std::time::{Duration, Instant};

use super::buffers::Buffers;
use super::direct::{self, Alignment};
use super::folder::{Folder, Refusal};
use super::passing::{Passing, is_refusal, look};
use super::residency::resident;
use super::transfer::read_fully;
use crate::integrity::{Expected, Finding, Judged};
use crate::load::{LoadError, Pace, Watch, is_share_gone};
use crate::plan::content::BLOCK;
use crate::plan::{DataFile, Direction, Operation};
use crate::record::Cause;
use crate::study::Kind;
use crate::sys::{
    AsFd, BorrowedFd, DIRECT, Errno, OFlags, OwnedFd, drop_cache, drop_cache_of, fdatasync,
};
use crate::units::Bytes;

/// Bytes of one read.
const CHUNK: u64 = 1 << 20;
/// Reads under way at once.
const READERS: usize = 8;
/// After so long, what was read of a file that is not yet at its end is told.
const CHECKPOINT: Duration = Duration::from_secs(20);
/// So many blocks that differ are read once more.
const READ_AGAIN: u64 = 1_000;
/// Blocks that have to stay in the cache before that is believed.
const LOOKS: usize = 2;

/// A file to be read back, from a place in it on.
#[derive(Clone, Debug)]
pub struct Span {
    /// The file.
    pub file: DataFile,
    /// Where to begin, in bytes.
    pub from: u64,
}

/// What of a file has been read back.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Blocks of 4 KiB that were looked for.
    pub blocks: u64,
    /// Of these, blocks that hold something else.
    pub differing: u64,
    /// Blocks that could not be read.
    pub unreadable: u64,
    /// Blocks that are not there.
    pub missing: u64,
    /// Blocks that a trial which was cut off may have left half written.
    pub unsettled: u64,
}

impl Counts {
    fn add(&mut self, more: &Self) {
        self.blocks += more.blocks;
        self.differing += more.differing;
        self.unreadable += more.unreadable;
        self.missing += more.missing;
        self.unsettled += more.unsettled;
    }
}

/// What happens while test data is read back.
#[derive(Clone, Debug)]
pub enum Progress {
    /// How reads pass this client's cache, where not as they should.
    Note(String),
    /// Damage was found; it is counted when its part of the file is told.
    Damaged {
        /// In this file.
        file: DataFile,
        /// What was found.
        findings: Vec<Finding>,
    },
    /// A part of a file has been read.
    Read {
        /// Of this file.
        file: DataFile,
        /// Where the part begins.
        from: u64,
        /// Its size.
        bytes: u64,
        /// What it held.
        counts: Counts,
        /// Whether reads passed this client's cache; `None` where nobody tells.
        direct: Option<bool>,
        /// Whether the file is at its end.
        complete: bool,
    },
}

/// Reads `spans` back and tells what it finds, until all is read, an end is asked for, or `tell`
/// breaks. What is under way then is still told.
///
/// # Errors
/// When the share does not answer any more.
pub(super) fn read_back(
    folder: &Folder,
    spans: &[Span],
    expected: &Expected,
    pace: &Pace,
    watch: &Watch,
    tell: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Result<(), LoadError> {
    let queue = Mutex::new(Queue::new(folder, spans));
    let again = AtomicU64::new(READ_AGAIN);
    let (send, chunks) = mpsc::channel();
    let reader = |send: mpsc::Sender<Told>| {
        let mut buffers = Buffers::new(2, CHUNK as usize, 4096);
        while !watch.stopped() {
            let taken = queue.lock().expect("no reader panics").next(&send);
            let Some(task) = taken else { return };
            if !pace.wait(task.length, watch) {
                return;
            }
            let told = match task.read(expected, &mut buffers, folder, &again) {
                Ok(chunk) => {
                    watch.add(chunk.length);
                    Told::Chunk(chunk)
                }
                Err(error) => Told::Lost(error),
            };
            if send.send(told).is_err() {
                return;
            }
        }
    };
    thread::scope(|scope| {
        for _ in 0..READERS {
            let (reader, send) = (&reader, send.clone());
            scope.spawn(move || reader(send));
        }
        drop(send);
        let mut files = Books::new(spans);
        let mut lost = None;
        let mut broken = false;
        for told in &chunks {
            let more = match told {
                Told::Note(note) => vec![Progress::Note(note)],
                Told::Chunk(chunk) => files.enter(chunk),
                Told::Lost(error) => {
                    lost.get_or_insert(error);
                    queue.lock().expect("no reader panics").close();
                    continue;
                }
            };
            broken = broken || more.into_iter().any(|progress| tell(progress).is_break());
            if broken {
                // What comes in after this has nobody to be told to.
                queue.lock().expect("no reader panics").close();
            }
        }
        if !broken {
            files
                .rest()
                .into_iter()
                .any(|progress| tell(progress).is_break());
        }
        lost.map_or(Ok(()), Err)
    })
}

/// What readers tell.
enum Told {
    Note(String),
    Chunk(Chunk),
    /// The share is gone.
    Lost(LoadError),
}

/// A part of a file that was read, or is known not to be there.
struct Chunk {
    index: usize,
    offset: u64,
    length: u64,
    findings: Vec<Finding>,
    counts: Counts,
    direct: Option<bool>,
}

/// A file that is being read.
struct Open {
    index: usize,
    file: DataFile,
    handle: OwnedFd,
    /// Whole blocks that the file has, in bytes.
    length: u64,
    way: Way,
    /// The file again, where direct I/O turns out to be refused in the middle.
    buffered: OnceLock<OwnedFd>,
    /// Reads of it that are not yet done; the last one looks at what stayed in the cache.
    left: AtomicU64,
}

/// How files are read.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Way {
    /// Directly; whether that was seen to pass the cache.
    Direct(Alignment, bool),
    /// Through the cache, which is emptied before.
    Buffered,
}

impl Way {
    fn alignment(self) -> Alignment {
        match self {
            Self::Direct(alignment, _) => alignment,
            Self::Buffered => Alignment::ANY,
        }
    }
}

/// Hands out reads in the order of files and places.
struct Queue<'a> {
    folder: &'a Folder,
    spans: VecDeque<(usize, &'a Span)>,
    current: Option<(Arc<Open>, u64)>,
    /// How files are read here, once the first was tried.
    way: Option<Way>,
}

/// One read.
struct Task {
    open: Arc<Open>,
    offset: u64,
    length: u64,
}

impl<'a> Queue<'a> {
    fn new(folder: &'a Folder, spans: &'a [Span]) -> Self {
        Self {
            folder,
            spans: spans.iter().enumerate().collect(),
            current: None,
            way: None,
        }
    }

    /// Hands nothing out any more.
    fn close(&mut self) {
        self.spans.clear();
        self.current = None;
    }

    fn next(&mut self, tell: &mpsc::Sender<Told>) -> Option<Task> {
        loop {
            if let Some((open, at)) = &mut self.current {
                let offset = *at;
                if offset < open.file.bytes.0 {
                    let length = CHUNK.min(open.file.bytes.0 - offset);
                    *at += length;
                    let open = Arc::clone(open);
                    return Some(Task {
                        open,
                        offset,
                        length,
                    });
                }
                self.current = None;
            }
            let (index, span) = self.spans.pop_front()?;
            match self.open(index, span, tell) {
                Ok(open) => self.current = Some((Arc::new(open), span.from)),
                Err(Absent::Missing(chunk)) => tell.send(Told::Chunk(chunk)).ok()?,
                Err(Absent::Lost(error)) => {
                    self.close();
                    tell.send(Told::Lost(error)).ok()?;
                    return None;
                }
            }
        }
    }

    fn open(
        &mut self,
        index: usize,
        span: &Span,
        tell: &mpsc::Sender<Told>,
    ) -> Result<Open, Absent> {
        let name = span.file.name();
        let absent = |kind, found: String| Absent::Missing(nothing(index, span, kind, found));
        let opened = self.handle(&name).map_err(|error| match error {
            LoadError::Foreign { why, .. } => {
                absent(Kind::Missing, format!("{why}; it was not opened"))
            }
            LoadError::Io {
                source,
                doing,
                path,
            } => match source.kind() {
                ErrorKind::NotFound => absent(Kind::Missing, "the file is gone".into()),
                _ if is_share_gone(&source) => Absent::Lost(LoadError::Io {
                    doing,
                    path,
                    source,
                }),
                _ => absent(Kind::Unreadable, format!("opening it: {source}")),
            },
            error => Absent::Lost(error),
        });
        let (handle, size, way) = opened?;
        // What an earlier read left in this client's cache is not on the share for that.
        let _ = evict(handle.as_fd());
        let mut open = Open {
            index,
            file: span.file.clone(),
            handle,
            length: (size / BLOCK as u64 * BLOCK as u64).min(span.file.bytes.0),
            way,
            buffered: OnceLock::new(),
            left: AtomicU64::new((span.file.bytes.0 - span.from).div_ceil(CHUNK)),
        };
        if self.way.is_none() {
            let (way, note) = tried(&open);
            if let Some(note) = note {
                let _ = tell.send(Told::Note(note));
            }
            self.way = Some(way);
            open.way = way;
            if way == Way::Buffered
                && let Ok((handle, _, _)) = self.handle(&name)
            {
                open.handle = handle;
                let _ = evict(open.handle.as_fd());
            }
        }
        Ok(open)
    }

    /// Opens a file as the others were, its size, and how it is open.
    fn handle(&self, name: &str) -> Result<(OwnedFd, u64, Way), LoadError> {
        if self.way != Some(Way::Buffered) {
            match self.folder.file(name, OFlags::RDONLY | DIRECT) {
                Ok((handle, status)) => {
                    let way = match direct::suit(handle.as_fd(), Bytes(CHUNK)) {
                        Ok(alignment) => {
                            let seen = matches!(self.way, Some(Way::Direct(_, true)));
                            Way::Direct(alignment, seen)
                        }
                        Err(_) => Way::Buffered,
                    };
                    if way != Way::Buffered {
                        return Ok((handle, status.st_size as u64, way));
                    }
                }
                Err(Refusal::DirectIo) => {}
                Err(Refusal::Error(error)) => return Err(error),
            }
        }
        let opened = self.folder.file(name, OFlags::RDONLY);
        let (handle, status) = opened.map_err(Refusal::error)?;
        Ok((handle, status.st_size as u64, Way::Buffered))
    }
}

/// Why a file is not read.
enum Absent {
    /// It counts as damaged from end to end.
    Missing(Chunk),
    Lost(LoadError),
}

/// Nothing can be read of a file.
fn nothing(index: usize, span: &Span, kind: Kind, found: String) -> Chunk {
    let length = span.file.bytes.0 - span.from;
    let blocks = length / BLOCK as u64;
    let mut counts = Counts {
        blocks,
        ..Counts::default()
    };
    count(&mut counts, kind, blocks);
    Chunk {
        index,
        offset: span.from,
        length,
        findings: vec![Finding {
            offset: span.from,
            blocks,
            kind,
            found,
        }],
        counts,
        direct: None,
    }
}

fn count(counts: &mut Counts, kind: Kind, blocks: u64) {
    match kind {
        Kind::Content | Kind::Place | Kind::Generation => counts.differing += blocks,
        Kind::Unreadable => counts.unreadable += blocks,
        Kind::Missing => counts.missing += blocks,
    }
}

/// Empties this client's cache of a file.
fn evict(file: BorrowedFd<'_>) -> Result<(), Errno> {
    // Only clean pages can be dropped. Not every file system flushes what is open for reading only.
    let _ = fdatasync(file);
    drop_cache(file)
}

/// Tries how a file is read, with a block or two of it: what to do, and what to say of it.
fn tried(open: &Open) -> (Way, Option<String>) {
    const BUFFERED: &str = "read through this client's cache, which is emptied before each file (its memory may still serve a part)";
    let Way::Direct(alignment, _) = open.way else {
        return (
            Way::Buffered,
            Some(format!("direct I/O is refused here: {BUFFERED}")),
        );
    };
    let mut buffers = Buffers::new(1, CHUNK as usize, alignment.memory);
    // From the end, which is read last.
    let whole = open.length / CHUNK;
    let mut last = Passing::Unknown;
    for back in 1..=whole.min(LOOKS as u64) {
        let operation = Operation {
            direction: Direction::Read,
            file: open.file.number,
            offset: (whole - back) * CHUNK,
            pass: 0,
        };
        last = look(open.handle.as_fd(), &operation, buffers.get(0), alignment).passing;
        if last != Passing::Stays {
            break;
        }
    }
    match last {
        Passing::Passes => (Way::Direct(alignment, true), None),
        Passing::Unknown => {
            let note =
                "open for direct I/O; whether that passes this client's cache cannot be seen here";
            (Way::Direct(alignment, false), Some(note.to_owned()))
        }
        Passing::Stays => {
            let note = format!(
                "direct I/O is accepted here and goes through this client's cache all the same: {BUFFERED}"
            );
            (Way::Buffered, Some(note))
        }
        Passing::Refused => (
            Way::Buffered,
            Some(format!("direct I/O is refused here: {BUFFERED}")),
        ),
    }
}

impl Task {
    /// Reads and compares.
    ///
    /// # Errors
    /// When the share is gone.
    fn read(
        &self,
        expected: &Expected,
        buffers: &mut Buffers,
        folder: &Folder,
        again: &AtomicU64,
    ) -> Result<Chunk, LoadError> {
        let (open, file) = (&*self.open, &self.open.file);
        let mut chunk = Chunk {
            index: open.index,
            offset: self.offset,
            length: self.length,
            findings: Vec::new(),
            counts: Counts {
                blocks: self.length / BLOCK as u64,
                ..Counts::default()
            },
            direct: None,
        };
        let there = open.length.saturating_sub(self.offset).min(self.length);
        if there < self.length {
            let blocks = (self.length - there) / BLOCK as u64;
            chunk.findings.push(Finding {
                offset: self.offset + there,
                blocks,
                kind: Kind::Missing,
                found: "the file ends before".to_owned(),
            });
            chunk.counts.missing += blocks;
        }
        if there > 0 {
            let buffer = &mut buffers.get(0)[..there as usize];
            let mut bad: Vec<Finding> = Vec::new();
            match open.read(folder, buffer, self.offset) {
                Ok(()) => {
                    let (findings, unsettled) = expected.inspect(file.number, self.offset, buffer);
                    (bad, chunk.counts.unsettled) = (findings, unsettled);
                }
                Err(Cause::Os(number))
                    if is_share_gone(&std::io::Error::from_raw_os_error(number)) =>
                {
                    return Err(lost(folder, file, number));
                }
                // Piece by piece, so that what can be read still counts.
                Err(_) => self.pieces(
                    there,
                    expected,
                    buffers,
                    folder,
                    &mut bad,
                    &mut chunk.counts,
                )?,
            }
            for finding in &mut bad {
                self.once_more(finding, expected, buffers, folder, again);
                count(&mut chunk.counts, finding.kind, finding.blocks);
            }
            bad.append(&mut chunk.findings);
            chunk.findings = bad;
        }
        chunk.direct = self.passed();
        Ok(chunk)
    }

    fn pieces(
        &self,
        there: u64,
        expected: &Expected,
        buffers: &mut Buffers,
        folder: &Folder,
        bad: &mut Vec<Finding>,
        counts: &mut Counts,
    ) -> Result<(), LoadError> {
        let (open, file) = (&*self.open, &self.open.file);
        let piece = (BLOCK.max(open.way.alignment().offset)) as u64;
        let mut at = 0;
        while at < there {
            let (offset, length) = (self.offset + at, piece.min(there - at));
            let buffer = &mut buffers.get(0)[..length as usize];
            let (blocks, kind, found) = match open.read(folder, buffer, offset) {
                Ok(()) => {
                    let (findings, unsettled) = expected.inspect(file.number, offset, buffer);
                    counts.unsettled += unsettled;
                    findings
                        .into_iter()
                        .for_each(|finding| Finding::add(bad, finding));
                    at += length;
                    continue;
                }
                Err(Cause::Os(number))
                    if is_share_gone(&std::io::Error::from_raw_os_error(number)) =>
                {
                    return Err(lost(folder, file, number));
                }
                Err(cause @ Cause::Os(_)) => (length, Kind::Unreadable, cause.to_string()),
                Err(Cause::EndOfFile | Cause::CutShort) => {
                    (length, Kind::Missing, "the file ends before".to_owned())
                }
            };
            let blocks = blocks / BLOCK as u64;
            Finding::add(
                bad,
                Finding {
                    offset,
                    blocks,
                    kind,
                    found,
                },
            );
            at += length;
        }
        Ok(())
    }

    /// Reads the first block of a finding again and says what that gave.
    fn once_more(
        &self,
        finding: &mut Finding,
        expected: &Expected,
        buffers: &mut Buffers,
        folder: &Folder,
        again: &AtomicU64,
    ) {
        let differs = matches!(finding.kind, Kind::Content | Kind::Place | Kind::Generation);
        let taken = |left: u64| left.checked_sub(1);
        if !differs || again.fetch_update(Relaxed, Relaxed, taken).is_err() {
            return;
        }
        let (open, file) = (&*self.open, &self.open.file);
        let piece = (BLOCK.max(open.way.alignment().offset)) as u64;
        let from = finding.offset - finding.offset % piece;
        let piece = piece.min(open.length - from);
        // Dropped from the cache first, where it went through it.
        let _ = drop_cache_of(open.handle(), from, piece);
        let buffer = &mut buffers.get(1)[..piece as usize];
        if open.read(folder, buffer, from).is_ok() {
            let at = (finding.offset - from) as usize;
            let block = finding.offset / BLOCK as u64;
            let content = &buffer[at..at + BLOCK];
            if expected.judge(file.number, block, content) == Judged::Whole {
                finding.found += "; read once more, it is right: look at memory, cables and the network before the drives";
            }
        }
    }

    /// Whether reads of the file passed the cache, as far as is known.
    fn passed(&self) -> Option<bool> {
        let open = &*self.open;
        let last = open.left.fetch_sub(1, Relaxed) == 1;
        if open.buffered.get().is_some() || open.way == Way::Buffered {
            if last {
                let _ = evict(open.handle());
            }
            return Some(false);
        }
        // At the end of a file the kernel is asked what of it stayed; a part may be of others.
        if last
            && let Ok(found) = resident(&open.handle, open.length)
            && found.pages * 2 > found.of_pages
        {
            return Some(false);
        }
        matches!(open.way, Way::Direct(_, true)).then_some(true)
    }
}

impl Open {
    fn handle(&self) -> BorrowedFd<'_> {
        self.buffered.get().unwrap_or(&self.handle).as_fd()
    }

    /// Fills `buffer`; buffered where direct I/O is refused in the middle.
    fn read(&self, folder: &Folder, buffer: &mut [u8], offset: u64) -> Result<(), Cause> {
        if let Some(file) = self.buffered.get() {
            return read_fully(file.as_fd(), buffer, offset, Alignment::ANY);
        }
        match read_fully(self.handle.as_fd(), buffer, offset, self.way.alignment()) {
            Err(Cause::Os(number)) if self.way != Way::Buffered && is_refusal(number) => {
                let Ok((file, _)) = folder.file(&self.file.name(), OFlags::RDONLY) else {
                    return Err(Cause::Os(number));
                };
                let _ = evict(file.as_fd());
                let file = self.buffered.get_or_init(|| file);
                read_fully(file.as_fd(), buffer, offset, Alignment::ANY)
            }
            read => read,
        }
    }
}

fn lost(folder: &Folder, file: &DataFile, number: i32) -> LoadError {
    folder.error("reading", &file.name(), Errno::from_raw_os_error(number))
}

/// How far each file has come: chunks end in any order, and what is told of a file has no gaps.
struct Books<'a> {
    spans: &'a [Span],
    open: BTreeMap<usize, Page>,
    /// When something was last told.
    told: Instant,
}

/// One file in the books.
struct Page {
    /// Where what is not yet told begins.
    from: u64,
    /// Up to where everything has been read.
    reached: u64,
    counts: Counts,
    direct: Option<Option<bool>>,
    /// Chunks beyond a gap.
    ahead: BTreeMap<u64, Chunk>,
}

impl<'a> Books<'a> {
    fn new(spans: &'a [Span]) -> Self {
        Self {
            spans,
            open: BTreeMap::new(),
            told: Instant::now(),
        }
    }

    fn enter(&mut self, mut chunk: Chunk) -> Vec<Progress> {
        let (index, span) = (chunk.index, &self.spans[chunk.index]);
        let mut tell = Vec::new();
        let findings = std::mem::take(&mut chunk.findings);
        if !findings.is_empty() {
            let file = span.file.clone();
            tell.push(Progress::Damaged { file, findings });
        }
        let page = self.open.entry(index).or_insert_with(|| Page {
            from: span.from,
            reached: span.from,
            counts: Counts::default(),
            direct: None,
            ahead: BTreeMap::new(),
        });
        page.ahead.insert(chunk.offset, chunk);
        while let Some(chunk) = page.ahead.remove(&page.reached) {
            page.reached += chunk.length;
            page.counts.add(&chunk.counts);
            page.direct = Some(match (page.direct, chunk.direct) {
                (None, direct) => direct,
                (Some(Some(false)), _) | (_, Some(false)) => Some(false),
                (Some(known), direct) => known.and(direct),
            });
        }
        let complete = page.reached >= span.file.bytes.0;
        if complete || (page.reached > page.from && self.told.elapsed() >= CHECKPOINT) {
            tell.extend(page.tell(span));
            self.told = Instant::now();
            if complete {
                self.open.remove(&index);
            }
        }
        tell
    }

    /// What was read of files that are not at their end.
    fn rest(self) -> Vec<Progress> {
        let spans = self.spans;
        let pages = self.open.into_iter();
        pages
            .filter_map(|(index, mut page)| page.tell(&spans[index]))
            .collect()
    }
}

impl Page {
    fn tell(&mut self, span: &Span) -> Option<Progress> {
        let (from, to) = (self.from, self.reached);
        let complete = to >= span.file.bytes.0;
        (to > from).then(|| {
            self.from = to;
            Progress::Read {
                file: span.file.clone(),
                from,
                bytes: to - from,
                counts: std::mem::take(&mut self.counts),
                direct: self.direct.flatten(),
                complete,
            }
        })
    }
}
