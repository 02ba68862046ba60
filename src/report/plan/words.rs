//! How a plan puts hours, moments, pools and numbers.

use jiff::Unit;
use jiff::civil::{DateTime, DateTimeRound};

use crate::pool::{Outlook, Proposal, Scheme};
use crate::units::{Bytes, Rate};

/// Drives of a pool in words: `4 drives of 6 TB`, `3 drives (4 TB, 4 TB, 8 TB)`; with a word of one's
/// own for drives.
pub(super) fn drives(sizes: &[Bytes], noun: &str) -> String {
    match sizes.iter().all(|size| *size == sizes[0]) {
        true => format!("{} {noun} of {}", sizes.len(), label(sizes[0])),
        false => {
            let list: Vec<String> = sizes.iter().copied().map(label).collect();
            format!("{} {noun} ({})", sizes.len(), list.join(", "))
        }
    }
}

/// A size as labels have it: exact where it is round, else in TB with its bytes.
pub(super) fn label(size: Bytes) -> String {
    match size.0.is_multiple_of(Bytes::GB.0) || size.0.is_multiple_of(Bytes::GIB.0) {
        true => size.to_string(),
        false => format!(
            "{} ({} bytes)",
            size.si(),
            super::super::words::grouped(size.0 as f64)
        ),
    }
}

/// The proposal as a heading.
pub(super) fn title(outlook: &Outlook) -> String {
    let proposal = &outlook.proposal;
    format!(
        "Plan: {} drives in {} growing to {}{}",
        proposal.members.len(),
        proposal.scheme.title(),
        proposal.all().len(),
        becoming(proposal)
    )
}

fn becoming(proposal: &Proposal) -> String {
    match proposal.becoming == proposal.scheme {
        true => String::new(),
        false => format!(" in {}", proposal.becoming.title()),
    }
}

/// `48 s`, `3 h 20 min`, from 10 hours on `33 h`, from 48 on `2 days 8 h`: estimates are no finer.
pub(super) fn hours(hours: Option<f64>) -> String {
    let Some(hours) = hours else {
        return "over ten years".into();
    };
    let minutes = (hours * 60.0).round() as u64;
    match minutes {
        0..2 => format!("{:.0} s", hours * 3600.0),
        2..60 => format!("{minutes} min"),
        60..600 => format!("{} h {:02} min", minutes / 60, minutes % 60),
        _ => match hours.round() as u64 {
            whole @ 0..48 => format!("{whole} h"),
            whole => format!("{} days {} h", whole / 24, whole % 24),
        },
    }
}

/// `Sat 7 Mar 2026 21:40`.
pub(super) fn moment(moment: Option<DateTime>) -> String {
    moment.map_or("–".into(), |moment| {
        moment.strftime("%a %-d %b %Y %H:%M").to_string()
    })
}

/// `×1.25`, or a band `×1.25 to ×1.50`.
pub(super) fn times(low: f64, high: f64) -> String {
    let (low, high) = (format!("×{low:.2}"), format!("×{high:.2}"));
    match low == high {
        true => low,
        false => format!("{low} to {high}"),
    }
}

/// A speed: MB/s for large work, operations for the other; three digits are more than models know.
pub(super) fn speed(large: bool, value: f64) -> String {
    match large {
        true if value >= 9.995e8 => format!("{:.2} GB/s", value / 1e9),
        true => format!("{:.0} MB/s", Rate(value).0 / 1e6),
        false if value >= 1e4 => format!(
            "{} op/s",
            super::super::words::grouped((value / 100.0).round() * 100.0)
        ),
        false => format!("{value:.0} op/s"),
    }
}

/// An estimated end of what begins at `start`, as fine as its length is known: to the minute below an
/// hour, to five minutes below six hours, to a quarter of an hour below a day, else to the hour. Never
/// before the start.
pub(super) fn end(start: DateTime, moment: Option<DateTime>) -> String {
    let rounded = moment.and_then(|moment| {
        let hours = moment.duration_since(start).as_secs_f64() / 3600.0;
        let step = match hours {
            ..1.0 => 1,
            ..6.0 => 5,
            ..24.0 => 15,
            _ => 60,
        };
        let minutes = DateTimeRound::new().smallest(Unit::Minute).increment(step);
        let rounded = match step {
            60 => moment.round(Unit::Hour),
            _ => moment.round(minutes),
        };
        Some(rounded.ok()?.max(start))
    });
    self::moment(rounded)
}

/// What a tolerance means for a reader.
pub(super) fn survives(scheme: Scheme, tolerance: u32) -> String {
    match (scheme, tolerance) {
        (_, 0) => "survives no failure".into(),
        (Scheme::Raid10, _) => "survives one failure in each pair".into(),
        (_, 1) => "survives one failure".into(),
        (_, 2) => "survives two failures".into(),
        (_, n) => format!("survives {n} failures"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hours_and_moments_read_well() {
        assert_eq!(hours(Some(7.0 + 23.0 / 60.0)), "7 h 23 min");
        assert_eq!(hours(Some(27.0 + 23.0 / 60.0)), "27 h");
        assert_eq!(hours(Some(47.6)), "2 days 0 h");
        assert_eq!(hours(Some(0.5)), "30 min");
        assert_eq!(hours(Some(0.02)), "72 s");
        assert_eq!(hours(Some(51.4)), "2 days 3 h");
        assert_eq!(hours(None), "over ten years");
        let at = jiff::civil::date(2026, 3, 7).at(21, 40, 0, 0);
        assert_eq!(moment(Some(at)), "Sat 7 Mar 2026 21:40");
        let from = |hours: i64| at - jiff::SignedDuration::from_hours(hours);
        assert_eq!(end(from(27), Some(at)), "Sat 7 Mar 2026 22:00");
        assert_eq!(end(from(8), Some(at)), "Sat 7 Mar 2026 21:45");
        let soon = at + jiff::SignedDuration::from_secs(110);
        assert_eq!(end(at, Some(soon)), "Sat 7 Mar 2026 21:42");
        // Twelve seconds from a start that is not on the minute.
        let start = at + jiff::SignedDuration::from_secs(5);
        let moment = start + jiff::SignedDuration::from_secs(12);
        assert_eq!(end(start, Some(moment)), "Sat 7 Mar 2026 21:40");
    }

    #[test]
    fn numbers_are_no_finer_than_they_are_known() {
        assert_eq!(times(1.25, 1.5), "×1.25 to ×1.50");
        assert_eq!(times(1.0, 1.001), "×1.00");
        assert_eq!(speed(true, 117_685_000.0), "118 MB/s");
        assert_eq!(speed(true, 1_176_853_000.0), "1.18 GB/s");
        assert_eq!(speed(false, 28_731.7), "28,700 op/s");
        assert_eq!(
            drives(&[Bytes::TB.times(4), Bytes::TB.times(8)], "drives"),
            "2 drives (4 TB, 8 TB)"
        );
        assert_eq!(
            label(Bytes(6_001_175_126_016)),
            "6.00 TB (6,001,175,126,016 bytes)"
        );
    }
}
