//! An outlook for programs: every figure once, as CSV rows or within JSON.

use serde::Serialize;

use crate::pool::{Assumption, Objection, Outlook, Pass, Range};
use crate::report::json::json;
use crate::units::Bytes;

/// One number of an outlook.
#[derive(Serialize)]
struct Figure {
    /// `space`, `speed`, `time` or `risk`.
    section: &'static str,
    /// What it is about.
    item: String,
    /// Which of several: before or after, low or high, best to worst, a model.
    case: String,
    /// The number; empty or null where there is none.
    value: Option<Number>,
    /// Its unit.
    unit: &'static str,
}

/// Bytes stay whole.
#[derive(Serialize)]
#[serde(untagged)]
enum Number {
    Whole(u64),
    Real(f64),
    Moment(String),
}

impl Number {
    fn text(&self) -> String {
        match self {
            Self::Whole(number) => number.to_string(),
            Self::Real(number) => number.to_string(),
            Self::Moment(moment) => moment.clone(),
        }
    }
}

/// Says in each file that nothing was measured.
const BASIS: &str = "computed from stated and assumed values; nothing is measured";

/// Every figure of an outlook, a row each: section, item, case, value, unit, basis. The assumptions
/// follow as rows with their values in words and their sources as basis.
pub fn outlook_csv(outlook: &Outlook) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let mut write = |row: [&str; 6]| {
        writer
            .write_record(row)
            .expect("rows are of one length and memory does not fail");
    };
    write(["section", "item", "case", "value", "unit", "basis"]);
    for figure in figures(outlook) {
        let value = figure.value.map(|value| value.text()).unwrap_or_default();
        let (section, item, case) = (figure.section, &figure.item, &figure.case);
        write([section, item, case, &value, figure.unit, "computed"]);
    }
    for entry in &outlook.assumptions {
        let case = if entry.stated { "stated" } else { "assumed" };
        write([
            "assumption",
            entry.what,
            case,
            &entry.value,
            "",
            entry.source,
        ]);
    }
    let bytes = writer.into_inner().expect("memory does not fail");
    String::from_utf8(bytes).expect("cells are text")
}

#[derive(Serialize)]
struct OutlookJson<'a> {
    basis: &'static str,
    pool: PoolJson,
    figures: Vec<Figure>,
    assumptions: Vec<AssumptionJson<'a>>,
    cautions: &'a [String],
}

#[derive(Serialize)]
struct PoolJson {
    scheme: &'static str,
    becoming: &'static str,
    member_bytes: Vec<u64>,
    new_bytes: Vec<u64>,
}

#[derive(Serialize)]
struct AssumptionJson<'a> {
    what: &'a str,
    value: &'a str,
    stated: bool,
    source: &'a str,
    flag: &'a str,
}

impl<'a> AssumptionJson<'a> {
    fn of(entry: &'a Assumption) -> Self {
        Self {
            what: entry.what,
            value: &entry.value,
            stated: entry.stated,
            source: entry.source,
            flag: entry.flag,
        }
    }
}

/// An outlook as one JSON object: the pool, every figure, assumptions and cautions.
pub fn outlook_json(outlook: &Outlook) -> String {
    let bytes = |sizes: &[Bytes]| sizes.iter().map(|size| size.0).collect();
    let proposal = &outlook.proposal;
    json(&OutlookJson {
        basis: BASIS,
        pool: PoolJson {
            scheme: proposal.scheme.word(),
            becoming: proposal.becoming.word(),
            member_bytes: bytes(&proposal.members),
            new_bytes: bytes(&proposal.new),
        },
        figures: figures(outlook),
        assumptions: outlook.assumptions.iter().map(AssumptionJson::of).collect(),
        cautions: &outlook.cautions,
    })
}

#[derive(Serialize)]
struct RefusedJson {
    refused: Vec<Reason>,
}

#[derive(Serialize)]
struct Reason {
    reason: &'static str,
    why: String,
}

/// Objections as one JSON object: a word and a sentence each.
pub fn objections_json(objections: &[Objection]) -> String {
    let reason = |objection: &Objection| Reason {
        reason: objection.word(),
        why: objection.to_string(),
    };
    json(&RefusedJson {
        refused: objections.iter().map(reason).collect(),
    })
}

fn figures(outlook: &Outlook) -> Vec<Figure> {
    let mut figures = space(outlook);
    figures.extend(speed(outlook));
    figures.extend(time(outlook));
    figures.extend(risk(outlook));
    figures
}

