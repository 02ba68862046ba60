//! What the drives did while a trial ran.

use std::ops::Range;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::thread;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use jiff::Timestamp;

use crate::drive::Totals;
use crate::lab::Lab;
use crate::proof::Rows;

/// Time between two looks at the drives.
const BEAT: Duration = Duration::from_millis(50);

/// What the pool's drives had read in all at moments of this machine's clock.
pub(crate) struct Course {
    /// Seconds since 1970, and bytes.
    looks: Vec<(f64, u64)>,
    /// Seconds by which the client's clock is ahead.
    ahead: f64,
}

/// One trial of the program, with what the drives did meanwhile.
#[derive(Clone, Debug)]
pub(crate) struct Counted {
    pub(crate) trial: String,
    pub(crate) workload: String,
    /// Bytes that the client got.
    pub(crate) delivered: f64,
    /// Bytes that the pool's drives read.
    pub(crate) from_drives: f64,
}

impl Counted {
    /// The part of what the client got that no drive of the pool read meanwhile.
    pub(crate) fn cached(&self) -> f64 {
        (1.0 - self.from_drives / self.delivered).max(0.0)
    }
}

impl Course {
    /// Looks at the drives of the pool while `work` goes on.
    pub(crate) fn during<T>(
        lab: &Lab,
        members: Range<usize>,
        work: impl FnOnce() -> Result<T, String>,
    ) -> Result<(Self, T), String> {
        let ahead = lab.client.clock_offset()?;
        let ended = Arc::new(AtomicBool::new(false));
        let (looks, done, after) = thread::scope(|scope| {
            let watching = Arc::clone(&ended);
            let looking = scope.spawn(move || {
                let mut looks = Vec::new();
                while !watching.load(Relaxed) {
                    let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
                    let Totals { read_bytes, .. } = lab.totals(members.clone());
                    looks.push((now.as_secs_f64(), read_bytes));
                    thread::sleep(BEAT);
                }
                looks
            });
            let done = work();
            let after = lab.client.clock_offset();
            ended.store(true, Relaxed);
            (looking.join().expect("looking does not panic"), done, after)
        });
        let ahead = f64::midpoint(ahead, after?);
        Ok((Self { looks, ahead }, done?))
    }

    /// Bytes read until a moment of the client's clock.
    fn until(&self, moment: f64) -> f64 {
        let moment = moment - self.ahead;
        let after = self.looks.partition_point(|look| look.0 < moment);
        let (Some(&(t0, b0)), Some(&(t1, b1))) = (
            self.looks.get(after.saturating_sub(1)),
            self.looks.get(after),
        ) else {
            return self.looks.last().map_or(0.0, |look| look.1 as f64);
        };
        let part = if t1 > t0 {
            ((moment - t0) / (t1 - t0)).clamp(0.0, 1.0)
        } else {
            0.0
        };
        b0 as f64 + (b1 - b0) as f64 * part
    }

    /// The complete trials among `trials` that were run meanwhile; the bytes of each are those of its `windows`,
    /// warm-up included, from the moment on that its load began.
    pub(crate) fn counted(
        &self,
        trials: &Rows,
        windows: &Rows,
        observations: &Rows,
    ) -> Vec<Counted> {
        let (first, last) = (self.looks[0].0, self.looks[self.looks.len() - 1].0);
        trials
            .iter()
            .filter(|row| row["state"] == "complete")
            .filter_map(|row| {
                let started: Timestamp = row["started"].parse().ok()?;
                let started = started.as_nanosecond() as f64 / 1e9;
                if !(first..=last).contains(&(started - self.ahead)) {
                    return None;
                }
                let own: Vec<_> = windows
                    .iter()
                    .filter(|window| window["trial"] == row["trial"])
                    .collect();
                let delivered: f64 = own
                    .iter()
                    .filter_map(|window| window["read_bytes"].parse::<f64>().ok())
                    .sum();
                let prepared = observations
                    .iter()
                    .find(|seen| seen["trial"] == row["trial"] && seen["name"] == "prepared_s")?;
                let started = started + prepared["value"].parse::<f64>().ok()?;
                let ended = started + own.len() as f64;
                Some(Counted {
                    trial: row["trial"].clone(),
                    workload: row["workload"].clone(),
                    delivered,
                    from_drives: self.until(ended) - self.until(started),
                })
            })
            .collect()
    }
}
