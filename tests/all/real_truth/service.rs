//! The file system that the kernel asks.

use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsStr;
use std::io;
use std::sync::mpsc::Sender;
use std::sync::{Arc, Condvar, Mutex, MutexGuard};
use std::time::{Duration, Instant, SystemTime};

use fuser::{
    BsdFileFlags, Errno, FileAttr, FileHandle, FileType, Filesystem, FopenFlags, Generation,
    INodeNo, InitFlags, KernelConfig, LockOwner, OpenFlags, RenameFlags, ReplyAttr, ReplyCreate,
    ReplyData, ReplyDirectory, ReplyEmpty, ReplyEntry, ReplyOpen, ReplyStatfs, ReplyWrite, Request,
    TimeOrNow, WriteFlags,
};

use super::config::{BLOCK, Config, Direct};
use super::counts::Books;
use super::replies::{self, Event, Read, What};
use super::server::{Link, Server};
use super::tree::{Maker, ROOT, Tree};

/// The file of the drives' own counters in the share's root; no listing shows it.
pub(super) const MEMBERS: &str = ".members";
/// Its number, which the tree never gives away.
const MEMBERS_NODE: u64 = 2;
/// How long the kernel may rely on names and attributes: nobody else changes them.
const LASTING: Duration = Duration::from_secs(60);
/// Requests that the kernel may have under way at once, far beyond any depth in use.
const MOST_REQUESTS: u16 = 512;

/// What requests change.
#[derive(Debug)]
pub(super) struct State {
    tree: Tree,
    pub(super) server: Server,
    broken: BTreeSet<u64>,
    /// Writes that are taken before there is no room left; `None` for all.
    pub(super) writes_left: Option<u64>,
    /// Whether flushes fail.
    pub(super) flushes_fail: bool,
    /// What reads and writes are answered with instead.
    pub(super) refuses: Option<Errno>,
    /// The first block of the last read of each length.
    last_read: BTreeMap<u32, u64>,
    /// The drives' counters as they were when the file was opened.
    opened: BTreeMap<u64, String>,
}

impl State {
    /// Breaks the first block of the last read that asked for `length` bytes; whether there was one.
    pub(super) fn break_last_read(&mut self, length: u32) -> bool {
        let block = self.last_read.get(&length);
        block.is_some_and(|block| self.broken.insert(*block))
    }
}

/// Lets requests in, or keeps all of them waiting: those that it meets have left the client already.
#[derive(Debug, Default)]
pub(super) struct Gate {
    closed: Mutex<bool>,
    changed: Condvar,
}

impl Gate {
    pub(super) fn close(&self, closed: bool) {
        *self.closed.lock().expect("no request panics") = closed;
        self.changed.notify_all();
    }

    fn pass(&self) {
        let closed = self.closed.lock().expect("no request panics");
        drop(self.changed.wait_while(closed, |closed| *closed));
    }
}

#[derive(Debug)]
pub(super) struct Service {
    gate: Arc<Gate>,
    config: Config,
    start: Instant,
    state: Arc<Mutex<State>>,
    books: Arc<Mutex<Books>>,
    events: Sender<Event>,
}

impl Service {
    /// The file system behind `gate`, and what it shares with whoever mounts it.
    pub(super) fn new(
        config: &Config,
        gate: &Arc<Gate>,
    ) -> (Self, Arc<Mutex<State>>, Arc<Mutex<Books>>) {
        let root = Maker {
            perm: 0o755,
            owner: (0, 0),
            now: SystemTime::now(),
        };
        let state = Arc::new(Mutex::new(State {
            tree: Tree::new(config.capacity, config.compression, root),
            server: Server::new(config),
            broken: BTreeSet::new(),
            writes_left: None,
            flushes_fail: false,
            refuses: None,
            last_read: BTreeMap::new(),
            opened: BTreeMap::new(),
        }));
        let books = Arc::new(Mutex::new(Books::new(config.drives)));
        let start = Instant::now();
        let events = replies::start(Link::new(config.link_rate), start, Arc::clone(&books));
        let service = Self {
            gate: Arc::clone(gate),
            config: config.clone(),
            start,
            state: Arc::clone(&state),
            books: Arc::clone(&books),
            events,
        };
        (service, state, books)
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.gate.pass();
        self.state.lock().expect("no request panics")
    }

