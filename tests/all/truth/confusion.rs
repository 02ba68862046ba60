//! Grades and estimates counted against the truth.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use poolproof::judge::Grade;

use super::measured::Verdict;
use super::{CACHED, HOLDS, SCENARIOS};

/// Of a clean trial no more came from elsewhere: sequential ones find control reads' pieces in a cache.
const CLEAN: f64 = 0.005;
/// An estimate is close within this.
const CLOSE: f64 = 0.05;
/// Bounds have edges, as counts have.
const EDGE: f64 = 0.01;
/// All grades, in the order of the table.
const GRADES: [Grade; 5] = [Grade::A, Grade::B, Grade::U, Grade::C, Grade::X];

/// What a trial was in truth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Class {
    Clean,
    Some,
    NothingCouldShow,
    CouldBeShown,
}

impl Class {
    const ALL: [Self; 4] = [
        Self::Clean,
        Self::Some,
        Self::NothingCouldShow,
        Self::CouldBeShown,
    ];

    fn of(verdict: &Verdict) -> Self {
        match verdict.served_by_caches() > HOLDS {
            true if verdict.could_show() => Self::CouldBeShown,
            true => Self::NothingCouldShow,
            // What compresses is no cache, and no clean trial either.
            false if verdict.cached() > CLEAN => Self::Some,
            false => Self::Clean,
        }
    }

    fn words(self) -> &'static str {
        match self {
            Self::Clean => "at most 0.5 %",
            Self::Some => "up to 10 %, or compressed",
            Self::NothingCouldShow => "more, and nothing was observed that could show it",
            Self::CouldBeShown => "more, and something was observed that could show it",
        }
    }
}

/// How many of how many.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Count {
    hits: u32,
    pub(super) of: u32,
}

impl Count {
    fn note(&mut self, hit: bool) {
        self.of += 1;
        self.hits += u32::from(hit);
    }

    pub(super) fn share(self) -> f64 {
        f64::from(self.hits) / f64::from(self.of)
    }

    fn words(self) -> String {
        format!(
            "{} of {} ({:.1} %)",
            self.hits,
            self.of,
            100.0 * self.share()
        )
    }
}

/// How the grades of some trials compare with the truth.
#[derive(Default)]
pub(super) struct Confusion {
    table: BTreeMap<(Class, Grade), u32>,
    /// Grades that are wrong, in words: cached trials that hold, and
    /// clean ones that did not.
    passed: Vec<String>,
    alarms: Vec<String>,
    pub(super) clean: u32,
    /// Clean trials that hold, of those whose bytes were counted at the drives and of the others.
    pub(super) held_counted: Count,
    pub(super) held_uncounted: Count,
    /// Estimates that are close: of cached trials, and of all.
    pub(super) close_cached: Count,
    close: Count,
    /// Cached trials with an estimate, of those that allow one.
    pub(super) estimated: Count,
    /// Bounds of estimates, and bounds alone, that hold.
    pub(super) intervals: Count,
    pub(super) bounds: Count,
    /// What did not, in words.
    pub(super) far: Vec<String>,
}

impl Confusion {
    pub(super) fn of<'a>(verdicts: impl Iterator<Item = &'a Verdict>) -> Self {
        let mut confusion = Self::default();
        verdicts.for_each(|verdict| {
            confusion.grade(verdict);
            confusion.estimate(verdict);
        });
        confusion
    }

    fn grade(&mut self, verdict: &Verdict) {
        let (class, grade) = (Class::of(verdict), verdict.judgement.ruling.grade);
        *self.table.entry((class, grade)).or_default() += 1;
        self.clean += u32::from(class == Class::Clean);
        match class {
            Class::CouldBeShown | Class::NothingCouldShow if grade.holds() => {
                self.passed.push(describe(verdict));
            }
            Class::Clean if grade.is_void() => self.alarms.push(describe(verdict)),
            _ => {}
        }
        if class == Class::Clean {
            match verdict.counted() {
                true => self.held_counted.note(grade.holds()),
                false => self.held_uncounted.note(grade.holds()),
            }
        }
    }

    fn estimate(&mut self, verdict: &Verdict) {
        let (cached, truth) = (verdict.judgement.ruling.cached, verdict.cached());
        let estimate = cached.and_then(|cached| cached.estimate);
        if verdict.could_estimate() && truth > CACHED {
            self.estimated.note(estimate.is_some());
        }
        if let Some(estimate) = estimate {
            let near = (estimate - truth).abs() <= CLOSE;
            self.close.note(near);
            if truth > CACHED {
                self.close_cached.note(near);
            }
            if !near {
                self.far.push(describe(verdict));
            }
        }
        if let Some(cached) = cached {
            let holds = (cached.low - EDGE..=cached.high + EDGE).contains(&truth);
            match estimate {
                Some(_) => self.intervals.note(holds),
                None => self.bounds.note(holds),
            }
            if estimate.is_none() && !holds {
                self.far.push(describe(verdict));
            }
        }
    }

    pub(super) fn count(&self, class: Class, grade: Grade) -> u32 {
        self.table.get(&(class, grade)).copied().unwrap_or(0)
    }

    /// The requirements on grades.
    #[track_caller]
    pub(super) fn assert_grades(&self, what: &str) {
        let (passed, alarms) = (&self.passed, &self.alarms);
        assert!(passed.is_empty(), "{what}, passed: {passed:#?}");
        let share = alarms.len() as f64 / f64::from(self.clean);
        assert!(share < 0.01, "{what}, clean and rejected: {alarms:#?}");
    }

    /// As text for people, in Markdown.
    pub(super) fn markdown(&self) -> String {
        let mut text = format!(
            "SIMULATED: {SCENARIOS} drawn scenarios, one trial each.\n\n\
             | bytes from caches | A | B | U | C | X |\n\
             | --- | ---: | ---: | ---: | ---: | ---: |\n"
        );
        for class in Class::ALL {
            let counts = GRADES.map(|grade| self.count(class, grade).to_string());
            writeln!(text, "| {} | {} |", class.words(), counts.join(" | ")).unwrap();
        }
        let rows = [
            (
                "clean trials that hold, counted at the drives",
                self.held_counted,
            ),
            (
                "clean trials that hold, not counted there",
                self.held_uncounted,
            ),
            (
                "estimate within 5 points of the truth, trials with more than 5 %",
                self.close_cached,
            ),
            ("the same, all trials", self.close),
            (
                "estimate given, trials with more than 5 % that allow one",
                self.estimated,
            ),
            ("truth within the bounds of an estimate", self.intervals),
            ("truth within bounds without an estimate", self.bounds),
        ];
        text.push_str("\n| estimates | trials |\n| --- | ---: |\n");
        for (what, count) in rows {
            writeln!(text, "| {what} | {} |", count.words()).unwrap();
        }
        text
    }
}

fn describe(verdict: &Verdict) -> String {
    let (kind, scenario) = (&verdict.kind, &verdict.scenario);
    format!(
        "seed {}: {:?} {} {} {}, sight {:?}, users {:?}, traffic {:?}, stored {:.2}, {} lies: {:.3} \
         not from the drives, {:?}",
        verdict.seed,
        kind.caches,
        kind.workload.name,
        if verdict.rotating() {
            "rotating"
        } else {
            "solid"
        },
        scenario.pool.level,
        kind.sight,
        kind.users,
        kind.traffic,
        scenario.stored,
        if scenario.server.flush_lies {
            "flush"
        } else {
            "nothing"
        },
        verdict.cached(),
        verdict.judgement.ruling
    )
}
