//! Two machines, a cable between them, and the server's drives.

use std::sync::OnceLock;
use std::time::Duration;

use tempfile::TempDir;

use crate::drive::{Condition, Drive, Model, Totals};
use crate::machine::{End, Machine};
use crate::root::Root;

/// What a laboratory is made of.
pub(crate) struct Plan {
    /// MiB of the server's memory.
    pub(crate) server_memory: u32,
    /// MiB of the client's memory.
    pub(crate) client_memory: u32,
    /// The server's drives, `/dev/vdb` and so on.
    pub(crate) drives: Vec<Model>,
}

/// A laboratory; all that it started ends with it.
pub(crate) struct Lab {
    pub(crate) client: Machine,
    pub(crate) server: Machine,
    pub(crate) drives: Vec<Drive>,
    _folder: TempDir,
}

/// The part of its time that a drive takes which is to be quick.
const HURRY: f64 = 0.02;
/// Draws of the drives, the same in every run.
const SEED: u64 = 20_260_302;

impl Lab {
    /// Starts both machines.
    pub(crate) fn start(plan: &Plan) -> Result<Self, String> {
        let root = root()?;
        let folder = tempfile::tempdir().map_err(|error| error.to_string())?;
        let drives = (plan.drives.iter().enumerate())
            .map(|(index, model)| {
                let name = format!("drive{index}");
                Drive::start(folder.path(), &name, *model, SEED + index as u64)
            })
            .collect::<Result<Vec<_>, _>>()
            .map_err(|error| format!("cannot start a drive: {error}"))?;
        let server = Machine::start(
            folder.path(),
            root,
            End::Server,
            plan.server_memory,
            &drives,
        )?;
        let client = Machine::start(folder.path(), root, End::Client, plan.client_memory, &[])?;
        Ok(Self {
            client,
            server,
            drives,
            _folder: folder,
        })
    }

    /// Lets the drives answer at once, for what only has to be there; or as they do again.
    pub(crate) fn hurry(&self, hurried: bool) {
        self.pace(if hurried { HURRY } else { 1.0 });
    }

    /// Lets the drives take so many times as long as they state.
    pub(crate) fn pace(&self, times: f64) {
        for drive in &self.drives {
            drive.set(Condition::Slow(times));
        }
    }

    /// What went through all drives of `members`, by their places.
    pub(crate) fn totals(&self, members: std::ops::Range<usize>) -> Totals {
        let mut sum = Totals::default();
        for drive in &self.drives[members] {
            let totals = drive.totals();
            sum.read_bytes += totals.read_bytes;
            sum.written_bytes += totals.written_bytes;
            sum.reads += totals.reads;
            sum.writes += totals.writes;
        }
        sum
    }

    /// Runs poolproof on the client, at most for `limit`.
    pub(crate) fn poolproof(
        &self,
        arguments: &str,
        limit: Duration,
    ) -> Result<crate::machine::Output, String> {
        self.client.output(
            &format!("cd /root; export COLUMNS=100; poolproof {arguments}"),
            limit,
        )
    }
}

/// The root of all machines, built once.
fn root() -> Result<&'static Root, String> {
    static BUILT: OnceLock<Result<(TempDir, Root), String>> = OnceLock::new();
    BUILT
        .get_or_init(|| {
            let folder = tempfile::tempdir().map_err(|error| error.to_string())?;
            let program = env!("CARGO_BIN_EXE_poolproof");
            Root::build(folder.path(), program.as_ref()).map(|root| (folder, root))
        })
        .as_ref()
        .map(|(_, root)| root)
        .map_err(Clone::clone)
}