fn space(outlook: &Outlook) -> Vec<Figure> {
    let space = &outlook.space;
    let rows = [
        ("usable", "before", space.before.usable),
        ("usable", "after", space.usable_after),
        ("usable", "after rewriting old data", space.after.usable),
        ("for files", "before", space.for_files(space.before.usable)),
        ("for files", "after", space.for_files(space.usable_after)),
        ("redundancy", "before", space.before.redundancy),
        ("redundancy", "after", space.after.redundancy),
        ("wasted", "before", space.before.wasted),
        ("wasted", "after", space.after.wasted),
        ("all drives", "before", space.before.raw),
        ("all drives", "after", space.after.raw),
        ("smallest new drive", "", space.smallest_new),
    ];
    let figure = |(item, case, bytes): (&str, &str, Bytes)| Figure {
        section: "space",
        item: item.to_owned(),
        case: case.to_owned(),
        value: Some(Number::Whole(bytes.0)),
        unit: "bytes",
    };
    rows.into_iter().map(figure).collect()
}

fn speed(outlook: &Outlook) -> Vec<Figure> {
    let mut figures = Vec::new();
    for expected in &outlook.speed {
        let name = expected.work.word();
        let mut push = |item: &str, case: String, value: f64, unit: &'static str| {
            figures.push(Figure {
                section: "speed",
                item: format!("{name} {item}"),
                case,
                value: finite(value),
                unit,
            });
        };
        for promise in &expected.promises {
            let idle = if promise.idling {
                ", some drives idle"
            } else {
                ""
            };
            let case = format!("{}{idle}", promise.model.title());
            push("ratio", case, promise.ratio(), "after/before");
        }
        push("location", String::new(), expected.location, "after/before");
        let unit = if expected.work.large() {
            "bytes/s"
        } else {
            "operations/s"
        };
        for (item, case, Range { low, high }) in [
            ("pool", "before", expected.pool_before),
            ("pool", "after", expected.pool_after),
            ("one user", "before", expected.user_before),
            ("one user", "after", expected.user_after),
        ] {
            push(item, format!("{case} low"), low, unit);
            push(item, format!("{case} high"), high, unit);
        }
    }
    figures.push(Figure {
        section: "speed",
        item: "link payload".into(),
        case: String::new(),
        value: finite(outlook.payload),
        unit: "bytes/s",
    });
    figures
}

fn time(outlook: &Outlook) -> Vec<Figure> {
    let time = &outlook.time;
    let mut figures = Vec::new();
    let mut push = |item: &str, case: &str, value: Option<Number>, unit: &'static str| {
        figures.push(Figure {
            section: "time",
            item: item.to_owned(),
            case: case.to_owned(),
            value,
            unit,
        });
    };
    let moment = |moment: jiff::civil::DateTime| Some(Number::Moment(moment.to_string()));
    push("start", "", moment(time.start), "local time");
    push(
        "device bytes",
        "",
        Some(Number::Whole(time.device_bytes.0)),
        "bytes",
    );
    let passes: Vec<(&str, Pass)> = [
        ("expansion", time.growth),
        ("rebuild", time.rebuild),
        ("scrub", time.scrub),
    ]
    .into_iter()
    .chain(time.ways.iter().map(|way| (way.what.as_str(), way.pass)))
    .collect();
    for (item, pass) in passes {
        for (index, case) in ["best", "likely", "worst"].into_iter().enumerate() {
            push(item, case, pass.hours[index].and_then(finite), "hours");
            push(item, case, pass.ends[index].and_then(moment), "local time");
        }
    }
    for way in &time.ways {
        push(
            &way.what,
            "usable",
            Some(Number::Whole(way.usable.0)),
            "bytes",
        );
        push(
            &way.what,
            "exposures",
            Some(Number::Whole(way.exposures as u64)),
            "times",
        );
    }
    push("self-test", "least", finite(time.self_test[0]), "hours");
    push("self-test", "most", finite(time.self_test[1]), "hours");
    push("write and read back", "", finite(time.burn_in), "hours");
    figures
}

fn risk(outlook: &Outlook) -> Vec<Figure> {
    let danger = &outlook.danger;
    let mut figures = Vec::new();
    let mut push = |item: &str, case: &str, chance: f64| {
        figures.push(Figure {
            section: "risk",
            item: item.to_owned(),
            case: case.to_owned(),
            value: finite(chance),
            unit: "chance",
        });
    };
    for (item, [likely, worst]) in [
        ("power cut", danger.power_cut),
        ("any drive fails", danger.any_failure),
        ("loss, independent failures", danger.loss_independent),
        ("loss, following failures", danger.loss_following),
    ] {
        push(item, "likely hours", likely);
        push(item, "worst hours", worst);
    }
    if let Some(bound) = danger.read_bound {
        push(
            "unreadable sector without redundancy",
            "bound",
            bound.chance,
        );
    }
    for (case, years) in [
        ("before", danger.years_before),
        ("after", danger.years_after),
    ] {
        push(
            "loss in ten years, independent failures",
            case,
            years.independent,
        );
        push(
            "loss in ten years, following failures",
            case,
            years.following,
        );
        push("loss in ten years, bound", case, years.bound);
    }
    figures
}

fn finite(value: f64) -> Option<Number> {
    value.is_finite().then_some(Number::Real(value))
}
