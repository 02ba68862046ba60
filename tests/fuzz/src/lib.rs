//! What is fed with rubbish, and what must hold then: no panic, and what was understood comes back
//! the same when it is written and read again.

use jiff::tz::TimeZone;
use poolproof::facts::Facts;
use poolproof::facts::counters::{DriveIo, NfsIo};
use poolproof::plan::content::{self, Address};
use poolproof::reshape::Source;
use poolproof::study::tables::{Cells, parse, render};
use poolproof::integrity::Sealed;
use poolproof::study::{
    CheckRow, Config, DamageRow, DataRow, LatencyLog, ObservationRow, PassRow, ProbeRow, ProgressRow, SealRow,
    SealedCheckRow, Study, SweepRow, Trial, VerifiedRow, WindowRow, manifest,
};
use poolproof::units::Bytes;
use poolproof::compare::{Account, Rules, compare};
use poolproof::{judge, ready, report};

/// Rows that are understood come back the same when they are written and read again. Control
/// characters are written as spaces, so that what was written once is compared.
fn table<Row: Cells>(data: &[u8]) -> Vec<Row> {
    let rows = parse::<Row>("table.csv", data).unwrap_or_default();
    if !rows.is_empty() {
        let once = render(&rows, true);
        let again = parse::<Row>("table.csv", once.as_bytes()).expect("it was understood before");
        assert_eq!(render(&again, true), once);
    }
    rows
}

fn text(data: &[u8], read: impl FnOnce(&str)) {
    read(&String::from_utf8_lossy(data));
}

/// `study.toml`.
pub fn study(data: &[u8]) {
    text(data, |text| {
        if let Ok(config) = Config::parse(text) {
            assert_eq!(Config::parse(&config.render()), Ok(config));
        }
    });
}

/// A file of facts.
pub fn facts(data: &[u8]) {
    text(data, |text| {
        if let Ok(facts) = toml::from_str::<Facts>(text) {
            facts.lines();
            facts.id();
        }
    });
}

/// `trials.csv`.
pub fn trials(data: &[u8]) {
    table::<Trial>(data);
}

/// `windows.csv`.
pub fn windows(data: &[u8]) {
    table::<WindowRow>(data);
}

/// `observations.csv`.
pub fn observations(data: &[u8]) {
    table::<ObservationRow>(data);
}

/// `sweep.csv`.
pub fn sweep(data: &[u8]) {
    table::<SweepRow>(data);
}

/// `testdata.csv`, and what its steps come to.
pub fn testdata(data: &[u8]) {
    let rows = table::<DataRow>(data);
    if let Ok(data) = manifest::fold("testdata.csv", &rows) {
        assert_eq!(manifest::fold("testdata.csv", &manifest::rows(&data)), Ok(data));
    }
}

/// `checks.csv`.
pub fn checks(data: &[u8]) {
    table::<CheckRow>(data);
}

/// `progress.csv`.
pub fn progress(data: &[u8]) {
    for row in table::<ProgressRow>(data) {
        row.reading();
    }
}

/// `probes.csv`.
pub fn probes(data: &[u8]) {
    table::<ProbeRow>(data);
}

/// `passes.csv`.
pub fn passes(data: &[u8]) {
    table::<PassRow>(data);
}

/// `verified.csv`.
pub fn verified(data: &[u8]) {
    table::<VerifiedRow>(data);
}

/// `damage.csv`.
pub fn damage(data: &[u8]) {
    table::<DamageRow>(data);
}

/// `seals.csv`, and the files it remembers.
pub fn seals(data: &[u8]) {
    let rows = table::<SealRow>(data);
    if let Ok(files) = Sealed::all("seals.csv", &rows) {
        let at = rows.first().map_or(jiff::Timestamp::UNIX_EPOCH, |row| row.at);
        for file in files {
            // One file's rows alone come to the same file.
            let again = Sealed::all("seals.csv", &file.rows(at)).expect("it was understood before");
            assert_eq!(again, [file]);
        }
    }
}

/// `sealed-checks.csv`.
pub fn sealed(data: &[u8]) {
    table::<SealedCheckRow>(data);
}

/// `latency.hlog`, with its histograms.
pub fn latency(data: &[u8]) {
    if let Ok(log) = LatencyLog::parse(data) {
        for trial in log.trials().collect::<Vec<_>>() {
            if let Ok(Some(latency)) = log.get(trial) {
                latency.value_at_quantile(0.99);
            }
        }
    }
}

fn source(source: Source, data: &[u8]) {
    text(data, |text| {
        if let Ok(reported) = source.read(text, None) {
            let fine = |number: Option<f64>| number.is_none_or(|number| number.is_finite() && number >= 0.0);
            assert!(fine(reported.fraction) && fine(reported.speed), "{reported:?}");
        }
        let _ = source.read(text, Some("md0"));
    });
}

