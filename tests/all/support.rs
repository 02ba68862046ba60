//! What tests share: running the program and other tools, and skipping with a reason.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::{Command, Output};

/// Asks for the tests of the real world: `1` runs those that can run here, `required` also fails
/// those that cannot.
const REAL: &str = "POOLPROOF_REAL";

/// Writes a line that is seen even when the test passes: the test runner holds back what the
/// printing macros write.
pub(crate) fn say(line: &str) {
    // A closed standard error is no reason to fail a test.
    drop(writeln!(std::io::stderr(), "{line}"));
}

/// What `prepare` makes for a test of the real world; `None` when the test is to be skipped, which
/// is said in one line.
///
/// # Panics
/// With the reason why `prepare` failed, when `POOLPROOF_REAL` is `required`.
pub(crate) fn real<T>(what: &str, prepare: impl FnOnce() -> Result<T, String>) -> Option<T> {
    let asked = std::env::var(REAL).unwrap_or_default();
    let prepared = match asked.as_str() {
        "1" | "required" => prepare(),
        _ => Err(format!(
            "it takes minutes and runs only when {REAL} is 1 or required"
        )),
    };
    match prepared {
        Ok(prepared) => Some(prepared),
        Err(why) if asked == "required" => panic!("{what} is required: {why}"),
        Err(why) => {
            say(&format!("skipped: {what}: {why}"));
            None
        }
    }
}

/// Where the program of the tests keeps what is allowed on this machine: never the person's own place.
pub(crate) const STATE: &str = concat!(env!("CARGO_TARGET_TMPDIR"), "/state");

/// Runs what follows it with hang-ups and interruptions heeded: whoever runs the tests may ignore them, as
/// nohup does, and a shell for what it runs in the background.
pub(crate) const HEEDING: [&str; 2] = ["env", "--default-signal=HUP,INT"];

/// The program, which keeps its state apart from the person's.
pub(crate) fn program() -> Command {
    let [tool, heeding] = HEEDING;
    let mut command = Command::new(tool);
    command
        .args([heeding, env!("CARGO_BIN_EXE_poolproof")])
        .env("XDG_STATE_HOME", STATE);
    command
}

/// Lets the commands of a study run that a test has written into it.
#[track_caller]
pub(crate) fn allow(study: &str) {
    poolproof(&["allow", study, "--yes"]);
}

/// Runs the program and returns its standard output.
///
/// # Panics
/// With all that it wrote, when it does not succeed.
#[track_caller]
pub(crate) fn poolproof(args: &[&str]) -> String {
    match success(program().args(args), "poolproof", args) {
        Ok(output) => output,
        Err(why) => panic!("{why}"),
    }
}

/// Runs a tool and returns its standard output; or one sentence, with all that it wrote, when it is
/// missing or does not succeed.
pub(crate) fn run(tool: &str, args: &[&str]) -> Result<String, String> {
    success(Command::new(tool).args(args), tool, args)
}

fn success(command: &mut Command, tool: &str, args: &[&str]) -> Result<String, String> {
    let output = ended(command, tool)?;
    let stdout = String::from_utf8_lossy(&output.stdout).into_owned();
    if output.status.success() {
        return Ok(stdout);
    }
    let stderr = String::from_utf8_lossy(&output.stderr);
    let (args, status) = (args.join(" "), output.status);
    Err(format!(
        "`{tool} {args}` ended with {status}: {stderr}{stdout}"
    ))
}

/// Runs a tool whatever its exit status.
pub(crate) fn output(tool: &str, args: &[&str]) -> Result<Output, String> {
    ended(Command::new(tool).args(args), tool)
}

fn ended(command: &mut Command, tool: &str) -> Result<Output, String> {
    command
        .output()
        .map_err(|error| format!("cannot run {tool}: {error}"))
}

/// Where a tool is, looked up as a shell does it.
pub(crate) fn find(tool: &str) -> Result<PathBuf, String> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path)
        .map(|folder| folder.join(tool))
        .find(|file| file.is_file())
        .ok_or_else(|| format!("{tool} is not installed"))
}
