//! Prints a page with a Chromium of this machine, where there is one.
//!
//! The browser gets a profile of its own, in a new folder that is removed when it has ended, and is told
//! to leave the network alone; the page itself asks for none.

#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "a browser is looked for, started and its output read here"
)]

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;
use std::{env, fs, io};

use super::process::ended;
use crate::text::path;

/// Names under which systems install Chromium and its like.
const NAMES: [&str; 4] = [
    "chromium",
    "chromium-browser",
    "google-chrome-stable",
    "google-chrome",
];
/// A page of hundreds of trials takes seconds; whoever takes so long is stuck.
const PATIENCE: Duration = Duration::from_secs(180);

/// What came of printing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Printed {
    /// The document.
    Document(Vec<u8>),
    /// There is no browser that could.
    NoBrowser,
}

/// Prints the page in the file `page` as PDF, on paper as its style asks.
///
/// # Errors
/// One sentence, when a browser is there and does not print.
pub fn pdf(page: &Path) -> Result<Printed, String> {
    let Some(browser) = env::var_os("PATH").and_then(|paths| find(env::split_paths(&paths))) else {
        return Ok(Printed::NoBrowser);
    };
    let profile = Profile::new()
        .map_err(|error| format!("no folder for the browser's profile can be made: {error}"))?;
    print(&browser, page, &profile.0).map(Printed::Document)
}

/// The first of `folders` that has a browser, by the order of names.
fn find(folders: impl Iterator<Item = PathBuf>) -> Option<PathBuf> {
    let folders: Vec<PathBuf> = folders.filter(|folder| folder.is_absolute()).collect();
    let named = |name| folders.iter().map(move |folder| folder.join(name));
    let mut places = NAMES.into_iter().flat_map(named);
    places.find(|place| place.is_file())
}

fn print(browser: &Path, page: &Path, profile: &Path) -> Result<Vec<u8>, String> {
    let page = page
        .canonicalize()
        .map_err(|error| format!("{} cannot be printed: {error}", path(page)))?;
    let document = profile.join("report.pdf");
    let flag = |name: &str, place: &Path| {
        let mut flag = std::ffi::OsString::from(name);
        flag.push(place);
        flag
    };
    let mut process = Command::new(browser);
    process.args([
        "--headless",
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--disable-extensions",
        "--no-pdf-header-footer",
    ]);
    // Chromium refuses its sandbox to root; the page is our own and may run one script, known by its hash.
    if rustix::process::geteuid().is_root() {
        process.arg("--no-sandbox");
    }
    process
        .arg(flag("--user-data-dir=", profile))
        .arg(flag("--print-to-pdf=", &document))
        .arg(address(&page));
    ended(process, &path(browser), &[], PATIENCE)?;
    let bytes = fs::read(&document)
        .map_err(|error| format!("{} printed nothing: {error}", path(browser)))?;
    match bytes.starts_with(b"%PDF-") {
        true => Ok(bytes),
        false => Err(format!(
            "{} printed something that is no PDF",
            path(browser)
        )),
    }
}

/// The address of a file, with everything escaped that an address gives a meaning.
fn address(page: &Path) -> String {
    use std::fmt::Write as _;
    use std::os::unix::ffi::OsStrExt;
    let mut address = "file://".to_owned();
    for byte in page.as_os_str().as_bytes() {
        match byte {
            b'/' | b'-' | b'.' | b'_' | b'~' | b'0'..=b'9' | b'a'..=b'z' | b'A'..=b'Z' => {
                address.push(char::from(*byte));
            }
            byte => write!(address, "%{byte:02X}").expect("memory does not fail"),
        }
    }
    address
}

/// A folder of nobody else's, removed in the end.
struct Profile(PathBuf);

impl Profile {
    fn new() -> io::Result<Self> {
        use std::os::unix::fs::DirBuilderExt;
        let mut chance = fastrand::Rng::new();
        let place = env::temp_dir().join(format!("poolproof-{:032x}", chance.u128(..)));
        // An existing one, or a link in its place, is refused.
        fs::DirBuilder::new().mode(0o700).create(&place)?;
        Ok(Self(place))
    }
}

impl Drop for Profile {
    fn drop(&mut self) {
        // What is left behind lies among temporary files.
        let _ = fs::remove_dir_all(&self.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_escape_what_they_give_a_meaning() {
        let page = Path::new("/a b/50%#?/r\u{e9}port.html");
        // RFC 3986, sections 2.1 and 2.3.
        assert_eq!(address(page), "file:///a%20b/50%25%23%3F/r%C3%A9port.html");
    }

    #[test]
    fn a_browser_is_looked_for_by_the_order_of_names_in_absolute_folders() {
        let place = tempfile::tempdir().unwrap();
        let folder = |name: &str| place.path().join(name);
        for (of, name) in [("one", "google-chrome"), ("two", "chromium")] {
            fs::create_dir(folder(of)).unwrap();
            fs::write(folder(of).join(name), "").unwrap();
        }
        let all = [PathBuf::from("relative"), folder("one"), folder("two")];
        assert_eq!(find(all.into_iter()), Some(folder("two").join("chromium")));
        assert_eq!(find([folder("none")].into_iter()), None);
    }

    #[test]
    fn what_prints_nothing_or_no_pdf_is_told_of() {
        use std::os::unix::fs::PermissionsExt;
        let place = tempfile::tempdir().unwrap();
        let page = place.path().join("page.html");
        fs::write(&page, "<p>").unwrap();
        let browser = place.path().join("chromium");
        for (script, told) in [
            ("exit 3", "ended with"),
            ("exit 0", "printed nothing"),
            (
                "for w; do case $w in --print-to-pdf=*) echo x > \"${w#*=}\";; esac; done",
                "no PDF",
            ),
        ] {
            fs::write(&browser, format!("#!/bin/sh\n{script}\n")).unwrap();
            fs::set_permissions(&browser, fs::Permissions::from_mode(0o755)).unwrap();
            let error = print(&browser, &page, place.path()).unwrap_err();
            assert!(error.contains(told), "{script}: {error}");
        }
    }
}