/// The text of `/proc/mdstat`.
pub fn mdstat(data: &[u8]) {
    source(Source::Mdstat, data);
}

/// The text of `btrfs balance status`.
pub fn btrfs(data: &[u8]) {
    source(Source::Btrfs, data);
}

/// The text of `zpool status`.
pub fn raidz(data: &[u8]) {
    source(Source::Raidz, data);
}

/// A bare percentage.
pub fn percent(data: &[u8]) {
    source(Source::Percent, data);
}

/// The text of `/proc/self/mountinfo`, and the server behind each mount.
pub fn mountinfo(data: &[u8]) {
    text(data, |text| {
        for line in text.lines() {
            let Ok(read) = procfs_core::process::MountInfo::from_line(line) else {
                continue;
            };
            let mount = poolproof::facts::Mount {
                kind: read.fs_type,
                source: read.mount_source.unwrap_or_default(),
                ..Default::default()
            };
            poolproof::facts::server(&mount);
        }
    });
}

/// The text of `/proc/self/mountstats`.
pub fn mountstats(data: &[u8]) {
    text(data, |text| {
        if let Ok(then) = NfsIo::parse(text, "/mnt/scans")
            && let Ok(moved) = then.since(&then)
        {
            moved.cache_hits();
        }
    });
}

/// The text of `/proc/diskstats`.
pub fn diskstats(data: &[u8]) {
    let names = ["sda", "md0"].map(str::to_owned);
    text(data, |text| {
        for drive in DriveIo::parse(text, &names).into_iter().flatten() {
            drive.bytes_read();
            let _ = drive.since(&drive);
        }
    });
}

/// A size as people write it.
pub fn sizes(data: &[u8]) {
    text(data, |text| {
        if let Ok(size) = text.parse::<Bytes>() {
            if size.to_string().parse::<Bytes>() != Ok(size) {
                // A size that no unit divides is rounded when it is shown.
                assert!(size.to_string().contains("iB"), "{size}");
            }
        }
    });
}

/// A block of test data.
pub fn block(data: &[u8]) {
    let home = Address {
        study: 7,
        file: 1,
        block: 2,
        generation: 3,
    };
    let mut block = vec![0; content::BLOCK];
    content::fill(&mut block, home);
    let damaged = data.chunks_exact(3).fold(false, |damaged, change| {
        let at = usize::from(u16::from_le_bytes([change[0], change[1]])) % content::BLOCK;
        block[at] ^= change[2];
        damaged || change[2] != 0
    });
    let checked = content::check(&block, home);
    assert!(damaged || checked == Ok(3), "{checked:?}");
    block.iter_mut().zip(data).for_each(|(byte, new)| *byte = *new);
    let _ = content::check(&block, home);
}

/// Several files of a study at once, through everything that reads a study.
pub fn whole(data: &[u8]) {
    let mut parts = data.split(|byte| *byte == 0xff);
    let mut next = || parts.next().unwrap_or_default();
    let Ok(config) = std::str::from_utf8(next()).map_or_else(
        |_| Config::parse(""),
        Config::parse,
    ) else {
        return;
    };
    let mut study = Study::new("whole", config);
    study.trials = parse("trials.csv", next()).unwrap_or_default();
    for row in parse::<WindowRow>("windows.csv", next()).unwrap_or_default() {
        study.windows.push(&row);
    }
    for row in parse::<ObservationRow>("observations.csv", next()).unwrap_or_default() {
        let trial = study.observations.entry(row.trial).or_default();
        trial.put(row.name, row.value);
    }
    let progress: Vec<ProgressRow> = parse("progress.csv", next()).unwrap_or_default();
    study.progress = progress.into_iter().collect();
    study.checks = parse("checks.csv", next()).unwrap_or_default();
    let judgements = judge::judge_all(&study);
    report::study_text(&study, &judgements, report::LATEST, 80);
    let compared = compare(&study, &judgements, Rules::of(&study));
    let account = Account::of(&study, &compared, &judgements, TimeZone::UTC);
    report::account_text(&account, 80);
    report::comparison_csv(&compared, &judgements, &account);
    report::comparison_json(&study, &compared, &judgements, &account);
    report::comparison_text(&compared, &judgements, 80);
    report::why_csv(&study, &judgements);
    let _ = report::why_text(&study, None, &judgements, 80);
    let now = study.config.created;
    report::next_text(&ready::next(&study, None, now), 80);
    report::files(&study, &compared, &judgements, &account, now, &[]);
}
