//! The share keeps what it is given, and the program sees of it what it is.

use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions};
use std::io::{Read as _, Write as _};
use std::os::unix::fs::{FileExt as _, OpenOptionsExt as _};
use std::path::Path;
use std::time::Duration;

use poolproof::seed::Seed;

use super::config::{Cache, Config, Direct, Flush, Positioning, Writes};
use super::share::TruthShare;
use crate::support::{output, poolproof, real, run, say};

const MIB: u32 = 1 << 20;
const SMALL: u32 = 4096;

fn mount(config: &Config) -> Option<TruthShare> {
    real("truth share", || TruthShare::mount(config))
}

/// A share without any delay worth naming.
fn quick() -> Config {
    Config {
        positioning: Positioning::LogNormal(Duration::from_micros(50), 0.1),
        drive_rate: 2_000_000_000,
        ..Config::default()
    }
}

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

/// Reads `length` bytes at `at`, in one request.
fn read(file: &File, at: u64, length: u32) -> Vec<u8> {
    let mut buffer = vec![0; length as usize];
    file.read_exact_at(&mut buffer, at).unwrap();
    buffer
}

/// A study of a share.
struct Scene {
    share: TruthShare,
    study: String,
}

impl Scene {
    fn set(config: &Config) -> Option<Self> {
        let share = mount(config)?;
        let study = share.beside().join("scans").to_string_lossy().into_owned();
        poolproof(&["new", &study, "--share", &share.path().to_string_lossy()]);
        Some(Self { share, study })
    }

    fn words<'a>(&'a self, workloads: &[&'a str], seconds: &'a str) -> Vec<&'a str> {
        let mut words = vec!["measure", &self.study, "--phase", "before"];
        words.extend(["--size", "64MiB", "--trials", "1", "--seconds", seconds]);
        let named = workloads.iter().flat_map(|name| ["--workload", name]);
        words.extend(named);
        words
    }

    /// Measures one trial of each workload.
    fn measure(&self, workloads: &[&str], seconds: &str) {
        poolproof(&self.words(workloads, seconds));
    }

    fn rows(&self, table: &str) -> Vec<Row> {
        let path = Path::new(&self.study).join(table);
        let mut reader = csv::Reader::from_path(path).unwrap();
        let rows = reader.deserialize().map(|row| Row(row.unwrap()));
        rows.collect()
    }

    /// The row of the last trial of `workload`.
    fn trial(&self, workload: &str) -> Row {
        let rows = self.rows("trials.csv").into_iter().rev();
        let mut rows = rows.filter(|row| row.0["workload"] == workload);
        rows.next().expect("the workload was measured")
    }
}

/// A row of a table by name of column.
struct Row(BTreeMap<String, String>);

impl Row {
    fn number(&self, column: &str) -> u64 {
        let cell = &self.0[column];
        cell.parse()
            .unwrap_or_else(|_| panic!("{column} is no number: {cell:?}"))
    }

    fn operations_started(&self) -> u64 {
        self.number("next_operation") - self.number("first_operation")
    }

    fn median(&self) -> Duration {
        Duration::from_nanos(self.number("p50_ns"))
    }
}

/// The program saw what the share meant, and what a busy machine may add: never less.
#[track_caller]
fn assert_seen(seen: Duration, meant: Duration) {
    // Both histograms keep three digits.
    assert!(
        seen >= meant.mul_f64(0.995) && seen <= meant.mul_f64(1.5) + Duration::from_millis(3),
        "meant {meant:?}, seen {seen:?}"
    );
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
    assert_eq!(again.unwrap_err().kind(), std::io::ErrorKind::AlreadyExists);
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
    let cache = Cache::Memory(u64::from(2 * MIB));
    let Some(share) = mount(&Config { cache, ..quick() }) else {
        return;
    };
    let file = open(&share.path().join("file"), 0);
    file.write_all_at(&noise(4 * MIB as usize), 0).unwrap();
    share.forget();
    share.reset();
    for megabyte in [0, 1, 1, 0, 2, 1] {
        read(&file, megabyte * u64::from(MIB), MIB);
    }
    let reads = share.counts().reads_of(MIB);
    // 0 and 1 are read and held; 2 drives out 1, which comes from the drives again.
    assert_eq!(reads.from_drives.operations, 4);
    assert_eq!(reads.from_cache.operations, 2);
    assert_eq!(reads.total().bytes, 6 * u64::from(MIB));
}

