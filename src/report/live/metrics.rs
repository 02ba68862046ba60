//! Figures of a watch as OpenMetrics text (the exposition format of OpenMetrics 1.0.0), for a monitor that
//! keeps and charts them. Units are the base units of that standard; what is unknown has no sample.

use std::fmt::Write as _;

use super::Live;
use crate::compare::Reshaped;
use crate::reshape::{Alarm, State, Word};
use crate::study::ProbeRow;
use crate::text::plain;

/// Who reads the text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dialect {
    /// Who asks for OpenMetrics: with its types for states and for facts.
    Full,
    /// A file that is picked up from a folder. Readers of the older text format, on which OpenMetrics is
    /// built, do so as well and know no such types, so those are gauges of 0 and 1 here. Both formats allow
    /// that.
    Plain,
}

/// All that is known in figures, ending with `# EOF`.
pub fn open_metrics(live: &Live<'_>, dialect: Dialect) -> String {
    let mut text = Text::new(live, dialect);
    text.watch(live);
    text.reshape(live);
    text.finish(live);
    text.users(live);
    text.text + "# EOF\n"
}

/// A family of figures.
struct Family {
    name: &'static str,
    kind: &'static str,
    unit: &'static str,
    help: &'static str,
}

const fn gauge(name: &'static str, unit: &'static str, help: &'static str) -> Family {
    Family {
        name,
        kind: "gauge",
        unit,
        help,
    }
}

struct Text {
    text: String,
    dialect: Dialect,
    /// The label that all samples have.
    study: String,
    simulated: bool,
}

impl Text {
    fn new(live: &Live<'_>, dialect: Dialect) -> Self {
        Self {
            text: String::new(),
            dialect,
            study: label("study", &live.study.name),
            simulated: live.simulated(),
        }
    }

    fn watch(&mut self, live: &Live<'_>) {
        let labels = [
            label("version", env!("CARGO_PKG_VERSION")),
            label("source", live.source.word()),
            label("simulated", if self.simulated { "true" } else { "false" }),
        ];
        let labels: Vec<&str> = labels.iter().map(String::as_str).collect();
        self.info(
            "poolproof_watch",
            "What follows the reshape.",
            &labels.join(","),
        );
        let of = |unread: bool| {
            let rows = live.study.progress.iter();
            rows.filter(|row| (row.state == Word::Unreadable) == unread)
                .count() as f64
        };
        self.family(&Family {
            kind: "counter",
            ..gauge(
                "poolproof_readings",
                "",
                "Readings of the reshape since it was first followed.",
            )
        });
        for (outcome, unread) in [("answer", false), ("no-answer", true)] {
            self.sample(
                "poolproof_readings_total",
                &[label("outcome", outcome)],
                of(unread),
            );
        }
        let latest = live.study.progress.last().map(|row| row.at);
        self.single(
            &gauge(
                "poolproof_reading_timestamp_seconds",
                "seconds",
                "When the latest reading was made; one that grows old means that nobody watches.",
            ),
            latest.map(seconds),
        );
    }

    fn reshape(&mut self, live: &Live<'_>) {
        let seen = live.seen;
        self.states(
            "poolproof_reshape_state",
            "The state of the reshape.",
            &State::ALL.map(State::word),
            seen.map(|seen| seen.state.word()),
        );
        self.states(
            "poolproof_reshape_alarm",
            "What somebody has to know of the reshape; none is set while all is well.",
            &Alarm::WORDS,
            seen.and_then(|seen| seen.alarm.as_ref()).map(Alarm::word),
        );
        self.single(
            &gauge(
                "poolproof_reshape_position_ratio",
                "ratio",
                "Part of the reshape that is done, 0 to 1.",
            ),
            // Of one that is done, the last position that was read may lie before the end.
            seen.and_then(|seen| match seen.state {
                State::Finished => Some(1.0),
                _ => seen.fraction,
            }),
        );
        self.single(
            &gauge(
                "poolproof_reshape_speed_ratio_per_second",
                "ratio_per_second",
                "Speed of the reshape over its latest movements, in parts of the whole.",
            ),
            seen.and_then(|seen| seen.speed),
        );
    }

    fn finish(&mut self, live: &Live<'_>) {
        let forecast = live.seen.and_then(|seen| seen.forecast.as_ref());
        self.single(
            &gauge(
                "poolproof_reshape_finish_timestamp_seconds",
                "seconds",
                "When the reshape is forecast to finish: as likely before as after.",
            ),
            forecast.map(|forecast| seconds(forecast.finish)),
        );
        let Some(forecast) = forecast else { return };
        let name = "poolproof_reshape_finish_range_timestamp_seconds";
        self.family(&gauge(
            name,
            "seconds",
            "Ends of the ranges that hold the finish with the stated probability.",
        ));
        for (probability, range) in [("0.8", forecast.range80), ("0.95", forecast.range95)] {
            for (end, at) in [("early", range.early), ("late", range.late)] {
                let labels = [label("probability", probability), label("end", end)];
                self.sample(name, &labels, seconds(at));
            }
        }
    }

