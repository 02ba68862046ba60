//! Blocks that cannot be read, and blocks that hold something else than was written.

use std::fs::OpenOptions;
use std::os::unix::fs::FileExt as _;
use std::path::Path;

use poolproof::plan::Set;
use poolproof::plan::content::BLOCK;
use poolproof::store;

use super::config::{Config, Direct};
use super::program::Scene;
use super::{MIB, quick};
use crate::support::{output, poolproof};

/// What `verify` printed and said, with its exit code.
fn verify(scene: &Scene) -> (Option<i32>, String, String) {
    let ended = output(env!("CARGO_BIN_EXE_poolproof"), &["verify", scene.study()]).unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).replace("\n    ", " ");
    (
        ended.status.code(),
        text(&ended.stdout),
        text(&ended.stderr),
    )
}

/// The share fails one block and has changed another: both are told, each for what it is, and all
/// else is read, with direct I/O or without.
#[test]
fn unreadable_and_wrong_blocks_are_told_apart() {
    for direct in [Direct::Honest, Direct::Refused, Direct::RefusedLate] {
        let Some(scene) = Scene::set(&Config { direct, ..quick() }) else {
            return;
        };
        scene.measure(&["small-read"], "1");
        let study = store::read(Path::new(scene.study())).unwrap();
        scene.share.reset();
        let (code, text, said) = verify(&scene);
        assert_eq!(code, Some(0), "{said}");
        let passes = matches!(direct, Direct::Honest);
        assert_eq!(
            text.contains("seen to pass this client's cache."),
            passes,
            "{text}"
        );
        assert_eq!(
            said.contains("direct I/O is refused here"),
            !passes,
            "{said}"
        );
        let served = scene.counts().reads().total().bytes;
        let all = study.data.total().0;
        // Nothing came from this client's cache; a block or two were read to find out.
        assert!(
            served >= all && served <= all + u64::from(4 * MIB),
            "{served} of {all}"
        );

        // The last read of a whole mebibyte is of the last file.
        if passes {
            scene.share.break_last_read(MIB);
        }
        let file = study.data.of(Set::Read).next().unwrap();
        let path = scene
            .share
            .path()
            .join(&study.data.folder)
            .join(file.name());
        let handle = OpenOptions::new().write(true).open(path).unwrap();
        handle.write_all_at(&[0; BLOCK], 7 * BLOCK as u64).unwrap();
        drop(handle);
        let (code, text, said) = verify(&scene);
        assert_eq!(code, Some(10), "{said}");
        assert!(said.contains("DAMAGE: "), "{said}");
        let rows = scene.rows("damage.csv");
        let kinds: Vec<(&str, &str)> = rows
            .iter()
            .map(|row| (row.0["kind"].as_str(), row.0["blocks"].as_str()))
            .collect();
        let mut expected = vec![("content", "1")];
        if passes {
            expected.push(("unreadable", "1"));
            assert!(text.contains("2 BLOCKS ARE DAMAGED"), "{text}");
            let unreadable = rows
                .iter()
                .find(|row| row.0["kind"] == "unreadable")
                .unwrap();
            let words = "Input/output error";
            assert!(
                unreadable.0["found"].contains(words),
                "{}",
                unreadable.0["found"]
            );
        }
        let mut kinds = kinds;
        kinds.sort_unstable();
        assert_eq!(kinds, expected);
        let zeros = rows.iter().find(|row| row.0["kind"] == "content").unwrap();
        assert_eq!(
            (&*zeros.0["offset_bytes"], &*zeros.0["found"]),
            ("28672", "zeros")
        );
        assert_eq!(zeros.0["name"], file.name());
    }
}

/// Sealed files are read past this client's cache, too.
#[test]
fn sealed_files_come_from_the_share() {
    let Some(scene) = Scene::set(&Config {
        direct: Direct::Refused,
        ..quick()
    }) else {
        return;
    };
    let file = scene.share.path().join("log");
    std::fs::write(&file, vec![7; 8 << 20]).unwrap();
    let path = file.to_string_lossy();
    poolproof(&["seal", scene.study(), &path, "--all"]);
    scene.share.reset();
    let (code, text, said) = verify(&scene);
    assert_eq!(code, Some(0), "{said}");
    assert!(text.contains("1 unchanged"), "{text}");
    assert!(scene.counts().reads().total().bytes >= 8 << 20);
}
