//! What limits: which layer between the drives and the client was the narrowest.

use std::mem::discriminant;

use super::case::Case;
use super::grade::{Grade, Ruling};
use crate::plan::Access;
use crate::record::observed;
use crate::units::{self, Nanos, Rate, figure, percent};

/// The narrowest layer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Limit {
    /// The link between client and server.
    Link,
    /// A processor of the client.
    Client,
    /// One operation at a time, each taking its time.
    Latency,
    /// A cache, not the drives.
    Cache,
    /// The member drives.
    Drives,
    /// Nothing tells.
    Undetermined,
}

impl Limit {
    /// The word used in tables and files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Link => "link",
            Self::Client => "client",
            Self::Latency => "latency",
            Self::Cache => "cache",
            Self::Drives => "drives",
            Self::Undetermined => "undetermined",
        }
    }
}

/// A piece of the sentence on what limits: words, or a figure of the trial.
#[derive(Clone, Debug, PartialEq)]
pub enum Piece {
    /// Words, alike in all trials of which the same was found.
    Words(String),
    /// A part of the time, 0 to 1.
    Part(f64),
    /// A latency.
    Latency(Nanos),
    /// A rate.
    Rate(Rate),
    /// Operations a second.
    Operations(f64),
}

impl From<&str> for Piece {
    fn from(words: &str) -> Self {
        Self::Words(words.to_owned())
    }
}

impl From<String> for Piece {
    fn from(words: String) -> Self {
        Self::Words(words)
    }
}

impl Piece {
    /// Whether nothing but the value of a figure tells it from `other`.
    fn is_like(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Words(one), Self::Words(two)) => one == two,
            _ => discriminant(self) == discriminant(other),
        }
    }

    fn value(&self) -> f64 {
        match self {
            Self::Words(_) => 0.0,
            Self::Latency(Nanos(ns)) => *ns as f64,
            Self::Part(value) | Self::Rate(Rate(value)) | Self::Operations(value) => *value,
        }
    }

    fn words(&self) -> String {
        match self {
            Self::Words(words) => words.clone(),
            Self::Part(part) => percent(*part, 0),
            Self::Latency(latency) => latency.to_string(),
            Self::Rate(rate) => rate.to_string(),
            Self::Operations(operations) => format!("{} op/s", figure(*operations)),
        }
    }
}

/// The narrowest layer with the figures that tell it.
#[derive(Clone, Debug, PartialEq)]
pub struct Limiting {
    /// Which.
    pub limit: Limit,
    /// The sentence that tells it, in pieces.
    pub pieces: Vec<Piece>,
}

impl Limiting {
    /// In one sentence.
    pub fn sentence(&self) -> String {
        self.pieces.iter().map(Piece::words).collect()
    }

    /// Whether the same was found, with other figures at most.
    pub fn is_like(&self, other: &Self) -> bool {
        self.limit == other.limit
            && self.pieces.len() == other.pieces.len()
            && self
                .pieces
                .iter()
                .zip(&other.pieces)
                .all(|(one, two)| one.is_like(two))
    }

    /// One sentence for several that are alike, with the least and the greatest of each figure; empty for
    /// none.
    pub fn together(all: &[&Self]) -> String {
        let Some(first) = all.first() else {
            return String::new();
        };
        let range = |place: usize| {
            let mut figures: Vec<&Piece> = all.iter().map(|of| &of.pieces[place]).collect();
            figures.sort_by(|a, b| a.value().total_cmp(&b.value()));
            let (least, most) = (figures[0].words(), figures[figures.len() - 1].words());
            units::range(&least, &most)
        };
        (0..first.pieces.len()).map(range).collect()
    }
}

/// Within this part of the payload the link is the limit.
const NEAR: f64 = 0.05;
/// Above this a core or a drive is full.
pub(super) const FULL: f64 = 0.9;
/// Below this part of the time, waiting for a core is none.
pub(super) const HARDLY: f64 = 0.01;
/// Above this part of the time, waiting for a core of the client is no small part of a latency.
const QUEUED: f64 = 0.1;
/// Where several are in flight, the share works on the others meanwhile: only above this part it is what limits.
const QUEUED_DEEP: f64 = 0.5;

/// Finds the narrowest layer.
pub(super) fn limiting(case: &Case<'_>, ruling: &Ruling) -> Limiting {
    let found = [
        cache(ruling),
        link(case),
        ceiling(case, ruling),
        client(case),
        drives(case),
        latency(case),
    ];
    found.into_iter().flatten().next().unwrap_or_else(|| {
        let nothing = || vec!["nothing that could be observed tells what limits".into()];
        Limiting {
            limit: Limit::Undetermined,
            pieces: crowded(case).unwrap_or_else(nothing),
        }
    })
}

/// Of a core of this client that was full without holding up the load for long: that this client may have a
/// part in what limits. Where the load hardly waited for a core, it has none.
fn crowded(case: &Case<'_>) -> Option<Vec<Piece>> {
    let busiest = case.seen.get(observed::BUSIEST_CORE)?;
    let ran = case.seen.get(observed::LOAD_RAN)? / case.trial.seconds.max(1e-9);
    let waited = case.seen.get(observed::LOAD_QUEUED);
    if busiest <= FULL || waited.is_some_and(|part| part < HARDLY) {
        return None;
    }
    let mut pieces = vec![
        "no layer that could be observed was full but this client, which may have a part in it: one of its \
         cores was busy "
            .into(),
        Piece::Part(busiest),
        " of the time, by other programs too, while what makes the load ran ".into(),
        Piece::Part(ran),
    ];
    if let Some(part) = waited {
        pieces.extend([" and waited for one ".into(), Piece::Part(part)]);
    }
    pieces.push(" of it".into());
    Some(pieces)
}

