//! The page as a browser gets it, over real connections of this machine.
#![expect(clippy::disallowed_methods, reason = "these tests look at files")]

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinHandle;

use super::*;
use crate::report::Over;
use crate::report::testing::{Scene, study};
use crate::reshape::{Reading, Reported, Source, Word};
use crate::study::ProgressRow;
use crate::watch::{Event, Orders};

fn picture(title: &str, over: bool) -> Arc<Painted> {
    Arc::new(Painted {
        title: title.to_owned(),
        main: format!("<section data-part=\"state\">{title}</section>"),
        again: 30,
        over,
        metrics: "# EOF\n".to_owned(),
        figures: "# EOF\n".to_owned(),
    })
}

struct Stage {
    port: u16,
    painted: watch::Sender<Arc<Painted>>,
    serving: JoinHandle<()>,
}

impl Stage {
    async fn set(token: Option<&str>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let token = token.map(|token| Token::new(token).unwrap());
        let (painted, pictures) = watch::channel(picture("first", false));
        let serving = tokio::spawn(serve(listener, Door::new(address, token), pictures));
        let port = address.port();
        Self {
            port,
            painted,
            serving,
        }
    }

    async fn connect(&self) -> TcpStream {
        TcpStream::connect(("127.0.0.1", self.port)).await.unwrap()
    }

    /// Sends a request line with more lines; the whole answer.
    async fn ask(&self, line: &str, more: &str) -> String {
        let mut stream = self.connect().await;
        let host = format!("Host: 127.0.0.1:{}\r\n", self.port);
        let host = if more.contains("Host:") { "" } else { &host };
        let request = format!("{line} HTTP/1.1\r\n{host}{more}\r\n");
        stream.write_all(request.as_bytes()).await.unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).await.unwrap();
        answer
    }
}

fn status(answer: &str) -> u16 {
    answer.split(' ').nth(1).unwrap().parse().unwrap()
}

fn header<'a>(answer: &'a str, name: &str) -> Option<&'a str> {
    let (head, _) = answer.split_once("\r\n\r\n").unwrap();
    head.lines()
        .filter_map(|line| line.split_once(": "))
        .find(|(of, _)| of.eq_ignore_ascii_case(name))
        .map(|(_, value)| value)
}

#[tokio::test]
async fn only_looking_is_possible_and_every_answer_is_kept_apart() {
    let stage = Stage::set(None).await;
    let asked = [
        ("GET /", "", 200),
        ("HEAD /", "", 200),
        ("GET /metrics", "", 200),
        ("GET /favicon.ico", "", 404),
        ("GET /", "Host: rebound.example\r\n", 421),
        ("POST /", "Content-Length: 0\r\n", 405),
        ("PUT /metrics", "Content-Length: 0\r\n", 405),
        ("DELETE /nowhere", "", 405),
        ("OPTIONS /", "", 405),
    ];
    for (line, more, code) in asked {
        let answer = stage.ask(line, more).await;
        assert_eq!(status(&answer), code, "{line} {more}: {answer}");
        let policy = header(&answer, "content-security-policy").unwrap();
        assert!(policy.contains("default-src 'none'") && policy.contains("frame-ancestors 'none'"));
        for (name, value) in [
            ("x-frame-options", "DENY"),
            ("x-content-type-options", "nosniff"),
            ("referrer-policy", "no-referrer"),
            ("cache-control", "no-store"),
            ("cross-origin-resource-policy", "same-origin"),
        ] {
            assert_eq!(header(&answer, name), Some(value), "{line}: {name}");
        }
        assert_eq!(header(&answer, "access-control-allow-origin"), None);
        if code == 405 {
            assert_eq!(header(&answer, "allow"), Some("GET, HEAD"));
        }
    }
    let answer = stage.ask("GET /metrics", "").await;
    let kind = header(&answer, "content-type").unwrap();
    assert_eq!(
        kind,
        "application/openmetrics-text; version=1.0.0; charset=utf-8"
    );
}