    fn books(&self) -> MutexGuard<'_, Books> {
        self.books.lock().expect("no keeper of the books panics")
    }

    fn later(&self, at: Duration, what: What) {
        let event = Event { at, what };
        self.events.send(event).expect("the replies do not panic");
    }

    /// How a file opened with `flags` is used; direct I/O may be refused.
    fn opening(&self, flags: i32) -> Result<FopenFlags, Errno> {
        match self.config.direct {
            Direct::Refused if flags & libc::O_DIRECT != 0 => Err(Errno::EINVAL),
            Direct::Refused | Direct::RefusedLate => Ok(FopenFlags::FOPEN_KEEP_CACHE),
            Direct::Honest | Direct::Lies(_) => {
                Ok(FopenFlags::FOPEN_DIRECT_IO | FopenFlags::FOPEN_PARALLEL_DIRECT_WRITES)
            }
        }
    }

    /// Refuses a transfer on a file opened with `flags` if direct I/O is accepted and not to be had.
    fn takes(&self, flags: OpenFlags) -> Result<(), Errno> {
        if let Some(error) = self.state().refuses {
            return Err(error);
        }
        match self.config.direct {
            Direct::RefusedLate if flags.0 & libc::O_DIRECT != 0 => Err(Errno::EINVAL),
            _ => Ok(()),
        }
    }

    /// How much of a request of `length` bytes is answered.
    fn answered(&self, length: u64) -> u64 {
        match self.config.halves && length > BLOCK {
            true => length / 2,
            false => length,
        }
    }

    fn attributes(&self, number: u64) -> Result<FileAttr, Errno> {
        let state = self.state();
        if number != MEMBERS_NODE {
            return state.tree.attributes(number);
        }
        Ok(FileAttr {
            ino: INodeNo(MEMBERS_NODE),
            kind: FileType::RegularFile,
            perm: 0o444,
            nlink: 1,
            ..state.tree.attributes(ROOT)?
        })
    }
}

fn maker(request: &Request, mode: u32, umask: u32) -> Maker {
    Maker {
        perm: mode & !umask,
        owner: (request.uid(), request.gid()),
        now: SystemTime::now(),
    }
}

fn answer(reply: ReplyEmpty, done: Result<(), Errno>) {
    match done {
        Ok(()) => reply.ok(),
        Err(error) => reply.error(error),
    }
}

fn answer_entry(reply: ReplyEntry, entry: Result<FileAttr, Errno>) {
    match entry {
        Ok(attributes) => reply.entry(&LASTING, &attributes, Generation(0)),
        Err(error) => reply.error(error),
    }
}

fn answer_attributes(reply: ReplyAttr, attributes: Result<FileAttr, Errno>) {
    match attributes {
        Ok(attributes) => reply.attr(&LASTING, &attributes),
        Err(error) => reply.error(error),
    }
}

impl Filesystem for Service {
    fn init(&mut self, _: &Request, kernel: &mut KernelConfig) -> io::Result<()> {
        let missing = |flags| io::Error::other(format!("the kernel lacks {flags:?}"));
        kernel
            .add_capabilities(InitFlags::FUSE_ASYNC_DIO)
            .map_err(missing)?;
        let refused = |most| io::Error::other(format!("at most {most} requests at once"));
        kernel.set_max_background(MOST_REQUESTS).map_err(refused)?;
        Ok(())
    }

    fn lookup(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEntry) {
        let entry = if parent.0 == ROOT && name == MEMBERS {
            self.attributes(MEMBERS_NODE)
        } else {
            self.state().tree.look_up(parent.0, name)
        };
        answer_entry(reply, entry);
    }

