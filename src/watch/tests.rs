//! Days of watching on virtual time: the world is a story, tokio's clock is paused.

use std::cell::RefCell;
use std::path::PathBuf;
use std::rc::Rc;
use std::time::Duration;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use tokio::time::{Instant, timeout};

use super::{Ended, Event, Orders, Place, Probed, World, follow};
use crate::reshape::{Source, State};
use crate::store::{Follower, Writer, read};
use crate::study::{Config, ProbeRow};

const HOUR: f64 = 3600.0;

/// A made-up server, and the machine that watches it.
struct Scene<T> {
    started: Instant,
    /// What the source says at a second of the story, or why it does not answer.
    tells: T,
    /// Seconds by which the wall clock is off at a second of the story.
    clock: fn(f64) -> f64,
    /// Seconds that the machine has slept by a second of tokio's time, which does not count them.
    slept: fn(f64) -> f64,
    probes: bool,
    /// Whether the share answers a probe that begins at a second of the story.
    answers: fn(f64) -> bool,
    raised: Rc<RefCell<Vec<String>>>,
}

impl<T: FnMut(f64) -> Result<String, String>> Scene<T> {
    fn new(tells: T) -> Self {
        Self {
            started: Instant::now(),
            tells,
            clock: |_| 0.0,
            slept: |_| 0.0,
            probes: false,
            answers: |_| true,
            raised: Rc::default(),
        }
    }
}

impl<T: FnMut(f64) -> Result<String, String>> World for Scene<T> {
    fn now(&self) -> Timestamp {
        let steady = self.steady();
        start() + SignedDuration::from_secs_f64(steady + (self.clock)(steady))
    }

    fn steady(&self) -> f64 {
        let awake = self.started.elapsed().as_secs_f64();
        awake + (self.slept)(awake)
    }

    async fn ask(&mut self) -> Result<String, String> {
        let steady = self.steady();
        (self.tells)(steady)
    }

    async fn members_read(&mut self) -> Option<u64> {
        None
    }

    fn can_probe(&self) -> bool {
        self.probes
    }

    async fn probe(&mut self, seconds: u64, place: Place) -> Probed {
        let at = self.now();
        let answers = (self.answers)(self.steady());
        if answers {
            tokio::time::sleep(Duration::from_secs(seconds)).await;
        }
        Probed::of(vec![ProbeRow {
            at,
            simulated: true,
            kind: "probe-small".into(),
            reshape_fraction: place.fraction,
            reshape_fraction_per_h: place.fraction_per_h,
            seconds: seconds as f64,
            period_s: Some(1.5),
            operations: seconds,
            missed_operations: 0,
            busy_fraction: 0.01,
            rate_bytes_per_s: None,
            mean_ns: None,
            p50_ns: None,
            max_ns: None,
            next_operation: 0,
            cause: if answers { "" } else { "not connected" }.to_owned(),
        }])
    }

    fn probe_less(&mut self) -> bool {
        self.probes = false;
        false
    }

    async fn rest(&mut self, seconds: f64) {
        tokio::time::sleep(Duration::from_secs_f64(seconds)).await;
    }

    async fn raise(&mut self, state: &str, sentence: &str) -> Result<(), String> {
        self.raised
            .borrow_mut()
            .push(format!("{state}: {sentence}"));
        Ok(())
    }
}

fn start() -> Timestamp {
    "2026-03-02T08:00:00Z".parse().unwrap()
}

struct Study {
    _folder: tempfile::TempDir,
    root: PathBuf,
}

impl Study {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().join("scans");
        let text = "format = 1\nid = \"00000000000000000000000000000001\"\nseed = \"1\"\nsimulated = true\nshare = \"SIMULATED\"\ncreated = \"2026-03-02T08:00:00Z\"\n";
        drop(Writer::create(&root, &Config::parse(text).unwrap(), "test").unwrap());
        Self {
            _folder: folder,
            root,
        }
    }

    fn follower(&self) -> Follower {
        Follower::open(&self.root, "test", start()).unwrap()
    }
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

