//! Test data that was damaged in every way, and passes over it that end before their time.

use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions};
use std::os::unix::fs::{FileExt as _, symlink};
use std::path::PathBuf;
use std::thread::sleep;
use std::time::{Duration, Instant};

use poolproof::plan::content::{self, Address, BLOCK};
use poolproof::plan::{DataFile, Pattern, Set};
use poolproof::store;
use poolproof::study::Study;

use super::{NEW, Place, SHORT, contents, signal, start, stderr};

const MIB: u64 = 1 << 20;

/// A study with test data of which nothing was written over.
fn laid_down() -> Place {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
    place
}

impl Place {
    fn known(&self) -> Study {
        store::read(&self.study()).unwrap()
    }

    fn file(&self, file: &DataFile) -> PathBuf {
        self.data_folder().join(file.name())
    }

    fn open(&self, file: &DataFile) -> File {
        let mut options = OpenOptions::new();
        options
            .read(true)
            .write(true)
            .open(self.file(file))
            .unwrap()
    }

    fn sum(&self, table: &str, column: &str) -> u64 {
        let rows = self.rows(table).into_iter();
        rows.map(|row| row[column].parse::<u64>().unwrap()).sum()
    }
}

fn block(file: &File, number: u64) -> Vec<u8> {
    let mut block = vec![0; BLOCK];
    file.read_exact_at(&mut block, number * BLOCK as u64)
        .unwrap();
    block
}

fn put(file: &File, number: u64, block: &[u8]) {
    file.write_all_at(block, number * BLOCK as u64).unwrap();
}

#[test]
fn what_is_whole_is_said_to_be_and_nothing_on_the_share_changes() {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!("{SHORT} --phase before"));
    let before = contents(&place.share());
    let said = place.ok("verify scans");
    let total = place.known().data.total();
    let sentence = format!(
        "{} laid down before the expansion, read back before it, 0 blocks differ",
        total.iec()
    );
    assert!(said.replace("\n    ", " ").contains(&sentence), "{said}");
    assert_eq!(place.sum("verified.csv", "bytes"), total.0);
    assert_eq!(place.sum("verified.csv", "blocks"), total.0 / BLOCK as u64);
    assert!(!place.study().join("damage.csv").exists());
    assert!(contents(&place.share()) == before);

    // What was measured after says that the expansion is over; the page and the numbers say it, too.
    place.ok(&format!("{SHORT} --phase after --workload small-read"));
    let said = place.ok("verify scans");
    assert!(
        said.contains("Pass 2 over scans, after the expansion"),
        "{said}"
    );
    place.ok("report scans");
    let page = fs::read_to_string(place.study().join("reports/report.html")).unwrap();
    let sentence = "laid down before the expansion, read back after it, 0 blocks differ";
    assert!(page.contains(sentence));
    let json: serde_json::Value = serde_json::from_str(&place.ok("compare scans --json")).unwrap();
    let back = &json["read_back"][0];
    assert_eq!(
        (&back["laid_down"], &back["read_back"]),
        (&"before".into(), &"after".into())
    );
    assert_eq!(
        (&back["bytes"], &back["differing"]),
        (&total.0.into(), &0.into())
    );
}

#[test]
fn trials_say_how_many_blocks_they_compared() {
    let place = laid_down();
    let said = place.ok(&format!(
        "{SHORT} --phase before --workload small-read --workload large-read"
    ));
    let observed: Vec<u64> = place
        .rows("observations.csv")
        .iter()
        .filter(|row| row["name"] == "checked_blocks")
        .map(|row| row["value"].parse::<f64>().unwrap() as u64)
        .collect();
    assert_eq!(observed.len(), 3);
    assert!(
        observed.iter().all(|blocks| (1..=64).contains(blocks)),
        "{observed:?}"
    );
    let of_sitting: u64 = observed[1..].iter().sum();
    assert!(
        said.contains(&format!("0 of {of_sitting} blocks")),
        "{said}"
    );
}

