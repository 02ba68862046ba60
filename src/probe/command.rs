//! Runs a command that the person wrote or allowed, through the shell, for so long and no longer.

use std::time::Duration;

use super::process::ended;
use crate::study::ShellCommand;
use crate::sys;

/// Runs a command in the shell (`sh -c`, on Windows `cmd /C`) and returns what it printed.
///
/// # Errors
/// One sentence, when it may not run on this machine, cannot be started, does not end within `patience`, or ends with an error.
pub fn shell(command: &ShellCommand, patience: Duration) -> Result<String, String> {
    shell_ending(command, &[], patience)
}

/// As [`shell`]; where the command printed something, an exit code in `fine` is as good as 0.
///
/// # Errors
/// As [`shell`].
pub fn shell_ending(
    command: &ShellCommand,
    fine: &[i32],
    patience: Duration,
) -> Result<String, String> {
    let (text, quoted) = (command.text(), command.shown());
    if !command.may_run() {
        return Err(format!(
            "`{quoted}` of study.toml was not allowed on this machine: look at it with `poolproof allow`"
        ));
    }
    ended(sys::shell(text), &quoted, fine, patience)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn output_failure_and_lateness_are_told() {
        let patience = Duration::from_secs(20);
        let shell = |text: &str, patience| shell(&ShellCommand::typed(text), patience);
        assert_eq!(shell("echo one; echo two", patience).unwrap(), "one\ntwo\n");
        let error = shell("echo why >&2; exit 3", patience).unwrap_err();
        assert!(error.contains("why") && error.contains('3'), "{error}");
        let error = shell("sleep 60", Duration::from_millis(50)).unwrap_err();
        assert!(error.contains("did not end"), "{error}");
    }

    #[test]
    fn a_code_that_is_fine_needs_a_text_beside_it() {
        let patience = Duration::from_secs(20);
        let ending = |text| shell_ending(&ShellCommand::typed(text), &[1], patience);
        assert_eq!(ending("echo half; exit 1").unwrap(), "half\n");
        assert!(ending("exit 1").unwrap_err().contains("it said nothing"));
        assert!(ending("echo half; exit 2").is_err());
    }

    #[test]
    fn an_endless_text_and_a_process_left_behind_hold_nobody_up() {
        let patience = Duration::from_secs(20);
        let shell = |text: &str, patience| shell(&ShellCommand::typed(text), patience);
        let error = shell("yes", patience).unwrap_err();
        assert!(error.contains("printed more than"), "{error}");
        let error = shell("sleep 60 & echo 1", Duration::from_millis(200)).unwrap_err();
        assert!(error.contains("did not end"), "{error}");
        let error = shell(
            "head -c 100000 /dev/zero | tr '\\0' x >&2; exit 1",
            patience,
        )
        .unwrap_err();
        assert!(error.chars().count() < 500, "{error:.100}");
    }

    #[test]
    fn a_command_that_was_not_allowed_does_not_run() {
        let folder = tempfile::tempdir().unwrap();
        let trace = folder.path().join("trace");
        let command = ShellCommand::try_from(format!("touch '{}'", trace.display())).unwrap();
        let error = shell(&command, Duration::from_secs(20)).unwrap_err();
        assert!(
            error.contains("poolproof allow") && !trace.exists(),
            "{error}"
        );
        shell(&command.allowed(), Duration::from_secs(20)).unwrap();
        assert!(trace.exists());
    }
}