/// What was told, boiled down: states as they change, alarms, notes.
fn note(told: &mut Vec<String>, state: &mut Option<State>, event: Event<'_>) {
    match event {
        Event::Read(seen, _) if Some(seen.state) != *state => {
            *state = Some(seen.state);
            told.push(seen.state.word().to_owned());
        }
        Event::Alarm(sentence) => told.push(format!("! {sentence}")),
        Event::Calm => told.push("calm".to_owned()),
        Event::Note(text) => told.push(text),
        Event::Read(..) | Event::Probed(_) | Event::Cost(_) => {}
    }
}

/// Watches until the end.
async fn watch<W: World>(world: &mut W, study: &Study) -> (Ended, Vec<String>) {
    let (mut told, mut state) = (Vec::new(), None);
    let mut tell = |event: Event<'_>| note(&mut told, &mut state, event);
    let ended = follow(world, &mut study.follower(), &orders(), &mut tell).await;
    (ended, told)
}

/// One per cent every six minutes, ten hours in all, `late` seconds after the start.
fn straight(seconds: f64, late: f64) -> Result<String, String> {
    let percent = (seconds - late).max(0.0) / 360.0;
    Ok(if percent >= 100.0 {
        "finished".into()
    } else {
        format!("{percent:.4}")
    })
}

#[tokio::test(start_paused = true)]
async fn a_plain_reshape_is_followed_to_its_end() {
    let study = Study::new();
    let mut world = Scene::new(|seconds| straight(seconds, 0.0));
    let (ended, told) = watch(&mut world, &study).await;
    assert_eq!(
        (ended, told),
        (Ended::Finished, vec!["moving".into(), "finished".into()])
    );
    let rows = Vec::from_iter(&read(&study.root).unwrap().progress);
    assert_eq!(rows.len(), 121);
    assert!(rows.iter().all(|row| row.simulated && row.probed.is_none()));
    assert_eq!((rows[0].elapsed_s, rows[1].elapsed_s), (None, Some(300.0)));
}

#[tokio::test(start_paused = true)]
async fn a_stall_and_a_pause_raise_alarms_and_end_them() {
    let study = Study::new();
    // It stands from 2 h to 3 h, and is held from 5 h to 6 h.
    let mut world = Scene::new(|seconds| {
        let gone = |from: f64| (seconds - from).clamp(0.0, HOUR);
        let moved = seconds - gone(2.0 * HOUR) - gone(5.0 * HOUR);
        let held = (5.0 * HOUR..6.0 * HOUR).contains(&seconds);
        let percent = straight(moved, 0.0)?;
        Ok(if held {
            format!("{percent} paused")
        } else {
            percent
        })
    });
    let raised = Rc::clone(&world.raised);
    let (ended, told) = watch(&mut world, &study).await;
    assert_eq!(ended, Ended::Finished);
    let kinds: Vec<&str> = told
        .iter()
        .map(|line| line.split(':').next().unwrap())
        .collect();
    assert_eq!(
        kinds,
        [
            "moving",
            "stalled",
            "! look for errors in the server's kernel log, and restart nothing before",
            "moving",
            "calm",
            "paused",
            "! ask who paused it, and let it go on",
            "moving",
            "calm",
            "finished"
        ]
    );
    assert!(
        told[2].ends_with("the reshape stands at 20.0 % since Mon 2 Mar 10:00"),
        "{}",
        told[2]
    );
    assert!(told[6].contains("since Mon 2 Mar 13:00"), "{}", told[6]);
    let raised: Vec<String> = raised
        .borrow()
        .iter()
        .map(|line| line[..7].to_owned())
        .collect();
    assert_eq!(raised, ["stalled", "paused:"]);
}