#[test]
fn a_trial_that_reads_damage_fails_and_says_so() {
    let place = laid_down();
    let folder = place.data_folder();
    for file in place.known().data.of(Set::Read) {
        let zeros = vec![0; file.bytes.0 as usize];
        fs::write(folder.join(file.name()), zeros).unwrap();
    }
    let said = place.fails(&format!("{SHORT} --phase after --workload small-read"), 10);
    assert!(said.contains("DAMAGE: trial 2"), "{said}");
    let row = place.rows("trials.csv").pop().unwrap();
    assert_eq!(row["state"], "failed");
    assert!(
        row["cause"].starts_with("damage in file "),
        "{}",
        row["cause"]
    );
    assert!(row["notes"].contains("holds zeros"), "{}", row["notes"]);
}

/// Every kind of damage, each in a file of its own.
#[test]
fn each_kind_of_damage_is_told_with_its_place() {
    let place = laid_down();
    let study = place.known();
    let files: Vec<&DataFile> = study.data.of(Set::Read).take(7).collect();
    let [flipped, swapped, shorter, gone, foreign, linked, newer] = files[..] else {
        panic!("seven files")
    };
    let mut bytes = block(&place.open(flipped), 3);
    bytes[2_000] ^= 4;
    put(&place.open(flipped), 3, &bytes);

    let file = place.open(swapped);
    let (one, two) = (block(&file, 10), block(&file, 20));
    put(&file, 10, &two);
    put(&file, 20, &one);

    place.open(shorter).set_len(4 * MIB - MIB / 2).unwrap();
    fs::remove_file(place.file(gone)).unwrap();

    let mut bytes = vec![0; 2 * BLOCK];
    let address = Address {
        study: 77,
        file: foreign.number,
        block: 8,
        generation: 0,
    };
    content::fill(&mut bytes, address);
    put(&place.open(foreign), 8, &bytes);

    let precious = place.folder.path().join("precious");
    fs::rename(place.file(linked), &precious).unwrap();
    symlink(&precious, place.file(linked)).unwrap();

    let mut bytes = vec![0; BLOCK];
    let address = Address {
        study: study.config.id.0,
        file: newer.number,
        block: 5,
        generation: 9 << 16,
    };
    content::fill(&mut bytes, address);
    put(&place.open(newer), 5, &bytes);

    let output = place.run("verify scans");
    assert_eq!(output.status.code(), Some(10), "{}", stderr(&output));
    let said = stderr(&output);
    let first = format!(
        "DAMAGE: {} at offset 12288, 1 block(s): content",
        flipped.name()
    );
    assert!(said.contains(&first), "{said}");

    let rows = place.rows("damage.csv");
    let found: BTreeMap<(String, u64), (u64, String, String)> = rows
        .into_iter()
        .map(|row| {
            let at = (row["name"].clone(), row["offset_bytes"].parse().unwrap());
            (
                at,
                (
                    row["blocks"].parse().unwrap(),
                    row["kind"].clone(),
                    row["found"].clone(),
                ),
            )
        })
        .collect();
    let expect = [
        (
            flipped,
            3,
            1,
            "content",
            "one byte differs, number 2000 of the block".to_owned(),
        ),
        (
            swapped,
            10,
            1,
            "place",
            "the block that belongs at offset 81920 of this file".into(),
        ),
        (
            swapped,
            20,
            1,
            "place",
            "the block that belongs at offset 40960 of this file".into(),
        ),
        (shorter, 896, 128, "missing", "the file ends before".into()),
        (gone, 0, 1024, "missing", "the file is gone".into()),
        (
            foreign,
            8,
            2,
            "generation",
            format!("a whole block of another study, {:032x}", 77),
        ),
        (
            linked,
            0,
            1024,
            "missing",
            "is not a plain file of this program; it was not opened".into(),
        ),
        (
            newer,
            5,
            1,
            "generation",
            "as trial 8 wrote it, though it was laid down once and only read since".into(),
        ),
    ];
    assert_eq!(found.len(), expect.len(), "{found:?}");
    for (file, block, blocks, kind, words) in expect {
        let found = &found[&(file.name(), block * BLOCK as u64)];
        assert_eq!(found, &(blocks, kind.to_owned(), words), "{}", file.name());
    }
    assert_eq!(place.sum("verified.csv", "differing"), 6);
    assert_eq!(place.sum("verified.csv", "missing"), 128 + 1024 + 1024);
    let told = String::from_utf8(output.stdout)
        .unwrap()
        .replace("\n    ", " ");
    assert!(told.contains("2,182 BLOCKS ARE DAMAGED"), "{told}");
    // The link was not followed, and a copy back heals.
    fs::remove_file(place.file(linked)).unwrap();
    fs::rename(&precious, place.file(linked)).unwrap();
    place.fails("verify scans", 10);
    let healed = place.rows("verified.csv").into_iter();
    let mut healed =
        healed.filter(|row| row["pass"] == "2" && row["file"] == linked.number.to_string());
    assert_eq!(healed.next().unwrap()["missing"], "0");
}

