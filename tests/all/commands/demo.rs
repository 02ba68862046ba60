//! The demo, and the example that it makes.

use std::fs;
use std::path::Path;

use super::{Place, contents};

#[test]
fn the_same_seed_gives_the_same_demo_and_the_example_is_current() {
    let (one, two) = (Place::new(), Place::new());
    let text = one.ok("demo lighthouse-archive");
    assert!(text.starts_with("SIMULATED"), "{text}");
    two.ok("demo lighthouse-archive");
    let (one, two) = (contents(one.folder.path()), contents(two.folder.path()));
    assert!(one == two, "the same seed gave other bytes");
    let mut kept = contents(Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/reports")));
    kept.retain(|name, _| name.starts_with("lighthouse-archive"));
    let differing: Vec<_> = one
        .keys()
        .filter(|name| kept.get(*name) != one.get(*name))
        .collect();
    assert!(
        differing.is_empty() && kept.len() == one.len(),
        "reports/ is not what the program makes now ({differing:?} differ): remove reports/lighthouse-archive and run `cargo run --release -- demo reports/lighthouse-archive`"
    );
}

/// An older demo may hold somebody's notes: it is left as it is.
#[test]
fn the_demo_can_be_repeated_and_leaves_what_is_there() {
    let place = Place::new();
    let note = place.folder.path().join("poolproof-demo/note");
    fs::create_dir(note.parent().unwrap()).unwrap();
    fs::write(&note, "mine").unwrap();
    let text = place.ok("demo");
    assert!(
        text.contains("poolproof-demo-2/reports/report.html"),
        "{text}"
    );
    assert_eq!(fs::read_dir(note.parent().unwrap()).unwrap().count(), 1);
    assert!(
        place
            .fails("demo poolproof-demo", 3)
            .contains("exists already")
    );
    place.ok("compare poolproof-demo-2");
}