#[tokio::test(start_paused = true)]
async fn a_power_cut_loses_answers_and_position_and_nothing_else() {
    let study = Study::new();
    // From 4 h on the server is off for half an hour, and has lost six minutes of work.
    let mut world = Scene::new(|seconds| match seconds / HOUR {
        4.0..4.5 => Err("no route to host".to_owned()),
        4.5.. => straight(seconds, 0.5 * HOUR + 1200.0),
        _ => straight(seconds, 0.0),
    });
    let (ended, told) = watch(&mut world, &study).await;
    assert_eq!(ended, Ended::Finished);
    let kinds: Vec<&str> = told
        .iter()
        .map(|line| line.split(':').next().unwrap())
        .collect();
    assert_eq!(
        kinds,
        [
            "moving",
            "lost",
            "! look whether the server can be reached",
            "moving",
            "! find out what stopped the array, power or a restart",
            "calm",
            "finished"
        ]
    );
    assert!(
        told[2].contains("since Mon 2 Mar 12:00 there is no answer (no route to host)"),
        "{}",
        told[2]
    );
    assert!(
        told[4].contains("went back from 39.2 % to 36.7 %"),
        "{}",
        told[4]
    );
}

#[tokio::test(start_paused = true)]
async fn the_forecast_does_not_care_for_clock_steps_and_sleep() {
    let study = Study::new();
    let mut world = Scene::new(|seconds| straight(seconds, 0.0));
    // Set back by two hours after an hour; asleep for three hours from 2 h on.
    world.clock = |seconds| {
        if seconds > HOUR + 1.0 {
            -2.0 * HOUR
        } else {
            0.0
        }
    };
    world.slept = |awake| {
        if awake > 2.0 * HOUR + 60.0 {
            3.0 * HOUR
        } else {
            0.0
        }
    };
    let mut seen_last = None;
    let mut tell = |event: Event<'_>| {
        if let Event::Read(seen, _) = event {
            assert!(
                matches!(seen.state, State::Moving | State::Finished),
                "{:?}",
                seen.state
            );
            if seen.fraction.is_some_and(|f| f < 0.6) {
                seen_last = seen.forecast.clone().map(|f| (f, seen.track.clone()));
            }
        }
    };
    let mut follower = study.follower();
    let ended = follow(&mut world, &mut follower, &orders(), &mut tell).await;
    assert_eq!(ended, Ended::Finished);
    let (forecast, track) = seen_last.unwrap();
    assert_eq!(track.clock_steps.len(), 1);
    assert!((track.clock_steps[0].seconds + 2.0 * HOUR).abs() < 1.0);
    assert!(track.jumps.is_empty() && track.standing == 0.0);
    // Ten hours after the start, by a clock that was set back by two.
    let expected = start() + SignedDuration::from_hours(8);
    let error = forecast.finish.duration_since(expected).as_secs_f64();
    assert!(error.abs() < 300.0, "{error}");
    // A reading came soon after it woke.
    let rows = follower.study().progress.clone();
    let longest = rows
        .iter()
        .filter_map(|row| row.elapsed_s)
        .fold(0.0, f64::max);
    assert!(
        (3.0 * HOUR..3.0 * HOUR + 400.0).contains(&longest),
        "{longest}"
    );
}

#[tokio::test(start_paused = true)]
async fn commands_that_fail_now_and_then_and_print_nonsense_end_nothing() {
    let study = Study::new();
    let mut asked = 0;
    let mut world = Scene::new(move |seconds| {
        asked += 1;
        match asked % 5 {
            2 => Err("ssh: connection reset".to_owned()),
            4 => Ok("\u{0}\u{1b}[31m garbage".to_owned()),
            _ => straight(seconds, 0.0),
        }
    });
    let (ended, told) = watch(&mut world, &study).await;
    assert_eq!(
        (ended, told),
        (Ended::Finished, vec!["moving".into(), "finished".into()])
    );
    let rows = Vec::from_iter(&read(&study.root).unwrap().progress);
    let unread = rows
        .iter()
        .filter(|row| row.state == crate::reshape::Word::Unreadable);
    assert!(unread.clone().count() > 40);
    assert!(
        unread
            .clone()
            .all(|row| !row.note.is_empty() && !row.note.contains('\u{1b}'))
    );
}

