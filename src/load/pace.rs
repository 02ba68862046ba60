//! Holds reading to a pace.
#![expect(
    clippy::disallowed_methods,
    reason = "a pace is kept by a clock and by waiting"
)]

use std::sync::Mutex;
use std::thread;
use std::time::{Duration, Instant};

use super::Watch;
use crate::units::Rate;

/// A wait looks at the stop signal so often.
const NAP: Duration = Duration::from_millis(50);

/// A rate that several readers keep to together.
#[derive(Debug)]
pub struct Pace {
    bytes_per_second: Option<f64>,
    due: Mutex<Option<Instant>>,
}

impl Pace {
    /// At most `limit`; without one there is no waiting.
    pub fn new(limit: Option<Rate>) -> Self {
        Self {
            bytes_per_second: limit.map(|rate| rate.0),
            due: Mutex::new(None),
        }
    }

    /// Takes the next turn for `bytes` and waits for it; `false` when an end was asked for before.
    /// A slow moment is not made up for by a burst.
    pub fn wait(&self, bytes: u64, watch: &Watch) -> bool {
        let Some(rate) = self.bytes_per_second else {
            return !watch.stopped();
        };
        let turn = {
            let mut due = self.due.lock().expect("no reader panics");
            let now = Instant::now();
            let turn = due.map_or(now, |due| due.max(now));
            *due = Some(turn + Duration::from_secs_f64(bytes as f64 / rate));
            turn
        };
        while let Some(left) = turn.checked_duration_since(Instant::now()) {
            if watch.stopped() {
                return false;
            }
            if left.is_zero() {
                break;
            }
            thread::sleep(left.min(NAP));
        }
        !watch.stopped()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn turns_keep_the_rate_and_a_stop_ends_the_wait() {
        let (pace, watch) = (Pace::new(Some(Rate(1e6))), Watch::default());
        let begun = Instant::now();
        for _ in 0..5 {
            assert!(pace.wait(50_000, &watch));
        }
        // The first has no wait, four of 50 ms follow.
        assert!(begun.elapsed() >= Duration::from_millis(200));
        assert!(pace.wait(1_000_000_000, &watch));
        watch.stop("enough");
        assert!(
            !pace.wait(1, &watch),
            "a thousand seconds are not waited for"
        );
        assert!(!Pace::new(None).wait(1, &watch));
    }
}
