"""The figures of `compare --json`, computed anew from trials.csv by numpy and scipy.

compared.py STUDY COMPARISON: the folder of a study and a file with what `compare STUDY --json`
prints. Which trials may be compared is taken from there; every number comes from trials.csv.
Prints one JSON object, a value a name.
"""

import csv
import json
import pathlib
import sys

import numpy as np
from scipy import optimize, stats

CONFIDENCE, POWER = 0.95, 0.8


def units(rates, sittings, by_sitting):
    """Mean log of each sitting, or the log of each trial."""
    logs = np.log(rates)
    if not by_sitting:
        return logs
    return np.array([logs[sittings == each].mean() for each in np.unique(sittings)])


def interval(before, other, own_spread, trials):
    """The t interval of the difference of mean logs, by scipy's standard error.

    Where phases share their spread it is Student's, with no less than Welch's standard error; and with
    a single sitting in a phase it is no narrower than that of the logs of single trials.
    """
    difference = other.mean() - before.mean()
    test = stats.ttest_ind(other, before, equal_var=not own_spread)
    single = min(len(before), len(other)) == 1
    welch = test if single else stats.ttest_ind(other, before, equal_var=False)
    error, df = max(difference / each.statistic for each in (test, welch)), test.df
    if single:
        of_trials = stats.ttest_ind(trials[1], trials[0], equal_var=False)
        other_error = (trials[1].mean() - trials[0].mean()) / of_trials.statistic
        reach = lambda pair: stats.t.ppf(0.5 + CONFIDENCE / 2, pair[1]) * pair[0]
        error, df = max((error, df), (other_error, of_trials.df), key=reach)
    low, high = stats.t.interval(CONFIDENCE, df, difference, error)
    return {
        "ratio": np.exp(difference),
        "welch.low": np.exp(low),
        "welch.high": np.exp(high),
        "welch.p": 2 * stats.t.sf(abs(difference) / error, df),
        "welch.degrees_of_freedom": df,
        "welch.standard_error_log": error,
        # On the side of the change that was seen.
        "smallest_provable": np.exp(np.copysign(provable(df) * error, difference)),
    }


def provable(df):
    """The noncentrality at which a t test is surely enough beyond its threshold."""
    threshold = stats.t.ppf(0.5 + CONFIDENCE / 2, df)
    return optimize.brentq(lambda d: stats.nct.sf(threshold, df, d) - POWER, 0, 20)


def contrast(before, other, own_spread, trials):
    told = interval(before, other, own_spread, trials)
    told["hodges_lehmann"] = np.exp(np.median(np.subtract.outer(other, before)))
    if min(len(before), len(other)) == 1:
        # Neither scipy nor the program resamples a single value.
        return told
    # All deals whose means lie as far apart; scipy's own two sides would double the smaller tail.
    test = stats.permutation_test(
        (other, before),
        lambda x, y, axis: np.abs(x.mean(axis) - y.mean(axis)),
        vectorized=True,
        n_resamples=np.inf,
        alternative="greater",
    )
    told["permutation.p"] = test.pvalue
    ratio = lambda x, y, axis: np.median(np.exp(x), axis) / np.median(np.exp(y), axis)
    drawn = stats.bootstrap(
        (other, before), ratio, vectorized=True, method="percentile", n_resamples=20_000, rng=np.random.default_rng(5)
    )
    told["bootstrap.low"], told["bootstrap.high"] = drawn.confidence_interval
    return told


def group(rates, sittings):
    by_sitting = len(np.unique(sittings)) >= 3
    logs = units(rates, sittings, by_sitting)
    low, high = stats.t.interval(CONFIDENCE, len(logs) - 1, logs.mean(), stats.sem(logs))
    return {
        "median_bytes_per_s": np.median(rates),
        "spread": rates.std(ddof=1) / rates.mean(),
        "mean_interval_bytes_per_s.low": np.exp(low),
        "mean_interval_bytes_per_s.high": np.exp(high),
    }


def main():
    study, comparison = pathlib.Path(sys.argv[1]), json.loads(pathlib.Path(sys.argv[2]).read_text())
    with open(study / "trials.csv", newline="") as table:
        trials = {int(row["trial"]): row for row in csv.DictReader(table)}
    told = {}
    for workload in comparison["workloads"]:
        phases = {}
        for phase in ("before", "during", "after"):
            if workload[phase] is None:
                continue
            rows = [trials[number] for number in workload[phase]["trials"]]
            rates = np.array([float(row["rate_bytes_per_s"]) for row in rows])
            sittings = np.array([int(row["sitting"]) for row in rows])
            phases[phase] = rates, sittings
            for name, value in group(rates, sittings).items():
                told[f"{workload['workload']}.{phase}.drives.{name}"] = value
        for other in ("during", "after"):
            if "before" not in phases or other not in phases:
                continue
            many = [len(np.unique(phases[phase][1])) for phase in ("before", other)]
            # Sittings are the unit from four on, and scatter on their own from three in each phase on.
            by_sitting = sum(many) >= 4
            own_spread = not by_sitting or min(many) >= 3
            sides = [units(*phases[phase], by_sitting) for phase in ("before", other)]
            trials_of = [units(*phases[phase], False) for phase in ("before", other)]
            for name, value in contrast(*sides, own_spread, trials_of).items():
                told[f"{workload['workload']}.{other}_before.{name}"] = value
    json.dump({name: float(value) for name, value in told.items()}, sys.stdout)


main()
