//! `poolproof demo`: the whole job on a made-up share, in virtual time.
//!
//! The same plan, streams, records, store, comparison and page as in a real study; only the engine
//! and the clock are made up. The same seed gives the same bytes.

use std::path::{Path, PathBuf};

use jiff::{SignedDuration, Timestamp};

use super::sitting::{self, Event, Request};
use super::{Exit, Failure, owner, print, say, width};
use crate::compare::{Rules, compare};
use crate::judge::judge_all;
use crate::load::{Share, Watch};
use crate::plan::Phase;
use crate::report;
use crate::seed::Seed;
use crate::sim::{DriveKind, Scenario, SimulatedShare, demo_scenario};
use crate::store::{Writer, names};
use crate::study::{Config, Expansion, Identity};
use crate::units::{Bytes, Nanos, percent};

/// Runs the whole job on a SIMULATED pool: a lighthouse museum's scan archive.
///
/// RAID 6 of four 6 TB drives grows to five behind a 10 GbE share, over several days of office
/// work; measured before, during and after, compared and reported, in seconds.
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
const HOUR: Nanos = Nanos(3_600 * Nanos::SECOND.0);
/// Hours of the day at which sittings are held, the same in every phase and all while the office
/// works, so that phases are compared under like loads and sittings differ by little else.
const HOURS: [i8; 5] = [9, 11, 13, 15, 17];
const TRIALS: usize = 2;
const SECONDS: u64 = 30;
const SWEEP_SECONDS: u64 = 3;

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let scenario = demo_scenario(Seed(arguments.seed));
    let root = &match &arguments.folder {
        Some(folder) => folder.clone(),
        None => free_folder(),
    };
    let mut demo = Demo::new(root, scenario)?;
    say(
        "SIMULATED the scan archive of a lighthouse museum: RAID 6 of four 6 TB drives, growing to five",
    );
    demo.sweep()?;
    demo.sittings(Phase::Before)?;
    demo.share.start_reshape();
    let begun = demo.share.now();
    say(&format!(
        "SIMULATED {begun:.0} the fifth drive is added: the array reshapes"
    ));
    // A sitting puts full load on a pool that is busy enough; one a day tells what users feel.
    demo.sittings(Phase::During)?;
    demo.wait_for_reshape();
    let ended = demo.share.now();
    let hours = (ended.as_second() - begun.as_second()) as f64 / 3600.0;
    say(&format!(
        "SIMULATED {ended:.0} the reshape has finished after {hours:.0} hours"
    ));
    demo.sittings(Phase::After)?;
    let study = demo.store.study();
    let judgements = judge_all(study);
    let comparison = compare(study, &judgements, Rules::of(study));
    let reports = root.join(names::REPORTS);
    let written = super::report::write(study, &reports, demo.share.now())?;
    print(&report::comparison_text(&comparison, &judgements, width()))?;
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

/// Says what a sitting or a sweep remarks; how far it is matters to nobody in virtual time.
fn tell(event: Event) {
    if let Event::Note(note) = event {
        say(&format!("SIMULATED {note}"));
    }
}

struct Demo {
    share: SimulatedShare,
    store: Writer,
}

impl Demo {
    fn new(root: &Path, scenario: Scenario) -> Result<Self, Failure> {
        let seed = scenario.seed.child("study", 0);
        let (pool, adding) = (scenario.pool, scenario.adding);
        let drive = match scenario.drive {
            DriveKind::Rotating(drive) => Some(drive),
            DriveKind::Solid(_) => None,
        };
        let id = Identity(u128::from(seed.0) << 64 | u128::from(seed.child("id", 0).0));
        let config = Config {
            simulated: true,
            server_memory: Some(scenario.server.memory),
            pool: Some(Expansion {
                level: pool.level,
                drives: pool.drives,
                adding,
                drive_size: pool.drive_size,
                rpm: drive.map(|drive| drive.rpm),
                drive_rate: drive.map(|drive| Bytes(drive.outer.0 as u64)),
            }),
            ..Config::new(id, seed, scenario.start, "SIMULATED".to_owned())
        };
        let share =
            SimulatedShare::new(scenario).map_err(|error| Failure::new(Exit::Failed, error))?;
        let store = Writer::create(root, &config, &owner("demo"))?;
        Ok(Self { share, store })
    }

    /// Looks for caches on the path, in the quiet before anything else.
    fn sweep(&mut self) -> Result<(), Failure> {
        let now = self.share.now();
        say(&format!(
            "SIMULATED {now:.0} rereading growing working sets"
        ));
        let watch = Watch::default();
        let store = &mut self.store;
        super::sweep::sweep(
            &mut self.share,
            store,
            None,
            SWEEP_SECONDS,
            &watch,
            &mut tell,
        )?;
        Ok(())
    }

    /// Holds a sitting at each of the hours, on days that follow each other.
    fn sittings(&mut self, phase: Phase) -> Result<(), Failure> {
        for hour in HOURS {
            self.wait_until(hour);
            let now = self.share.now();
            let place = self.share.reshape().map_or(String::new(), |progress| {
                let done = progress.done.0 as f64 / progress.total.0 as f64;
                format!(", reshape at {}", percent(done, 1))
            });
            say(&format!("SIMULATED {now:.0} measuring {phase}{place}"));
            let request = Request {
                phase,
                tags: vec![format!("hour={hour}")],
                workloads: Vec::new(),
                trials: TRIALS,
                seconds: SECONDS,
                size: None,
                brief: false,
                reshape: None,
            };
            let watch = Watch::default();
            sitting::hold(
                &mut self.share,
                &mut self.store,
                &request,
                &watch,
                &mut tell,
            )?;
        }
        Ok(())
    }

    /// Lets time pass until the next full `hour` of the day, at least an hour ahead.
    fn wait_until(&mut self, hour: i8) {
        let now = self.share.now();
        let midnight = now.as_second() - now.as_second().rem_euclid(86_400);
        let mut at = midnight + i64::from(hour) * 3600;
        while at < now.as_second() + 3600 {
            at += 86_400;
        }
        self.advance_to(Timestamp::UNIX_EPOCH + SignedDuration::from_secs(at));
    }

    fn wait_for_reshape(&mut self) {
        while self.share.reshape().is_some() {
            self.share.advance(HOUR);
        }
    }

    fn advance_to(&mut self, moment: Timestamp) {
        let span = moment.duration_since(self.share.now());
        self.share.advance(Nanos::from_secs_f64(span.as_secs_f64()));
    }
}
