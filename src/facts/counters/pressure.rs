//! How long work stood still for want of something: `/proc/pressure/io` and `/proc/pressure/cpu`.
//!
//! The kernel's `Documentation/accounting/psi.rst`: `total` is the stall time in microseconds.

use super::moved::step;
use super::text::{CounterError, Text};
use crate::units::Nanos;

/// Stall time of the whole machine, since it began or over an interval.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Pressure {
    /// Time in which at least one task stood still.
    pub some: Nanos,
    /// Time in which all tasks that were not idle stood still at once; `None` where the kernel does
    /// not say.
    pub full: Option<Nanos>,
}

impl Pressure {
    /// Reads the text of one file in `/proc/pressure`, which is `file`.
    ///
    /// # Errors
    /// When the line `some` is not there, or a total cannot be read.
    pub fn parse(text: &str, file: &'static str) -> Result<Self, CounterError> {
        let text = Text::new(file, text);
        let total = |kind: &str| {
            text.lines()
                .find_map(|line| {
                    let (name, fields) = line.text.split_once(' ')?;
                    (name == kind).then_some((line, fields))
                })
                .map(|(line, fields)| {
                    let total = fields
                        .split_whitespace()
                        .find_map(|field| field.strip_prefix("total="));
                    let micros = line.number(total, "total of microseconds")?;
                    Ok(Nanos(micros.saturating_mul(Nanos::MICRO.0)))
                })
                .transpose()
        };
        Ok(Self {
            some: total("some")?.ok_or_else(|| text.absent("some"))?,
            full: total("full")?,
        })
    }

    /// The stall time since `before`.
    ///
    /// # Errors
    /// When a total went backwards.
    pub fn since(&self, before: &Self) -> Result<Self, CounterError> {
        let full = before.full.zip(self.full);
        Ok(Self {
            some: Nanos(step("stall time of some", before.some.0, self.some.0)?),
            full: full
                .map(|(before, after)| step("stall time of all", before.0, after.0))
                .transpose()?
                .map(Nanos),
        })
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::facts::counters) const SAMPLE: &str = "\
some avg10=19.34 avg60=46.52 avg300=44.88 total=387711713
full avg10=8.55 avg60=33.76 avg300=33.45 total=312493042
";

    #[test]
    fn totals_are_microseconds() {
        let pressure = Pressure::parse(SAMPLE, "/proc/pressure/io").unwrap();
        assert_eq!(pressure.some, Nanos::from_secs_f64(387.711_713));
        assert_eq!(pressure.full, Some(Nanos::from_secs_f64(312.493_042)));
    }

    #[test]
    fn full_may_be_absent_and_some_may_not() {
        let some = SAMPLE.lines().next().unwrap().to_owned() + "\n";
        let pressure = Pressure::parse(&some, "/proc/pressure/cpu").unwrap();
        assert_eq!(pressure.full, None);
        assert_eq!(
            Pressure::parse("", "/proc/pressure/cpu")
                .unwrap_err()
                .to_string(),
            "/proc/pressure/cpu has no complete line for some"
        );
    }

    #[test]
    fn a_difference_is_stall_time() {
        let before = Pressure::parse(SAMPLE, "/proc/pressure/io").unwrap();
        let later = SAMPLE.replace("387711713", "387811713");
        let after = Pressure::parse(&later, "/proc/pressure/io").unwrap();
        let interval = after.since(&before).unwrap();
        assert_eq!(
            (interval.some, interval.full),
            (Nanos::MILLI + Nanos(99_000_000), Some(Nanos(0)))
        );
        assert!(before.since(&after).is_err());
    }
}
