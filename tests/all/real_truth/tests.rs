//! The share is a file system that keeps what it is given, and its counts are true.

use std::fs::{self, File, OpenOptions};
use std::io::{ErrorKind, Read as _, Write as _};
use std::os::unix::fs::{FileExt as _, OpenOptionsExt as _};
use std::path::Path;
use std::time::Duration;

use poolproof::seed::Seed;

use super::config::{Cache, Config, Direct};
use super::{MIB, SMALL, mount, quick};
use crate::support::run;

/// 512 KiB.
const HALF: u32 = MIB / 2;

/// Content that no server can compress.
fn noise(length: usize) -> Vec<u8> {
    let mut bytes = vec![0; length];
    Seed(5).rng().fill(&mut bytes);
    bytes
}

fn open(path: &Path, flags: i32) -> File {
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true);
    options.custom_flags(flags).open(path).unwrap()
}

/// Reads `length` bytes at `at`, in one request if they are at most half a mebibyte: memory for more
/// may touch more pages than the kernel puts into one.
fn read(file: &File, at: u64, length: u32) -> Vec<u8> {
    let mut buffer = vec![0; length as usize];
    file.read_exact_at(&mut buffer, at).unwrap();
    buffer
}

#[test]
fn contents_names_and_room_are_those_of_a_file_system() {
    let Some(share) = mount(&quick()) else { return };
    let folder = share.path().join("folder");
    fs::create_dir(&folder).unwrap();
    let (first, second) = (folder.join("first"), folder.join("second"));
    let content = noise(3 * MIB as usize + 777);
    fs::write(&first, &content).unwrap();
    assert!(fs::read(&first).unwrap() == content);
    let again = OpenOptions::new().write(true).create_new(true).open(&first);
    assert_eq!(again.unwrap_err().kind(), ErrorKind::AlreadyExists);
    fs::write(&second, "old").unwrap();
    fs::rename(&first, &second).unwrap();
    assert!(fs::read(&second).unwrap() == content);

    let mut file = open(&second, 0);
    file.write_all_at(b"patch", 1_000_000).unwrap();
    file.set_len(2_000_000).unwrap();
    file.set_len(2_000_100).unwrap();
    file.sync_all().unwrap();
    let mut patched = content[..2_000_000].to_vec();
    patched[1_000_000..1_000_005].copy_from_slice(b"patch");
    patched.extend([0; 100]);
    let free = || rustix::fs::statvfs(share.path()).unwrap().f_bavail;
    let before = free();
    fs::remove_file(&second).unwrap();
    let mut open_yet_removed = Vec::new();
    file.read_to_end(&mut open_yet_removed).unwrap();
    assert!(open_yet_removed == patched);
    drop(file);

    for n in 0..300 {
        fs::write(folder.join(format!("many-{n}")), "x").unwrap();
    }
    assert_eq!(fs::read_dir(&folder).unwrap().count(), 300);
    assert!(fs::remove_dir(&folder).is_err(), "it is not empty");
    fs::remove_dir_all(&folder).unwrap();
    assert_eq!(fs::read_dir(share.path()).unwrap().count(), 0);
    // The kernel lets go of a closed file a little later.
    assert!(free() >= before);
    let mut full = open(&share.path().join("full"), 0);
    let too_long = full.set_len(Config::default().capacity + 1);
    assert_eq!(too_long.unwrap_err().raw_os_error(), Some(libc::ENOSPC));
    assert_eq!(full.write(b"fits").unwrap(), 4);
}

#[test]
fn unmounting_leaves_nothing_behind() {
    let Some(share) = mount(&quick()) else { return };
    let (path, held) = (share.path(), open(&share.path().join("held"), 0));
    drop(share);
    let mounts = fs::read_to_string("/proc/self/mounts").unwrap();
    assert!(!mounts.contains(&*path.to_string_lossy()), "{mounts}");
    drop(held);
}

