//! How busy each processor core was: `/proc/stat`.

use super::moved::step;
use super::text::{CounterError, Line, Text};

/// A core above this busy fraction is full: a limit of its own for what runs on it. Common practice,
/// no source.
pub const FULL_CORE: f64 = 0.9;

/// Time of one core in clock ticks (10 ms on Linux), since the machine began or over an interval.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CoreTime {
    /// Number of the core.
    pub core: u32,
    /// Ticks at work: user, nice, system, interrupts, and what a hypervisor took away. Time of
    /// guests is within that of users.
    pub busy: u64,
    /// Ticks at rest: idle, and waiting for I/O. Taken together, since the kernel moves time from
    /// the second to the first.
    pub idle: u64,
}

impl CoreTime {
    /// Reads every core's line from the text of `/proc/stat`.
    ///
    /// # Errors
    /// When a core's line cannot be read, or there is none.
    pub fn parse(text: &str) -> Result<Vec<Self>, CounterError> {
        let text = Text::new("/proc/stat", text);
        let cores = text
            .lines()
            .filter_map(|line| {
                let (name, times) = line.text.split_once(' ')?;
                let core = name.strip_prefix("cpu")?.parse().ok()?;
                Some(Self::line(line, core, times))
            })
            .collect::<Result<Vec<Self>, CounterError>>()?;
        match cores.is_empty() {
            true => Err(text.absent("a core")),
            false => Ok(cores),
        }
    }

    fn line(line: Line<'_>, core: u32, times: &str) -> Result<Self, CounterError> {
        // user nice system idle, and with newer kernels iowait irq softirq steal.
        let mut ticks = [0u64; 8];
        let mut fields = times.split_whitespace();
        for (index, ticks) in ticks.iter_mut().enumerate() {
            match fields.next() {
                None if index >= 4 => break,
                field => *ticks = line.number(field, &format!("time {}", index + 1))?,
            }
        }
        let [user, nice, system, idle, iowait, irq, softirq, steal] = ticks;
        let sum = |ticks: &[u64]| ticks.iter().fold(0u64, |sum, t| sum.saturating_add(*t));
        Ok(Self {
            core,
            busy: sum(&[user, nice, system, irq, softirq, steal]),
            idle: sum(&[idle, iowait]),
        })
    }

    /// What the core did since `before`.
    ///
    /// # Errors
    /// When a time went backwards, or `before` is of another core.
    pub fn since(&self, before: &Self) -> Result<Self, CounterError> {
        if self.core != before.core {
            return Err(CounterError::Different {
                before: format!("core {}", before.core),
                after: format!("core {}", self.core),
            });
        }
        Ok(Self {
            core: self.core,
            busy: step("busy time", before.busy, self.busy)?,
            idle: step("idle time", before.idle, self.idle)?,
        })
    }

    /// Part of the time at work, 0 to 1; `None` when no tick passed.
    pub fn busy_fraction(&self) -> Option<f64> {
        let all = self.busy as f64 + self.idle as f64;
        (all > 0.0).then(|| self.busy as f64 / all)
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::facts::counters) const SAMPLE: &str = "\
cpu  72403 178 24026 331776 59842 0 604 85 0 0
cpu0 32825 96 11455 168942 31133 0 51 41 0 0
cpu1 39578 81 12570 162834 28709 0 552 44 0 0
intr 1725338 0 0
ctxt 3553344
";

    #[test]
    fn each_core_has_its_times_and_the_sum_line_is_none() {
        let cores = CoreTime::parse(SAMPLE).unwrap();
        assert_eq!(cores.len(), 2);
        // 32825 + 96 + 11455 + 0 + 51 + 41, and 168942 + 31133.
        let expected = CoreTime {
            core: 0,
            busy: 44_468,
            idle: 200_075,
        };
        assert_eq!(cores[0], expected);
    }

    #[test]
    fn a_full_core_is_told_even_when_the_other_rests() {
        let before = CoreTime::parse(SAMPLE).unwrap();
        let later = SAMPLE
            .replace("cpu0 32825 96 11455 168942", "cpu0 32920 96 11455 168947")
            .replace(
                "cpu1 39578 81 12570 162834 28709",
                "cpu1 39578 81 12570 162894 28749",
            );
        let after = CoreTime::parse(&later).unwrap();
        let busy = |core: usize| after[core].since(&before[core]).unwrap().busy_fraction();
        assert_eq!(busy(0), Some(0.95));
        assert_eq!(busy(1), Some(0.0));
        assert!(busy(0) > Some(FULL_CORE));
        assert_eq!(
            before[0].since(&before[0]).unwrap().busy_fraction(),
            None,
            "no tick passed"
        );
        assert!(before[0].since(&after[0]).is_err());
        assert!(after[0].since(&before[1]).is_err());
    }

    #[test]
    fn time_moved_from_waiting_to_idle_is_no_step_back() {
        let before = CoreTime::parse("cpu0 1 0 0 10 50 0 0 0\n").unwrap();
        let after = CoreTime::parse("cpu0 2 0 0 30 33 0 0 0\n").unwrap();
        let interval = after[0].since(&before[0]).unwrap();
        assert_eq!((interval.busy, interval.idle), (1, 3));
    }

    #[test]
    fn four_times_are_enough_and_three_are_not() {
        assert_eq!(CoreTime::parse("cpu3 1 2 3 4\n").unwrap()[0].busy, 6);
        assert_eq!(
            CoreTime::parse("cpu3 1 2 3\n").unwrap_err().to_string(),
            "/proc/stat line 1 has no readable time 4: \"cpu3 1 2 3\""
        );
        assert!(CoreTime::parse("").is_err());
    }
}
