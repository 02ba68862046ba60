//! What stands on disk after writers that ended well, were cut off, or came from an older version.

use super::*;
use crate::plan::{Direction, Phase, Set, StandardSet, Workload};
use crate::record::{Shape, summarize};
use crate::seed::Seed;
use crate::store;
use crate::study::{DataEvent, FORMAT, Identity, State};
use crate::units::{Bytes, Nanos};

fn config() -> Config {
    Config::new(Identity(1), Seed(1), now(), "/mnt/scans".into())
}

fn now() -> Timestamp {
    "2026-03-02T08:00:00Z".parse().unwrap()
}

fn add(writer: &mut Writer, number: u64) {
    let mut recording = Recording::new(Shape::exact(6, 3));
    for second in 0..6 {
        recording.record(
            Direction::Read,
            1 << 20,
            Nanos(second * 1_000_000_000),
            Nanos(5000),
        );
    }
    let summary = summarize(&recording, None);
    let workload = Workload::standard().remove(0);
    let trial = Trial::begin(number, 1, Phase::Before, now(), &workload);
    let trial = Trial {
        state: State::Complete,
        ..trial.with_summary(&summary, &recording)
    };
    let observed = [("members".to_owned(), 4.0)].into_iter().collect();
    writer
        .add_trial(trial, &recording, &summary, &observed)
        .unwrap();
}

#[test]
fn trials_are_there_for_the_next_reader() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("study");
    let mut writer = Writer::create(&root, &config(), "test").unwrap();
    add(&mut writer, 1);
    add(&mut writer, 2);
    let study = store::read(&root).unwrap();
    assert_eq!(study.trials, writer.study().trials);
    assert_eq!(study.windows, writer.study().windows);
    assert_eq!(study.latency, writer.study().latency);
    assert_eq!((study.next_trial(), study.remarks.len()), (3, 0));
    assert!(matches!(
        Writer::create(&root, &config(), "test"),
        Err(StoreError::Exists(_))
    ));
}

#[test]
fn a_second_writer_is_told_who_the_first_is() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("study");
    let first = Writer::create(&root, &config(), "the first").unwrap();
    let error = Writer::open(&root, "the second", now()).unwrap_err();
    assert!(error.to_string().contains("the first"), "{error}");
    drop(first);
    Writer::open(&root, "the second", now()).unwrap();
}

#[test]
fn tables_cut_off_anywhere_are_read_and_mended() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("study");
    let mut writer = Writer::create(&root, &config(), "test").unwrap();
    add(&mut writer, 1);
    let first: Vec<Vec<u8>> = read_all(&root);
    add(&mut writer, 2);
    drop(writer);
    let both = read_all(&root);
    // The second trial is cut off after n bytes, in the order in which its bytes were written.
    let lengths = |table: usize| (first[table].len(), both[table].len());
    for (table, torn) in TABLES.into_iter().enumerate() {
        for cut in (lengths(table).0..lengths(table).1).step_by(7) {
            for (index, name) in TABLES.iter().enumerate() {
                let end = match index.cmp(&table) {
                    std::cmp::Ordering::Less => lengths(index).1,
                    std::cmp::Ordering::Equal => cut,
                    std::cmp::Ordering::Greater => lengths(index).0,
                };
                fs::write(root.join(name), &both[index][..end]).unwrap();
            }
            assert_eq!(store::read(&root).unwrap().trials.len(), 1);
            let mut writer = Writer::open(&root, "test", now()).unwrap();
            assert_eq!(writer.study().trials.len(), 1);
            assert_eq!(
                writer.recovered().is_empty(),
                torn == names::WINDOWS && cut == lengths(table).0
            );
            let next = writer.study().next_trial();
            add(&mut writer, next);
            assert_eq!(store::read(&root).unwrap().trials.len(), 2);
        }
    }
}

