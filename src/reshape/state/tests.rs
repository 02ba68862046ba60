use jiff::{SignedDuration, Timestamp};

use super::*;
use crate::reshape::reading::{Extent, Reported};

/// Readings every five minutes, as a person writes them: a percentage, or a word.
struct Story {
    readings: Vec<Reading>,
    reads: u64,
}

impl Story {
    fn new() -> Self {
        Self {
            readings: Vec::new(),
            reads: 0,
        }
    }

    fn add(mut self, reported: Reported) -> Self {
        let start: Timestamp = "2026-03-02T08:00:00Z".parse().unwrap();
        let count = self.readings.len() as i64;
        let at = start + SignedDuration::from_mins(5 * count);
        let elapsed = (count > 0).then_some(300.0);
        let members_read = (self.reads > 0).then_some(self.reads);
        self.readings.push(Reading {
            elapsed,
            members_read,
            ..Reading::of(at, reported)
        });
        self
    }

    fn at(self, percent: f64) -> Self {
        self.add(Reported {
            fraction: Some(percent / 100.0),
            ..Reported::bare(Word::Running, "")
        })
    }

    fn says(self, word: Word, note: &str) -> Self {
        self.add(Reported::bare(word, note))
    }

    /// Goes on from `from` in `count` steps of `step`.
    fn runs(mut self, from: f64, step: f64, count: usize) -> Self {
        for index in 0..count {
            self = self.at(from + step * index as f64);
        }
        self
    }

    /// The same while the member drives are read at `rate` per step of time.
    fn runs_reading(mut self, from: f64, step: f64, count: usize, bytes: u64) -> Self {
        for index in 0..count {
            self.reads += bytes;
            self = self.at(from + step * index as f64);
        }
        self
    }

    fn assess(&self) -> Assessment {
        assess(&self.readings, None, None).unwrap()
    }
}

fn minute(minutes: i64) -> Timestamp {
    let start: Timestamp = "2026-03-02T08:00:00Z".parse().unwrap();
    start + SignedDuration::from_mins(minutes)
}

#[test]
fn before_it_begins_it_waits_and_then_it_moves() {
    let story = Story::new()
        .says(Word::Absent, "md0 does not reshape")
        .says(Word::Waiting, "");
    assert_eq!(story.assess().state, State::Waiting);
    let seen = story.runs(0.0, 0.5, 10).assess();
    assert_eq!((seen.state, seen.alarm.is_none()), (State::Moving, true));
    assert!(seen.forecast.is_some());
    assert!((seen.speed.unwrap() * 300.0 - 0.005).abs() < 1e-9);
}

#[test]
fn zero_speed_is_stalled_at_once_and_has_no_finish_time() {
    let still = |percent: f64| Reported {
        fraction: Some(percent / 100.0),
        speed: Some(0.0),
        ..Reported::bare(Word::Running, "")
    };
    let seen = Story::new().add(still(97.5)).assess();
    assert_eq!(
        (seen.state, seen.alarm),
        (State::Stalled, Some(Alarm::Stalled))
    );
    let seen = Story::new().runs(90.0, 0.5, 16).add(still(97.5)).assess();
    assert_eq!((seen.state, seen.since), (State::Stalled, minute(75)));
    assert_eq!((seen.forecast, seen.speed), (None, None));
    // It moves a little while the kernel rounds its speed down to nothing: that is slow, not still.
    let seen = Story::new().runs(90.0, 0.5, 16).add(still(97.6)).assess();
    assert_ne!(seen.state, State::Stalled);
}

#[test]
fn without_a_told_speed_it_is_stalled_after_a_while() {
    let story = Story::new().runs(10.0, 0.5, 10).runs(14.5, 0.0, 4);
    assert_eq!(story.assess().state, State::Moving);
    let seen = story.runs(14.5, 0.0, 3).assess();
    assert_eq!((seen.state, seen.since), (State::Stalled, minute(45)));
}

#[test]
fn others_that_read_are_named_and_nothing_has_to_be_done() {
    let quiet = Story::new().runs_reading(10.0, 0.5, 12, 10 << 30);
    let story = quiet.runs_reading(15.6, 0.1, 8, 40 << 30);
    let seen = story.assess();
    assert_eq!(
        (seen.state, seen.alarm),
        (State::Slowing, Some(Alarm::OthersFirst))
    );
    assert!(
        minute(55) <= seen.since && seen.since <= minute(65),
        "{}",
        seen.since
    );
    // The reshape's own reads shrink with it: then nobody else is to blame.
    let quiet = Story::new().runs_reading(10.0, 0.5, 12, 10 << 30);
    let seen = quiet.runs_reading(15.6, 0.1, 8, 2 << 30).assess();
    assert_eq!(seen.state, State::Slowing);
    assert!(
        matches!(seen.alarm, Some(Alarm::Slow(part)) if (0.15..0.25).contains(&part)),
        "{:?}",
        seen.alarm
    );
}