#[test]
fn a_compressing_server_asks_its_drives_for_less() {
    let config = Config {
        compression: true,
        ..quick()
    };
    let Some(share) = mount(&config) else { return };
    let file = open(&share.path().join("file"), 0);
    let length = MIB as usize;
    let lines = b"lighthouse ".iter().cycle().take(length);
    file.write_all_at(&vec![0; length], 0).unwrap();
    file.write_all_at(&lines.copied().collect::<Vec<_>>(), 1 << 20)
        .unwrap();
    file.write_all_at(&noise(length), 2 << 20).unwrap();
    let mut from_drives = Vec::new();
    for megabyte in 0..3 {
        share.reset();
        read(&file, megabyte << 20, MIB);
        let counts = share.counts();
        let nowhere = counts.reads().from_nowhere.bytes;
        assert_eq!(nowhere, if megabyte == 0 { 1 << 20 } else { 0 });
        from_drives.push(counts.members.iter().map(|m| m.reads.bytes).sum::<u64>());
    }
    let [zeros, lines, noise] = from_drives[..] else {
        unreachable!("three reads")
    };
    assert_eq!((zeros, noise), (0, 1 << 20));
    assert!(lines > 0 && lines <= 1 << 18, "{lines}");
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
        // The kernel takes only aligned memory for direct I/O, and of FUSE any.
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
fn refused_direct_reads_go_through_the_page_cache() {
    let direct = Direct::Refused;
    let Some(scene) = Scene::set(&Config { direct, ..quick() }) else {
        return;
    };
    scene.measure(&["small-read"], "1");
    let row = scene.trial("small-read");
    assert_eq!((&*row.0["state"], &*row.0["direct"]), ("complete", "false"));
    let (started, reads) = (row.operations_started(), scene.share.counts().reads());
    say(&format!(
        "truth share: {started} buffered reads, {} at the share",
        reads.total().operations
    ));
    assert!(
        reads.total().operations < started,
        "the page cache answered some"
    );
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

#[test]
fn the_program_counts_and_times_what_the_share_serves() {
    let Some(scene) = Scene::set(&Config::default()) else {
        return;
    };
    let windows = |trial: u64| -> u64 {
        let rows = scene.rows("windows.csv").into_iter();
        let rows = rows.filter(|row| row.number("trial") == trial);
        rows.map(|row| row.number("read_bytes")).sum()
    };
    scene.measure(&["small-read", "large-read"], "3");
    let counts = scene.share.counts();
    assert_eq!(counts.reads().from_cache.bytes, 0);
    for (workload, length) in [("small-read", SMALL), ("large-read", MIB)] {
        let (row, reads) = (scene.trial(workload), counts.reads_of(length));
        assert_eq!((&*row.0["state"], &*row.0["direct"]), ("complete", "true"));
        let (served, recorded) = (reads.total(), windows(row.number("trial")));
        say(&format!(
            "truth share: {workload}: served {served:?}, in whole windows {recorded}, meant {:?}, seen {:?}",
            reads.median(),
            row.median()
        ));
        assert_eq!(served.operations, row.operations_started());
        assert_eq!(served.bytes, served.operations * u64::from(length));
        let in_flight = row.number("depth") * u64::from(length);
        assert!((recorded..=recorded + in_flight).contains(&served.bytes));
        assert_seen(row.median(), reads.median());
    }
    // A median of 6 ms plus what the transfer takes, from some 450 draws.
    let meant = counts.reads_of(SMALL).median().as_secs_f64();
    assert!((0.0055..0.0066).contains(&meant), "{meant}");
}

#[test]
fn the_part_in_the_cache_is_the_part_that_was_asked_for() {
    let config = Config {
        cache: Cache::Set(0.7),
        ..Config::default()
    };
    let Some(scene) = Scene::set(&config) else {
        return;
    };
    scene.measure(&["small-read"], "3");
    let reads = scene.share.counts().reads_of(SMALL);
    let (cached, all) = (reads.from_cache.operations, reads.total().operations);
    let fraction = cached as f64 / all as f64;
    say(&format!(
        "truth share: {cached} of {all} reads from the cache: {fraction:.3}"
    ));
    // Four standard errors of a fraction among blocks read once each.
    let error = (0.7 * 0.3 / all as f64).sqrt();
    assert!((fraction - 0.7).abs() < 4.0 * error, "{fraction}");
    let row = scene.trial("small-read");
    assert_seen(row.median(), reads.median());
    assert!(
        row.median() < Duration::from_millis(4),
        "{:?}",
        row.median()
    );
}

#[test]
fn depth_32_is_32_in_flight_at_the_share() {
    // 7,200 turns a minute; the seek is common practice, no source.
    let (seek, turn) = (Duration::from_millis(8), Duration::from_micros(8333));
    let positioning = Positioning::SeekAndTurn(seek, turn);
    let Some(scene) = Scene::set(&Config {
        positioning,
        ..Config::default()
    }) else {
        return;
    };
    scene.measure(&["small-read-deep"], "2");
    let (row, counts) = (scene.trial("small-read-deep"), scene.share.counts());
    assert_eq!(row.number("depth"), 32);
    assert_eq!(counts.most_in_flight, 32);
    let reads = counts.reads_of(SMALL);
    assert_eq!(reads.total().operations, row.operations_started());
    assert_seen(row.median(), reads.median());
}

#[test]
fn a_broken_block_fails_its_trial_and_keeps_the_others() {
    let workloads = ["small-read", "large-read"];
    let Some(scene) = Scene::set(&Config::default()) else {
        return;
    };
    scene.measure(&workloads, "2");
    scene.share.break_last_read(MIB);
    let words = scene.words(&workloads, "2");
    let ended = output(env!("CARGO_BIN_EXE_poolproof"), &words).unwrap();
    assert!(!ended.status.success());
    assert_eq!(scene.share.counts().errors, 1);
    assert_eq!(scene.rows("trials.csv").len(), 4);
    let (small, large) = (scene.trial("small-read"), scene.trial("large-read"));
    assert_eq!(small.0["state"], "complete");
    assert_eq!(large.0["state"], "failed");
    let cause = &large.0["cause"];
    assert!(cause.contains("reading file"), "{cause}");
}

#[test]
fn a_flush_takes_as_long_as_the_drain_unless_it_lies() {
    let slow = Config {
        drive_rate: 20_000_000,
        writes: Writes::Buffered(64 << 20),
        ..Config::default()
    };
    let mut seconds = Vec::new();
    for flush in [Flush::Drains, Flush::Lies] {
        let config = Config {
            flush,
            ..slow.clone()
        };
        let Some(scene) = Scene::set(&config) else {
            return;
        };
        scene.measure(&["large-write"], "1");
        let row = scene.trial("large-write");
        assert_eq!(row.0["state"], "complete");
        let not_drained = scene.share.counts().flushes.bytes;
        let took: f64 = row.0["flush_seconds"].parse().unwrap();
        say(&format!(
            "truth share: {flush:?}: {took} s, {not_drained} bytes not on the drives"
        ));
        assert_eq!(not_drained > 0, matches!(flush, Flush::Lies));
        seconds.push(took);
    }
    // Most of the 64 MiB wait for 80 MB/s of drives.
    assert!(
        seconds[0] > 0.4 && seconds[1] < seconds[0] / 4.0,
        "{seconds:?}"
    );
}
