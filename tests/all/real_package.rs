//! The program as others get it: the Debian package, installed and removed again; the program without
//! shared libraries, in a folder that holds nothing else. Both are built by `.packaging/`, before.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::docs::commands;
use crate::support::{find, real, run};

fn target() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("target")
}

fn as_root() -> Result<(), String> {
    match rustix::process::geteuid().is_root() {
        true => Ok(()),
        false => Err("it needs root".to_owned()),
    }
}

/// The package that was built last.
fn package() -> Result<PathBuf, String> {
    as_root()?;
    find("dpkg")?;
    let folder = target().join("debian");
    let entries = fs::read_dir(&folder).into_iter().flatten().flatten();
    let packages = entries
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|end| end == "deb"));
    let latest = packages.max_by_key(|path| fs::metadata(path).and_then(|m| m.modified()).ok());
    latest.ok_or_else(|| "no package in target/debian: run .packaging/deb first".to_owned())
}

#[test]
fn real_package_installs_runs_and_leaves_nothing_behind() {
    let Some(package) = real("the package", package) else {
        return;
    };
    let package = package.to_str().unwrap();
    let installed = run("dpkg-query", &["-W", "-f=${Status}", "poolproof"]);
    assert!(
        !installed.is_ok_and(|status| status.contains("ok installed")),
        "poolproof is installed already: this test would remove it"
    );
    // Images of containers often leave documentation out.
    let all = "--path-include=/usr/share/*";
    run("dpkg", &["--install", all, package]).unwrap();
    let checked = std::panic::catch_unwind(installed_files);
    run("dpkg", &["--purge", "poolproof"]).unwrap();
    let files = checked.unwrap_or_else(|why| std::panic::resume_unwind(why));
    for file in files {
        assert!(!Path::new(&file).is_file(), "{file} is left");
    }
}

/// Looks at what is installed; its files.
fn installed_files() -> Vec<String> {
    let listed = run("dpkg", &["-L", "poolproof"]).unwrap();
    let files: Vec<String> = listed
        .lines()
        .filter(|path| Path::new(path).is_file())
        .map(str::to_owned)
        .collect();
    let has = |end: &str| files.iter().any(|file| file.ends_with(end));
    let pages: Vec<String> = commands()
        .iter()
        .map(|command| format!("man1/poolproof-{command}.1.gz"))
        .collect();
    let others = [
        "usr/bin/poolproof",
        "bash-completion/completions/poolproof",
        "vendor-completions/_poolproof",
        "vendor_completions.d/poolproof.fish",
        "man1/poolproof.1.gz",
        "doc/poolproof/copyright",
        "examples/poolproof-watch@.service",
    ];
    for end in pages.iter().map(String::as_str).chain(others) {
        assert!(has(end), "{end} in {files:?}");
    }
    let version = run("/usr/bin/poolproof", &["--version"]).unwrap();
    assert_eq!(
        version.trim(),
        concat!("poolproof ", env!("CARGO_PKG_VERSION"))
    );
    let shown = run("man", &["-P", "cat", "poolproof-measure"]).unwrap();
    assert!(
        shown.contains("poolproof measure scans --phase before"),
        "{shown}"
    );
    unit("/usr/share/doc/poolproof/examples/poolproof-watch@.service");
    files
}

/// The example unit is one that systemd understands, and shuts the watch in.
fn unit(example: &str) {
    let folder = tempfile::tempdir().unwrap();
    let text = fs::read_to_string(example).unwrap();
    assert!(text.contains("User=keeper") && text.contains("ReadWritePaths=%f"));
    // A user that this machine has.
    let unit = folder.path().join("poolproof-watch@tmp-scans.service");
    fs::write(&unit, text.replace("User=keeper", "User=daemon")).unwrap();
    let unit = unit.to_str().unwrap();
    run("systemd-analyze", &["verify", unit]).unwrap();
    // Least exposure by systemd's own reckoning (0 to 10); below 3 it calls a service OK at least.
    run(
        "systemd-analyze",
        &["security", "--offline=yes", "--threshold=30", unit],
    )
    .unwrap();
}

/// The program without shared libraries.
fn static_program() -> Result<PathBuf, String> {
    as_root()?;
    find("chroot")?;
    let folder = target().join(format!("{}-unknown-linux-gnu", std::env::consts::ARCH));
    let profiles = fs::read_dir(&folder).into_iter().flatten().flatten();
    let programs = profiles.map(|profile| profile.path().join("poolproof"));
    let built = programs.filter(|path| path.is_file());
    let latest = built.max_by_key(|path| fs::metadata(path).and_then(|m| m.modified()).ok());
    latest.ok_or_else(|| {
        format!(
            "no program in {}: run .packaging/static first",
            folder.display()
        )
    })
}

#[test]
fn real_static_program_runs_where_there_is_nothing_else() {
    let Some(program) = real("the static program", static_program) else {
        return;
    };
    let chroot = find("chroot").unwrap();
    let root = tempfile::tempdir().unwrap();
    fs::copy(&program, root.path().join("poolproof")).unwrap();
    let within = |words: &[&str]| {
        // By its whole name: without an environment nothing tells where to look for it.
        let output = Command::new(&chroot)
            .arg(root.path())
            .arg("/poolproof")
            .args(words)
            .env_clear()
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.success(), "{words:?}: {said}");
        String::from_utf8(output.stdout).unwrap()
    };
    let help = within(&["--help"]);
    assert!(
        commands().iter().all(|command| help.contains(command)),
        "{help}"
    );
    let told = within(&["demo", "/lighthouse-archive"]);
    assert!(
        told.starts_with("SIMULATED") && told.contains("large-read"),
        "{told}"
    );
    let study = root.path().join("lighthouse-archive");
    // The same bytes as wherever else it is made.
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("reports/lighthouse-archive");
    for table in ["trials.csv", "progress.csv", "reports/report.html"] {
        let [made, kept] = [&study, &example].map(|folder| fs::read(folder.join(table)).unwrap());
        assert!(made == kept, "{table} differs");
    }
    let left: BTreeSet<_> = fs::read_dir(root.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .collect();
    assert_eq!(left.len(), 2, "{left:?}");
}