#[test]
fn a_held_and_a_delayed_one_are_paused_for_their_reasons() {
    let story = || Story::new().runs(10.0, 0.5, 6);
    let seen = story()
        .says(Word::Waiting, "md0 waits for another array")
        .assess();
    assert_eq!((seen.state, seen.since), (State::Paused, minute(30)));
    assert_eq!(
        seen.alarm,
        Some(Alarm::Waits("md0 waits for another array".into()))
    );
    let seen = story()
        .says(Word::Paused, "")
        .says(Word::Paused, "")
        .assess();
    assert_eq!((seen.state, seen.since), (State::Paused, minute(30)));
    assert_eq!(seen.forecast, None);
    assert!(matches!(seen.alarm, Some(Alarm::Held(_))));
}

#[test]
fn a_power_cut_is_told_until_it_has_gone_on_for_a_while() {
    let story = Story::new().runs(40.0, 0.5, 10).at(41.0);
    let seen = story.assess();
    assert_eq!((seen.state, seen.since), (State::Moving, minute(50)));
    assert!(
        matches!(seen.alarm, Some(Alarm::WentBack { from, to }) if (from - 0.445).abs() < 1e-9 && to == 0.41)
    );
    let seen = story.runs(41.5, 0.5, 5).assess();
    assert_eq!((seen.state, seen.alarm), (State::Moving, None));
    assert!(seen.forecast.is_some());
}

#[test]
fn silence_is_lost_after_three_readings_and_found_again() {
    let story = Story::new()
        .runs(10.0, 0.5, 6)
        .says(Word::Unreadable, "no route");
    let story = story.says(Word::Unreadable, "no route");
    assert_eq!(story.assess().state, State::Moving);
    let story = story.says(Word::Unreadable, "no route");
    let seen = story.assess();
    assert_eq!((seen.state, seen.since), (State::Lost, minute(30)));
    assert_eq!(seen.alarm, Some(Alarm::NoAnswer("no route".into())));
    assert_eq!(
        (seen.forecast.is_none(), seen.fraction),
        (true, Some(0.125))
    );
    let seen = story.runs(14.5, 0.5, 3).assess();
    assert_eq!((seen.state, seen.alarm), (State::Moving, None));
}

#[test]
fn gone_near_its_end_is_finished_and_gone_earlier_is_lost() {
    let seen = Story::new()
        .runs(96.0, 0.5, 8)
        .says(Word::Absent, "")
        .assess();
    assert_eq!((seen.state, seen.alarm), (State::Finished, None));
    let once = Story::new().runs(10.0, 0.5, 8).says(Word::Absent, "");
    let seen = once.assess();
    assert_eq!((seen.state, seen.alarm), (State::Moving, None));
    let seen = once.says(Word::Other, "md0: resync").assess();
    assert_eq!((seen.state, seen.since), (State::Lost, minute(40)));
    assert_eq!(seen.alarm, Some(Alarm::Gone(0.135)));
    let seen = Story::new()
        .runs(10.0, 0.5, 8)
        .says(Word::Finished, "")
        .says(Word::Absent, "");
    assert_eq!(seen.assess().state, State::Finished);
    // Past a hundred per cent it still runs.
    let seen = Story::new().runs(97.0, 0.5, 8).at(100.93).assess();
    assert_eq!((seen.state, seen.forecast), (State::Moving, None));
}

#[test]
fn a_balance_that_is_gone_between_two_chunks_is_finished_unless_it_stood() {
    // As seen of a small pool: the tool expected 15 chunks, counted 12, and the balance was done.
    let balance = |stands: usize| {
        let chunks = |index: usize| (index / 4).min(12) as f64;
        let told = |index| Reported {
            fraction: Some(chunks(index) / 15.0),
            done: Some(chunks(index)),
            total: Some(15.0),
            extent: Some(Extent::Chunks),
            ..Reported::bare(Word::Running, "")
        };
        let moving = (0..48 + stands).map(told);
        let gone = [Reported::bare(Word::Absent, "no balance runs")];
        let readings: Vec<Reading> = (0..)
            .zip(moving.chain(gone))
            .map(|(index, reported)| Reading {
                elapsed: (index > 0).then_some(60.0),
                ..Reading::of(minute(index), reported)
            })
            .collect();
        assess(&readings, None, None).unwrap()
    };
    assert_eq!(balance(13).state, State::Finished);
    // After a few minutes the third last chunk might not have been done yet.
    assert_eq!(balance(2).state, State::Moving);
    // It had stood for hours: whoever stopped it did not wait for its end.
    assert_eq!(balance(300).state, State::Stalled);
}

/// Readings of `btrfs balance status`, each so many seconds after the one before: chunks done of a
/// total, or the answer that no balance is found.
fn balance(readings: &[(i64, Option<(u32, u32)>)]) -> Vec<Reading> {
    let mut seconds = 0;
    let mut all: Vec<Reading> = Vec::new();
    for (step, chunks) in readings {
        seconds += step;
        let text = match chunks {
            Some((done, total)) => format!(
                "Balance on '/x' is running\n{done} out of about {total} chunks balanced ({} considered), {}% left\n",
                done + 1,
                100 - 100 * done / total
            ),
            None => "No balance found on '/x'\n".to_owned(),
        };
        let reported = crate::reshape::Source::Btrfs.read(&text, None).unwrap();
        let at = minute(0) + SignedDuration::from_secs(seconds);
        let elapsed = (!all.is_empty()).then_some(*step as f64);
        all.push(Reading {
            elapsed,
            ..Reading::of(at, reported)
        });
    }
    all
}

