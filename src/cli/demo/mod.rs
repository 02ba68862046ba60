//! `poolproof demo`: the whole job on a made-up share, in virtual time.
//!
//! The same plan, check, streams, records, watch, store, comparison and page as in a real study; only
//! submission and the clock are made up. The same seed gives the same bytes.

mod days;
mod keeper;
mod told;

use std::path::PathBuf;

use jiff::{SignedDuration, Timestamp};

use super::report::{Also, Report};
use super::sitting::{self, Event, Request};
use super::{Exit, Failure, note, owner, print, say, telling_width, width};
use crate::judge::judge_all;
use crate::load::{Share, Watch};
use crate::plan::Phase;
use crate::pool::Stated;
use crate::reshape::Source;
use crate::seed::Seed;
use crate::sim::{
    DriveKind, JointShare, Priority, Scenario, SimulatedShare, demo_scenario, eventful,
    office_hours,
};
use crate::store::{Writer, names};
use crate::study::{Audience, Config, Expansion, Following, Identity, Limits, Planning};
use crate::units::{Bytes, Nanos, percent};
use crate::{report, store};

/// Runs the whole job on a SIMULATED pool: a lighthouse museum's scan archive.
///
/// RAID 6 of four 6 TB drives grows to five behind a 10 GbE share, over several days of office
/// work, with a pause, a stall and a power cut on the way; planned, checked, measured before, during
/// and after, followed all the while, compared and reported, in seconds.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  poolproof demo\n  poolproof demo archive --seed 7")]
pub(super) struct Arguments {
    /// Folder to make for the study [default: poolproof-demo, or with the first number behind it
    /// that is free].
    #[arg(value_name = "DIR")]
    folder: Option<PathBuf>,
    /// Where all chance comes from: the same seed gives the same bytes.
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
}

/// Where the study goes when nothing is said.
const FOLDER: &str = "poolproof-demo";
/// Hours of the day at which sittings are held, the same in every phase and all while the office
/// works, so that phases are compared under like loads and sittings differ by little else.
const HOURS: [i8; 5] = [9, 11, 13, 15, 17];
const TRIALS: usize = 2;
const SWEEP_SECONDS: u64 = 3;

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let scenario = eventful(demo_scenario(Seed(arguments.seed)));
    let root = match &arguments.folder {
        Some(folder) => folder.clone(),
        None => free_folder(),
    };
    let demo = Demo::new(root, scenario)?;
    tell_line(
        "SIMULATED the scan archive of a lighthouse museum: RAID 6 of four 6 TB drives, growing to five",
    );
    demo.plan()?;
    demo.sweep()?;
    demo.sittings(Phase::Before)?;
    demo.check()?;
    demo.start()?;
    demo.days()?;
    demo.finish()?;
    demo.sittings(Phase::After)?;
    let study = store::read(&demo.root)?;
    let judgements = judge_all(&study);
    let reports = demo.root.join(names::REPORTS);
    let raw = store::raw_files(&demo.root)?;
    let report = Report::of(&study, judgements, raw, demo.share.now());
    let written = report.write(&reports, Also::default())?;
    print(&report.compared(width()))?;
    print(&told::next(&study))?;
    print(&format!("\nSIMULATED {written}"))?;
    Ok(Exit::Done)
}

/// A folder of its own for each run: an older demo may be somebody's notes by now.
fn free_folder() -> PathBuf {
    let names = (2..).map(|number| format!("{FOLDER}-{number}"));
    std::iter::once(FOLDER.to_owned())
        .chain(names)
        .map(PathBuf::from)
        .find(|folder| folder.symlink_metadata().is_err())
        .expect("not all numbers are taken")
}

/// Says a line, wrapped to the terminal's width; to 80 columns where there is none.
fn tell_line(text: &str) {
    for line in report::wrapped(text, telling_width()).lines() {
        note(line);
    }
}

/// Says several lines.
fn lines(text: &str) {
    text.lines().for_each(tell_line);
}

/// Says what a sitting or a sweep remarks; how far it is matters to nobody in virtual time.
fn tell(event: Event) {
    match event {
        Event::Note(text) => tell_line(&format!("SIMULATED {text}")),
        Event::Warning(text) => say(&format!("SIMULATED {text}")),
        _ => {}
    }
}

struct Demo {
    root: PathBuf,
    share: JointShare,
}

impl Demo {
    fn new(root: PathBuf, scenario: Scenario) -> Result<Self, Failure> {
        let config = config(&scenario);
        let share =
            SimulatedShare::new(scenario).map_err(|error| Failure::new(Exit::Failed, error))?;
        Writer::create(&root, &config, &owner("demo"))?;
        let share = JointShare::new(share);
        Ok(Self { root, share })
    }

    /// The study, locked for a while: sittings, answers and the follower take turns.
    fn writer(&self) -> Result<Writer, Failure> {
        Ok(Writer::open(&self.root, &owner("demo"), self.share.now())?)
    }

