//! `poolproof seal`: remembers the person's own files, so that `verify` can tell whether they changed.

use std::collections::BTreeSet;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;

use super::attend::attend_reading;
use super::mounted::Patience;
use super::screen::Screen;
use super::sitting::Event;
use super::verify::limit;
use super::{Exit, Failure, owner, print, say, width};
use crate::integrity::{SEAL_BLOCK, SealKey, Sealed, draw, escaped};
use crate::load::{Pace, Watch, within};
use crate::own::{self, Found, Skipped, WalkError, identity, walk};
use crate::report;
use crate::store::{StoreError, Writer};
use crate::study::SealRow;
use crate::units::Bytes;

/// Remembers files of yours by size, time and keyed hashes, never by content.
///
/// Files are only read. Folders are walked without following links and without leaving their file
/// system; devices, pipes and sockets are never opened; access times stay where the system allows.
/// `verify` compares later. Do it before the expansion, of what matters most.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  poolproof seal scans /mnt/scans/lenses\n  poolproof seal scans /mnt/scans --sample 30000\n  poolproof seal scans /mnt/scans/logbooks --all"
)]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// Files and folders.
    #[arg(value_name = "PATH", required = true)]
    paths: Vec<PathBuf>,
    /// Blocks of 64 KiB that are drawn from all of the content.
    #[arg(long, value_name = "N", default_value_t = 3_000, value_parser = clap::value_parser!(u64).range(1..=100_000))]
    sample: u64,
    /// All of the content instead of a sample.
    #[arg(long, conflicts_with = "sample")]
    all: bool,
    /// Read at most so many bytes in a second.
    #[arg(long, value_name = "BYTES")]
    limit: Option<Bytes>,
    #[command(flatten)]
    patience: Patience,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let pace = Pace::new(limit(arguments.limit)?);
    let root = &arguments.folder.study;
    let store = Writer::open(root, &owner("seal"), Timestamp::now())?;
    if store.study().config.simulated {
        let message = format!(
            "{} is a simulated study: it has no share to seal files on",
            root.display()
        );
        return Err(Failure::new(Exit::Study, message));
    }
    store.recovered().iter().for_each(|sentence| say(sentence));
    let folders = own_folders(root, &store);
    let (paths, sample) = (
        arguments.paths.clone(),
        (!arguments.all).then_some(arguments.sample),
    );
    let watch = Arc::new(Watch::default());
    let (watched, patience) = (Arc::clone(&watch), arguments.patience.give_up);
    let work = move |tell: &mut dyn FnMut(Event)| {
        let mut sealing = Sealing {
            store,
            watch: watched,
            patience,
            pace: Arc::new(pace),
            skipped: Skipped::default(),
            times_kept: true,
            refused: Vec::new(),
        };
        let done = sealing.run(paths, folders, sample, tell);
        (done, sealing)
    };
    let (done, sealing) = attend_reading(Arc::clone(&watch), Screen::new(false), work)?;
    let seal = done?;
    let study = sealing.store.study();
    print(&report::seal_text(
        study,
        seal,
        &sealing.passed_over(),
        width(),
    ))?;
    if watch.stopped() {
        say("stopped; what was sealed is kept");
        return Ok(Exit::Interrupted);
    }
    Ok(Exit::Done)
}

/// The folders of this study, which are no files of the person's.
fn own_folders(root: &Path, store: &Writer) -> Vec<PathBuf> {
    let study = store.study();
    let data = Path::new(&study.config.share).join(&study.data.folder);
    let data = (!study.data.folder.is_empty()).then_some(data);
    data.into_iter().chain([root.to_owned()]).collect()
}

struct Sealing {
    store: Writer,
    watch: Arc<Watch>,
    patience: Duration,
    pace: Arc<Pace>,
    skipped: Skipped,
    times_kept: bool,
    /// Files that could not be sealed, and why.
    refused: Vec<String>,
}

/// A file to be sealed.
struct Wanted {
    number: u64,
    path: Vec<u8>,
    /// Blocks that were drawn; `None` for all content.
    blocks: Option<Vec<u64>>,
    bytes: u64,
}

impl Sealing {
    /// Seals; the number of the seal.
    fn run(
        &mut self,
        paths: Vec<PathBuf>,
        folders: Vec<PathBuf>,
        sample: Option<u64>,
        tell: &mut dyn FnMut(Event),
    ) -> Result<u64, Failure> {
        let place = paths[0].clone();
        let mut found = self.find(&place, paths, folders)?;
        found.sort_by(|a, b| a.path.cmp(&b.path));
        found.dedup_by(|a, b| a.path == b.path);
        if found.is_empty() {
            let message = "there are no plain files: name files, or folders that hold some";
            return Err(Failure::new(Exit::Usage, message));
        }
        let seals = self.store.study().seals.iter();
        let seal = seals.map(|row| row.seal).max().unwrap_or(0) + 1;
        let wanted = self.wanted(found, seal, sample);
        let bytes = wanted.iter().map(|file| Bytes(file.bytes)).sum();
        tell(Event::Reading {
            what: "sealing",
            bytes,
        });
        self.seal(&place, wanted, seal, tell)?;
        Ok(seal)
    }

