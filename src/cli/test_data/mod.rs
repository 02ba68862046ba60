//! Brings the test data on a share to its size, file by file, the manifest always ahead.

use super::sitting::{Event, NO_SPACE};
use super::{Exit, Failure};
use crate::load::{LoadError, Share, Watch};
use crate::plan::{self, DataFile, Memory, Phase, Set, Sizing, Space, keep_free};
use crate::store::Writer;
use crate::study::{DataEvent, DataRow};
use crate::units::Bytes;

/// What is asked of the test data.
#[derive(Clone, Copy, Debug)]
pub(super) struct Asked {
    pub(super) phase: Phase,
    pub(super) size: Option<Bytes>,
    pub(super) brief: bool,
}

/// Brings the test data to its size, or finds it there.
///
/// # Errors
/// When there is no room for it, it cannot be written, or an end was asked for. What is complete is
/// kept, and the manifest names all that is left.
pub(super) fn lay_down(
    share: &mut dyn Share,
    store: &mut Writer,
    asked: Asked,
    memory: Memory,
    watch: &Watch,
    tell: &mut dyn FnMut(Event),
) -> Result<Sizing, Failure> {
    let sizing = size_now(share, store, asked, memory)?;
    sizing
        .note
        .iter()
        .for_each(|note| tell(Event::Note(note.clone())));
    open(share, store)?;
    lay_files(share, store, &sizing.files, asked.phase, watch, tell)?;
    Ok(sizing)
}

/// The size of the test data as [`lay_down`] would make it now; nothing is touched.
///
/// # Errors
/// When the share does not answer, is nearly full, or has no room for it.
pub(super) fn size_now(
    share: &mut dyn Share,
    store: &Writer,
    asked: Asked,
    memory: Memory,
) -> Result<Sizing, Failure> {
    let space = share.space()?;
    refuse_full(space)?;
    size_asked(store, asked, memory, space)
}

/// Lays down what the fresh set lacks to be as large as the read set, file by file of the same sizes,
/// so that it is dealt out alike.
///
/// # Errors
/// As [`lay_down`].
pub(super) fn lay_fresh(
    share: &mut dyn Share,
    store: &mut Writer,
    phase: Phase,
    watch: &Watch,
    tell: &mut dyn FnMut(Event),
) -> Result<(), Failure> {
    let lacking = store.study().data.fresh_lacks();
    let files: Vec<(Set, Bytes)> = lacking
        .into_iter()
        .map(|bytes| (Set::Fresh, bytes))
        .collect();
    lay_files(share, store, &files, phase, watch, tell)
}

fn lay_files(
    share: &mut dyn Share,
    store: &mut Writer,
    files: &[(Set, Bytes)],
    phase: Phase,
    watch: &Watch,
    tell: &mut dyn FnMut(Event),
) -> Result<(), Failure> {
    if !files.is_empty() {
        let bytes = files.iter().map(|(_, bytes)| *bytes).sum();
        tell(Event::Laying { bytes });
    }
    for &(set, bytes) in files {
        let space = share.space()?;
        if space.available < keep_free(space.total) + bytes {
            return Err(Failure::new(Exit::Share, kept(NO_SPACE)));
        }
        let file = store.study().data.next_file(set, bytes, phase);
        lay_file(share, store, &file, watch)?;
        tell(Event::Laid { bytes });
    }
    Ok(())
}

fn refuse_full(space: Space) -> Result<(), Failure> {
    if space.available >= keep_free(space.total) {
        return Ok(());
    }
    let (available, total) = (space.available.iec(), space.total.iec());
    let message = format!(
        "only {available} of the share's {total} are free, and a tenth has to stay free: free some space, then measure again"
    );
    Err(Failure::new(Exit::Share, message))
}

/// The size of the test data as it would be laid down; nothing is touched.
///
/// # Errors
/// When there is no room for it.
pub(super) fn size_asked(
    store: &Writer,
    asked: Asked,
    memory: Memory,
    space: Space,
) -> Result<Sizing, Failure> {
    let data = &store.study().data;
    // After the baseline the data stays as it is unless more is asked for: trials on another size
    // of test data are no match for it, and free space changes when a pool grows.
    let present = data.bytes(Set::Read);
    let kept = (asked.phase != Phase::Before && present.0 > 0).then_some(present);
    let sizing = plan::size(data, asked.size.or(kept), asked.brief, memory, space);
    sizing.map_err(Failure::from)
}

/// Opens the folder on the share, and clears away what an interrupted sitting has left half
/// written.
fn open(share: &mut dyn Share, store: &mut Writer) -> Result<(), Failure> {
    // The manifest comes first: whatever happens next, it names all that may be there.
    if store.study().data.folder.is_empty() {
        let folder = format!("poolproof-{}", store.study().config.id.short());
        store.add_data(&[DataRow::folder(DataEvent::Folder, &folder)])?;
    }
    let data = store.study().data.clone();
    share.open_folder(&data)?;
    for file in data.files.iter().filter(|file| !file.complete) {
        discard(share, store, file)?;
    }
    Ok(())
}

fn lay_file(
    share: &mut dyn Share,
    store: &mut Writer,
    file: &DataFile,
    watch: &Watch,
) -> Result<(), Failure> {
    let folder = store.study().data.folder.clone();
    store.add_data(&[DataRow::planned(&folder, file)])?;
    if let Err(error) = share.lay_down(file, watch) {
        // Where it cannot be removed it stays listed: the next sitting, or `clean`, tries again.
        if !matches!(error, LoadError::Foreign { .. }) {
            discard(share, store, file).ok();
        }
        return Err(cut_off(&error, watch));
    }
    store.add_data(&[DataRow::file(DataEvent::Complete, &folder, file.number)])?;
    Ok(())
}

fn discard(share: &mut dyn Share, store: &mut Writer, file: &DataFile) -> Result<(), Failure> {
    share.discard(file)?;
    let folder = store.study().data.folder.clone();
    store.add_data(&[DataRow::file(DataEvent::Removed, &folder, file.number)])?;
    Ok(())
}

fn kept(why: &str) -> String {
    format!("{why}; what is complete of the test data is kept")
}

fn cut_off(error: &LoadError, watch: &Watch) -> Failure {
    match (error, watch.reason()) {
        (LoadError::Stopped, Some(NO_SPACE)) => Failure::new(Exit::Share, kept(NO_SPACE)),
        (LoadError::Stopped, _) => Failure::new(
            Exit::Interrupted,
            kept("stopped while test data was laid down"),
        ),
        (error, _) => Failure::new(Exit::Share, kept(&error.to_string())),
    }
}

#[cfg(test)]
mod tests;