    fn forget(&self, _: &Request, node: INodeNo, times: u64) {
        self.state().tree.forget(node.0, times);
    }

    fn getattr(&self, _: &Request, node: INodeNo, _: Option<FileHandle>, reply: ReplyAttr) {
        answer_attributes(reply, self.attributes(node.0));
    }

    fn setattr(
        &self,
        _: &Request,
        node: INodeNo,
        mode: Option<u32>,
        user: Option<u32>,
        group: Option<u32>,
        size: Option<u64>,
        _: Option<TimeOrNow>,
        _: Option<TimeOrNow>,
        _: Option<SystemTime>,
        _: Option<FileHandle>,
        _: Option<SystemTime>,
        _: Option<SystemTime>,
        _: Option<SystemTime>,
        _: Option<BsdFileFlags>,
        reply: ReplyAttr,
    ) {
        let tree = &mut self.state().tree;
        let changed = size
            .map_or(Ok(()), |size| tree.resize(node.0, size))
            .and_then(|()| tree.change(node.0, mode, (user, group), SystemTime::now()))
            .and_then(|()| tree.attributes(node.0));
        answer_attributes(reply, changed);
    }

    fn mkdir(
        &self,
        request: &Request,
        parent: INodeNo,
        name: &OsStr,
        mode: u32,
        umask: u32,
        reply: ReplyEntry,
    ) {
        let (kind, maker) = (FileType::Directory, maker(request, mode, umask));
        answer_entry(reply, self.state().tree.make(parent.0, name, kind, maker));
    }

    fn unlink(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEmpty) {
        answer(reply, self.state().tree.remove(parent.0, name, false));
    }

    fn rmdir(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEmpty) {
        answer(reply, self.state().tree.remove(parent.0, name, true));
    }

    fn rename(
        &self,
        _: &Request,
        parent: INodeNo,
        name: &OsStr,
        new_parent: INodeNo,
        new_name: &OsStr,
        flags: RenameFlags,
        reply: ReplyEmpty,
    ) {
        let keep = flags == RenameFlags::RENAME_NOREPLACE;
        if !keep && !flags.is_empty() {
            return reply.error(Errno::EINVAL);
        }
        let names = [(parent.0, name), (new_parent.0, new_name)];
        answer(reply, self.state().tree.rename(names, keep));
    }

    fn create(
        &self,
        request: &Request,
        parent: INodeNo,
        name: &OsStr,
        mode: u32,
        umask: u32,
        flags: i32,
        reply: ReplyCreate,
    ) {
        let (kind, maker) = (FileType::RegularFile, maker(request, mode, umask));
        let made = self.opening(flags).and_then(|opening| {
            let made = self.state().tree.make(parent.0, name, kind, maker)?;
            Ok((made, opening))
        });
        match made {
            Ok((made, opening)) => {
                reply.created(&LASTING, &made, Generation(0), FileHandle(0), opening);
            }
            Err(error) => reply.error(error),
        }
    }

    fn open(&self, _: &Request, node: INodeNo, flags: OpenFlags, reply: ReplyOpen) {
        if node.0 == MEMBERS_NODE {
            let text = self.books().diskstats();
            let opened = &mut self.state().opened;
            let handle = opened.last_key_value().map_or(1, |(last, _)| last + 1);
            opened.insert(handle, text);
            return reply.opened(FileHandle(handle), FopenFlags::FOPEN_DIRECT_IO);
        }
        match self.opening(flags.0) {
            Ok(opening) => reply.opened(FileHandle(0), opening),
            Err(error) => reply.error(error),
        }
    }

    fn release(
        &self,
        _: &Request,
        _: INodeNo,
        handle: FileHandle,
        _: OpenFlags,
        _: Option<LockOwner>,
        _: bool,
        reply: ReplyEmpty,
    ) {
        self.state().opened.remove(&handle.0);
        reply.ok();
    }