/// A study of format 1 with two files, one of them complete, and 80 numbers used.
fn old_study(root: &Path) {
    drop(Writer::create(root, &config(), "test").unwrap());
    let config = fs::read_to_string(root.join(names::CONFIG)).unwrap();
    let config = config.replace(&format!("format = {FORMAT}"), "format = 1 # mine");
    fs::write(root.join(names::CONFIG), config).unwrap();
    let old = "folder = \"poolproof-1\"\nnext_number = 80\n\n[[file]]\nnumber = 3\nset = \"read\"\nbytes = \"16 MiB\"\nphase = \"before\"\ncomplete = true\n\n[[file]]\nnumber = 4\nset = \"write\"\nbytes = \"16 MiB\"\nphase = \"before\"\ncomplete = false\n";
    fs::write(root.join(names::OLD_DATA), old).unwrap();
}

#[test]
fn an_older_manifest_is_read_and_moved_by_the_next_writer() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("study");
    old_study(&root);
    let old = store::read(&root).unwrap();
    assert_eq!((old.data.files.len(), old.data.next_number), (2, 80));
    assert!(!root.join(names::DATA).exists(), "readers change nothing");
    let writer = Writer::open(&root, "test", now()).unwrap();
    assert_eq!(
        (&writer.study().data, writer.study().config.format),
        (&old.data, FORMAT)
    );
    drop(writer);
    let moved = store::read(&root).unwrap();
    assert_eq!((&moved.data, moved.remarks.len()), (&old.data, 0));
    let config = fs::read_to_string(root.join(names::CONFIG)).unwrap();
    let wanted = format!("format = {FORMAT} # mine");
    assert!(config.contains(&wanted), "{config}");
}

#[test]
fn trials_of_an_older_format_get_their_new_column_from_the_next_writer() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("study");
    let mut writer = Writer::create(&root, &config(), "test").unwrap();
    add(&mut writer, 1);
    drop(writer);
    let config = fs::read_to_string(root.join(names::CONFIG)).unwrap();
    let older = config.replace(&format!("format = {FORMAT}"), "format = 2");
    fs::write(root.join(names::CONFIG), older).unwrap();
    let table = fs::read_to_string(root.join(names::TRIALS)).unwrap();
    let mut lines = csv::Reader::from_reader(table.as_bytes());
    let head = lines.headers().unwrap().clone();
    let column = head
        .iter()
        .position(|name| name == "submission_reason")
        .unwrap();
    let without = |record: &csv::StringRecord| {
        let cells = record
            .iter()
            .enumerate()
            .filter(|(index, _)| *index != column);
        let cells: Vec<&str> = cells.map(|(_, cell)| cell).collect();
        cells.join(",") + "\n"
    };
    let row = lines.records().next().unwrap().unwrap();
    for rows in [without(&row), String::new()] {
        fs::write(root.join(names::TRIALS), without(&head) + &rows).unwrap();
        let before = store::read(&root).unwrap().trials;
        let mut writer = Writer::open(&root, "test", now()).unwrap();
        assert_eq!(writer.study().trials, before);
        add(&mut writer, 2);
        let after = store::read(&root).unwrap();
        assert_eq!(after.trials.len(), before.len() + 1);
        assert_eq!(after.config.format, FORMAT);
    }
}

/// The study of `root` as format 3 wrote it: with other names of columns, and without its set.
fn make_older(root: &Path) {
    let config = fs::read_to_string(root.join(names::CONFIG)).unwrap();
    let (rest, _) = config.split_once("\n[run]").unwrap();
    let older = rest.replace(&format!("format = {FORMAT}"), "format = 3");
    fs::write(root.join(names::CONFIG), older + "\n# mine\n").unwrap();
    let table = fs::read_to_string(root.join(names::TRIALS)).unwrap_or_default();
    let older = table.replacen(",submission,", ",engine,", 1).replacen(
        ",submission_reason,",
        ",engine_reason,",
        1,
    );
    assert!(!older.contains("submission"));
    fs::write(root.join(names::TRIALS), older).unwrap();
}

