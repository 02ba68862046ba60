//! Tools of this machine.

use std::path::PathBuf;
use std::process::Command;

/// Runs a tool and returns its standard output; or one sentence with all that it wrote.
pub(crate) fn run(tool: &str, args: &[&str]) -> Result<String, String> {
    let output = Command::new(tool)
        .args(args)
        .output()
        .map_err(|error| format!("cannot run {tool}: {error}"))?;
    let said = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    match output.status.success() {
        true => Ok(said(&output.stdout)),
        false => Err(format!(
            "`{tool} {}` ended with {}: {}",
            args.join(" "),
            output.status,
            said(&output.stderr)
        )),
    }
}

/// Where a tool is, looked up where administrators' shells do.
pub(crate) fn find(tool: &str) -> Result<PathBuf, String> {
    let path = std::env::var("PATH").unwrap_or_default() + ":/usr/sbin:/sbin";
    path.split(':')
        .map(|folder| PathBuf::from(folder).join(tool))
        .find(|file| file.is_file())
        .ok_or_else(|| format!("{tool} is not installed"))
}

/// Writes a line that is seen even when the test passes: the test runner holds back what the printing
/// macros write.
pub(crate) fn say(line: &str) {
    use std::io::Write as _;
    // A closed standard error is no reason to fail a test.
    drop(writeln!(std::io::stderr(), "{line}"));
}