#[tokio::test]
async fn scripts_run_by_a_word_that_no_other_document_has() {
    let stage = Stage::set(None).await;
    let mut words = Vec::new();
    for _ in 0..2 {
        let answer = stage.ask("GET /", "").await;
        let policy = header(&answer, "content-security-policy").unwrap();
        let (_, rest) = policy.split_once("script-src 'nonce-").unwrap();
        let word = rest.split('\'').next().unwrap().to_owned();
        assert!(word.len() == 32 && answer.contains(&format!("<script nonce=\"{word}\">")));
        assert!(
            !policy.contains("unsafe") && !policy.contains("http"),
            "{policy}"
        );
        words.push(word);
    }
    assert_ne!(words[0], words[1]);
}

#[tokio::test]
async fn the_token_is_asked_for_taken_out_of_the_address_and_kept() {
    let token = "0123456789abcdef-_.";
    let stage = Stage::set(Some(token)).await;
    for path in ["/", "/metrics", "/changes", "/nowhere"] {
        let answer = stage.ask(&format!("GET {path}"), "").await;
        assert_eq!(status(&answer), 401, "{path}");
        assert!(!answer.contains("first"), "{answer}");
    }
    let answer = stage.ask(&format!("GET /?token={token}"), "").await;
    assert_eq!(
        (status(&answer), header(&answer, "location")),
        (303, Some("/"))
    );
    let away = stage
        .ask(&format!("GET //evil.example/?token={token}"), "")
        .await;
    assert_eq!(header(&away, "location"), Some("/"));
    let cookie = header(&answer, "set-cookie").unwrap();
    assert!(
        cookie.ends_with("; Path=/; HttpOnly; SameSite=Lax"),
        "{cookie}"
    );
    let kept = cookie.split(';').next().unwrap();
    let answer = stage.ask("GET /", &format!("Cookie: {kept}\r\n")).await;
    assert!(status(&answer) == 200 && answer.contains("first") && !answer.contains(token));
    let bearer = format!("Authorization: Bearer {token}\r\n");
    assert_eq!(status(&stage.ask("GET /metrics", &bearer).await), 200);
}

#[tokio::test]
async fn changes_arrive_as_they_are_painted_and_the_end_ends_all() {
    let stage = Stage::set(None).await;
    let mut stream = BufReader::new(stage.connect().await);
    let request = "GET /changes HTTP/1.1\r\nHost: localhost\r\n\r\n";
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut titles = Vec::new();
    let mut line = String::new();
    while stream.read_line(&mut line).await.unwrap() > 0 {
        if let Some(data) = line.trim_end().strip_prefix("data: ") {
            let change: serde_json::Value = serde_json::from_str(data).unwrap();
            titles.push(change["title"].as_str().unwrap().to_owned());
            match titles.len() {
                1 => drop(stage.painted.send_replace(picture("second <&>", false))),
                2 => drop(stage.painted.send_replace(picture("last", true))),
                _ => assert_eq!(change["over"], true),
            }
        }
        line.clear();
    }
    assert_eq!(titles, ["first", "second <&>", "last"]);
    drop(stage.painted);
    stage.serving.await.unwrap();
}

#[tokio::test(start_paused = true)]
async fn who_never_finishes_asking_is_let_go() {
    let stage = Stage::set(None).await;
    let mut slow = stage.connect().await;
    slow.write_all(b"GET / HTTP/1.1\r\nHost: local")
        .await
        .unwrap();
    // The clock of this test goes on by itself when nothing else does.
    let mut answer = Vec::new();
    let ended = slow.read_to_end(&mut answer).await;
    assert!(ended.is_err() || !String::from_utf8_lossy(&answer).contains("200 OK"));
    let long = format!(
        "GET / HTTP/1.1\r\nHost: localhost\r\nX: {}\r\n\r\n",
        "x".repeat(40_000)
    );
    let mut large = stage.connect().await;
    // It may be refused before all of it is sent.
    drop(large.write_all(long.as_bytes()).await);
    let mut answer = Vec::new();
    drop(large.read_to_end(&mut answer).await);
    assert!(!String::from_utf8_lossy(&answer).contains("200 OK"));
}

