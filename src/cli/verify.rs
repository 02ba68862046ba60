//! `poolproof verify`: reads back what was written, and looks at sealed files again.

use std::collections::BTreeSet;
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::Timestamp;

use super::attend::attend_reading;
use super::measure::parse_phase;
use super::mounted::{self, Moved};
use super::screen::Screen;
use super::sitting::Event;
use super::{Exit, Failure, owner, print, say, width};
use crate::integrity::{
    Expected, Finding, Hashes, Pass, SEAL_BLOCK, SealKey, Sealed, escaped, latest_pass, open_pass,
    read_back, sealing,
};
use crate::load::{LoadError, LocalShare, Pace, Patient, Progress, Span, Watch};
use crate::own;
use crate::plan::{DataFile, Phase};
use crate::ready;
use crate::report;
use crate::store::{StoreError, Writer, names};
use crate::study::tables::cell;
use crate::study::{DamageRow, PassRow, SealedCheckRow, Study, VerifiedRow};
use crate::text::short;
use crate::units::{Bytes, Rate};

/// Reads back what was written and compares every block.
///
/// All test data of the study, whenever it was laid down, block by block, past this client's cache
/// where that is to be had; then the files that `seal` remembers. Nothing is written on the share.
/// What was interrupted goes on where it has ended. Exit code 10 says that something is damaged.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  poolproof verify scans\n  poolproof verify scans --limit 50MB\n  poolproof verify scans --from-start --phase after"
)]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// Read at most so many bytes in a second.
    #[arg(long, value_name = "BYTES")]
    limit: Option<Bytes>,
    /// Begin anew, also where the last pass was interrupted.
    #[arg(long)]
    from_start: bool,
    /// When this is, relative to the expansion [default: what the study tells].
    #[arg(long, value_name = "before|during|after", value_parser = parse_phase)]
    phase: Option<Phase>,
    #[command(flatten)]
    moved: Moved,
}

/// Rows of `damage.csv` that one pass writes, at most; what is beyond is only counted.
const MOST_ROWS: usize = 10_000;
/// Damage that is said at once, at most.
const SAID: usize = 5;
/// What was read goes to disk so often.
const EVERY: Duration = Duration::from_secs(1);

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let limit = limit(arguments.limit)?;
    let root = &arguments.folder.study;
    let mut store = Writer::open(root, &owner("verify"), Timestamp::now())?;
    let name = root.display();
    if store.study().config.simulated {
        let message = format!("{name} is a simulated study: it has no share to read back from");
        return Err(Failure::new(Exit::Study, message));
    }
    store.recovered().iter().for_each(|sentence| say(sentence));
    let sealed = Sealed::all(names::SEALS, &store.study().seals).map_err(StoreError::from)?;
    let has_data = store.study().data.files.iter().any(|file| file.complete);
    if !has_data && sealed.is_empty() {
        let message = format!(
            "{name} has nothing to read back: lay test data down with `measure`, or name files of yours with `seal`"
        );
        return Err(Failure::new(Exit::Study, message));
    }
    if has_data {
        mounted::check(&mut store, &arguments.moved)?;
    }
    let study = store.study();
    let phase = arguments.phase.unwrap_or_else(|| ready::phase(study));
    let pass = open_pass(study, phase).filter(|_| !arguments.from_start);
    let mut share = arguments.moved.share(&study.config, root);
    let watch = Arc::new(Watch::default());
    let mut verification = Verification {
        pass: pass.unwrap_or_else(|| next_pass(study, phase)),
        sealed,
        patience: arguments.moved.patience(),
        watch: Arc::clone(&watch),
        pace: Arc::new(Pace::new(limit)),
        said: 0,
        known: BTreeSet::new(),
        damage: Vec::new(),
        verified: Vec::new(),
        checks: Vec::new(),
        kept: Instant::now(),
        told: Instant::now(),
        failed: None,
        store,
    };
    let number = verification.pass.number;
    let work = move |tell: &mut dyn FnMut(Event)| {
        let done = verification.run(&mut share, tell);
        (done, verification.store)
    };
    let (done, store) = attend_reading(Arc::clone(&watch), Screen::new(false), work)?;
    let study = store.study();
    print(&report::verified_text(study, width()))?;
    done?;
    Ok(if is_damaged(study, number) {
        Exit::Damage
    } else if watch.stopped() {
        say("stopped; what was read is kept, and the next `verify` goes on");
        Exit::Interrupted
    } else {
        Exit::Done
    })
}

