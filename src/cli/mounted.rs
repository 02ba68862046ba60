//! Whether what is mounted under the share is what the study was made for.
//!
//! A share that is not mounted shows the empty directory below it, on another file system: measuring
//! that, or laying test data there, would fill the wrong disk and prove nothing.

use std::path::Path;
use std::time::Duration;

use super::{Exit, Failure, span};
use crate::facts::Facts;
use crate::load::{LocalShare, Patient, Watch, within};
use crate::probe;
use crate::store::Writer;
use crate::study::{Config, Mounted};
use crate::text::{plain, typed};

/// A share that has moved, or may not answer.
#[derive(Debug, clap::Args)]
pub(super) struct Moved {
    /// The share has moved for good: take what is mounted there now for the study's share.
    #[arg(long)]
    share_moved: bool,
    #[command(flatten)]
    patience: Patience,
}

/// How long a share is waited for.
#[derive(Debug, clap::Args)]
pub(super) struct Patience {
    /// Gives the share up when nothing comes of what is asked of it for so long (flushes: ten times).
    #[arg(long, value_name = "TIME", default_value = "60s", value_parser = span)]
    pub(super) give_up: Duration,
}

impl Moved {
    /// How long it is waited for.
    pub(super) fn patience(&self) -> Duration {
        self.patience.give_up
    }

    /// The share that `config` of the study in `root` names, waited for as long as was said.
    pub(super) fn share(&self, config: &Config, root: &Path) -> Patient<LocalShare> {
        Patient::new(
            LocalShare::new(config).named(typed(root)),
            &config.share,
            self.patience.give_up,
        )
    }
}

/// What is known of the share and of this machine.
///
/// # Errors
/// When the share does not answer.
pub(super) fn facts(config: &Config, patience: &Patience) -> Result<Facts, Failure> {
    let path = Path::new(&config.share).to_owned();
    let look = {
        let path = path.clone();
        move || probe::facts(&path)
    };
    let (patience, doing) = (patience.give_up, "asking what it is");
    Ok(within(patience, &path, doing, &Watch::default(), look)?)
}

/// Refuses a share that is not there, and another file system than the study's; with `moved`, makes it the study's. What the study
/// or the machine does not tell stays unknown and is no reason to refuse.
pub(super) fn check(store: &mut Writer, moved: &Moved) -> Result<(), Failure> {
    let config = &store.study().config;
    let path = Path::new(&config.share).to_owned();
    let look = {
        let path = path.clone();
        move || (path.metadata(), probe::mount(&path))
    };
    let (there, seen) = within(
        moved.patience.give_up,
        &path,
        "looking what is mounted",
        &Watch::default(),
        look,
    )?;
    if let Err(error) = there {
        let message = format!(
            "the share {} cannot be reached ({error}): mount it, then do the same again; nothing was touched",
            plain(&config.share)
        );
        return Err(Failure::new(Exit::Share, message));
    }
    let Ok(seen) = seen else {
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
