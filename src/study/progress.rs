//! A row of `progress.csv` and a row of `probes.csv`.
//!
//! The order of fields is the order of columns. Units stand in the names.

use std::borrow::Cow;
use std::ops::Range;

use jiff::Timestamp;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::bounds::{self, AMOUNT, Wrong};
use super::lines::Plain;
use super::packed::Packed;
use super::tables::{Cells, line};
use crate::reshape::{Extent, Reading, Readings, Reported, Source, Word};

/// One reading of a reshape's progress, one that failed included.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProgressRow {
    /// When, by the watching machine's clock.
    pub at: Timestamp,
    /// Whether the reshape is made up.
    pub simulated: bool,
    /// Who told it: a source, or a person through `percent`.
    pub source: Source,
    /// What it said: running, waiting, paused, finished, absent, other or unreadable.
    #[serde(serialize_with = "write_word", deserialize_with = "read_word")]
    pub state: Word,
    /// Part that is done, 0 to 1 and sometimes more.
    pub fraction: Option<f64>,
    /// Bytes or chunks that are done.
    pub done: Option<f64>,
    /// Bytes or chunks in all.
    pub total: Option<f64>,
    /// What those count: drive (bytes of each drive), array (bytes of the array) or chunks.
    #[serde(serialize_with = "write_extent", deserialize_with = "read_extent")]
    pub counts: Option<Extent>,
    /// Speed of that moment, where the source tells one.
    pub speed_bytes_per_s: Option<f64>,
    /// Since the row before, by a clock that nobody sets; empty for the first row after a start.
    pub elapsed_s: Option<f64>,
    /// Whether the share was probed since the row before; empty where it is never probed.
    pub probed: Option<bool>,
    /// Bytes read from all member drives since the server started, where it tells.
    pub members_read_bytes: Option<u64>,
    /// What else the source said, or why there was no answer.
    #[serde(with = "super::tables::guarded")]
    pub note: String,
}

impl ProgressRow {
    /// The row of a reading.
    pub fn of(reading: &Reading, source: Source, simulated: bool) -> Self {
        let Reported {
            word,
            fraction,
            done,
            total,
            extent,
            speed,
            note,
        } = &reading.reported;
        Self {
            at: reading.at,
            simulated,
            source,
            state: *word,
            fraction: *fraction,
            done: *done,
            total: *total,
            counts: *extent,
            speed_bytes_per_s: *speed,
            elapsed_s: reading.elapsed,
            probed: reading.probed,
            members_read_bytes: reading.members_read,
            note: line(note),
        }
    }

    /// The reading in a row. What is no number that a position or a time can have becomes unknown.
    pub fn reading(self) -> Reading {
        let number = |value: Option<f64>| value.filter(|v| v.is_finite() && *v >= 0.0);
        Reading {
            at: self.at,
            elapsed: number(self.elapsed_s),
            reported: Reported {
                word: self.state,
                fraction: number(self.fraction),
                done: number(self.done),
                total: number(self.total),
                extent: self.counts,
                speed: number(self.speed_bytes_per_s),
                note: self.note,
            },
            probed: self.probed,
            members_read: self.members_read_bytes,
        }
    }
}

/// What a light probe of the share saw while the reshape ran.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProbeRow {
    /// When it began.
    pub at: Timestamp,
    /// Whether the share is made up.
    pub simulated: bool,
    /// `probe-small` or `probe-large`.
    #[serde(with = "super::tables::guarded")]
    pub kind: String,
    /// Where the reshape stood.
    pub reshape_fraction: Option<f64>,
    /// How fast it was, in parts of the whole.
    pub reshape_fraction_per_h: Option<f64>,
    /// Length of the probe.
    pub seconds: f64,
    /// Time between two small reads; empty for large ones.
    pub period_s: Option<f64>,
    /// Reads that ended.
    pub operations: u64,
    /// Reads that were due and never started.
    pub missed_operations: u64,
    /// Time in which a read was under way, as a part of the probe.
    pub busy_fraction: f64,
    /// Rate of the reads, for large ones.
    pub rate_bytes_per_s: Option<f64>,
    /// Mean latency from the moment a read was due.
    pub mean_ns: Option<u64>,
    /// Median of them; empty below 20.
    pub p50_ns: Option<u64>,
    /// Worst of them.
    pub max_ns: Option<u64>,
    /// Position in the probe's order at the end, where the next of its kind goes on.
    pub next_operation: u64,
    /// Why it failed, if it did.
    #[serde(with = "super::tables::guarded")]
    pub cause: String,
}

/// The readings of a study, unpacked one by one.
impl Readings for Packed<ProgressRow> {
    fn count(&self) -> usize {
        self.len()
    }

    fn span(&self, places: Range<usize>) -> impl DoubleEndedIterator<Item = Cow<'_, Reading>> {
        let rows = Self::span(self, places);
        rows.map(|row| Cow::Owned(row.reading()))
    }
}