    fn users(&mut self, live: &Live<'_>) {
        let felt = live.felt();
        let reshaped = Reshaped::of(live.study);
        let before = live.before.beside(live.study, reshaped.as_ref());
        let (small, large) = (&before.small, &before.large);
        let of_ns = |ns: f64| ns / 1e9;
        for (family, value) in [
            (
                gauge(
                    "poolproof_user_small_read_latency_seconds",
                    "seconds",
                    "Mean latency of small reads by the probes of the last hour.",
                ),
                felt.small_ns.map(of_ns),
            ),
            (
                gauge(
                    "poolproof_user_small_read_latency_before_seconds",
                    "seconds",
                    "Mean latency of the like workload before the expansion.",
                ),
                small.as_ref().map(|small| of_ns(small.value)),
            ),
            (
                gauge(
                    "poolproof_user_small_read_latency_limit_seconds",
                    "seconds",
                    "The longest mean latency that is accepted, as study.toml has it.",
                ),
                super::small_limit_ns(live).map(of_ns),
            ),
            (
                gauge(
                    "poolproof_user_large_read_bytes_per_second",
                    "bytes_per_second",
                    "Rate of one user's large reads by the probes of the last hour.",
                ),
                felt.large_bytes_per_s,
            ),
            (
                gauge(
                    "poolproof_user_large_read_before_bytes_per_second",
                    "bytes_per_second",
                    "Rate of the like workload before the expansion.",
                ),
                large.as_ref().map(|large| large.value),
            ),
            (
                gauge(
                    "poolproof_probing_cost_ratio",
                    "ratio",
                    "Part of its speed that the reshape loses while the share is probed.",
                ),
                live.probing.map(|cost| cost.loss),
            ),
        ] {
            self.single(&family, value);
        }
        self.family(&Family {
            kind: "counter",
            ..gauge(
                "poolproof_probes",
                "",
                "Light probes of the share since the reshape was first followed.",
            )
        });
        for (reads, kind) in [("small", ProbeRow::SMALL), ("large", ProbeRow::LARGE)] {
            for (outcome, failed) in [("answer", false), ("failed", true)] {
                let rows = live.study.probes.iter().filter(|row| row.kind == kind);
                let count = rows.filter(|row| row.cause.is_empty() != failed).count();
                let labels = [label("reads", reads), label("outcome", outcome)];
                self.sample("poolproof_probes_total", &labels, count as f64);
            }
        }
    }

    /// A family of one figure; nothing where it is unknown.
    fn single(&mut self, family: &Family, value: Option<f64>) {
        if let Some(value) = value.filter(|value| value.is_finite()) {
            self.family(family);
            self.sample(family.name, &[], value);
        }
    }

    /// One of `words` is the case, or none.
    fn states(
        &mut self,
        name: &'static str,
        help: &'static str,
        words: &[&str],
        now: Option<&str>,
    ) {
        let kind = match self.dialect {
            Dialect::Full => "stateset",
            Dialect::Plain => "gauge",
        };
        self.family(&Family {
            kind,
            ..gauge(name, "", help)
        });
        for word in words {
            let value = if now == Some(word) { 1.0 } else { 0.0 };
            self.sample(name, &[label(name, word)], value);
        }
    }

    /// Facts as labels.
    fn info(&mut self, name: &'static str, help: &'static str, labels: &str) {
        let (kind, named) = match self.dialect {
            Dialect::Full => ("info", name.to_owned()),
            Dialect::Plain => ("gauge", format!("{name}_info")),
        };
        self.head(&named, kind, "", help);
        self.sample(&format!("{name}_info"), &[labels.to_owned()], 1.0);
    }

    fn family(&mut self, family: &Family) {
        self.head(family.name, family.kind, family.unit, family.help);
    }

    fn head(&mut self, name: &str, kind: &str, unit: &str, help: &str) {
        let banner = super::super::words::banner(self.simulated);
        self.line(format_args!("# TYPE {name} {kind}"));
        if !unit.is_empty() {
            self.line(format_args!("# UNIT {name} {unit}"));
        }
        self.line(format_args!("# HELP {name} {banner}{help}"));
    }

    fn sample(&mut self, name: &str, labels: &[String], value: f64) {
        let all: Vec<&str> = std::iter::once(&self.study)
            .chain(labels)
            .map(String::as_str)
            .collect();
        let labels = all.join(",");
        self.line(format_args!("{name}{{{labels}}} {value}"));
    }

    fn line(&mut self, line: std::fmt::Arguments<'_>) {
        writeln!(self.text, "{line}").expect("memory does not fail");
    }
}

/// A label: the value as one plain line, escaped as the standard has it.
fn label(name: &str, value: &str) -> String {
    let value = plain(value).replace('\\', "\\\\").replace('"', "\\\"");
    format!("{name}=\"{value}\"")
}

fn seconds(at: jiff::Timestamp) -> f64 {
    at.as_millisecond() as f64 / 1e3
}