/// The pace that was asked for.
pub(super) fn limit(bytes: Option<Bytes>) -> Result<Option<Rate>, Failure> {
    match bytes {
        Some(bytes) if bytes.0 < 4096 => Err(Failure::new(
            Exit::Usage,
            format!("--limit {bytes} is less than one block a second: allow more"),
        )),
        bytes => Ok(bytes.map(|bytes| Rate(bytes.0 as f64))),
    }
}

fn next_pass(study: &Study, phase: Phase) -> Pass {
    Pass {
        number: latest_pass(study).map_or(0, |pass| pass.number) + 1,
        phase,
        files: Default::default(),
        sealed: BTreeSet::new(),
        ended: false,
    }
}

fn is_damaged(study: &Study, pass: u64) -> bool {
    let data = read_back(study, pass);
    data.iter().any(|back| back.damaged() > 0)
        || sealing(study, pass).iter().any(|seal| seal.damaged() > 0)
}

/// One pass under way.
struct Verification {
    store: Writer,
    pass: Pass,
    sealed: Vec<Sealed>,
    patience: Duration,
    watch: Arc<Watch>,
    pace: Arc<Pace>,
    /// Damage that was said at once.
    said: usize,
    /// Runs of damaged blocks of this pass that are known: file, offset, blocks.
    known: BTreeSet<(u64, u64, u64)>,
    /// What is not yet on disk.
    damage: Vec<DamageRow>,
    verified: Vec<VerifiedRow>,
    checks: Vec<SealedCheckRow>,
    /// When something was last put there.
    kept: Instant,
    /// When the last part of a file was told.
    told: Instant,
    failed: Option<StoreError>,
}

impl Verification {
    fn run(
        &mut self,
        share: &mut Patient<LocalShare>,
        tell: &mut dyn FnMut(Event),
    ) -> Result<(), Failure> {
        let spans = self.spans();
        let damage = self.store.study().damage.iter();
        // What an interrupted pass has found and not yet counted is found again.
        self.known = damage
            .filter(|row| row.pass == self.pass.number)
            .map(|row| (row.file, row.offset_bytes, row.blocks))
            .collect();
        let sealed: Vec<Sealed> = self
            .sealed
            .iter()
            .filter(|file| !self.pass.sealed.contains(&(file.seal, file.file)))
            .cloned()
            .collect();
        let number = self.pass.number;
        match latest_pass(self.store.study()).is_some_and(|pass| pass.number == number) {
            true => tell(Event::Note(format!(
                "pass {number} goes on where it was interrupted"
            ))),
            false => self.mark(false)?,
        }
        let data: Bytes = spans
            .iter()
            .map(|span| span.file.bytes.saturating_sub(Bytes(span.from)))
            .sum();
        let own: Bytes = sealed.iter().map(sealed_bytes).sum();
        let what = match data.0 {
            0 => "sealed files",
            _ => "reading back",
        };
        tell(Event::Note(format!(
            "reading back {} of test data and {} of {} sealed files",
            data.iec(),
            own.iec(),
            sealed.len()
        )));
        // What is reckoned before the first block is read is no part of how fast it is read.
        let expected = Expected::of(self.store.study());
        let bytes = data + own;
        tell(Event::Reading { what, bytes });
        if !spans.is_empty() {
            self.data(share, spans, expected, tell)?;
        }
        if !self.watch.stopped() && !sealed.is_empty() {
            self.own(sealed, tell)?;
        }
        match self.watch.stopped() {
            true => Ok(()),
            false => self.mark(true),
        }
    }

