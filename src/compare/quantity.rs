//! What of a trial is compared.

use crate::plan::Workload;
use crate::study::Trial;

/// The quantity of a trial that is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// Bytes per second, of a workload that goes as fast as it can: higher is better.
    Rate,
    /// Mean latency in nanoseconds from the moment each operation was due, of a paced workload,
    /// whose rate is its schedule: lower is better, so that a ratio below 1 is the gain.
    ///
    /// The mean and not the median, because a reshape shows in stalls: every operation counts, and
    /// pace times mean latency is the mean number in flight (J. D. C. Little, "A proof for the
    /// queuing formula L = λW", Operations Research 9 (1961) 383-387, citation from memory), so
    /// that it is to a paced workload what the rate is to one of fixed depth. Missed operations
    /// have no latency and are counted beside it: where there are any, the truth is worse.
    Latency,
}

impl Quantity {
    /// What is compared of a workload.
    pub fn of(workload: &Workload) -> Self {
        match workload.operations_per_second {
            Some(_) => Self::Latency,
            None => Self::Rate,
        }
    }

    /// The word used in CSV and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Self::Rate => "rate",
            Self::Latency => "mean latency",
        }
    }

    /// Whether a ratio below 1 is the better one.
    pub fn lower_is_better(self) -> bool {
        self == Self::Latency
    }

    /// The trial's number, in bytes per second or nanoseconds; `None` where there is none above 0.
    pub fn value(self, trial: &Trial) -> Option<f64> {
        let value = match self {
            Self::Rate => trial.rate_bytes_per_s,
            Self::Latency => trial.mean_ns.map(|ns| ns as f64),
        };
        value.filter(|value| *value > 0.0 && value.is_finite())
    }
}
