//! Replies that are sent when their time has come: one thread and a heap, however many there are.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use fuser::{Errno, ReplyData, ReplyEmpty, ReplyWrite};

use super::counts::{Books, Origin, Served};
use super::server::Link;

/// Something that happens at a moment. Moments are spans since the share was mounted.
#[derive(Debug)]
pub(super) struct Event {
    pub(super) at: Duration,
    pub(super) what: What,
}

#[derive(Debug)]
pub(super) enum What {
    /// Drives have finished these requests.
    Drives(Vec<Served>),
    /// The server has the answer to a read: it goes over the link now.
    Carry(Read),
    /// The answer to a read has arrived.
    Read(Read),
    /// A read meets a broken block.
    Break(ReplyData),
    /// A write of so many bytes is acknowledged.
    Written(ReplyWrite, u32),
    /// A flush is acknowledged, with so many bytes not on the drives.
    Flushed(ReplyEmpty, u64),
}

/// A read on its way.
#[derive(Debug)]
pub(super) struct Read {
    pub(super) reply: ReplyData,
    pub(super) data: Vec<u8>,
    pub(super) arrived: Duration,
    /// Bytes that were asked for.
    pub(super) length: u32,
    pub(super) origin: Origin,
}

/// Starts the thread that makes events happen; it ends when the sender is dropped. `outwards`
/// carries the answers; `start` is when the share was mounted.
pub(super) fn start(outwards: Link, start: Instant, books: Arc<Mutex<Books>>) -> Sender<Event> {
    let (events, come) = channel();
    let mut queue = Queue {
        heap: BinaryHeap::new(),
        handed_in: 0,
        outwards,
        books,
    };
    thread::spawn(move || queue.work(&come, start));
    events
}

struct Queue {
    heap: BinaryHeap<Reverse<Entry>>,
    handed_in: u64,
    outwards: Link,
    books: Arc<Mutex<Books>>,
}

/// An event in the heap: the first by time, then by when it was handed in.
struct Entry {
    order: (Duration, u64),
    what: What,
}

impl Queue {
    fn work(&mut self, come: &Receiver<Event>, start: Instant) {
        loop {
            let wait = match self.heap.peek() {
                Some(Reverse(next)) => next.order.0.saturating_sub(start.elapsed()),
                None => Duration::MAX,
            };
            match come.recv_timeout(wait) {
                Ok(event) => self.push(event.at, event.what),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
            let due = |entry: &Entry| entry.order.0 <= start.elapsed();
            while self.heap.peek().is_some_and(|Reverse(next)| due(next))
                && let Some(Reverse(entry)) = self.heap.pop()
            {
                self.happen(entry.order.0, entry.what);
            }
        }
    }

    fn push(&mut self, at: Duration, what: What) {
        self.handed_in += 1;
        let order = (at, self.handed_in);
        self.heap.push(Reverse(Entry { order, what }));
    }

    /// Everything is counted before it is answered, so that whoever has the answer finds it counted.
    fn happen(&mut self, at: Duration, what: What) {
        let books = Arc::clone(&self.books);
        let mut books = books.lock().expect("no keeper of the books panics");
        match what {
            What::Drives(served) => served.iter().for_each(|served| books.drive(served)),
            What::Carry(read) => {
                let arrival = self.outwards.carry(at, read.data.len() as u64);
                self.push(arrival, What::Read(read));
            }
            What::Read(read) => {
                books.read(read.length, &read.origin, at - read.arrived);
                books.leave();
                drop(books);
                read.reply.data(&read.data);
            }
            What::Break(reply) => {
                books.refused();
                books.leave();
                reply.error(Errno::EIO);
            }
            What::Written(reply, bytes) => {
                books.written(u64::from(bytes));
                books.leave();
                reply.written(bytes);
            }
            What::Flushed(reply, not_drained) => {
                books.flushed(not_drained);
                reply.ok();
            }
        }
    }
}

impl PartialEq for Entry {
    fn eq(&self, other: &Self) -> bool {
        self.order == other.order
    }
}

impl Eq for Entry {}

impl PartialOrd for Entry {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Entry {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.order.cmp(&other.order)
    }
}
