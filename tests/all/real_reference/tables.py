"""What scipy and statsmodels make of a study's tables and histograms.

tables.py STUDY TRIAL...: lines through progress.csv, exact bounds of shares of windows.csv, and
mixtures fitted to the latencies of the trials named. Prints one JSON object.
"""

import csv
import datetime
import json
import pathlib
import sys

import numpy as np
import statsmodels.api as sm
from hdrh.histogram import HdrHistogram
from hdrh.log import HistogramLogReader
from scipy import optimize, stats
from statsmodels.stats.proportion import proportion_confint

study, wanted = pathlib.Path(sys.argv[1]), sys.argv[2:]


def rows(table):
    with open(study / table, newline="") as text:
        return list(csv.DictReader(text))


def progress():
    """Seconds since the first reading, and fractions, of the readings while it ran."""
    running = [row for row in rows("progress.csv") if row["state"] == "running"]
    at = [datetime.datetime.fromisoformat(row["at"][:19] + "+00:00") for row in running]
    seconds = np.array([(each - at[0]).total_seconds() for each in at])
    return seconds, np.array([float(row["fraction"]) for row in running])


def lines():
    x, y = progress()
    # Of all pairs there are many: each fourth reading.
    slope, intercept, low, high = stats.theilslopes(y[::4], x[::4], 0.95, method="joint")
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    beyond = fit.get_prediction([[1.0, 1.5 * x[-1]]])
    one, mean = beyond.conf_int(obs=True, alpha=0.2)[0], beyond.conf_int(obs=False, alpha=0.2)[0]
    return {
        "readings": len(x),
        "theil_sen": [slope, intercept, low, high],
        "least_squares": [*fit.params, fit.bse[1], fit.rsquared, np.sqrt(fit.mse_resid)],
        "prediction": [beyond.predicted_mean[0], *one, *mean],
    }


def shares():
    """Exact bounds of the share of seconds whose worst operation took 50 ms and more."""
    slow, seconds = {}, {}
    for row in rows("windows.csv"):
        trial = row["trial"]
        seconds[trial] = seconds.get(trial, 0) + 1
        slow[trial] = slow.get(trial, 0) + (row["max_ns"] != "" and int(row["max_ns"]) >= 50_000_000)
    return {
        trial: [slow[trial], many, *map(float, proportion_confint(slow[trial], many, 0.05, "beta"))]
        for trial, many in seconds.items()
    }


def mixture(histogram):
    """Two normals of the logs by greatest likelihood, found without EM: a quasi-Newton search."""
    values, counts = np.array(
        [(item.value_iterated_to, item.count_added_in_this_iter_step) for item in histogram.get_recorded_iterator()]
    ).T
    logs, total = np.log(values), counts.sum()
    centre, width = np.average(logs, weights=counts), np.sqrt(np.cov(logs, fweights=counts))

    # No part is narrower than a histogram's bucket of three digits: the likelihood stays bounded.
    least = np.log(0.001 / np.sqrt(2 * np.pi))
    bounds = [(-12, 12), (None, None), (least, None), (None, None), (least, None)]

    def loss(at):
        share = 1 / (1 + np.exp(-at[0]))
        first = np.log(share) + stats.norm.logpdf(logs, at[1], np.exp(at[2]))
        second = np.log1p(-share) + stats.norm.logpdf(logs, at[3], np.exp(at[4]))
        return -(counts * np.logaddexp(first, second)).sum()

    found = []
    for share in (0.01, 0.1, 0.3, 0.5, 0.9):
        edge = np.sort(np.repeat(logs, counts))[int(share * total)]
        start = [np.log(share / (1 - share)), edge - width / 2, np.log(width / 3), centre, np.log(width)]
        best = optimize.minimize(loss, start, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-13})
        odds, m1, s1, m2, s2 = best.x
        share = 1 / (1 + np.exp(-odds))
        parts = sorted([(m1, np.exp(s1), share), (m2, np.exp(s2), 1 - share)])
        apart = (parts[1][0] - parts[0][0]) * np.sqrt(2) / np.hypot(parts[0][1], parts[1][1])
        sound = min(share, 1 - share) >= 0.005 and apart >= 3
        found.append((sound, -best.fun, [parts[0][2], *parts[0][:2], *parts[1][:2]]))
    sound, likelihood, parts = max(found, key=lambda one: one[:2])
    sd = np.sqrt(np.average((logs - centre) ** 2, weights=counts))
    one = (counts * stats.norm.logpdf(logs, centre, sd)).sum()
    return {
        "count": int(total),
        "two": bool(sound),
        "bic": [float(2 * np.log(total) - 2 * one), float(5 * np.log(total) - 2 * likelihood)],
        "parts": [float(part) for part in parts],
    }


def mixtures():
    log = HistogramLogReader(str(study / "latency.hlog"), HdrHistogram(100, 10**12, 3))
    told = {}
    while (trial := log.get_next_interval_histogram()) is not None:
        if (number := trial.get_tag().removeprefix("trial-")) in wanted:
            told[number] = mixture(trial)
    return told


told = lines() | {"shares": shares(), "mixtures": mixtures()}
json.dump(told, sys.stdout, default=float)