#[test]
fn a_balance_of_few_chunks_that_had_the_time_for_the_rest_is_finished() {
    // Eight chunks, two of them small and last: seen at 62.5 % and five seconds later no more.
    let ended = balance(&[
        (5, Some((0, 8))),
        (5, Some((2, 8))),
        (5, Some((3, 8))),
        (5, Some((5, 8))),
        (5, None),
        (5, None),
    ]);
    let seen = assess(&ended, None, None).unwrap();
    assert_eq!((seen.state, seen.alarm), (State::Finished, None));
    assert!(!seen.ending.unwrap().told);
    // Two readings five minutes apart, and then none: no whole movement was seen.
    let slow = balance(&[
        (0, Some((0, 7))),
        (300, Some((2, 7))),
        (300, None),
        (300, None),
    ]);
    let seen = assess(&slow, None, None).unwrap();
    assert_eq!(
        seen.state,
        State::Ended,
        "4 of 7 by then, with two unseen 6"
    );
    let slow = balance(&[
        (0, Some((0, 7))),
        (300, Some((3, 7))),
        (300, None),
        (300, None),
    ]);
    assert_eq!(assess(&slow, None, None).unwrap().state, State::Finished);
}

#[test]
fn a_balance_that_cannot_be_done_yet_ended_and_nobody_is_sent_to_an_array() {
    let mut readings: Vec<(i64, Option<(u32, u32)>)> =
        (0..20).map(|done| (60, Some((done, 100)))).collect();
    readings.extend([(60, None), (60, None)]);
    let mut all = balance(&readings);
    let seen = assess(&all, None, None).unwrap();
    assert_eq!(
        (seen.state, seen.alarm),
        (State::Ended, Some(Alarm::Unsettled(0.19)))
    );
    // A person knows better, and then the end is when it was gone.
    let told = crate::reshape::Source::Percent.read("100", None).unwrap();
    let at = all[21].at + SignedDuration::from_hours(5);
    all.push(Reading::of(at, told));
    let seen = assess(&all, None, None).unwrap();
    assert_eq!((seen.state, seen.alarm), (State::Finished, None));
    let ending = seen.ending.unwrap();
    assert!(ending.told && seen.since == ending.at);
    assert_eq!(
        (ending.not_before, ending.not_after),
        (all[19].at, all[20].at)
    );
}

#[test]
fn a_balance_that_was_asked_to_end_is_not_taken_for_done() {
    let mut all = balance(&[
        (5, Some((0, 8))),
        (5, Some((2, 8))),
        (5, Some((4, 8))),
        (5, Some((6, 8))),
        (5, None),
        (5, None),
    ]);
    assert_eq!(assess(&all, None, None).unwrap().state, State::Finished);
    let text = "Balance on '/x' is running, cancel requested\n6 out of about 8 chunks balanced (7 considered), 25% left\n";
    all[3].reported = crate::reshape::Source::Btrfs.read(text, None).unwrap();
    assert_eq!(assess(&all, None, None).unwrap().state, State::Ended);
}

#[test]
fn a_later_pass_moves_no_end_and_raises_no_alarm() {
    let month = 30 * 86_400;
    let first = [
        (0, Some((0, 8))),
        (5, Some((2, 8))),
        (5, Some((4, 8))),
        (5, Some((6, 8))),
        (5, None),
        (5, None),
    ];
    let end = assess(&balance(&first), None, None).unwrap();
    let later = [
        (month, Some((0, 7))),
        (5, Some((2, 7))),
        (5, Some((4, 7))),
        (5, None),
        (5, None),
    ];
    for count in 1..=later.len() {
        let mut all = first.to_vec();
        all.extend_from_slice(&later[..count]);
        let seen = assess(&balance(&all), None, None).unwrap();
        assert_eq!((seen.state, seen.alarm), (State::Finished, None));
        assert_eq!((seen.ending, seen.since), (end.ending, end.since));
        assert_eq!(seen.track, end.track);
        let another = seen.another.unwrap();
        assert_eq!((another.from, another.at_work), (6, count < 4));
    }
    // A power cut near the end is none, and neither is a slip of the hand.
    let story = Story::new()
        .runs(96.0, 0.5, 8)
        .says(Word::Absent, "")
        .says(Word::Absent, "");
    let seen = story.runs(97.0, 0.5, 2).assess();
    assert_eq!((seen.another, seen.state), (None, State::Moving));
    let story = Story::new().runs(20.0, 0.5, 8).says(Word::Finished, "");
    assert_eq!(story.runs(24.0, 0.5, 2).assess().another, None);
}
