//! One emulated machine: started, told what to run, reset, stopped.

use std::collections::BTreeMap;
use std::io::{BufRead as _, BufReader, Write as _};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;

use crate::drive::Drive;
use crate::root::Root;

/// How long a machine may take until it listens.
const BOOT: Duration = Duration::from_secs(120);

/// Looks at a machine's clock.
const LOOKS: usize = 6;

/// Which end of the cable a machine has.
#[derive(Clone, Copy, PartialEq)]
pub(crate) enum End {
    /// Has to be started first.
    Server,
    Client,
}

/// What came of a command.
#[derive(Clone, Debug)]
pub(crate) struct Output {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

type Waiting = Arc<Mutex<BTreeMap<u64, Sender<Output>>>>;

/// A machine that runs; it ends when this value is dropped, or when the process that started it ends.
pub(crate) struct Machine {
    name: &'static str,
    folder: PathBuf,
    child: Child,
    agent: Mutex<UnixStream>,
    waiting: Waiting,
    ready: Mutex<Receiver<()>>,
    next: Mutex<u64>,
}

impl Machine {
    /// Starts a machine with `memory` MiB and `drives` behind one end of the cable that stands in `folder`.
    pub(crate) fn start(
        folder: &Path,
        root: &Root,
        end: End,
        memory: u32,
        drives: &[Drive],
    ) -> Result<Self, String> {
        let name = match end {
            End::Server => "server",
            End::Client => "client",
        };
        let path = |file: &str| folder.join(format!("{name}.{file}")).display().to_string();
        let cable = folder.join("cable").display().to_string();
        let (side, address) = match end {
            End::Server => ("on", "52:54:00:00:55:01"),
            End::Client => ("off", "52:54:00:00:55:02"),
        };
        // Whoever started it may be killed: then the kernel ends the machine, too.
        let mut qemu = Command::new("setpriv");
        qemu.args(["--pdeathsig", "KILL", "qemu-system-x86_64"])
            .args(["-accel", "tcg,thread=multi", "-cpu", "max", "-smp", "1"])
            .args(["-m", &memory.to_string(), "-nodefaults", "-no-user-config"])
            .args(["-display", "none", "-rtc", "base=utc,clock=host"])
            .args(["-kernel", &root.kernel.display().to_string()])
            .args(["-initrd", &root.first.display().to_string()])
            .args(["-append", "console=ttyS0 quiet panic=-1 mitigations=off"])
            .args(["-serial", &format!("file:{}", path("console"))])
            .args(["-device", "virtio-serial-pci", "-chardev"])
            .arg(format!(
                "socket,id=agent,path={},server=on,wait=off",
                path("agent")
            ))
            .args(["-device", "virtserialport,chardev=agent,name=lab", "-qmp"])
            .arg(format!("unix:{},server=on,wait=off", path("control")))
            .args([
                "-netdev",
                &format!("stream,id=cable,server={side},addr.type=unix,addr.path={cable}"),
            ])
            .arg("-device")
            .arg(format!(
                "virtio-net-pci,netdev=cable,id=net0,mac={address},speed=1000,duplex=full"
            ))
            .arg("-drive")
            .arg(format!(
                "file={},format=raw,if=none,id=root,snapshot=on",
                root.image.display()
            ))
            .args(["-device", "virtio-blk-pci,drive=root"]);
        for (index, drive) in drives.iter().enumerate() {
            let socket = drive.socket().display();
            qemu.arg("-blockdev")
                .arg(format!("driver=nbd,node-name=d{index},server.type=unix,server.path={socket},cache.direct=on"))
                .arg("-device")
                .arg(format!("virtio-blk-pci,drive=d{index},serial=LAB{index:04}"));
        }
        let log = std::fs::File::create(path("log")).map_err(|error| error.to_string())?;
        let child = qemu
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .map_err(|error| format!("cannot start setpriv and qemu-system-x86_64: {error}"))?;
        let agent = connect(Path::new(&path("agent")))
            .map_err(|why| format!("{name}: {why}; {}", read(&path("log"))))?;
        let waiting = Waiting::default();
        let (tell, ready) = channel();
        let listening = agent.try_clone().map_err(|error| error.to_string())?;
        let answers = Arc::clone(&waiting);
        thread::spawn(move || listen(listening, &answers, &tell));
        let machine = Self {
            name,
            folder: folder.to_owned(),
            child,
            agent: Mutex::new(agent),
            waiting,
            ready: Mutex::new(ready),
            next: Mutex::new(0),
        };
        machine.wait()?;
        Ok(machine)
    }

    /// Waits until the machine listens, and sets its clock and its end of the cable.
    fn wait(&self) -> Result<(), String> {
        self.ready.lock().unwrap().recv_timeout(BOOT).map_err(|_| {
            let console = read(
                &self
                    .folder
                    .join(format!("{}.console", self.name))
                    .display()
                    .to_string(),
            );
            format!("{} did not come up within {BOOT:?}: {console}", self.name)
        })?;
        let host = if self.name == "server" { 1 } else { 2 };
        self.run(&format!(
            "ip link set dev eth0 up; ip addr add 10.55.0.{host}/24 dev eth0; hostname {}",
            self.name
        ))
        .map(drop)
    }