impl Cells for ProgressRow {
    const HEAD: &str = "at,simulated,source,state,fraction,done,total,counts,speed_bytes_per_s,elapsed_s,probed,members_read_bytes,note";

    fn plain(cells: &mut Plain<'_>) -> Option<Self> {
        let (at, simulated) = (cells.moment()?, cells.flag()?);
        let source = cells.text()?;
        let state = cells.text()?;
        let (fraction, done) = (cells.some_figure()?, cells.some_figure()?);
        let (total, counts) = (cells.some_figure()?, cells.text()?);
        Some(Self {
            at,
            simulated,
            source: Source::ALL.into_iter().find(|it| it.word() == source)?,
            state: Word::ALL.into_iter().find(|it| it.word() == state)?,
            fraction,
            done,
            total,
            counts: match counts {
                "" => None,
                counts => Some(Extent::ALL.into_iter().find(|it| it.word() == counts)?),
            },
            speed_bytes_per_s: cells.some_figure()?,
            elapsed_s: cells.some_figure()?,
            probed: cells.some_flag()?,
            members_read_bytes: cells.some_count()?,
            note: cells.guarded()?.to_owned(),
        })
    }

    /// Figures that no position has become unknown in [`ProgressRow::reading`].
    fn check(&self) -> Result<(), Wrong> {
        bounds::moment("at", self.at)
    }
}

impl Cells for ProbeRow {
    const HEAD: &str = "at,simulated,kind,reshape_fraction,reshape_fraction_per_h,seconds,period_s,operations,missed_operations,busy_fraction,rate_bytes_per_s,mean_ns,p50_ns,max_ns,next_operation,cause";

    fn plain(cells: &mut Plain<'_>) -> Option<Self> {
        Some(Self {
            at: cells.moment()?,
            simulated: cells.flag()?,
            kind: cells.guarded()?.to_owned(),
            reshape_fraction: cells.some_figure()?,
            reshape_fraction_per_h: cells.some_figure()?,
            seconds: cells.figure()?,
            period_s: cells.some_figure()?,
            operations: cells.count()?,
            missed_operations: cells.count()?,
            busy_fraction: cells.figure()?,
            rate_bytes_per_s: cells.some_figure()?,
            mean_ns: cells.some_count()?,
            p50_ns: cells.some_count()?,
            max_ns: cells.some_count()?,
            next_operation: cells.count()?,
            cause: cells.guarded()?.to_owned(),
        })
    }

    fn check(&self) -> Result<(), Wrong> {
        bounds::moment("at", self.at)?;
        bounds::figures([
            ("reshape_fraction", self.reshape_fraction),
            ("reshape_fraction_per_h", self.reshape_fraction_per_h),
            ("seconds", Some(self.seconds)),
            ("period_s", self.period_s),
            ("busy_fraction", Some(self.busy_fraction)),
            ("rate_bytes_per_s", self.rate_bytes_per_s),
        ])?;
        bounds::counts(
            AMOUNT,
            [
                ("operations", self.operations),
                ("missed_operations", self.missed_operations),
                ("next_operation", self.next_operation),
            ],
        )?;
        bounds::some_counts(
            AMOUNT,
            [
                ("mean_ns", self.mean_ns),
                ("p50_ns", self.p50_ns),
                ("max_ns", self.max_ns),
            ],
        )
    }
}

impl ProbeRow {
    /// The kind of a probe of small reads: `probe_block` of `[run]` in random order, paced, one at a time.
    pub const SMALL: &str = "probe-small";
    /// The kind of a probe of large reads: 1 MiB in order, one at a time.
    pub const LARGE: &str = "probe-large";
}

fn write_word<S: Serializer>(word: &Word, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(word.word())
}

fn read_word<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Word, D::Error> {
    let text = String::deserialize(deserializer)?;
    let found = Word::ALL.into_iter().find(|word| word.word() == text);
    found.ok_or_else(|| serde::de::Error::custom("state is no word of a reading"))
}

fn write_extent<S: Serializer>(counts: &Option<Extent>, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(counts.map_or("", Extent::word))
}

fn read_extent<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Extent>, D::Error> {
    let text = String::deserialize(deserializer)?;
    let found = Extent::ALL.into_iter().find(|extent| extent.word() == text);
    match found {
        None if !text.is_empty() => {
            Err(serde::de::Error::custom("counts is drive, array or chunks"))
        }
        found => Ok(found),
    }
}

impl super::Study {
    /// Whether a watch has read that nothing reshapes yet, and never a position.
    pub fn waits(&self) -> bool {
        let idle = |row: ProgressRow| row.state.is_idle();
        let placed = |row: ProgressRow| row.reading().position().is_some();
        !self.progress.iter().any(placed) && self.progress.iter().any(idle)
    }
}

#[cfg(test)]
mod tests {
    use super::super::tables::{parse, render};
    use super::*;
    use crate::reshape::simulated::Course;
    use crate::reshape::{Span, assess, probing_cost};
    use crate::seed::Seed;

