//! Whether what is mounted under the share is what the study was made for.
//!
//! A share that is not mounted shows the empty directory below it, on another file system: measuring
//! that, or laying test data there, would fill the wrong disk and prove nothing.

use std::path::Path;

use super::{Exit, Failure};
use crate::probe;
use crate::store::Writer;
use crate::study::Mounted;

/// A share that has moved.
#[derive(Debug, clap::Args)]
pub(super) struct Moved {
    /// The share has moved for good: take what is mounted there now for the study's share.
    #[arg(long)]
    share_moved: bool,
}

/// Refuses another file system than the study's; with `moved`, makes it the study's. What the study
/// or the machine does not tell stays unknown and is no reason to refuse.
pub(super) fn check(store: &mut Writer, moved: &Moved) -> Result<(), Failure> {
    let config = &store.study().config;
    let Ok(seen) = probe::mount(Path::new(&config.share)) else {
        return Ok(());
    };
    let seen = Mounted::from(&seen);
    match &config.mount {
        Some(stated) if stated.is_same(&seen) => Ok(()),
        _ if moved.share_moved => Ok(store.put_mount(seen)?),
        None => Ok(()),
        Some(stated) => {
            let message = format!(
                "the share {} was {stated} when the study was made, and is {seen} now; nothing was touched: mount the share, or add --share-moved if it has moved for good",
                config.share
            );
            Err(Failure::new(Exit::Share, message))
        }
    }
}
