//! The server of the share and the client that mounts it: SFTP through SSH, with keys, settings and
//! logs of its own in one folder.

use std::fs::{self, File};
use std::io;
use std::net::TcpListener;
use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::mpsc::{self, Sender};
use std::thread;
use std::time::Duration;

use rustix::thread::{LinkNameSpaceType, move_into_link_name_space};

use super::link::{Link, SERVER_ADDRESS};
use crate::real_pool::pool::text;
use crate::support::{find, run};

/// Port of the server, in its own namespace.
const PORT: u16 = 2222;
/// Its port without encryption.
const PLAIN_PORT: u16 = 2223;
/// Speaks SFTP on its standard streams.
const SFTP: &str = "/usr/lib/openssh/sftp-server";
/// Fast wherever the processor knows AES, so that the cable is the limit and not the cipher.
const CIPHER: &str = "aes128-gcm@openssh.com";
/// Where the server insists on being able to hide a part of itself.
const PRIVILEGE_SEPARATION: &str = "/run/sshd";

/// Which reads the client's memory may answer.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum ClientCache {
    /// None: every read of every program goes to the server.
    Bypassed,
    /// Reads without direct I/O, as long as a program keeps the file open: how this kind of share
    /// is usually mounted.
    #[default]
    WhileOpen,
    /// Reads without direct I/O, also after the file was closed. What was written through the share
    /// may be read from the server once more: only then the client knows the time of the change.
    Kept,
}

/// A server's folder on this machine, where its settings, keys and logs lie.
pub(super) struct Server {
    folder: PathBuf,
}

impl Server {
    /// Makes keys and settings, and starts the server at its end of the cable.
    pub(super) fn start(folder: &Path, link: &Link) -> Result<Self, String> {
        let server = Self {
            folder: folder.to_owned(),
        };
        for key in ["host_key", "client_key"] {
            let file = text(&folder.join(key));
            run(
                "ssh-keygen",
                &["-q", "-t", "ed25519", "-N", "", "-f", &file],
            )?;
        }
        let host_key = fs::read_to_string(folder.join("host_key.pub"))
            .map_err(|error| format!("cannot read the server's key: {error}"))?;
        server.write("known_hosts", &format!("server {host_key}"))?;
        server.write("sshd_config", &server.server_settings())?;
        server.write("ssh_config", &server.client_settings())?;
        fs::create_dir_all(PRIVILEGE_SEPARATION)
            .map_err(|error| format!("cannot make {PRIVILEGE_SEPARATION}: {error}"))?;
        server.listen(link)?;
        Ok(server)
    }

    /// Starts the server; once more, when it was ended.
    pub(super) fn listen(&self, link: &Link) -> Result<(), String> {
        let folder = &self.folder;
        // Left by one that was killed.
        drop(fs::remove_file(folder.join("sshd.pid")));
        let (settings, log) = (folder.join("sshd_config"), folder.join("sshd.log"));
        let (settings, log) = (text(&settings), text(&log));
        let net = format!("--net={}", link.namespace());
        // It wants to be called by its whole path.
        let sshd = text(&find("sshd")?);
        run("nsenter", &[&net, &sshd, "-f", &settings, "-E", &log])?;
        self.wait()
    }

    /// Waits until the server listens: then it writes its number into a file.
    fn wait(&self) -> Result<(), String> {
        for _ in 0..100 {
            if self.folder.join("sshd.pid").exists() {
                return Ok(());
            }
            thread::sleep(Duration::from_millis(50));
        }
        Err(format!("the server does not listen: {}", self.log()))
    }

    fn server_settings(&self) -> String {
        let at = self.folder.display();
        format!(
            "ListenAddress {SERVER_ADDRESS}:{PORT}\n\
             HostKey {at}/host_key\n\
             AuthorizedKeysFile {at}/client_key.pub\n\
             StrictModes no\n\
             PidFile {at}/sshd.pid\n\
             UsePAM no\n\
             PasswordAuthentication no\n\
             KbdInteractiveAuthentication no\n\
             PermitRootLogin prohibit-password\n\
             Subsystem sftp internal-sftp\n"
        )
    }

