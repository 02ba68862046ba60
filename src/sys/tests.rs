//! What the callers rely on, on every system.

use std::thread;

use super::*;

/// A folder with nothing in it, open.
fn folder() -> (tempfile::TempDir, OwnedFd) {
    let folder = tempfile::tempdir().unwrap();
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
    let handle = open(folder.path(), flags, Mode::empty()).unwrap();
    (folder, handle)
}

const NEW: OFlags = OFlags::RDWR.union(OFlags::CREATE).union(OFlags::EXCL);

#[test]
fn transfers_of_several_threads_through_one_handle_keep_apart() {
    let (_kept, folder) = folder();
    let file = openat(&folder, "data", NEW | SEVERAL, Mode::RUSR | Mode::WUSR).unwrap();
    let block = |number: u8| vec![number; 4096];
    for number in 0..8 {
        assert_eq!(
            pwrite(&file, &block(number), u64::from(number) * 4096),
            Ok(4096)
        );
    }
    fsync(&file).unwrap();
    thread::scope(|scope| {
        for first in 0..8 {
            let file = &file;
            scope.spawn(move || {
                let mut buffer = vec![0xff; 4096];
                for number in (0..8).cycle().skip(first).take(100) {
                    let place = u64::from(number) * 4096;
                    assert_eq!(pread(file, &mut buffer, place), Ok(4096));
                    assert_eq!(buffer, block(number));
                }
            });
        }
    });
    assert_eq!(
        pread(&file, &mut [0; 16], 8 * 4096),
        Ok(0),
        "the end is no error"
    );
    let status = fstat(&file).unwrap();
    assert_eq!((status.st_size, status.st_nlink), (8 * 4096, 1));
    assert_eq!(
        FileType::from_raw_mode(status.st_mode),
        FileType::RegularFile
    );
}

#[test]
fn what_is_there_is_not_made_again_and_what_is_not_there_is_said() {
    let (_kept, folder) = folder();
    let make = || openat(&folder, "data", NEW, Mode::RUSR | Mode::WUSR);
    let look = |name| statat(&folder, name, AtFlags::SYMLINK_NOFOLLOW);
    assert_eq!(look("data").unwrap_err(), Errno::NOENT);
    drop(make().unwrap());
    assert!(make().is_err());
    assert_eq!(entries(&folder).unwrap(), ["data"]);
    assert_eq!(
        openat(&folder, "other", OFlags::RDONLY, Mode::empty()).unwrap_err(),
        Errno::NOENT
    );
    unlinkat(&folder, "data", AtFlags::empty()).unwrap();
    assert_eq!(entries(&folder).unwrap(), [""; 0]);
}

#[test]
fn a_folder_is_no_file_and_a_file_is_no_folder() {
    let (_kept, folder) = folder();
    mkdirat(&folder, "below", Mode::RWXU).unwrap();
    drop(openat(&folder, "data", NEW, Mode::RUSR | Mode::WUSR).unwrap());
    let open = |name, flags| openat(&folder, name, flags, Mode::empty()).map(drop);
    assert_eq!(open("below", OFlags::RDWR), Err(Errno::ISDIR));
    assert_eq!(
        open("data", OFlags::RDONLY | OFlags::DIRECTORY),
        Err(Errno::NOTDIR)
    );
    open("below", OFlags::RDONLY | OFlags::DIRECTORY).unwrap();
    unlinkat(&folder, "below", AtFlags::REMOVEDIR).unwrap();
}

#[test]
fn the_machine_is_awake_and_its_room_is_told() {
    let (running, always) = clocks();
    assert!(running > 0 && always > 0);
    // Windows counts in steps: only that it never goes back is common to all.
    let (before, of_thread) = (processor_time(), thread_time());
    assert!(processor_time() >= before);
    assert!(thread_time() >= of_thread);
    let (kept, _) = folder();
    let (total, available) = room(kept.path()).unwrap();
    assert!(total >= available && total > 0, "{available} of {total}");
}
