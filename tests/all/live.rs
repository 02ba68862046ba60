//! The page and the figures of `poolproof watch`, as a person starts them.

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::{Child, ChildStderr, Command, Stdio};

use tempfile::TempDir;

use crate::support::{poolproof, program, run};

/// A study beside a file that holds a percentage.
pub(crate) struct Scene {
    folder: TempDir,
}

impl Scene {
    pub(crate) fn set() -> Self {
        let scene = Self {
            folder: tempfile::tempdir().unwrap(),
        };
        fs::create_dir(scene.path("share")).unwrap();
        scene.tell("10");
        let (study, share) = (scene.path("scans"), scene.path("share"));
        let words = ["new", study.to_str().unwrap(), "--share"];
        let pool = "--pool raid6 --drives 4 --adding 1 --drive-size 6TB".split(' ');
        let all: Vec<&str> = words
            .into_iter()
            .chain([share.to_str().unwrap()])
            .chain(pool)
            .collect();
        poolproof(&all);
        scene
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// What the source says from now on.
    pub(crate) fn tell(&self, text: &str) {
        let new = self.path("percent.new");
        fs::write(&new, text).unwrap();
        fs::rename(new, self.path("percent")).unwrap();
    }

    fn command(&self, more: &str) -> Command {
        let mut command = program();
        let watch = "watch scans --source percent --file percent --no-probes";
        command
            .args(watch.split(' ').chain(more.split_whitespace()))
            .current_dir(self.folder.path())
            .env_remove("POOLPROOF_TOKEN")
            .stdout(Stdio::null())
            .stderr(Stdio::piped());
        command
    }

    /// Starts a watch with a page at a free port, and reads where it is.
    pub(crate) fn watch(&self, more: &str) -> Shown {
        let address = if more.contains("--page") {
            ""
        } else {
            "--page 127.0.0.1:0"
        };
        let mut child = self
            .command(&format!("--every 1s {address} {more}"))
            .spawn()
            .unwrap();
        let mut said = BufReader::new(child.stderr.take().unwrap());
        let mut before = String::new();
        let place = loop {
            let mut line = String::new();
            assert!(said.read_line(&mut line).unwrap() > 0, "it ended: {before}");
            if let Some(place) = line.trim().strip_prefix("the page is at ") {
                break place.to_owned();
            }
            before += &line;
        };
        Shown {
            child,
            said,
            before,
            place,
        }
    }
}

/// A watch with its page.
pub(crate) struct Shown {
    child: Child,
    said: BufReader<ChildStderr>,
    /// What was said before the address of the page.
    pub(crate) before: String,
    /// Where the page is.
    pub(crate) place: String,
}

impl Shown {
    fn port(&self) -> u16 {
        let (_, rest) = self.place.rsplit_once(':').unwrap();
        rest.split('/').next().unwrap().parse().unwrap()
    }

    fn connect(&self, path: &str) -> TcpStream {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port())).unwrap();
        let request = format!("GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n");
        stream.write_all(request.as_bytes()).unwrap();
        stream
    }

    pub(crate) fn ask(&self, path: &str) -> String {
        let mut answer = String::new();
        self.connect(path).read_to_string(&mut answer).unwrap();
        answer
    }

    /// Ends it as Ctrl-C does: exit code, and what it said after the address of the page.
    pub(crate) fn interrupt(self) -> (Option<i32>, String) {
        run("kill", &["-INT", &self.child.id().to_string()]).unwrap();
        self.end()
    }

    /// Waits for its end.
    pub(crate) fn end(mut self) -> (Option<i32>, String) {
        let mut said = String::new();
        self.said.read_to_string(&mut said).unwrap();
        (self.child.wait().unwrap().code(), said)
    }
}

