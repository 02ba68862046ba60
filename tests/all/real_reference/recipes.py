"""Runs the Python of README and tells what it found.

recipes.py README: the working folder holds a study called scans and a file comparison.json. Prints one
JSON object.
"""

import json
import math
import pathlib
import re
import sys

import pandas as pd

recipes = re.findall(r"```python\n(.*?)```", pathlib.Path(sys.argv[1]).read_text(), re.S)
found = {}
for recipe in recipes:
    exec(compile(recipe, "README", "exec"), found)


def at_rank(histogram, fraction):
    """The value of rank ceil(fraction * count), as the format's first implementation defines it.

    This reader rounds the rank to the nearest, so it is asked for a percentile that is a rank.
    """
    count = histogram.get_total_count()
    # A fraction such as 0.95 is not quite what it says: the nine digits are meant.
    return histogram.get_value_at_percentile(100 * math.ceil(round(fraction * count, 9)) / count)


of_duckdb = found["medians"].df()
told = {
    "recipes": len(recipes),
    "duckdb": [[w, p, int(n), float(rate)] for w, p, n, rate in of_duckdb.itertuples(index=False)],
    "pandas": [
        [w, p, int(row["count"]), float(row["median"])] for (w, p), row in found["rates"].iterrows()
    ],
    # Numbers, times and truths are what they are without being told.
    "types": {
        "started": str(found["trials"]["started"].dtype.tz),
        "simulated": str(found["trials"]["simulated"].dtype),
        "p99_ns": str(found["trials"]["p99_ns"].dtype),
    },
    "trials_by_sitting": [int(n) for n in found["trials"].groupby("sitting")["trial"].count()],
    "windows": len(found["windows"]),
    "windows_in_parquet": len(found["duckdb"].sql("FROM 'windows.parquet'").df()),
    "duckdb_types": dict(
        found["duckdb"]
        .sql("DESCRIBE FROM read_csv('scans/trials.csv', sample_size = -1)")
        .df()[["column_name", "column_type"]]
        .itertuples(index=False)
    ),
    "latency": {
        tag: [
            trial.get_total_count(),
            *(int(at_rank(trial, fraction)) for fraction in (0.5, 0.95, 0.99, 1.0)),
        ]
        for tag, trial in found["latencies"].items()
    },
}
print()
print(json.dumps(told))
