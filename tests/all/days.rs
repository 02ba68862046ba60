//! The days of the example's expansion, as its tables tell them. All of it is SIMULATED.

use std::path::Path;

use jiff::tz::TimeZone;
use poolproof::reshape::{Alarm, Reading, State, Track, assess, forecast};
use poolproof::store;
use poolproof::study::Study;

/// The example, made from seed 1 and kept current by the test of the demo.
fn example() -> Study {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/reports/lighthouse-archive");
    store::read(Path::new(folder)).unwrap()
}

fn readings(study: &Study) -> Vec<Reading> {
    study.progress.iter().map(|row| row.reading()).collect()
}

#[test]
fn a_stall_a_pause_and_a_power_cut_are_told_when_they_happen() {
    let study = example();
    let readings = readings(&study);
    let told: Vec<(State, Option<Alarm>)> = (1..=readings.len())
        .filter_map(|seen| assess(&readings[..seen], study.config.zones(), None))
        .map(|seen| (seen.state, seen.alarm))
        .collect();
    let when = |state| told.iter().position(|(told, _)| *told == state);
    let [paused, stalled, lost, finished] =
        [State::Paused, State::Stalled, State::Lost, State::Finished]
            .map(|state| when(state).unwrap());
    assert!(paused < stalled && stalled < lost, "seed 1: {told:?}");
    let cut = told
        .iter()
        .position(|(_, alarm)| matches!(alarm, Some(Alarm::WentBack { from, to }) if from > to));
    let cut = cut.expect("the power cut took the position back");
    assert!(lost < cut && cut < finished, "seed 1: {cut}");
    let last = &told[told.len() - 1];
    assert_eq!(*last, (State::Finished, None));
}

/// The office keeps it slow by day, and the study says so.
#[test]
fn at_a_third_the_end_is_foreseen_within_a_fifth() {
    let study = example();
    let readings = readings(&study);
    let third = readings
        .iter()
        .position(|r| r.position() >= Some(1.0 / 3.0));
    let hours = study.config.hours(TimeZone::UTC);
    let seen = Track::of(&readings[..=third.unwrap()]);
    let foreseen = forecast(&seen, study.config.zones(), hours.as_ref()).unwrap();
    let (begun, ended) = (readings[0].at, readings[readings.len() - 1].at);
    let took = ended.duration_since(begun).as_secs_f64();
    let off = foreseen.finish.duration_since(ended).as_secs_f64() / took;
    assert!(off.abs() <= 0.2, "seed 1: {off}");
    let range = foreseen.range95;
    assert!(
        range.early <= ended && ended <= range.late,
        "seed 1: {range:?} {ended}"
    );
}

#[test]
fn probes_of_those_days_kept_to_their_budget() {
    let study = example();
    let (mut seconds, mut busy) = (0.0, 0.0);
    for probe in &study.probes {
        assert!(probe.simulated, "seed 1: {probe:?}");
        seconds += probe.seconds;
        busy += probe.busy_fraction * probe.seconds;
    }
    assert!(study.probes.len() > 400, "seed 1: {}", study.probes.len());
    assert!(busy / seconds < 0.02, "seed 1: {}", busy / seconds);
}
