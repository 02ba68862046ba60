//! Laying test data down: whole files, never sparse, flushed before they count.

use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::thread;

use super::buffers::Buffers;
use super::folder::{Folder, Refusal};
use crate::load::{LoadError, Watch};
use crate::plan::DataFile;
use crate::plan::content::{self, Address};
use crate::study::Identity;
use crate::sys::{DIRECT, Errno, OFlags, OwnedFd, allocate, drop_cache, fsync, pwrite};

/// Bytes of one write.
const CHUNK: u64 = 4 << 20;
/// Writers, so that content is made while other content is written.
const WRITERS: usize = 4;

/// Writes `file` anew, from its beginning to its end, and flushes it. When that fails, a part of it
/// may be left.
pub(super) fn lay_down(
    folder: &Folder,
    file: &DataFile,
    study: Identity,
    watch: &Watch,
) -> Result<(), LoadError> {
    let name = file.name();
    let fail = |doing| {
        let name = name.clone();
        move |error| folder.error(doing, &name, error)
    };
    let make = |extra| {
        folder.discard(&name)?;
        match folder.make(&name, OFlags::RDWR | extra) {
            // Some file systems make a file before they refuse direct I/O.
            Err(Refusal::DirectIo) => folder.discard(&name).and_then(|()| {
                let buffered = folder.make(&name, OFlags::RDWR);
                buffered.map_err(Refusal::error)
            }),
            handle => handle.map_err(Refusal::error),
        }
    };
    // Direct where it goes, so that a large client memory does not hide how fast the share is.
    let handle = make(DIRECT)?;
    // Room in one piece where the file system can; it also finds a full share before any writing.
    let room = watch.slowly(|| allocate(&handle, file.bytes.0));
    if let Err(error @ (Errno::NOSPC | Errno::DQUOT)) = room {
        return Err(fail("making room for")(error));
    }
    let handle = match write_all(&handle, file, study, watch) {
        // Others take the file for direct I/O and refuse to write so.
        Err(Errno::INVAL | Errno::OPNOTSUPP) => {
            drop(handle);
            let buffered = make(OFlags::empty())?;
            write_all(&buffered, file, study, watch).map_err(fail("writing"))?;
            buffered
        }
        written => written.map(|()| handle).map_err(fail("writing"))?,
    };
    if watch.stopped() {
        return Err(LoadError::Stopped);
    }
    watch.slowly(|| fsync(&handle)).map_err(fail("flushing"))?;
    // What was buffered after all leaves this client's cache; that it cannot, is seen at the trial.
    let _ = drop_cache(&handle);
    folder.sync()
}

fn write_all(
    handle: &OwnedFd,
    file: &DataFile,
    study: Identity,
    watch: &Watch,
) -> Result<(), Errno> {
    let (next, failure) = (AtomicU64::new(0), Mutex::new(None));
    let writer = || {
        let mut buffers = Buffers::new(1, CHUNK as usize, content::BLOCK);
        loop {
            let at = next.fetch_add(CHUNK, Relaxed);
            if at >= file.bytes.0 || watch.stopped() {
                return;
            }
            let length = CHUNK.min(file.bytes.0 - at);
            let buffer = &mut buffers.get(0)[..length as usize];
            let block = at / content::BLOCK as u64;
            content::fill(
                buffer,
                Address {
                    study: study.0,
                    file: file.number,
                    block,
                    generation: 0,
                },
            );
            if let Err(error) = write_fully(handle, buffer, at) {
                *failure.lock().expect("no writer panics") = Some(error);
                next.store(u64::MAX - CHUNK * WRITERS as u64, Relaxed);
                return;
            }
            watch.add(length);
        }
    };
    thread::scope(|scope| {
        (0..WRITERS).for_each(|_| {
            scope.spawn(writer);
        });
    });
    failure
        .into_inner()
        .expect("no writer panics")
        .map_or(Ok(()), Err)
}

fn write_fully(handle: &OwnedFd, mut buffer: &[u8], mut at: u64) -> Result<(), Errno> {
    while !buffer.is_empty() {
        match pwrite(handle, buffer, at) {
            Ok(0) => return Err(Errno::IO),
            Ok(written) => {
                buffer = &buffer[written..];
                at += written as u64;
            }
            Err(Errno::INTR) => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}