#[test]
fn memories_answer_what_was_read_before_until_it_is_driven_out() {
    let cache = Cache::Memory(u64::from(MIB));
    let Some(share) = mount(&Config { cache, ..quick() }) else {
        return;
    };
    let file = open(&share.path().join("file"), 0);
    file.write_all_at(&noise(2 * MIB as usize), 0).unwrap();
    share.forget();
    share.reset();
    for half in [0, 1, 1, 0, 2, 1] {
        read(&file, half * u64::from(HALF), HALF);
    }
    let reads = share.counts().reads_of(HALF);
    // 0 and 1 are read and held; 2 drives out 1, which comes from the drives again.
    assert_eq!(reads.from_drives.operations, 4);
    assert_eq!(reads.from_cache.operations, 2);
    assert_eq!(reads.total().bytes, 6 * u64::from(HALF));
}

#[test]
fn a_compressing_server_asks_its_drives_for_less() {
    let config = Config {
        compression: true,
        ..quick()
    };
    let Some(share) = mount(&config) else { return };
    let file = open(&share.path().join("file"), 0);
    let length = HALF as usize;
    let lines = b"lighthouse ".iter().cycle().take(length);
    file.write_all_at(&vec![0; length], 0).unwrap();
    file.write_all_at(&lines.copied().collect::<Vec<_>>(), u64::from(HALF))
        .unwrap();
    file.write_all_at(&noise(length), u64::from(MIB)).unwrap();
    let mut from_drives = Vec::new();
    for half in 0..3 {
        share.reset();
        read(&file, half * u64::from(HALF), HALF);
        let counts = share.counts();
        let nowhere = counts.reads().from_nowhere.bytes;
        assert_eq!(nowhere, if half == 0 { u64::from(HALF) } else { 0 });
        from_drives.push(counts.members.iter().map(|m| m.reads.bytes).sum::<u64>());
    }
    let [zeros, lines, noise] = from_drives[..] else {
        unreachable!("three reads")
    };
    assert_eq!((zeros, noise), (0, u64::from(HALF)));
    assert!(lines > 0 && lines <= u64::from(HALF / 4), "{lines}");
}

#[test]
fn direct_reads_are_answered_by_whom_the_share_says() {
    for direct in [Direct::Honest, Direct::Lies(Duration::from_micros(20))] {
        let Some(share) = mount(&Config { direct, ..quick() }) else {
            return;
        };
        let path = share.path().join("file");
        open(&path, 0).write_all_at(&noise(65536), 0).unwrap();
        share.reset();
        let file = open(&path, libc::O_DIRECT);
        // On FUSE the kernel takes memory of any alignment for direct I/O.
        let twice = [read(&file, 0, SMALL), read(&file, 0, SMALL)];
        assert!(twice[0] == noise(65536)[..4096] && twice[0] == twice[1]);
        let reads = share.counts().reads_of(SMALL);
        let expected = if matches!(direct, Direct::Honest) {
            (2, 0)
        } else {
            (0, 2)
        };
        let found = (reads.from_drives.operations, reads.from_client.operations);
        assert_eq!(found, expected, "{direct:?}");
    }
}

#[test]
fn the_members_file_agrees_with_the_counts() {
    let Some(share) = mount(&quick()) else { return };
    let file = open(&share.path().join("file"), 0);
    file.write_all_at(&noise(8 * MIB as usize), 0).unwrap();
    for n in 0..20 {
        read(&file, n * 300_000 / 4096 * 4096, SMALL);
    }
    let text = run("cat", &[&share.members().to_string_lossy()]).unwrap();
    let counts = share.counts();
    assert_eq!(text.lines().count(), 4);
    for ((line, member), name) in text.lines().zip(&counts.members).zip(["a", "b", "c", "d"]) {
        let words: Vec<&str> = line.split_whitespace().collect();
        let number = |n: usize| words[n].parse::<u64>().unwrap();
        assert_eq!((words.len(), words[2]), (14, &*format!("sd{name}")));
        let reads = (number(3), number(5) * 512);
        assert_eq!(reads, (member.reads.operations, member.reads.bytes));
        let writes = (number(7), number(9) * 512);
        assert_eq!(writes, (member.writes.operations, member.writes.bytes));
    }
    let read: u64 = counts.members.iter().map(|m| m.reads.bytes).sum();
    assert_eq!(read, counts.reads().from_drives.bytes);
    assert_eq!(read, 20 * u64::from(SMALL));
}