    fn client_settings(&self) -> String {
        let at = self.folder.display();
        format!(
            "Host server\n\
             HostName {SERVER_ADDRESS}\n\
             Port {PORT}\n\
             User root\n\
             IdentityFile {at}/client_key\n\
             IdentitiesOnly yes\n\
             BatchMode yes\n\
             UserKnownHostsFile {at}/known_hosts\n\
             GlobalKnownHostsFile /dev/null\n\
             HostKeyAlias server\n\
             StrictHostKeyChecking yes\n\
             Ciphers {CIPHER}\n"
        )
    }

    /// Mounts `exported` of the server at `share`.
    pub(super) fn mount(
        &self,
        exported: &Path,
        share: &Path,
        cache: ClientCache,
    ) -> Result<(), String> {
        let mut sshfs = Command::new("sshfs");
        sshfs.arg("-F").arg(self.folder.join("ssh_config"));
        sshfs.arg(format!("server:{}", text(exported)));
        self.mount_by(sshfs, share, cache)
    }

    /// Mounts what `sshfs` names at `share`.
    fn mount_by(&self, mut sshfs: Command, share: &Path, cache: ClientCache) -> Result<(), String> {
        let log = self.folder.join("mount.log");
        let errors =
            File::create(&log).map_err(|error| format!("cannot make {}: {error}", text(&log)))?;
        sshfs.arg(share);
        match cache {
            ClientCache::Bypassed => sshfs.args(["-o", "direct_io"]),
            ClientCache::WhileOpen => &mut sshfs,
            ClientCache::Kept => sshfs.args(["-o", "kernel_cache"]),
        };
        // Its child keeps what it is given here for as long as the share is mounted: a pipe would
        // be waited for until then.
        let status = sshfs
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(errors)
            .status()
            .map_err(|error| format!("cannot run sshfs: {error}"))?;
        if status.success() {
            return Ok(());
        }
        let words = fs::read_to_string(&log).unwrap_or_default();
        Err(format!("sshfs ended with {status}: {words}{}", self.log()))
    }

    /// Mounts `exported` of the server at `share` without encryption, which costs more than a fast
    /// cable. The mount tells the server's address then.
    pub(super) fn mount_plainly(
        &self,
        link: &Link,
        exported: &Path,
        share: &Path,
        cache: ClientCache,
    ) -> Result<(), String> {
        let (namespace, (ready, listening)) = (link.namespace(), mpsc::channel());
        let serving = thread::spawn(move || serve_once(&namespace, &ready));
        // A listener that cannot be made says why when it is joined.
        if listening.recv().is_ok() {
            let mut sshfs = Command::new("sshfs");
            sshfs.args(["-o", &format!("directport={PLAIN_PORT}")]);
            sshfs.arg(format!("{SERVER_ADDRESS}:{}", text(exported)));
            self.mount_by(sshfs, share, cache)?;
        }
        let served = serving.join().map_err(|_| "the listener broke off")?;
        served.map_err(|error| format!("the server does not listen: {error}"))
    }

    /// A command for a shell on the client that runs `words` on the server.
    pub(super) fn command(&self, words: &str) -> String {
        format!("ssh -F {}/ssh_config server {words}", self.folder.display())
    }

    fn log(&self) -> String {
        fs::read_to_string(self.folder.join("sshd.log")).unwrap_or_default()
    }

    fn write(&self, name: &str, what: &str) -> Result<(), String> {
        let file = self.folder.join(name);
        fs::write(&file, what).map_err(|error| format!("cannot write {}: {error}", text(&file)))
    }
}

/// Listens in the namespace, says so, and gives the first who calls a server of its own, which lives
/// there until the namespace is cleared. This thread belongs to the namespace from here on.
fn serve_once(namespace: &str, ready: &Sender<()>) -> io::Result<()> {
    let namespace = File::open(namespace)?;
    let network = Some(LinkNameSpaceType::Network);
    move_into_link_name_space(namespace.as_fd(), network)?;
    let listener = TcpListener::bind((SERVER_ADDRESS, PLAIN_PORT))?;
    // Nobody waits any more: then nobody calls either, and there is nothing to serve.
    let Ok(()) = ready.send(()) else {
        return Ok(());
    };
    let (stream, _) = listener.accept()?;
    stream.set_nodelay(true)?;
    let (input, output) = (OwnedFd::from(stream.try_clone()?), OwnedFd::from(stream));
    Command::new(SFTP)
        .stdin(input)
        .stdout(output)
        .stderr(Stdio::null())
        .spawn()
        .map(drop)
}