/// A test that fails leaves no watch behind.
impl Drop for Shown {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn a_port_that_is_taken_is_said_before_the_watch_begins() {
    let scene = Scene::set();
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap();
    let output = scene
        .command(&format!("--page {address}"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(
        said.contains(&format!("{address} cannot be listened on")) && said.contains("--page"),
        "{said}"
    );
    assert!(!scene.path("scans/progress.csv").exists());
    for (more, told) in [
        ("--page 127.0.0.1", "--page"),
        ("--page 127.0.0.1:0 --once", "--once"),
        ("--token percent", "--page"),
        ("--page 127.0.0.1:0 --token percent", "holds no token"),
        ("--page 127.0.0.1:0 --token nowhere", "cannot be read"),
    ] {
        let output = scene.command(more).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{more}: {said}");
        assert!(said.contains(told), "{more}: {said}");
    }
}

#[test]
fn the_page_follows_the_watch_and_both_end_together() {
    let scene = Scene::set();
    let shown = scene.watch("");
    let mut stream = BufReader::new(shown.connect("/changes"));
    let (mut line, mut positions) = (String::new(), Vec::new());
    while stream.read_line(&mut line).unwrap() > 0 {
        if let Some(data) = line.trim_end().strip_prefix("data: ") {
            let change: serde_json::Value = serde_json::from_str(data).unwrap();
            let title = change["title"].as_str().unwrap().to_owned();
            if title.starts_with("10.0 %") && !positions.contains(&title) {
                scene.tell("20");
            }
            if title.starts_with("20.0 %") {
                scene.tell("finished");
            }
            if change["over"] == true {
                assert!(
                    change["main"]
                        .as_str()
                        .unwrap()
                        .contains("ended with the reshape")
                );
            }
            positions.push(title);
        }
        line.clear();
    }
    positions.dedup();
    // Before its first reading the watch has none.
    positions.retain(|title| !title.starts_with("Reshape"));
    assert_eq!(
        positions,
        [
            "10.0 % moving · scans",
            "20.0 % moving · scans",
            "20.0 % finished · scans"
        ]
    );
    let (code, said) = shown.end();
    assert_eq!(code, Some(0), "{said}");
}

#[test]
fn a_browser_that_stays_keeps_no_watch_from_its_end() {
    let scene = Scene::set();
    let shown = scene.watch("");
    let staying: Vec<TcpStream> = (0..5).map(|_| shown.connect("/changes")).collect();
    assert!(shown.ask("/").contains("200 OK"));
    let (code, said) = shown.interrupt();
    assert_eq!(code, Some(130), "{said}");
    drop(staying);
}

#[test]
fn an_address_that_others_reach_asks_for_a_token_and_says_so() {
    let scene = Scene::set();
    let shown = scene.watch("--page 0.0.0.0:0");
    assert!(
        shown.before.contains("others reach 0.0.0.0:") && shown.before.contains("unencrypted"),
        "{}",
        shown.before
    );
    let (_, token) = shown.place.split_once("/?token=").unwrap();
    let token = token.to_owned();
    assert!(shown.ask("/").contains("401 Unauthorized"));
    let answer = shown.ask(&format!("/?token={token}"));
    assert!(answer.contains("303 See Other"), "{answer}");
    assert!(shown.ask("/?token=0000000000000000").contains("401"));
    let (_, said) = shown.interrupt();
    assert!(!said.contains(&token), "it is said once: {said}");

    let chosen = "chosen-by-the-keeper";
    fs::write(scene.path("token"), format!("{chosen}\n")).unwrap();
    let shown = scene.watch("--token token");
    assert!(!shown.place.contains(chosen), "{}", shown.place);
    assert!(shown.ask("/metrics").contains("401"));
    assert!(shown.ask(&format!("/?token={chosen}")).contains("303"));
    shown.interrupt();
}

#[test]
fn figures_are_kept_in_a_file_and_served() {
    let scene = Scene::set();
    let output = scene
        .command("--once --metrics watch.prom")
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    let text = fs::read_to_string(scene.path("watch.prom")).unwrap();
    let position = "poolproof_reshape_position_ratio{study=\"scans\"} 0.1\n";
    assert!(
        text.contains(position) && text.ends_with("# EOF\n"),
        "{text}"
    );
    let shown = scene.watch("");
    let answer = shown.ask("/metrics");
    assert!(
        answer.contains(position) && answer.ends_with("# EOF\n"),
        "{answer}"
    );
    shown.interrupt();
    let output = scene.command("--metrics no/such.prom").output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(said.contains("no/such.prom cannot be written"), "{said}");
}