/// A write that was flushed and is lost leaves the block of before: whole, in its place, and wrong.
#[test]
fn a_lost_write_is_found_by_its_generation() {
    let place = laid_down();
    let files: Vec<DataFile> = place.known().data.of(Set::Write).cloned().collect();
    let old: Vec<Vec<u8>> = files
        .iter()
        .map(|file| fs::read(place.file(file)).unwrap())
        .collect();
    place.ok(&format!("{SHORT} --phase before --workload large-write"));
    place.ok("verify scans");
    // The last file of those that the trial has written; zeros before a trial are written over.
    let (file, old) = files
        .iter()
        .zip(&old)
        .rfind(|(file, old)| fs::read(place.file(file)).unwrap() != **old)
        .expect("something was written");
    place.open(file).write_all_at(old, 0).unwrap();
    let said = place.fails("verify scans", 10);
    assert!(said.contains("that write is lost"), "{said}");
    let rows = place.rows("damage.csv");
    assert!(
        rows.iter()
            .all(|row| row["name"] == file.name() && row["kind"] == "generation")
    );
    assert_eq!(
        rows[0]["found"].split(',').next(),
        Some("as it was laid down")
    );
}

/// Zeros stand for a moment where a trial of large writes will write; when it is killed then, they
/// stay, and are no damage. Anywhere else they are.
#[test]
fn what_a_killed_trial_leaves_is_no_damage() {
    let place = laid_down();
    let study = place.known();
    let all = study.config.all_workloads();
    let workload = all
        .iter()
        .find(|workload| workload.name == "large-write")
        .unwrap();
    let pattern = Pattern::new(workload, &all, &study.data, study.config.seed).unwrap();
    let zero = |number: u64| {
        let operation = pattern.at(number);
        let file = study.data.file(operation.file).unwrap();
        let zeros = vec![0; workload.block.0 as usize];
        place
            .open(file)
            .write_all_at(&zeros, operation.offset)
            .unwrap();
    };
    zero(0);
    let said = place.ok("verify scans").replace("\n    ", " ");
    assert!(
        said.contains("1,024 blocks hold the zeros that a trial which was cut off"),
        "{said}"
    );
    assert_eq!(place.sum("verified.csv", "unsettled"), 1024);
    assert!(pattern.operations() < 16, "all of them are within reach");
    let small = all
        .iter()
        .find(|workload| workload.name == "small-write-deep")
        .unwrap();
    let pattern = Pattern::new(small, &all, &study.data, study.config.seed).unwrap();
    let operation = pattern.at(0);
    let file = study.data.file(operation.file).unwrap();
    place
        .open(file)
        .write_all_at(&[0; BLOCK], operation.offset)
        .unwrap();
    let said = place.fails("verify scans", 10);
    assert!(said.contains("content: zeros"), "{said}");
}

