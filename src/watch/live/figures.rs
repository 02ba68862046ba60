//! Keeps the figures in a file, for a monitor that looks into its folder.

use std::path::PathBuf;
use std::sync::Arc;

use tokio::sync::watch;
use tokio::task::spawn_blocking;

use super::Painted;
use crate::store;

/// Puts the latest figures into the file at `path` whenever there are new ones, until there will be none.
/// What cannot be written is said once, through `say`, and once when it can be again.
pub async fn keep_figures(
    path: PathBuf,
    mut painted: watch::Receiver<Arc<Painted>>,
    say: impl Fn(&str),
) {
    let mut failed = false;
    while painted.changed().await.is_ok() {
        let picture = Arc::clone(&painted.borrow_and_update());
        let file = path.clone();
        let put = spawn_blocking(move || store::put(&file, picture.figures.as_bytes())).await;
        let why = match put {
            Ok(Ok(())) => None,
            Ok(Err(error)) => Some(error.to_string()),
            Err(error) => Some(error.to_string()),
        };
        match (&why, failed) {
            (Some(why), false) => say(&format!("{why}; it is tried again with each reading")),
            (None, true) => say("the figures are written again"),
            _ => {}
        }
        failed = why.is_some();
    }
}