    /// Says what happens now.
    fn say(&self, text: &str) {
        tell_line(&told::at(self.share.now(), text));
    }

    /// Looks for caches on the path, in the quiet before anything else.
    fn sweep(&self) -> Result<(), Failure> {
        self.say("finding where memory ends");
        let (watch, mut share) = (Watch::default(), self.share.clone());
        let store = &mut self.writer()?;
        // The museum's server has just the memory that was stated: in steps it would come to the same.
        let size = self.share.share().scenario().server.memory.times(2);
        super::sweep::sweep(
            &mut share,
            store,
            Some(size),
            SWEEP_SECONDS,
            &watch,
            &mut tell,
        )?;
        Ok(())
    }

    /// Holds a sitting at each of the hours, on days that follow each other.
    fn sittings(&self, phase: Phase) -> Result<(), Failure> {
        for hour in HOURS {
            self.advance_to(self.next(hour));
            self.sitting(phase, hour, &mut || ())?;
        }
        Ok(())
    }

    /// Holds a sitting, and lets others take their `turn` between its trials.
    fn sitting(&self, phase: Phase, hour: i8, turn: &mut dyn FnMut()) -> Result<(), Failure> {
        let place = self.share.share().reshape().map_or(String::new(), |it| {
            let done = it.done.0 as f64 / it.total.0 as f64;
            format!(", reshape at {}", percent(done, 1))
        });
        self.say(&format!("measuring {phase}{place}"));
        let mut writer = self.writer()?;
        let run = writer.study().config.run;
        let request = Request {
            tags: vec![format!("hour={hour}")],
            trials: TRIALS,
            reshape: (phase == Phase::During).then(|| self.root.clone()),
            ..Request::usual(phase, run)
        };
        let (watch, mut share) = (Watch::default(), self.share.clone());
        let mut tell = |event| {
            tell(event);
            turn();
        };
        sitting::hold(&mut share, &mut writer, &request, &watch, &mut tell)?;
        Ok(())
    }

    /// The next full `hour` of the day, at least an hour ahead.
    fn next(&self, hour: i8) -> Timestamp {
        let now = self.share.now().as_second();
        let midnight = now - now.rem_euclid(86_400);
        let mut at = midnight + i64::from(hour) * 3600;
        while at < now + 3600 {
            at += 86_400;
        }
        Timestamp::UNIX_EPOCH + SignedDuration::from_secs(at)
    }

    fn advance_to(&self, moment: Timestamp) {
        let span = moment.duration_since(self.share.now());
        let span = Nanos::from_secs_f64(span.as_secs_f64().max(0.0));
        self.share.share().advance(span);
    }
}

/// What the person who keeps the archive would write into study.toml.
fn config(scenario: &Scenario) -> Config {
    let seed = scenario.seed.child("study", 0);
    let (pool, adding) = (scenario.pool, scenario.adding);
    let drive = match scenario.drive {
        DriveKind::Rotating(drive) => Some(drive),
        DriveKind::Solid(_) => None,
    };
    let id = Identity(u128::from(seed.0) << 64 | u128::from(seed.child("id", 0).0));
    let share = match scenario.reshape.priority {
        Priority::Low => 20.0,
        Priority::Normal => 40.0,
        Priority::High => 100.0,
    };
    Config {
        simulated: true,
        server_memory: Some(scenario.server.memory),
        link_gigabits: Some(scenario.network.bits_per_second as f64 / 1e9),
        pool: Some(Expansion {
            level: pool.level,
            drives: pool.drives,
            adding,
            drive_size: pool.drive_size,
            rpm: drive.map(|drive| drive.rpm),
            drive_rate: drive.map(|drive| Bytes(drive.outer.0 as u64)),
        }),
        plan: Some(Planning {
            assume: Stated {
                used_percent: Some((scenario.filled * 100.0).round()),
                reshape_share_percent: Some(share),
                use_hours: Some(10.0),
                use_from: Some(8),
                weekends: Some(true),
                ..Stated::default()
            },
            ..Planning::default()
        }),
        // The keeper expects nights to be half as fast again as the hours of the office.
        reshape: Some(Following {
            source: Source::Percent,
            command: None,
            array: None,
            timeout_seconds: 30,
            zone_ratio: None,
            speed_by_hour: Some(office_hours(1.0, 1.5)),
        }),
        // What was agreed with those who use the archive.
        limits: Some(Limits {
            small_read_ms: Some(40.0),
            copy_mb_per_s: Some(60.0),
        }),
        // A year of scans, which somebody copies every week.
        report: Some(Audience {
            copy: Some(Bytes::GB.times(180)),
            person_reads_per_s: None,
        }),
        ..Config::new(id, seed, scenario.start, "SIMULATED".to_owned())
    }
}