#[tokio::test(start_paused = true)]
async fn a_watch_that_was_killed_goes_on_where_it_was() {
    let study = Study::new();
    let mut told = Vec::new();
    for (hours, restarts) in [(3.0, 0), (3.0, 1), (9.0, 2)] {
        let mut world = Scene::new(|seconds| straight(seconds + restarts as f64 * 3.5 * HOUR, 0.0));
        world.clock = match restarts {
            0 => |_| 0.0,
            1 => |_| 3.5 * HOUR,
            _ => |_| 7.0 * HOUR,
        };
        let mut last = None;
        let mut tell = |event: Event<'_>| {
            if let Event::Read(seen, _) = event {
                last = Some((seen.state, seen.forecast.clone()));
            }
        };
        let mut follower = study.follower();
        let orders = orders();
        let all = follow(&mut world, &mut follower, &orders, &mut tell);
        let ended = timeout(Duration::from_secs_f64(hours * HOUR), all)
            .await
            .ok();
        told.push((ended, last.unwrap()));
    }
    assert_eq!(
        (told[0].0, told[1].0, told[2].0),
        (None, None, Some(Ended::Finished))
    );
    // The second run knew the first's readings: its forecast is no beginner's.
    let (_, (state, forecast)) = &told[1];
    let forecast = forecast.clone().unwrap();
    assert_eq!((*state, forecast.since), (State::Moving, start()));
    let end = start() + SignedDuration::from_hours(10);
    assert!(forecast.finish.duration_since(end).as_secs_f64().abs() < 300.0);
    assert!(
        read(&study.root)
            .unwrap()
            .progress
            .iter()
            .is_sorted_by_key(|row| row.at)
    );
}

#[tokio::test(start_paused = true)]
async fn probing_that_costs_too_much_is_given_up() {
    let study = Study::new();
    let mut follower = study.follower();
    let probing = Rc::new(RefCell::new((0.0, 0.0)));
    // Each second costs a fifth of its progress while the share is probed.
    let shared = Rc::clone(&probing);
    let mut world = Scene::new(move |seconds| {
        let (percent, before) = *shared.borrow();
        let probed = shared_turn(seconds, before);
        let speed = if probed { 0.8 } else { 1.0 };
        let now = percent + speed * (seconds - before) / 360.0;
        *shared.borrow_mut() = (now, seconds);
        Ok(if now >= 100.0 {
            "finished".into()
        } else {
            format!("{now:.5}")
        })
    });
    world.probes = true;
    let (mut told, mut state, mut costs) = (Vec::new(), None, Vec::new());
    let turns = turns();
    let mut tell = |event: Event<'_>| match event {
        Event::Cost(cost) => costs.push(cost),
        event => note(&mut told, &mut state, event),
    };
    let ended = follow(&mut world, &mut follower, &orders(), &mut tell).await;
    assert_eq!(ended, Ended::Finished);
    assert!(
        told.iter()
            .any(|line| line == "probing costs the reshape 20 %: there are no more probes"),
        "{told:?}"
    );
    let rows = Vec::from_iter(&follower.study().progress);
    let probed: Vec<bool> = rows.iter().filter_map(|row| row.probed).collect();
    assert_eq!(probed[..8], turns[..8]);
    assert!(
        rows[12..].iter().all(|row| row.probed.is_none()),
        "they stop"
    );
    let cost = costs.last().unwrap();
    assert!((cost.loss - 0.2).abs() < 1e-3, "{cost:?}");
    let probes = &follower.study().probes;
    assert_eq!(
        probes.len(),
        5 * probed.iter().filter(|turn| **turn).count()
    );
    assert!(
        probes
            .iter()
            .skip(5)
            .all(|row| row.reshape_fraction.is_some())
    );
}

