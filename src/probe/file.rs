//! Reads a text of this machine, up to a length that no such text has.
#![expect(
    clippy::disallowed_types,
    reason = "files of this machine are opened here"
)]

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use crate::sys::{Mode, OFlags, open};

/// The most bytes of a text: those of the kernel and of commands are much shorter.
pub(super) const MOST: u64 = 4 << 20;

/// The text of a file; what is no UTF-8 in it is replaced. A pipe is not waited for.
///
/// # Errors
/// When it cannot be read, or is longer than any such text.
pub fn text(path: &Path) -> io::Result<String> {
    let flags = OFlags::RDONLY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let file = File::from(open(path, flags, Mode::empty())?);
    let mut bytes = Vec::new();
    file.take(MOST + 1).read_to_end(&mut bytes)?;
    match bytes.len() as u64 > MOST {
        true => Err(io::Error::other(format!("it is longer than {MOST} bytes"))),
        false => Ok(String::from_utf8_lossy(&bytes).into_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_endless_file_ends_and_a_pipe_is_not_waited_for() {
        let error = text(Path::new("/dev/zero")).unwrap_err();
        assert!(error.to_string().contains("longer than"), "{error}");
        let folder = tempfile::tempdir().unwrap();
        let pipe = folder.path().join("pipe");
        let kind = rustix::fs::FileType::Fifo;
        rustix::fs::mknodat(rustix::fs::CWD, &pipe, kind, Mode::RWXU, 0).unwrap();
        assert_eq!(text(&pipe).unwrap(), "");
        assert!(
            text(Path::new("/proc/self/mountinfo"))
                .unwrap()
                .contains(" / ")
        );
    }
}
