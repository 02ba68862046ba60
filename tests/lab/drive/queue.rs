//! What waits for a drive's one arm, and the thread that is the arm.

use std::os::unix::fs::FileExt as _;
use std::sync::mpsc::Sender;
use std::sync::{Condvar, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use super::{Condition, Shared};

/// Who has waited so long comes first, wherever the arm stands.
const PATIENCE: Duration = Duration::from_millis(300);

/// What is asked of a drive.
pub(super) enum Work {
    Read(u32),
    Write(Vec<u8>),
}

/// A request and who waits for its answer.
pub(super) struct Request {
    pub(super) offset: u64,
    pub(super) work: Work,
    pub(super) handle: u64,
    pub(super) answer: Sender<Answer>,
    pub(super) arrived: Instant,
}

/// What came of a request.
pub(super) struct Answer {
    pub(super) handle: u64,
    /// What was read; `None` where the drive could not.
    pub(super) content: Option<Vec<u8>>,
}

/// Requests in the order of their arrival.
#[derive(Default)]
pub(super) struct Queue {
    waiting: Mutex<Waiting>,
    changed: Condvar,
}

#[derive(Default)]
struct Waiting {
    requests: Vec<Request>,
    closed: bool,
}

impl Work {
    fn bytes(&self) -> u64 {
        match self {
            Self::Read(bytes) => u64::from(*bytes),
            Self::Write(content) => content.len() as u64,
        }
    }
}

impl Queue {
    /// Lets a request wait its turn.
    pub(super) fn push(&self, request: Request) {
        self.waiting.lock().unwrap().requests.push(request);
        self.changed.notify_one();
    }

    /// Ends the thread that works.
    pub(super) fn close(&self) {
        self.waiting.lock().unwrap().closed = true;
        self.changed.notify_all();
    }

    /// The request that the arm reaches first from `position`, or the oldest when that has waited long.
    fn take(&self, position: u64) -> Option<Request> {
        let mut waiting = self.waiting.lock().unwrap();
        while waiting.requests.is_empty() && !waiting.closed {
            waiting = self.changed.wait(waiting).unwrap();
        }
        if waiting.closed {
            return None;
        }
        let oldest = &waiting.requests[0];
        let next = if oldest.arrived.elapsed() > PATIENCE {
            0
        } else {
            let way = |request: &Request| request.offset.abs_diff(position);
            (0..waiting.requests.len())
                .min_by_key(|&index| way(&waiting.requests[index]))
                .unwrap()
        };
        Some(waiting.requests.remove(next))
    }

    /// Does what waits, one request after another, until the queue is closed.
    pub(super) fn work(&self, drive: &Shared, seed: u64) {
        let mut chance = fastrand::Rng::with_seed(seed);
        let mut position = 0;
        let mut free = Instant::now();
        while let Some(request) = self.take(position) {
            let condition = *drive.condition.lock().unwrap();
            let bytes = request.work.bytes();
            let model = &drive.model;
            let alone = model.positioning(position, request.offset, chance.f64())
                + model.transfer(request.offset, bytes);
            let takes = match condition {
                Condition::Slow(times) => alone.mul_f64(times),
                Condition::Well | Condition::Failing => alone,
            };
            // From when it was free, so that what sleeping is late by does not add up.
            free = free.max(request.arrived) + takes;
            position = request.offset + bytes;
            thread::sleep(free.saturating_duration_since(Instant::now()));
            let content = match condition {
                Condition::Failing => None,
                Condition::Well | Condition::Slow(_) => {
                    transferred(drive, request.offset, request.work)
                }
            };
            let handle = request.handle;
            // Nobody waits any more where the guest has ended.
            drop(request.answer.send(Answer { handle, content }));
        }
    }
}

/// Moves the bytes and counts them.
fn transferred(drive: &Shared, offset: u64, work: Work) -> Option<Vec<u8>> {
    match work {
        Work::Read(bytes) => {
            let mut content = vec![0; bytes as usize];
            drive.content.read_exact_at(&mut content, offset).ok()?;
            drive.counts.read.add(u64::from(bytes));
            Some(content)
        }
        Work::Write(content) => {
            drive.content.write_all_at(&content, offset).ok()?;
            drive.counts.written.add(content.len() as u64);
            Some(Vec::new())
        }
    }
}
