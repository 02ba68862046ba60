//! Loops with nothing in them but the system calls.
#![expect(unsafe_code, reason = "the kernel is handed addresses of buffers")]

use std::ffi::c_void;
use std::fs::File;
use std::io;
use std::os::fd::AsRawFd as _;
use std::os::unix::fs::FileExt as _;
use std::ptr;
use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};
use std::thread;
use std::time::{Duration, Instant};

use io_uring::types::Fixed;
use io_uring::{IoUring, opcode};
use poolproof::plan::content::{Address, BLOCK, fill};
use rustix::mm::{Advice, MapFlags, ProtFlags, madvise, mmap_anonymous, munmap};

const HUGE: usize = 2 << 20;
const FIRST: Address = Address {
    study: 1,
    file: 2,
    block: 0,
    generation: 0,
};

/// What a loop did, from its first call to its last.
pub(super) struct Done {
    pub(super) operations: u64,
    pub(super) took: Duration,
    /// Processor time.
    pub(super) cpu: Duration,
}

/// A load on one file.
pub(super) struct Bare<'a> {
    pub(super) file: &'a File,
    /// Where operations go, over and over.
    pub(super) places: &'a [u64],
    pub(super) block: usize,
    pub(super) depth: usize,
    pub(super) writes: bool,
    /// Whether it makes unique content for each write, as poolproof does; else it writes the same over and over.
    pub(super) makes: bool,
    pub(super) length: Duration,
}

impl Bare<'_> {
    /// A thread for each operation in flight.
    pub(super) fn threads(&self) -> io::Result<Done> {
        let next = AtomicUsize::new(0);
        let mut memory = Memory::new(self.depth * self.block);
        let (begun, cpu) = (Instant::now(), cpu_time());
        let counts: io::Result<Vec<u64>> = thread::scope(|scope| {
            let threads: Vec<_> = memory
                .bytes()
                .chunks_mut(self.block)
                // Memory comes in whole huge pages.
                .take(self.depth)
                .map(|buffer| scope.spawn(|| self.work(buffer, &next, begun)))
                .collect();
            threads
                .into_iter()
                .map(|thread| thread.join().expect("a loop does not panic"))
                .collect()
        });
        let (took, cpu) = (begun.elapsed(), cpu_time() - cpu);
        Ok(Done {
            operations: counts?.into_iter().sum(),
            took,
            cpu,
        })
    }

    fn work(&self, buffer: &mut [u8], next: &AtomicUsize, begun: Instant) -> io::Result<u64> {
        let mut done = 0;
        while begun.elapsed() < self.length {
            let number = next.fetch_add(1, Relaxed);
            let place = self.places[number % self.places.len()];
            self.make(buffer, number);
            match self.writes {
                true => self.file.write_all_at(buffer, place)?,
                false => self.file.read_exact_at(buffer, place)?,
            }
            done += 1;
        }
        Ok(done)
    }

    /// Makes the content of write `number`, if it does.
    fn make(&self, buffer: &mut [u8], number: usize) {
        if self.writes && self.makes {
            let block = (number * self.block / BLOCK) as u64;
            fill(buffer, Address { block, ..FIRST });
        }
    }

    /// One ring.
    pub(super) fn ring(&self) -> io::Result<Done> {
        let mut memory = Memory::new(self.depth * self.block);
        let mut ring: IoUring = IoUring::builder()
            .setup_single_issuer()
            .setup_coop_taskrun()
            .setup_defer_taskrun()
            .build((2 * self.depth).next_power_of_two() as u32)?;
        let vectors: Vec<libc::iovec> = memory
            .bytes()
            .chunks_mut(self.block)
            .map(|buffer| libc::iovec {
                iov_base: buffer.as_mut_ptr().cast(),
                iov_len: self.block,
            })
            .collect();
        // SAFETY: the memory outlives the ring, which is dropped first.
        unsafe { ring.submitter().register_buffers(&vectors)? };
        ring.submitter().register_files(&[self.file.as_raw_fd()])?;
        let mut free: Vec<usize> = (0..self.depth).collect();
        let (mut next, mut operations) = (0, 0);
        let (begun, cpu) = (Instant::now(), cpu_time());
        loop {
            if begun.elapsed() < self.length {
                while let Some(slot) = free.pop() {
                    let place = self.places[next % self.places.len()];
                    // SAFETY: the slot is free, so that nobody else has its memory.
                    let buffer = unsafe {
                        std::slice::from_raw_parts_mut(vectors[slot].iov_base.cast(), self.block)
                    };
                    self.make(buffer, next);
                    next += 1;
                    let (at, length) = (vectors[slot].iov_base.cast(), self.block as u32);
                    let entry = match self.writes {
                        true => opcode::WriteFixed::new(Fixed(0), at, length, slot as u16)
                            .offset(place)
                            .build(),
                        false => opcode::ReadFixed::new(Fixed(0), at, length, slot as u16)
                            .offset(place)
                            .build(),
                    };
                    // SAFETY: a slot's memory is used by one operation at a time.
                    unsafe { ring.submission().push(&entry.user_data(slot as u64)) }
                        .map_err(io::Error::other)?;
                }
            } else if free.len() == self.depth {
                return Ok(Done {
                    operations,
                    took: begun.elapsed(),
                    cpu: cpu_time() - cpu,
                });
            }
            ring.submit_and_wait(1)?;
            for entry in ring.completion() {
                if entry.result() != self.block as i32 {
                    return Err(io::Error::other(format!("moved {}", entry.result())));
                }
                free.push(entry.user_data() as usize);
                operations += 1;
            }
        }
    }
}

