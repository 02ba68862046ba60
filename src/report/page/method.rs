//! How the numbers came about, with their sources, and what the words mean.

use maud::{Markup, html};

use super::Context;
use crate::report::words;
use crate::stats::quantile::Definition;
use crate::stats::steady::{RANGE_LIMIT, SLOPE_LIMIT};
use crate::units::percent;

/// The method, a paragraph a step.
pub(super) fn method(context: &Context<'_>) -> Markup {
    let rules = &context.comparison.rules;
    let confidence = words::confidence(rules);
    html! {
        dl.terms {
            dt { "Unit" }
            dd {
                "No operation and no window is a unit of statistics, since those of one trial depend \
                 on each other. Trials of a sitting are interleaved: each round holds every workload once, \
                 in an order drawn from the study’s seed " code { (context.study.config.seed) } ". Trials of \
                 one sitting share its hour, its users and its caches: with two degrees of freedom between \
                 sittings or more, whole sittings are the unit, each with the mean of its logs; with fewer, \
                 trials are, and what differs between sittings is not in the interval, which is said."
            }
            dt { "Steady state" }
            dd {
                "The warm-up of a trial ends where the marginal standard error of the rest is smallest \
                 (K. P. White Jr, Simulation 69(6), 1997; on means of five windows, MSER-5, from 300 windows \
                 on). The rest is steady when the means of its five fifths lie within "
                (percent(RANGE_LIMIT, 0)) " of their average and their fitted line rises or falls by at most "
                (percent(SLOPE_LIMIT, 0)) " (SNIA Solid State Storage Performance Test Specification 2.0.2, \
                 definition 2.1.24). A trial that only reads leaves its warm-up out; a trial that writes \
                 counts all its bytes over all its time, the flush included. A trial that never gets steady \
                 counts whole, and is named above."
            }
            dt { "Ratio and its interval" }
            dd {
                "Rates are compared on the log scale, because the spread of trials is relative. The ratio is \
                 of geometric means; its " (confidence) " interval is Welch’s (B. L. Welch, Biometrika 34, \
                 1947), raised back from the logs, or Student’s with the scatter of both phases taken \
                 together where one of them has fewer than three sittings; with a single sitting it is no \
                 narrower than the scatter of trials makes it. Of a paced workload, whose rate is \
                 its schedule, the mean latency is compared, and lower is better. Each ratio has an interval of its own: they are not \
                 adjusted for there being several workloads."
            }
            dt { "Verdict" }
            dd {
                "A gain or loss is announced when the interval leaves out 1 and the change reaches the \
                 study’s threshold of " (percent(rules.threshold, 1)) ". Below " (rules.least_trials)
                " trials on a side there is no verdict. The smallest provable change is the one that these \
                 trials would have proved with a probability of " (percent(rules.power, 0)) "."
            }
            dt { "Beside it" }
            dd {
                "The Hodges-Lehmann ratio (Hollander and Wolfe, Nonparametric Statistical Methods: median of all \
                 pairwise differences of logs); a permutation test of the mean of logs, of all ways to deal the \
                 labels where they can be tried, else of drawn ones (Davison and Hinkley, Bootstrap Methods, 1997, \
                 section 4.3); a percentile bootstrap of the ratio of medians (Efron and Tibshirani, An \
                 Introduction to the Bootstrap, 1993, section 13.3). They need no normal distribution; where they \
                 disagree with the interval, look at the single trials."
            }
            dt { "Quantiles" }
            dd {
                "Percentiles of latency come from an HdrHistogram of each trial: the highest value that its \
                 recorded resolution cannot tell from the one at that rank. A percentile is given where at least \
                 ten operations lie beyond it (common practice, no source). Quantiles of resampled ratios: "
                (Definition::Linear.name()) "."
            }
        }
    }
}

/// What the words mean.
pub(super) fn definitions() -> Markup {
    const TERMS: [(&str, &str); 11] = [
        (
            "Before, during, after",
            "The pool as it was; while the array reshapes; with its new drive, reshape finished.",
        ),
        (
            "Sitting",
            "One call of the program: facts, then interleaved trials.",
        ),
        (
            "Workload",
            "Direction, order of blocks, block size, operations in flight, streams, pacing.",
        ),
        (
            "Trial",
            "One workload measured once. Its number leads to its row in trials.csv.",
        ),
        ("Window", "One second of a trial."),
        (
            "Rate",
            "Bytes moved over the time that counts. MB/s are 1,000,000 bytes a second; op/s are operations a second.",
        ),
        (
            "Latency",
            "From the moment an operation was due to its end; in a closed loop it is due when it starts.",
        ),
        (
            "Flush",
            "Forcing what was written to the drives, after the last write of a trial; it counts as time of the trial.",
        ),
        (
            "Grade",
            "How far a trial’s rate may be taken for the drives’: A, B, C or X. Of a phase: the worst of its trials that count.",
        ),
        (
            "Void",
            "Graded C or X: bytes came, or may have come, from a cache. No verdict is built on it; a phase is void when it has no other trials.",
        ),
        (
            "Steady",
            "From which second on a trial was in steady state.",
        ),
    ];
    html! {
        dl.terms { @for (term, meaning) in TERMS { dt { (term) } dd { (meaning) } } }
    }
}