    /// All plain files at and below `paths` that are in none of `folders`.
    fn find(
        &mut self,
        place: &Path,
        paths: Vec<PathBuf>,
        folders: Vec<PathBuf>,
    ) -> Result<Vec<Found>, Failure> {
        let watch = self.watch.as_ref().clone();
        let look = move || {
            let folders = folders.iter().filter_map(|folder| identity(folder).ok());
            let own: BTreeSet<(u64, u64)> = folders.collect();
            let (mut found, mut skipped) = (Vec::new(), Skipped::default());
            for path in paths {
                found.extend(walk(&path, &own, &watch, &mut skipped)?);
            }
            Ok((found, skipped))
        };
        let doing = "looking for files";
        let walked = within(self.patience, place, doing, &self.watch, look)?;
        let (found, skipped) = walked.map_err(|error| {
            let exit = match error {
                WalkError::Stopped => Exit::Interrupted,
                _ => Exit::Usage,
            };
            Failure::new(exit, error)
        })?;
        self.skipped = skipped;
        Ok(found)
    }

    /// What is to be read of each file.
    fn wanted(&self, found: Vec<Found>, seal: u64, sample: Option<u64>) -> Vec<Wanted> {
        let blocks = |file: &Found| file.size.div_ceil(SEAL_BLOCK);
        let all: u64 = found.iter().map(blocks).sum();
        let seed = self.store.study().config.seed.child("seal", seal);
        let mut drawn = sample.map(|wanted| draw(all, wanted, seed).into_iter().peekable());
        let mut first = 0;
        let mut wanted = Vec::with_capacity(found.len());
        for (number, file) in (0..).zip(found) {
            let end = first + blocks(&file);
            let blocks = drawn.as_mut().map(|drawn| {
                let own = std::iter::from_fn(|| drawn.next_if(|block| *block < end));
                own.map(|block| block - first).collect::<Vec<u64>>()
            });
            let bytes = match &blocks {
                None => file.size,
                Some(blocks) => blocks.len() as u64 * SEAL_BLOCK,
            };
            wanted.push(Wanted {
                number,
                path: file.path,
                blocks,
                bytes,
            });
            first = end;
        }
        wanted
    }

    fn seal(
        &mut self,
        place: &Path,
        wanted: Vec<Wanted>,
        seal: u64,
        tell: &mut dyn FnMut(Event),
    ) -> Result<(), Failure> {
        let read = own::Read {
            key: SealKey::of(&self.store.study().config),
            pace: Arc::clone(&self.pace),
            watch: self.watch.as_ref().clone(),
        };
        let watch = Arc::clone(&self.watch);
        let mut pending: Vec<SealRow> = Vec::new();
        let mut kept: Result<(), StoreError> = Ok(());
        let mut hear = |file: &Wanted, sealed: Result<(Sealed, bool), String>| {
            match sealed {
                Ok((sealed, times_kept)) => {
                    self.times_kept &= times_kept;
                    pending.extend(sealed.rows(Timestamp::now()));
                }
                Err(why) => self.refused.push(format!("{}: {why}", escaped(&file.path))),
            }
            tell(Event::Laid {
                bytes: Bytes(file.bytes),
            });
            if pending.len() >= 1_000 {
                kept = self.store.add_seals(std::mem::take(&mut pending));
            }
            match kept {
                Ok(()) => ControlFlow::Continue(()),
                Err(_) => ControlFlow::Break(()),
            }
        };
        let work = move |file: &Wanted| {
            own::seal(
                &read,
                (seal, file.number),
                &file.path,
                file.blocks.as_deref(),
            )
        };
        let heard = own::each(wanted, &watch, (place, self.patience), work, &mut hear);
        kept?;
        self.store.add_seals(pending)?;
        Ok(heard?)
    }

    /// What was not sealed, a sentence each.
    fn passed_over(&self) -> Vec<String> {
        const TOLD: usize = 5;
        let Skipped {
            links,
            special,
            mounts,
            own,
            refused,
        } = self.skipped;
        let counted = [
            (links, "links, which are not followed"),
            (special, "devices, pipes and sockets, which are not opened"),
            (mounts, "entries on other file systems"),
            (own, "folders of this study"),
            (refused, "entries that may not be looked at"),
        ];
        let counted = counted.into_iter().filter(|(count, _)| *count > 0);
        let mut sentences: Vec<String> = counted
            .map(|(count, what)| format!("Passed over: {count} {what}."))
            .collect();
        sentences.extend(
            self.refused
                .iter()
                .take(TOLD)
                .map(|why| format!("Not sealed: {why}.")),
        );
        if self.refused.len() > TOLD {
            let more = self.refused.len() - TOLD;
            sentences.push(format!("Not sealed: {more} more."));
        }
        if !self.times_kept {
            sentences.push(
                "Access times could not be kept of files that belong to others; where the file system keeps them at all, reading has moved them."
                    .to_owned(),
            );
        }
        sentences
    }
}
