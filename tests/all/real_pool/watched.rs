//! A real balance, followed through the words of the tool that runs it.

use poolproof::reshape::{Reading, State, Track, assess, forecast};
use poolproof::store;

use super::Scene;
use super::pool::text;
use crate::support::{poolproof, say};

/// So far off may the finish be that is foreseen at a third, as a part of the whole time.
const FORESEEN_WITHIN: f64 = 0.2;

#[test]
fn a_real_balance_is_followed_to_its_end_and_foreseen_at_a_third() {
    let Some(scene) = Scene::set() else { return };
    // The tool counts chunks: of the usual size a small pool has too few to tell a third.
    scene.pool.keep_chunks_small().unwrap();
    scene.measure("before", ["3GiB", "1", "1"]);
    scene.pool.expand().unwrap();
    let ask = format!("btrfs balance status {}", text(&scene.pool.mount()));
    let follow = ["--source", "btrfs", "--command", &ask, "--every", "1s"];
    let told = poolproof(&[&["watch", &scene.study], &follow[..]].concat());

    let (balancing, words) = scene.pool.balancing().unwrap();
    assert!(!balancing, "watching ended before the balance: {words}");
    let study = store::read(scene.study.as_ref()).unwrap();
    let readings: Vec<Reading> = study.progress.iter().map(|row| row.reading()).collect();
    let last = assess(&readings, None, None).expect("readings were taken");
    assert_eq!(last.state, State::Finished, "{told}");

    let (begun, ended) = (readings[0].at, last.since);
    let third = readings
        .iter()
        .position(|r| r.position() >= Some(1.0 / 3.0));
    let third = third.expect("a third was seen");
    let seen = Track::of(&readings[..=third]);
    let foreseen = forecast(&seen, None, None).expect("enough was seen by then");
    let took = ended.duration_since(begun).as_secs_f64();
    let off = foreseen.finish.duration_since(ended).as_secs_f64() / took;
    say(&format!(
        "real pool: a balance of {took:.0} s, {} readings; foreseen at {:.0} %: {:+.1} % of it off",
        readings.len(),
        100.0 * foreseen.fraction,
        100.0 * off
    ));
    assert!(off.abs() <= FORESEEN_WITHIN, "{off}: {foreseen:?}");
}