    fn reading() -> Reading {
        let text = "[=>..]  reshape = 24.1% (74306176/307556288) finish=2226.8min speed=1744K/sec";
        let reported = Source::Mdstat.read(text, None).unwrap();
        Reading {
            elapsed: Some(300.25),
            probed: Some(false),
            members_read: Some(7),
            ..Reading::of("2026-03-02T08:00:00Z".parse().unwrap(), reported)
        }
    }

    #[test]
    fn a_reading_comes_back_from_its_row() {
        let bare = Reading::of(reading().at, Reported::bare(Word::Unreadable, "no\nroute"));
        let rows = [&reading(), &bare].map(|r| ProgressRow::of(r, Source::Mdstat, false));
        let back: Vec<ProgressRow> = parse("progress.csv", render(&rows, true).as_bytes()).unwrap();
        assert_eq!(back, rows);
        assert_eq!(back[0].clone().reading(), reading());
        assert_eq!(
            back[1].clone().reading().reported,
            Reported::bare(Word::Unreadable, "no route")
        );
    }

    /// What readings tell does not depend on how they are kept.
    #[test]
    fn packed_readings_tell_the_same() {
        let start = reading().at;
        let (mut readings, _) = Course::straight(40.0, 0.1, 300.0).run(start, Seed(3));
        readings[100].reported.fraction = Some(0.9);
        readings[200].reported = Reported::bare(Word::Unreadable, "no route");
        readings[201].elapsed = None;
        for (index, reading) in readings.iter_mut().enumerate() {
            reading.probed = Some(index % 2 == 1);
        }
        let rows = readings.iter();
        let rows: Packed<ProgressRow> = rows
            .map(|reading| ProgressRow::of(reading, Source::Percent, false))
            .collect();
        for count in [1, 100, 101, 202, 300, readings.len()] {
            let known = Span::of(&rows).up_to(count);
            let seen = assess(&known, None, None);
            assert!(seen.is_some());
            assert_eq!(
                seen,
                assess(&readings[..count], None, None),
                "seed 3, {count}"
            );
            let cost = probing_cost(&readings[..count]);
            assert_eq!(probing_cost(&known), cost, "seed 3, {count}");
        }
        assert!(probing_cost(&rows).is_some(), "seed 3");
    }

    /// The head of the plain way is that of the rows, which it takes as they are.
    #[test]
    fn the_plain_way_takes_what_is_written() {
        fn taken<Row: Cells + PartialEq + std::fmt::Debug>(row: &Row) {
            let text = render(std::slice::from_ref(row), true);
            let (head, line) = text.split_once('\n').unwrap();
            assert_eq!(head, Row::HEAD);
            let mut cells = Plain::new(line.as_bytes());
            assert_eq!(Row::plain(&mut cells).as_ref(), Some(row), "{line}");
            assert_eq!(cells.end(), Some(line.len()));
        }
        let failed = Reading::of(reading().at, Reported::bare(Word::Unreadable, "no route"));
        for reading in [reading(), failed] {
            taken(&ProgressRow::of(&reading, Source::Mdstat, false));
        }
        let probe = ProbeRow {
            at: reading().at,
            simulated: true,
            kind: ProbeRow::SMALL.to_owned(),
            reshape_fraction: Some(0.25),
            reshape_fraction_per_h: None,
            seconds: 59.0,
            period_s: Some(1.5),
            operations: 40,
            missed_operations: 0,
            busy_fraction: 0.01,
            rate_bytes_per_s: None,
            mean_ns: Some(7),
            p50_ns: None,
            max_ns: Some(9),
            next_operation: 41,
            cause: "=1".to_owned(),
        };
        taken(&probe);
        let (rate_bytes_per_s, cause) = (Some(2.9e7), String::new());
        taken(&ProbeRow {
            rate_bytes_per_s,
            period_s: None,
            cause,
            ..probe
        });
        let observation = |value| super::super::ObservationRow {
            trial: 3,
            name: "members".to_owned(),
            value,
        };
        taken(&observation(4.0));
        taken(&observation(-1.5e-7));
        let window = super::super::WindowRow {
            trial: 1,
            window: 2,
            read_bytes: 3,
            written_bytes: 0,
            operations: 4,
            mean_ns: Some(5),
            p50_ns: None,
            max_ns: Some(7),
            warmup: true,
        };
        taken(&window);
    }

    #[test]
    fn words_of_no_reading_are_refused() {
        let text = render(&[ProgressRow::of(&reading(), Source::Mdstat, false)], true);
        for (good, bad) in [
            ("running", "walking"),
            ("drive", "diskette"),
            ("mdstat", "oracle"),
        ] {
            assert!(
                parse::<ProgressRow>("t", text.replace(good, bad).as_bytes()).is_err(),
                "{bad}"
            );
        }
    }
}