    /// Notes that the pass has begun, or has ended.
    fn mark(&mut self, ended: bool) -> Result<(), Failure> {
        Ok(self.store.add_pass(PassRow {
            pass: self.pass.number,
            at: Timestamp::now(),
            read_phase: self.pass.phase,
            ended,
        })?)
    }

    /// What of the test data is still to be read.
    fn spans(&self) -> Vec<Span> {
        let files = self.store.study().data.files.iter();
        let span = |file: &DataFile| {
            let reached = self.pass.files.get(&file.number);
            let from = reached.map_or(0, |reached| reached.bytes);
            let done = !file.complete || reached.is_some_and(|reached| reached.complete);
            // A table that was changed by hand leads nowhere but back to the beginning.
            let from = if from < file.bytes.0 && from.is_multiple_of(1 << 20) {
                from
            } else {
                0
            };
            (!done).then(|| Span {
                file: file.clone(),
                from,
            })
        };
        files.filter_map(span).collect()
    }

    fn data(
        &mut self,
        share: &mut Patient<LocalShare>,
        spans: Vec<Span>,
        expected: Expected,
        tell: &mut dyn FnMut(Event),
    ) -> Result<(), Failure> {
        let data = self.store.study().data.clone();
        let (watch, pace) = (Arc::clone(&self.watch), Arc::clone(&self.pace));
        self.told = Instant::now();
        let mut hear = |progress| match self.progress(progress, tell) {
            Ok(()) => ControlFlow::Continue(()),
            Err(error) => {
                self.failed = Some(error);
                ControlFlow::Break(())
            }
        };
        let read = share.read_back(&data, spans, expected, pace, &watch, &mut hear);
        if let Some(error) = self.failed.take() {
            return Err(error.into());
        }
        self.keep()?;
        read.map_err(|error| gone(&error))
    }

    fn progress(
        &mut self,
        progress: Progress,
        tell: &mut dyn FnMut(Event),
    ) -> Result<(), StoreError> {
        match progress {
            Progress::Note(note) => tell(Event::Note(note)),
            Progress::Damaged { file, findings } => return self.damaged(&file, findings, tell),
            Progress::Read {
                file,
                from,
                bytes,
                counts,
                direct,
                complete,
            } => {
                let seconds = self.told.elapsed().as_secs_f64();
                self.told = Instant::now();
                self.verified.push(VerifiedRow {
                    pass: self.pass.number,
                    at: Timestamp::now(),
                    read_phase: self.pass.phase,
                    file: file.number,
                    set: file.set,
                    laid_phase: file.phase,
                    offset_bytes: from,
                    bytes,
                    blocks: counts.blocks,
                    differing: counts.differing,
                    unreadable: counts.unreadable,
                    missing: counts.missing,
                    unsettled: counts.unsettled,
                    seconds,
                    direct,
                    complete,
                });
                tell(Event::Laid {
                    bytes: Bytes(bytes),
                });
                return self.keep_at_times();
            }
        }
        Ok(())
    }

    fn damaged(
        &mut self,
        file: &DataFile,
        findings: Vec<Finding>,
        tell: &mut dyn FnMut(Event),
    ) -> Result<(), StoreError> {
        let pass = self.pass.number;
        let row = |finding: Finding| DamageRow {
            pass,
            at: Timestamp::now(),
            file: file.number,
            name: file.name(),
            laid_phase: file.phase,
            offset_bytes: finding.offset,
            blocks: finding.blocks,
            kind: finding.kind,
            found: cell(&finding.found),
        };
        for finding in findings {
            let row = row(finding);
            if !self.known.insert((row.file, row.offset_bytes, row.blocks)) {
                continue;
            }
            self.say(
                format!(
                    "DAMAGE: {} at offset {}, {} block(s): {}: {}",
                    row.name,
                    row.offset_bytes,
                    row.blocks,
                    row.kind.word(),
                    row.found
                ),
                tell,
            );
            if self.known.len() <= MOST_ROWS {
                self.damage.push(row);
            } else if self.known.len() == MOST_ROWS + 1 {
                tell(Event::Note(format!(
                    "damage.csv has {MOST_ROWS} rows of this pass: further damage is only counted"
                )));
            }
        }
        // The first is on disk at once.
        if self.known.len() == self.damage.len() {
            return self.keep();
        }
        self.keep_at_times()
    }

