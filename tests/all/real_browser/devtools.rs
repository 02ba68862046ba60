//! Drives headless Chromium through its DevTools protocol over two pipes: no port, no driver, no crate.
//!
//! Protocol: https://chromedevtools.github.io/devtools-protocol. Messages are JSON, each ended by a zero
//! byte.

use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use serde_json::{Value, json};
use tempfile::TempDir;

use crate::support::run;

/// A browser with one page.
pub(crate) struct Browser {
    process: Child,
    to: File,
    from: BufReader<File>,
    number: u64,
    session: Option<String>,
    events: Vec<Value>,
    _folder: TempDir,
}

impl Browser {
    pub(crate) fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let place = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
        let (to, from) = (place("to"), place("from"));
        run("mkfifo", &[&to, &from]).unwrap();
        // Nobody waits for ever: a browser that hangs is ended.
        let script =
            "to=$1; from=$2; shift 2; exec timeout -k 5 150 chromium \"$@\" 3<\"$to\" 4>\"$from\"";
        let profile = format!("--user-data-dir={}", place("profile"));
        let process = Command::new("sh")
            .args(["-c", script, "sh", &to, &from])
            .args([
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-dev-shm-usage",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
                "--hide-scrollbars",
                "--remote-debugging-pipe",
                &profile,
                "about:blank",
            ])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let to = OpenOptions::new().write(true).open(&to).unwrap();
        let from = BufReader::new(File::open(&from).unwrap());
        let mut browser = Self {
            process,
            to,
            from,
            number: 0,
            session: None,
            events: Vec::new(),
            _folder: folder,
        };
        let made = browser.call("Target.createTarget", json!({"url": "about:blank"}));
        let attach = json!({"targetId": made["targetId"], "flatten": true});
        let attached = browser.call("Target.attachToTarget", attach);
        browser.session = attached["sessionId"].as_str().map(str::to_owned);
        for domain in ["Page", "Runtime", "Log", "Network", "Accessibility"] {
            browser.call(&format!("{domain}.enable"), json!({}));
        }
        browser
    }

    /// Calls a method and waits for what it returns.
    pub(crate) fn call(&mut self, method: &str, parameters: Value) -> Value {
        self.number += 1;
        let mut message = json!({"id": self.number, "method": method, "params": parameters});
        if let Some(session) = &self.session {
            message["sessionId"] = json!(session);
        }
        self.to.write_all(message.to_string().as_bytes()).unwrap();
        self.to.write_all(&[0]).unwrap();
        loop {
            let told = self.hear();
            if told["id"] == json!(self.number) {
                assert!(told["error"].is_null(), "{method}: {}", told["error"]);
                return told["result"].clone();
            }
            self.events.push(told);
        }
    }

    fn hear(&mut self) -> Value {
        let mut bytes = Vec::new();
        self.from.read_until(0, &mut bytes).unwrap();
        assert_eq!(bytes.pop(), Some(0), "the browser has ended");
        serde_json::from_slice(&bytes).unwrap()
    }

    /// Opens the page in a file and waits until it is loaded.
    pub(crate) fn open(&mut self, page: &Path) {
        self.visit(&format!("file://{}", page.display()));
    }

    /// Opens an address and waits until it is loaded.
    pub(crate) fn visit(&mut self, address: &str) {
        self.events.clear();
        self.call("Page.navigate", json!({"url": address}));
        while !self
            .events
            .iter()
            .any(|event| event["method"] == "Page.loadEventFired")
        {
            let event = self.hear();
            self.events.push(event);
        }
    }

    /// What an expression of the page's own language comes to, as JSON.
    pub(crate) fn evaluate(&mut self, expression: &str) -> Value {
        let asked = json!({"expression": expression, "returnByValue": true, "awaitPromise": true});
        let told = self.call("Runtime.evaluate", asked);
        assert!(
            told["exceptionDetails"].is_null(),
            "{}",
            told["exceptionDetails"]
        );
        told["result"]["value"].clone()
    }

    /// Console messages, errors, dialogues and complaints of the browser since the page was opened.
    pub(crate) fn complaints(&mut self) -> Vec<String> {
        // Whatever was under way is heard by then.
        self.evaluate("new Promise(done => setTimeout(done, 50))");
        let kinds = [
            "Runtime.consoleAPICalled",
            "Runtime.exceptionThrown",
            "Log.entryAdded",
            "Page.javascriptDialogOpening",
        ];
        let events = self.events.iter();
        let bad = events.filter(|event| kinds.iter().any(|kind| event["method"] == *kind));
        bad.map(Value::to_string).collect()
    }

    /// Addresses that were asked for since the page was opened.
    pub(crate) fn requests(&self) -> Vec<String> {
        let events = self.events.iter();
        let asked = events.filter(|event| event["method"] == "Network.requestWillBeSent");
        let address = |event: &Value| {
            event["params"]["request"]["url"]
                .as_str()
                .unwrap()
                .to_owned()
        };
        asked.map(address).collect()
    }

    /// The size of the window in CSS pixels.
    pub(crate) fn window(&mut self, width: u32, height: u32, phone: bool) {
        let metrics = json!({
            "width": width, "height": height, "deviceScaleFactor": if phone { 2 } else { 1 }, "mobile": phone,
        });
        self.call("Emulation.setDeviceMetricsOverride", metrics);
    }

    /// `screen` or `print`, and `light` or `dark`.
    pub(crate) fn medium(&mut self, medium: &str, scheme: &str) {
        let features = json!([{"name": "prefers-color-scheme", "value": scheme}]);
        let media = json!({"media": medium, "features": features});
        self.call("Emulation.setEmulatedMedia", media);
    }

    /// The upper part of the page, as PNG in base64.
    pub(crate) fn picture(&mut self, width: u32, height: u32) -> String {
        let clip = json!({"x": 0, "y": 0, "width": width, "height": height, "scale": 1});
        let asked = json!({"format": "png", "clip": clip, "captureBeyondViewport": true});
        let told = self.call("Page.captureScreenshot", asked);
        told["data"].as_str().unwrap().to_owned()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // It may have ended by itself; a page's own call would say so with a panic within a panic.
        let close = json!({"id": self.number + 1, "method": "Browser.close"}).to_string();
        let _ = self.to.write_all(close.as_bytes());
        let _ = self.to.write_all(&[0]);
        let _ = self.process.wait();
    }
}