/// Interrupted or killed anywhere, a pass goes on, and reads everything.
#[test]
fn a_pass_that_ends_early_goes_on() {
    let place = laid_down();
    let total = place.known().data.total().0;
    let slow = "verify scans --limit 20MB";
    let rows_of = |pass: &str| {
        let rows = place.rows("verified.csv").into_iter();
        rows.filter(|row| row["pass"] == pass).collect::<Vec<_>>()
    };
    for (name, code) in [("INT", Some(130)), ("KILL", None), ("TERM", Some(143))] {
        let before = fs::read_to_string(place.study().join("verified.csv")).unwrap_or_default();
        let mut child = start(&place, slow);
        for _ in 0..200 {
            let now = fs::read_to_string(place.study().join("verified.csv")).unwrap_or_default();
            if now.lines().count() > before.lines().count() {
                break;
            }
            sleep(Duration::from_millis(50));
        }
        signal(&child, name);
        assert_eq!(child.wait().unwrap().code(), code, "{name}");
    }
    let kept = rows_of("1").len();
    assert!(kept > 0 && kept < 24, "{kept}");
    let output = place.run("verify scans");
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(
        stderr(&output).contains("pass 1 goes on"),
        "{}",
        stderr(&output)
    );
    let bytes: u64 = rows_of("1")
        .iter()
        .map(|row| row["bytes"].parse::<u64>().unwrap())
        .sum();
    assert_eq!(bytes, total, "each byte once");
    place.ok("verify scans");
    assert_eq!(rows_of("2").len(), 24);
    // A pass of another phase, and one that is asked for, begin anew.
    start_and_interrupt(&place, "verify scans --limit 20MB");
    place.ok("verify scans --phase after");
    assert_eq!(rows_of("4").len(), 24);
    start_and_interrupt(&place, "verify scans --limit 20MB --phase after");
    place.ok("verify scans --phase after --from-start");
    assert_eq!(rows_of("6").len(), 24);
}

fn start_and_interrupt(place: &Place, words: &str) {
    let lines = || {
        let table = fs::read_to_string(place.study().join("verified.csv")).unwrap();
        table.lines().count()
    };
    let before = lines();
    let mut child = start(place, words);
    for _ in 0..200 {
        if lines() > before {
            break;
        }
        sleep(Duration::from_millis(50));
    }
    signal(&child, "INT");
    assert_eq!(child.wait().unwrap().code(), Some(130));
}

/// A pace is kept: never faster.
#[test]
fn a_limit_is_kept() {
    let place = laid_down();
    let begun = Instant::now();
    place.ok("verify scans --limit 60MB");
    // 96 MiB; the first read of each begins at once.
    assert!(
        begun.elapsed().as_secs_f64() > 99.0 / 60.0,
        "{:?}",
        begun.elapsed()
    );
    assert!(place.fails("verify scans --limit 1", 2).contains("--limit"));
}

#[test]
fn there_has_to_be_something_to_read_and_a_share() {
    let place = Place::new();
    place.ok(NEW);
    assert!(
        place
            .fails("verify scans", 3)
            .contains("has nothing to read back")
    );
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
    let away = place.folder.path().join("away");
    fs::rename(place.share(), &away).unwrap();
    fs::create_dir(place.share()).unwrap();
    assert!(
        place
            .fails("verify scans", 4)
            .contains("is the share mounted?")
    );
    assert!(!place.study().join("verified.csv").exists());
    // A made-up share has nothing to be read back.
    let text = fs::read_to_string(place.study().join("study.toml")).unwrap();
    let simulated = text.replace("simulated = false", "simulated = true");
    assert_ne!(text, simulated);
    fs::write(place.study().join("study.toml"), simulated).unwrap();
    for command in ["verify scans", "seal scans share"] {
        assert!(
            place.fails(command, 3).contains("is a simulated study"),
            "{command}"
        );
    }
}

/// Damage without end fills no disk: what is beyond is counted.
#[test]
fn rows_of_damage_are_bounded() {
    let place = laid_down();
    for file in place.known().data.of(Set::Read) {
        let handle = place.open(file);
        // Another byte in each block, so that no two are damaged alike.
        for number in 0..1024 {
            let mut bytes = block(&handle, number);
            bytes[100 + number as usize] ^= 1;
            put(&handle, number, &bytes);
        }
    }
    let said = place.fails("verify scans", 10);
    assert!(said.contains("further damage is only counted"), "{said}");
    assert_eq!(place.rows("damage.csv").len(), 10_000);
    assert_eq!(place.sum("verified.csv", "differing"), 16 * 1024);
    assert!(
        said.lines()
            .filter(|line| line.starts_with("DAMAGE"))
            .count()
            <= 6
    );
}
