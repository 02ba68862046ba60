//! How the demo tells what happens: a line an event.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::tell_line;
use crate::cli::check::moment;
use crate::pool::{Outlook, odds_in_words};
use crate::ready::{Readiness, State, StepState, Verdict, next as follows};
use crate::report;
use crate::reshape::{Cost, Forecast, State as Reshaping};
use crate::study::Study;
use crate::text::count;
use crate::units::Rate;
use crate::watch::Event;

/// The forecast that is held against the end is made when so much is done.
const THIRD: f64 = 1.0 / 3.0;

/// A line about a moment.
pub(super) fn at(moment: Timestamp, text: &str) -> String {
    format!("SIMULATED {}  {text}", clock(moment))
}

fn clock(moment: Timestamp) -> impl std::fmt::Display {
    moment.strftime("%a %-d %b %H:%M")
}

/// The lines of a plan on which a decision rests.
pub(super) fn plan(outlook: &Outlook) -> String {
    let space = &outlook.space;
    let hours = outlook.time.growth.hours.map(|hours| match hours {
        Some(hours) => format!("{hours:.0} h"),
        None => "over ten years".to_owned(),
    });
    let [best, likely, worst] = hours;
    let large = outlook.speed.first().map_or(String::new(), |speed| {
        let band = |low: f64, high: f64| format!("{} to {}", Rate(low), Rate(high));
        format!(
            "; {} by the pool: {} now, {} afterwards",
            speed.work.word(),
            band(speed.pool_before.low, speed.pool_before.high),
            band(speed.pool_after.low, speed.pool_after.high)
        )
    });
    // Hours of use lie where the start puts them.
    let start = outlook.time.start.strftime("%a %-d %b %H:%M");
    let [loss, _] = outlook.danger.loss_following;
    let [cut, _] = outlook.danger.power_cut;
    format!(
        "SIMULATED plan: {} for data become {} (shown as {}){large}\n\
         SIMULATED plan: takes {likely}, {best} at best, {worst} at worst with a start on {start}; a power cut meanwhile: {}; data lost: {}",
        space.before.usable.si(),
        space.usable_after.si(),
        space.usable_after.iec(),
        odds_in_words(cut),
        odds_in_words(loss)
    )
}

/// The answer to "may the expansion start?" and what does not simply hold.
pub(super) fn check(found: &Readiness) -> String {
    let word = match found.verdict {
        Verdict::Go => "GO",
        Verdict::NotYet => "NOT YET",
        Verdict::No => "NO",
    };
    let lines = || found.seen.iter().chain(&found.attested);
    let holds = lines().filter(|line| line.state == State::Holds).count();
    let head = format!("check: {word}, {holds} of {} lines hold", lines().count());
    let rest = lines().filter(|line| line.state != State::Holds);
    let rest = rest.map(|line| {
        let (state, title) = (line.state.word(), line.title);
        format!("\n{}{state}: {title}: {}", " ".repeat(12), line.evidence)
    });
    at(found.now, &head) + &rest.collect::<String>()
}

/// What follows the measuring, in short.
pub(super) fn next(study: &Study) -> String {
    let next = follows(study, None, moment(study));
    let open = next
        .steps
        .iter()
        .filter(|step| matches!(step.state, StepState::Now | StepState::Later));
    let open = open.map(|step| {
        let due = step.at.map_or(String::new(), |at| {
            format!(", due {}", at.strftime("%Y-%m-%d"))
        });
        format!(
            "  {:<6}{} ({}){due}\n",
            step.state.word(),
            step.title,
            step.step
        )
    });
    let head = format!("\nSIMULATED What follows\n{}\n", next.stage.sentence());
    head + &open.collect::<String>()
}

/// What the demo keeps in mind of the days of the reshape.
#[derive(Default)]
pub(super) struct Told {
    state: Option<Reshaping>,
    /// What was foretold at a third.
    foretold: Option<Forecast>,
    cost: Option<Cost>,
}

impl Told {
    /// Tells of a reading when the state has changed, and of alarms.
    pub(super) fn hear(&mut self, event: Event<'_>) {
        match event {
            Event::Read(seen, _) => {
                let third = self.foretold.is_none() && seen.fraction.is_some_and(|f| f >= THIRD);
                if third {
                    self.foretold = seen.forecast.clone();
                }
                if self.state != Some(seen.state) || third {
                    self.state = Some(seen.state);
                    let line =
                        report::reading_line(seen, report::Clock::new(&TimeZone::UTC, false));
                    tell_line(&format!("SIMULATED {line}"));
                }
            }
            Event::Alarm(sentence) => tell_line(&format!("SIMULATED ALARM {sentence}")),
            Event::Calm => tell_line("SIMULATED the alarm is over"),
            Event::Note(note) => tell_line(&format!("SIMULATED {note}")),
            Event::Cost(cost) => self.cost = Some(cost),
            Event::Probed(_) => {}
        }
    }

    /// What came of it: time, the forecast held against it, and what the watching cost. `rows` are
    /// the readings and the probes.
    pub(super) fn end(&self, begun: Timestamp, ended: Timestamp, rows: (usize, usize)) -> String {
        let hours = ended.duration_since(begun).as_secs_f64() / 3600.0;
        let (readings, probes) = rows;
        let mut text = at(
            ended,
            &format!(
                "the reshape has finished after {hours:.0} hours; {}, {}",
                count(readings, "reading"),
                count(probes, "probe")
            ),
        );
        if let Some(forecast) = &self.foretold {
            let off = ended.duration_since(forecast.finish).as_secs_f64() / 3600.0;
            let side = if off < 0.0 { "earlier" } else { "later" };
            text += &format!(
                "\nSIMULATED at a third it was foretold for {} (95 %: {} to {}): it ended {:.0} h {side}",
                clock(forecast.finish),
                clock(forecast.range95.early),
                clock(forecast.range95.late),
                off.abs()
            );
        }
        if let Some(cost) = &self.cost {
            text += &format!("\nSIMULATED {}", report::cost_sentence(cost));
        }
        text
    }
}