    fn read(
        &self,
        _: &Request,
        node: INodeNo,
        handle: FileHandle,
        offset: u64,
        length: u32,
        flags: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyData,
    ) {
        if let Err(error) = self.takes(flags) {
            return reply.error(error);
        }
        let state = &mut *self.state();
        if node.0 == MEMBERS_NODE {
            let text = state.opened.get(&handle.0).map_or("", String::as_str);
            let rest = text.as_bytes().get(offset as usize..).unwrap_or_default();
            return reply.data(&rest[..rest.len().min(length as usize)]);
        }
        let answered = self.answered(u64::from(length));
        let found = state.tree.read(node.0, offset, answered);
        let found = found.and_then(|data| {
            let pieces = state.tree.pieces(node.0, offset, data.len() as u64)?;
            Ok((data, pieces))
        });
        let (data, pieces) = match found {
            Ok(found) => found,
            Err(error) => return reply.error(error),
        };
        self.books().arrive();
        if let Some(first) = pieces.first() {
            state.last_read.insert(length, first.block);
        }
        let arrived = self.start.elapsed();
        let plan = state.server.read(arrived, &pieces);
        let near = plan.reaches_only_client();
        self.later(plan.done, What::Drives(plan.served));
        if pieces.iter().any(|p| state.broken.contains(&p.block)) {
            return self.later(plan.ready, What::Break(reply));
        }
        let read = Read {
            reply,
            data,
            arrived,
            length,
            origin: plan.origin,
        };
        let what = if near { What::Read } else { What::Carry };
        self.later(plan.ready, what(read));
    }

    fn write(
        &self,
        _: &Request,
        node: INodeNo,
        _: FileHandle,
        offset: u64,
        data: &[u8],
        _: WriteFlags,
        flags: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyWrite,
    ) {
        if let Err(error) = self.takes(flags) {
            return reply.error(error);
        }
        let state = &mut *self.state();
        match &mut state.writes_left {
            Some(0) => return reply.error(Errno::ENOSPC),
            Some(left) => *left -= 1,
            None => {}
        }
        let length = self.answered(data.len() as u64);
        let data = &data[..length as usize];
        let written = state.tree.write(node.0, offset, data);
        let pieces = match written.and_then(|()| state.tree.pieces(node.0, offset, length)) {
            Ok(pieces) => pieces,
            Err(error) => return reply.error(error),
        };
        self.books().arrive();
        let plan = state.server.write(self.start.elapsed(), &pieces);
        self.later(plan.done, What::Drives(plan.served));
        self.later(plan.ready, What::Written(reply, data.len() as u32));
    }

    fn fsync(&self, _: &Request, _: INodeNo, _: FileHandle, _: bool, reply: ReplyEmpty) {
        if self.state().flushes_fail {
            return reply.error(Errno::EIO);
        }
        let (at, not_drained) = self.state().server.flush(self.start.elapsed());
        self.later(at, What::Flushed(reply, not_drained));
    }

    fn fsyncdir(&self, _: &Request, _: INodeNo, _: FileHandle, _: bool, reply: ReplyEmpty) {
        reply.ok();
    }

    fn readdir(
        &self,
        _: &Request,
        node: INodeNo,
        _: FileHandle,
        offset: u64,
        mut reply: ReplyDirectory,
    ) {
        let list = match self.state().tree.list(node.0) {
            Ok(list) => list,
            Err(error) => return reply.error(error),
        };
        // The dots have offsets 1 and 2, others their numbers, which are higher.
        let offsets = (1..=2).chain(list[2..].iter().map(|entry| entry.0));
        for (at, (number, kind, name)) in offsets.zip(&list) {
            if at > offset && reply.add(INodeNo(*number), at, *kind, name) {
                break;
            }
        }
        reply.ok();
    }

    fn statfs(&self, _: &Request, _: INodeNo, reply: ReplyStatfs) {
        let (all, free) = self.state().tree.room();
        let block = BLOCK as u32;
        reply.statfs(all, free, free, all, free, block, 255, block);
    }
}