#[tokio::test]
async fn browsers_that_hang_hold_up_neither_the_loop_nor_its_end() {
    let stage = Stage::set(None).await;
    let mut hanging = Vec::new();
    for _ in 0..64 {
        let mut stream = stage.connect().await;
        stream
            .write_all(b"GET /changes HTTP/1.1\r\nHost: localhost\r\n\r\n")
            .await
            .unwrap();
        // The answer has begun, so that its place is taken; from here on nothing is read.
        let mut begun = [0; 12];
        stream.read_exact(&mut begun).await.unwrap();
        hanging.push(stream);
    }
    let answer = stage.ask("GET /changes", "").await;
    assert_eq!(status(&answer), 503, "{answer}");
    assert_eq!(status(&stage.ask("GET /", "").await), 200);
    hanging.truncate(4);
    // More than any buffer between here and there holds.
    let large = "x".repeat(200_000);
    for _ in 0..50 {
        stage.painted.send_replace(picture(&large, false));
        tokio::task::yield_now().await;
    }
    drop(stage.painted);
    stage.serving.await.unwrap();
    drop(hanging);
}

fn orders() -> Orders {
    Orders {
        study: "scans".into(),
        source: Source::Percent,
        array: None,
        every: Duration::from_secs(300),
        once: false,
        zone: TimeZone::UTC,
    }
}

#[tokio::test]
async fn what_the_loop_tells_is_painted_and_kept_in_a_file() {
    let study = study(Scene::BeforeOnly);
    let now: Timestamp = "2026-03-02T12:00:00Z".parse().unwrap();
    let (mut herald, moments) = Herald::new(&study, &TimeZone::UTC, now);
    let mut painter = Painter::new(&study, &orders());
    let first = painter.paint(&moments.borrow());
    assert!(first.main.contains("No reading yet") && !first.over);
    let (painted, mut pictures) = watch::channel(Arc::new(first));
    let place = tempfile::tempdir().unwrap();
    let file = place.path().join("watch.prom");
    let keeping = tokio::spawn(keep_figures(file.clone(), pictures.clone(), |_| ()));
    let painting = tokio::spawn(painter.paint_all(moments, painted));
    let reported = Reported {
        fraction: Some(0.375),
        ..Reported::bare(Word::Running, "")
    };
    let reading = Reading::of(now, reported);
    let row = ProgressRow::of(&reading, Source::Percent, false);
    let seen = crate::reshape::assess(&[reading], None, None).unwrap();
    herald.hear(&Event::Read(&seen, &row), now);
    pictures.changed().await.unwrap();
    assert!(
        pictures
            .borrow_and_update()
            .title
            .starts_with("37.5 % moving")
    );
    herald.hear(&Event::Note("the share is away".to_owned()), now);
    herald.end(Over::Ended, now);
    painting.await.unwrap();
    keeping.await.unwrap();
    let last = Arc::clone(&pictures.borrow_and_update());
    assert!(last.over && last.main.contains("the share is away"));
    assert!(last.main.contains("was ended at Mon 2 Mar 12:00"));
    let kept = std::fs::read_to_string(file).unwrap();
    assert_eq!(kept, last.figures);
    assert!(kept.contains("poolproof_reshape_position_ratio{study=\"scan-archive\"} 0.375\n"));
}

#[tokio::test]
async fn a_file_that_cannot_be_written_is_said_once_and_once_when_it_can() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("later");
    let (painted, pictures) = watch::channel(picture("0", false));
    let (said, mut says) = tokio::sync::mpsc::unbounded_channel();
    let (tell, file) = (said.clone(), folder.join("watch.prom"));
    let keeping = tokio::spawn(keep_figures(file.clone(), pictures, move |text: &str| {
        tell.send(text.to_owned()).unwrap();
    }));
    painted.send_replace(picture("1", false));
    let first = says.recv().await.unwrap();
    assert!(first.contains("watch.prom cannot be written"), "{first}");
    painted.send_replace(picture("2", false));
    tokio::task::yield_now().await;
    std::fs::create_dir(&folder).unwrap();
    painted.send_replace(picture("3", false));
    assert_eq!(says.recv().await.unwrap(), "the figures are written again");
    drop(painted);
    keeping.await.unwrap();
    assert!(says.try_recv().is_err());
    assert_eq!(std::fs::read_to_string(file).unwrap(), "# EOF\n");
}