    /// Puts what is known on disk once in a second: flushing each row takes longer than reading a
    /// small file.
    fn keep_at_times(&mut self) -> Result<(), StoreError> {
        match self.kept.elapsed() < EVERY {
            true => Ok(()),
            false => self.keep(),
        }
    }

    /// Puts what is known on disk, damage before what counts it.
    fn keep(&mut self) -> Result<(), StoreError> {
        self.kept = Instant::now();
        self.store.add_damage(std::mem::take(&mut self.damage))?;
        self.store
            .add_verified(std::mem::take(&mut self.verified))?;
        self.store
            .add_sealed_checks(std::mem::take(&mut self.checks))
    }

    /// Says the first damage at once.
    fn say(&mut self, sentence: String, tell: &mut dyn FnMut(Event)) {
        self.said += 1;
        match self.said {
            few if few <= SAID => tell(Event::Warning(sentence)),
            few if few == SAID + 1 => {
                tell(Event::Warning(
                    "DAMAGE: more is found; see the end".to_owned(),
                ));
            }
            _ => {}
        }
    }

    fn own(&mut self, sealed: Vec<Sealed>, tell: &mut dyn FnMut(Event)) -> Result<(), Failure> {
        let config = &self.store.study().config;
        let read = own::Read {
            key: SealKey::of(config),
            pace: Arc::clone(&self.pace),
            watch: self.watch.as_ref().clone(),
        };
        let share = PathBuf::from(&config.share);
        let (watch, patience) = (Arc::clone(&self.watch), self.patience);
        let mut lost = None;
        let mut kept = Ok(());
        let mut hear = |file: &Sealed, compared: own::Compared| {
            let path = escaped(&file.path);
            if let Some(error) = compared.lost {
                lost = Some(LoadError::io("reading", &path, error));
                return ControlFlow::Break(());
            }
            if compared.state.is_damage() {
                let (words, found) = (compared.state.words(), &compared.found);
                let path = short(&path, 400);
                self.say(format!("DAMAGE: {path}: {words}: {found}"), tell);
            }
            self.checks.push(SealedCheckRow {
                pass: self.pass.number,
                at: Timestamp::now(),
                read_phase: self.pass.phase,
                seal: file.seal,
                file: file.file,
                path,
                state: compared.state,
                blocks: compared.blocks,
                differing: compared.differing,
                bytes: compared.bytes,
                found: cell(&compared.found),
            });
            tell(Event::Laid {
                bytes: sealed_bytes(file),
            });
            kept = self.keep_at_times();
            match kept {
                Ok(()) => ControlFlow::Continue(()),
                Err(_) => ControlFlow::Break(()),
            }
        };
        let work = move |file: &Sealed| own::compare(&read, file);
        let heard = own::each(sealed, &watch, (&share, patience), work, &mut hear);
        kept?;
        self.keep()?;
        lost.map_or(heard, Err).map_err(|error| gone(&error))
    }
}

/// What is read of a sealed file.
fn sealed_bytes(sealed: &Sealed) -> Bytes {
    match &sealed.hashes {
        Hashes::All(_) => Bytes(sealed.size),
        Hashes::Blocks(blocks) => {
            let length = |(block, _): &(u64, String)| {
                Bytes((sealed.size - block * SEAL_BLOCK).min(SEAL_BLOCK))
            };
            blocks.iter().map(length).sum()
        }
    }
}

/// The share is gone in the middle of reading.
fn gone(error: &LoadError) -> Failure {
    let message = format!("{error}; what was read is kept, and the next `verify` goes on");
    Failure::new(Exit::Share, message)
}