    /// Runs lines of a shell and returns what they print, or one sentence when they fail.
    pub(crate) fn run(&self, script: &str) -> Result<String, String> {
        let output = self.output(script, Duration::from_secs(300))?;
        match output.code {
            0 => Ok(output.out),
            code => Err(format!(
                "{}: `{script}` ended with {code}: {}{}",
                self.name, output.out, output.err
            )),
        }
    }

    /// Runs lines of a shell whatever comes of them, unless they take longer than `limit`.
    pub(crate) fn output(&self, script: &str, limit: Duration) -> Result<Output, String> {
        self.begin(script)?
            .recv_timeout(limit)
            .map_err(|_| format!("{}: `{script}` took longer than {limit:?}", self.name))
    }

    /// Begins lines of a shell; their end comes later.
    pub(crate) fn begin(&self, script: &str) -> Result<Receiver<Output>, String> {
        let id = {
            let mut next = self.next.lock().unwrap();
            *next += 1;
            *next
        };
        if std::env::var_os("POOLPROOF_LAB_TRACE").is_some() {
            crate::tool::say(&format!("{} < {}", self.name, script.trim()));
        }
        let (answer, answered) = channel();
        self.waiting.lock().unwrap().insert(id, answer);
        let line = format!("{id} {}\n", BASE64_STANDARD.encode(script));
        self.agent
            .lock()
            .unwrap()
            .write_all(line.as_bytes())
            .map_err(|error| format!("{} listens no more: {error}", self.name))?;
        Ok(answered)
    }

    /// Takes the power away and gives it back, and waits until the machine is up again.
    pub(crate) fn power_cycle(&self) -> Result<(), String> {
        self.waiting.lock().unwrap().clear();
        while self.ready.lock().unwrap().try_recv().is_ok() {}
        self.control(r#"{"execute":"system_reset"}"#)?;
        self.wait()
    }

    /// Plugs the cable in or pulls it.
    pub(crate) fn cable(&self, plugged: bool) -> Result<(), String> {
        self.control(&format!(
            r#"{{"execute":"set_link","arguments":{{"name":"net0","up":{plugged}}}}}"#
        ))
    }

    /// Says one thing to QEMU.
    fn control(&self, command: &str) -> Result<(), String> {
        let io = |error: std::io::Error| format!("{} cannot be controlled: {error}", self.name);
        let socket = self.folder.join(format!("{}.control", self.name));
        let stream = UnixStream::connect(socket).map_err(io)?;
        let mut lines = BufReader::new(stream.try_clone().map_err(io)?).lines();
        let mut stream = stream;
        for say in [r#"{"execute":"qmp_capabilities"}"#, command] {
            stream.write_all(say.as_bytes()).map_err(io)?;
            loop {
                let line = lines.next().ok_or("no answer")?.map_err(io)?;
                if line.contains("\"error\"") {
                    return Err(format!("{} refuses {command}: {line}", self.name));
                }
                if line.contains("\"return\"") {
                    break;
                }
            }
        }
        Ok(())
    }

    /// Seconds by which the machine's clock is ahead of this one's: of several looks the one that was answered
    /// soonest, since what a busy machine adds lies on one side.
    pub(crate) fn clock_offset(&self) -> Result<f64, String> {
        let now = || {
            let now = SystemTime::now().duration_since(UNIX_EPOCH);
            now.expect("after 1970").as_secs_f64()
        };
        let mut best: Option<(f64, f64)> = None;
        for _ in 0..LOOKS {
            let before = now();
            let said = self.run("echo $EPOCHREALTIME")?;
            let after = now();
            let there: f64 = said
                .trim()
                .parse()
                .map_err(|_| format!("no time: {said}"))?;
            if best.is_none_or(|(took, _)| after - before < took) {
                best = Some((after - before, there - f64::midpoint(before, after)));
            }
        }
        Ok(best.expect("there are looks").1)
    }
}

impl Drop for Machine {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Connects to a socket that QEMU is about to make.
fn connect(path: &Path) -> Result<UnixStream, String> {
    let started = Instant::now();
    loop {
        match UnixStream::connect(path) {
            Ok(stream) => return Ok(stream),
            Err(error) if started.elapsed() > Duration::from_secs(10) => {
                return Err(format!("no socket after 10 s: {error}"));
            }
            Err(_) => thread::sleep(Duration::from_millis(20)),
        }
    }
}

/// Hands answers to whoever waits for them.
fn listen(stream: UnixStream, waiting: &Waiting, ready: &Sender<()>) {
    for line in BufReader::new(stream).lines().map_while(Result::ok) {
        if line.ends_with("ready") {
            let _gone = ready.send(());
            continue;
        }
        let mut words = line.split(' ');
        let mut word = || words.next().unwrap_or_default();
        let (Ok(id), Ok(code)) = (word().parse(), word().parse()) else {
            continue;
        };
        let mut decoded = || {
            let bytes = BASE64_STANDARD.decode(word().trim_start_matches('.'));
            String::from_utf8_lossy(&bytes.unwrap_or_default()).into_owned()
        };
        let (out, err) = (decoded(), decoded());
        if let Some(answer) = waiting.lock().unwrap().remove(&id) {
            // Who asked may have stopped waiting.
            drop(answer.send(Output { code, out, err }));
        }
    }
}

/// A file's text, as far as there is one.
fn read(path: &str) -> String {
    let bytes = std::fs::read(path).unwrap_or_default();
    String::from_utf8_lossy(&bytes[bytes.len().saturating_sub(12000)..]).into_owned()
}