/// Writes `bytes` of `file` from its beginning, in chunks, by four threads, then flushes it.
pub(super) fn lay_down(file: &File, bytes: u64) -> io::Result<Duration> {
    const CHUNK: usize = 4 << 20;
    let next = AtomicUsize::new(0);
    let mut memory = Memory::new(4 * CHUNK);
    let begun = Instant::now();
    rustix::fs::fallocate(file, rustix::fs::FallocateFlags::empty(), 0, bytes)?;
    let write = |buffer: &[u8]| -> io::Result<()> {
        loop {
            let place = next.fetch_add(CHUNK, Relaxed) as u64;
            if place >= bytes {
                return Ok(());
            }
            file.write_all_at(buffer, place)?;
        }
    };
    thread::scope(|scope| {
        let buffers = memory.bytes().chunks_exact_mut(CHUNK);
        let threads: Vec<_> = buffers
            .map(|buffer| scope.spawn(|| write(buffer)))
            .collect();
        threads
            .into_iter()
            .try_for_each(|thread| thread.join().expect("a loop does not panic"))
    })?;
    file.sync_all()?;
    Ok(begun.elapsed())
}

/// Memory on huge pages where there are any, as poolproof has it, with bytes that do not repeat soon.
/// Mapped anew each time: an allocator hands out again what it got back, in small pages.
struct Memory {
    base: *mut u8,
    size: usize,
    mapped: (*mut c_void, usize),
}

impl Memory {
    fn new(bytes: usize) -> Self {
        let size = bytes.next_multiple_of(HUGE);
        let (length, access) = (size + HUGE, ProtFlags::READ | ProtFlags::WRITE);
        // SAFETY: a mapping at a place of the kernel's choice takes nothing that is in use; advice
        // and what is written stay within it.
        unsafe {
            let mapped = mmap_anonymous(ptr::null_mut(), length, access, MapFlags::PRIVATE)
                .expect("a load fits in memory");
            let base = mapped.cast::<u8>();
            let base = base.add(base.align_offset(HUGE));
            madvise(base.cast(), size, Advice::LinuxHugepage).expect("the kernel takes advice");
            for at in 0..size {
                base.add(at)
                    .write((at.wrapping_mul(0x9e37_79b9) >> 13) as u8);
            }
            Self {
                base,
                size,
                mapped: (mapped, length),
            }
        }
    }

    fn bytes(&mut self) -> &mut [u8] {
        // SAFETY: all of it is initialised, and `&mut self` makes this the only reference.
        unsafe { std::slice::from_raw_parts_mut(self.base, self.size) }
    }
}

impl Drop for Memory {
    fn drop(&mut self) {
        // SAFETY: mapped with this length in `new`.
        unsafe { munmap(self.mapped.0, self.mapped.1).expect("what is mapped can be unmapped") }
    }
}

/// Processor time of this process so far, of all its threads and of what the kernel did for them.
fn cpu_time() -> Duration {
    let spent = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    Duration::new(spent.tv_sec as u64, spent.tv_nsec as u32)
}