#[test]
fn a_begun_study_of_an_older_format_keeps_its_set_and_has_it_written_down() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("study");
    let mut writer = Writer::create(&root, &config(), "test").unwrap();
    add(&mut writer, 1);
    let written = writer.study().trials.clone();
    drop(writer);
    make_older(&root);
    let config = || fs::read_to_string(root.join(names::CONFIG)).unwrap();
    let earlier = StandardSet::earlier();
    // A reader knows it and changes nothing.
    let (older, read) = (config(), store::read(&root).unwrap());
    assert_eq!(read.config.all_workloads(), earlier.workloads);
    assert_eq!((read.config.run, &read.trials), (earlier.run, &written));
    assert_eq!(config(), older);
    let mut writer = Writer::open(&root, "test", now()).unwrap();
    assert_eq!(writer.study().config.all_workloads(), earlier.workloads);
    add(&mut writer, 2);
    drop(writer);
    let newer = config();
    let older = older.replace("format = 3", &format!("format = {FORMAT}"));
    let (before, remark) = older.split_once("\n# mine").unwrap();
    assert!(
        newer.starts_with(before) && newer.ends_with(&format!("# mine{remark}")),
        "{newer}"
    );
    let again = store::read(&root).unwrap();
    assert_eq!(again.config.all_workloads(), earlier.workloads);
    assert_eq!(again.config.run, earlier.run);
    assert_eq!((again.trials.len(), &again.trials[..1]), (2, &written[..]));
}

#[test]
fn an_older_study_without_trials_begins_with_the_set_of_new_ones() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("study");
    drop(Writer::create(&root, &config(), "test").unwrap());
    make_older(&root);
    drop(Writer::open(&root, "test", now()).unwrap());
    let text = fs::read_to_string(root.join(names::CONFIG)).unwrap();
    let config = Config::parse(&text).unwrap();
    assert_eq!(config.all_workloads(), Workload::standard());
    assert_eq!(config.run, StandardSet::standard().run);
}

#[test]
fn a_move_that_was_cut_off_is_begun_again() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("study");
    old_study(&root);
    let old = store::read(&root).unwrap();
    // The table is written, and study.toml not yet; a larger table than the right one.
    let mut more = old.data.clone();
    more.files.truncate(1);
    let rows = manifest::rows(&more);
    fs::write(root.join(names::DATA), render(&rows, true).repeat(3)).unwrap();
    assert_eq!(store::read(&root).unwrap().data, old.data);
    let writer = Writer::open(&root, "test", now()).unwrap();
    assert_eq!(writer.study().data, old.data);
}

#[test]
fn a_manifest_cut_off_anywhere_lists_all_that_was_planned_before() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("study");
    let mut writer = Writer::create(&root, &config(), "test").unwrap();
    let mut lengths = vec![(0, 0)];
    let mut add = |writer: &mut Writer, row: DataRow| {
        writer.add_data(&[row]).unwrap();
        let bytes = fs::read(root.join(names::DATA)).unwrap();
        lengths.push((bytes.len(), writer.study().data.files.len()));
    };
    add(
        &mut writer,
        DataRow::folder(DataEvent::Folder, "poolproof-1"),
    );
    for _ in 0..3 {
        let file = writer
            .study()
            .data
            .next_file(Set::Read, Bytes::MIB, Phase::Before);
        add(&mut writer, DataRow::planned("poolproof-1", &file));
        add(
            &mut writer,
            DataRow::file(DataEvent::Complete, "poolproof-1", file.number),
        );
    }
    drop(writer);
    let whole = fs::read(root.join(names::DATA)).unwrap();
    for cut in 0..=whole.len() {
        fs::write(root.join(names::DATA), &whole[..cut]).unwrap();
        let synced = lengths
            .iter()
            .rfind(|(length, _)| *length <= cut)
            .unwrap()
            .1;
        assert_eq!(
            store::read(&root).unwrap().data.files.len(),
            synced,
            "cut at {cut}"
        );
        let mut writer = Writer::open(&root, "test", now()).unwrap();
        assert_eq!(writer.study().data.files.len(), synced);
        let file = writer
            .study()
            .data
            .next_file(Set::Write, Bytes::MIB, Phase::Before);
        writer
            .add_data(&[DataRow::planned("poolproof-1", &file)])
            .unwrap();
        let again = store::read(&root).unwrap();
        assert_eq!(
            (again.data.files.len(), again.remarks.len()),
            (synced + 1, 0)
        );
    }
}

fn read_all(root: &Path) -> Vec<Vec<u8>> {
    TABLES
        .iter()
        .map(|name| fs::read(root.join(name)).unwrap_or_default())
        .collect()
}