#[tokio::test(start_paused = true)]
async fn a_share_that_is_away_is_tried_again_ever_more_seldom_and_said_once() {
    let study = Study::new();
    let mut follower = study.follower();
    let mut world = Scene::new(|seconds| straight(seconds, 0.0));
    world.probes = true;
    let away = 2.0 * HOUR..6.5 * HOUR;
    world.answers = |seconds| !(2.0 * HOUR..6.5 * HOUR).contains(&seconds);
    let (mut told, mut state) = (Vec::new(), None);
    let mut tell = |event: Event<'_>| note(&mut told, &mut state, event);
    let ended = follow(&mut world, &mut follower, &orders(), &mut tell).await;
    assert_eq!(ended, Ended::Finished);
    let second = |at: Timestamp| at.duration_since(start()).as_secs_f64();
    let probes = &follower.study().probes;
    let failed: Vec<f64> = probes
        .iter()
        .filter(|row| !row.cause.is_empty())
        .map(|row| second(row.at))
        .collect();
    assert!((5..20).contains(&failed.len()), "{failed:?}");
    assert!(failed.iter().all(|at| away.contains(at)));
    // Each waits at least twice as long as the one before, and none longer than an hour and a stretch or
    // two that are not for probes.
    let waits: Vec<f64> = failed.windows(2).map(|pair| pair[1] - pair[0]).collect();
    for (index, wait) in waits.iter().enumerate() {
        let least = (60.0 * 2f64.powi(index as i32)).min(HOUR);
        assert!((least..least + 1200.0).contains(wait), "{waits:?}");
    }
    let back = probes
        .iter()
        .find(|row| row.cause.is_empty() && second(row.at) >= away.end)
        .expect("it is probed again");
    assert!(second(back.at) < away.end + HOUR + 1200.0);
    let (lost, again) = (&told[1], &told[2]);
    assert!(
        lost.starts_with("the share cannot be probed (not connected): the watch goes on without"),
        "{told:?}"
    );
    assert!(
        again.starts_with("the share is probed again, after ") && told.len() == 4,
        "{told:?}"
    );
    // While it is away nothing is compared.
    for row in &follower.study().progress {
        let at = second(row.at);
        let inside = failed[0] + 1.0 < at && at <= second(back.at);
        assert!(!inside || row.probed.is_none(), "{row:?}");
    }
}

/// Whether the stretch from `before` is one with probes, in the study's seeded order.
fn shared_turn(_: f64, before: f64) -> bool {
    turns()[(before / 300.0).round() as usize % 200]
}

/// The turns of the stretches of a new study.
fn turns() -> Vec<bool> {
    let seed = crate::seed::Seed(1).child("probing", 0);
    (1..=200usize)
        .map(|readings| {
            seed.child("pair", (readings / 2) as u64).rng().bool() != (readings % 2 == 1)
        })
        .collect()
}

/// A balance of eight chunks at a reading every five seconds: the last ones pass between two readings,
/// and one that was cancelled early is not taken for done.
#[tokio::test(start_paused = true)]
async fn a_balance_that_is_gone_ends_the_watch_either_way() {
    let balance = |chunks: f64| match chunks {
        done if done < 8.0 => Ok(format!(
            "Balance on '/x' is running\n{done} out of about 8 chunks balanced (8 considered), {:.0}% left\n",
            100.0 - 12.5 * done
        )),
        _ => Ok("No balance found on '/x'\n".to_owned()),
    };
    let orders = Orders {
        source: Source::Btrfs,
        every: Duration::from_secs(5),
        ..orders()
    };
    for (ends, expected, raised) in [(25.0, Ended::Finished, 0), (9.0, Ended::Unsettled, 1)] {
        let study = Study::new();
        let mut world = Scene::new(|seconds| match seconds < ends {
            // A chunk in four seconds, up to the fifth; the rest is small.
            true => balance((seconds / 4.0).floor()),
            false => balance(8.0),
        });
        let alarms = world.raised.clone();
        let ended = follow(&mut world, &mut study.follower(), &orders, &mut |_| ()).await;
        assert_eq!((ended, alarms.borrow().len()), (expected, raised), "{ends}");
        for alarm in alarms.borrow().iter() {
            assert!(
                alarm.contains("--at 100") && !alarm.contains("array"),
                "{alarm}"
            );
        }
        if ended == Ended::Finished {
            // A balance of maintenance later on is another pass: it is recorded, and nobody is alarmed.
            let mut world = Scene::new(|_| balance(2.0));
            let alarms = world.raised.clone();
            let again = follow(&mut world, &mut study.follower(), &orders, &mut |_| ()).await;
            assert_eq!((again, alarms.borrow().len()), (Ended::Finished, 0));
            let rows = Vec::from_iter(&read(&study.root).unwrap().progress);
            assert_eq!(rows.last().unwrap().fraction, Some(0.25));
        }
    }
}