fn cache(ruling: &Ruling) -> Option<Limiting> {
    let cached = ruling.cached.filter(|_| ruling.grade == Grade::X)?;
    (cached.figure() > 0.5).then(|| Limiting {
        limit: Limit::Cache,
        pieces: vec![
            format!(
                "limited by a cache that served {}: says nothing about the drives",
                cached.words()
            )
            .into(),
        ],
    })
}

fn link(case: &Case<'_>) -> Option<Limiting> {
    let (rate, payload) = (case.one_way_rate()?, case.payload()?);
    let line = case.seen.get(observed::WIRE_LINE_RATE)? / 1e9;
    let used = rate.0 / payload.0;
    (used >= 1.0 - 2.0 * NEAR || wire_full(case)?).then(|| Limiting {
        limit: Limit::Link,
        pieces: vec![
            format!("limited by the {line} GbE link (").into(),
            Piece::Rate(rate),
            format!(" of {payload}): says nothing about the drives").into(),
        ],
    })
}

/// Whether all that went over the link, headers and others' traffic included, filled it.
fn wire_full(case: &Case<'_>) -> Option<bool> {
    let line = case.seen.get(observed::WIRE_LINE_RATE)?;
    let received = case.seen.get(observed::WIRE_RECEIVED)?;
    let sent = case.seen.get(observed::WIRE_SENT)?;
    let seconds = (case.trial.seconds).max(case.trial.windows as f64).max(1.0);
    Some(received.max(sent) * 8.0 / seconds >= (1.0 - NEAR) * line)
}

fn client(case: &Case<'_>) -> Option<Limiting> {
    let over = |name, most| case.seen.get(name).filter(|part| *part > most);
    // A core that other programs fill says nothing of what the load would need.
    let own = case
        .seen
        .get(observed::LOAD_RAN)
        .map(|seconds| seconds / case.trial.seconds.max(1e-9));
    let core = over(observed::BUSIEST_CORE, FULL);
    let busy = core.filter(|_| own.is_none_or(|own| own >= FULL));
    let busy = busy.map(|part| {
        vec![
            "limited by this client: one of its cores was busy ".into(),
            Piece::Part(part),
            " of the time".into(),
        ]
    });
    let queued = || {
        let others = match core {
            Some(_) => ", since other programs on this client kept its cores busy",
            None => "",
        };
        let most = match case.trial.depth * case.trial.streams {
            1 => QUEUED,
            _ => QUEUED_DEEP,
        };
        over(observed::LOAD_QUEUED, most).map(|part| {
            vec![
                "limited by this client: what makes the load waited for a core ".into(),
                Piece::Part(part),
                format!(" of the time, which stands in the latencies{others}").into(),
            ]
        })
    };
    busy.or_else(queued).map(|pieces| Limiting {
        limit: Limit::Client,
        pieces,
    })
}

/// Whether reads or writes in order came as fast as the drives can, by the rate that was stated of one, and
/// nothing speaks for a cache. All drives are read; of what is written, parity and copies are no data.
fn ceiling(case: &Case<'_>, ruling: &Ruling) -> Option<Limiting> {
    let each = case.config.pool.as_ref()?.drive_rate?;
    let pool = case.pool()?;
    let (worth, do_so) = match case.trial.read_percent {
        100 => (pool.drives, "read"),
        0 => (pool.data_drives(), "take data at"),
        _ => return None,
    };
    let in_order = case.trial.access == Access::Sequential;
    let sound = !ruling.grade.is_void();
    let (rate, all) = (case.rate()?, Rate(each.0 as f64 * f64::from(worth)));
    (in_order && sound && rate.0 >= FULL * all.0).then(|| Limiting {
        limit: Limit::Drives,
        pieces: vec![
            "limited by the drives: ".into(),
            Piece::Rate(rate),
            format!(
                ", where {} drives {do_so} {all} by the rate stated of one",
                pool.drives
            )
            .into(),
        ],
    })
}

fn drives(case: &Case<'_>) -> Option<Limiting> {
    let busy: Vec<f64> = case
        .members()?
        .iter()
        .filter_map(|member| member.busy)
        .collect();
    let mean = crate::stats::describe::mean(&busy)?;
    (mean > FULL).then(|| Limiting {
        limit: Limit::Drives,
        pieces: vec![
            "limited by the drives, busy ".into(),
            Piece::Part(mean),
            " of the time".into(),
        ],
    })
}

fn latency(case: &Case<'_>) -> Option<Limiting> {
    let trial = case.trial;
    let depth = trial.depth * trial.streams;
    let mean = Nanos(trial.mean_ns?);
    // What is counted in operations is told in operations.
    let reachable = f64::from(depth) / mean.secs().max(1e-9);
    let reachable = match trial.access {
        Access::Random => Piece::Operations(reachable),
        Access::Sequential => Piece::Rate(Rate(reachable * trial.block_bytes as f64)),
    };
    (depth <= 2 && trial.paced_operations_per_s.is_none()).then(|| Limiting {
        limit: Limit::Latency,
        pieces: vec![
            format!("limited by latency: {depth} in flight, ").into(),
            Piece::Latency(mean),
            " each on average, make ".into(),
            reachable,
            "; more in flight would be faster".into(),
        ],
    })
}
