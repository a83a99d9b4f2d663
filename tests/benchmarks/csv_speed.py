"""How much longer long CSV rows take to be taken in than pandas and pandera take to read and check them at all.

Both are run in turn in this process, the processor's time is taken, and the fastest run of each counts. Days repeat (each
tank, day and variable once), or with ``--all-differ`` every row has a moment of its own.

Run as ``python tests/benchmarks/csv_speed.py [--rows 1000000] [--rounds 2] [--all-differ]``.
"""

import argparse
import datetime as dt
import importlib.util
import resource
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pandera.pandas as pa

_spec = importlib.util.spec_from_file_location("intake_speed", Path(__file__).with_name("intake_speed.py"))
_workbooks = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_workbooks)


def write(path, rows, *, all_differ):
    """A long file of readings of sixty tanks: tank, moment, variable, value, unit and who."""
    rng = np.random.default_rng(1)
    number = np.arange(rows)
    names = [name for name, *_ in _workbooks.MEASURED]
    kinds = number % len(names)
    step = 60 if all_differ else 3600
    place = number if all_differ else number // (len(names) * len(_workbooks.TANKS))
    begin = np.datetime64("2024-01-01T00:00:00")
    at = begin + (place % (940 * 86_400 // step) * step).astype("timedelta64[s]")
    low, high = (np.array([row[i] for row in _workbooks.MEASURED]) for i in (2, 3))
    pd.DataFrame(
        {
            "tank": np.array(_workbooks.TANKS)[number // len(names) % len(_workbooks.TANKS)],
            "taken_at": np.datetime_as_string(at, unit="m"),
            "variable": np.array(names)[kinds],
            "value": np.round(rng.uniform(low[kinds], high[kinds]), 2),
            "unit": np.array([row[1] for row in _workbooks.MEASURED])[kinds],
            "by": "MO",
        }
    ).to_csv(path, index=False)


def alone(path):
    """What pandas and pandera need, and nothing else."""
    frame = pd.read_csv(path, parse_dates=["taken_at"], date_format="ISO8601")
    begin, end = (pd.Timestamp(day) for day in (_workbooks.START, _workbooks.TODAY + dt.timedelta(days=1)))
    schema = pa.DataFrameSchema(
        {
            "tank": pa.Column(str, pa.Check.isin(_workbooks.TANKS)),
            "taken_at": pa.Column("datetime64", [pa.Check.ge(begin), pa.Check.lt(end)], coerce=True),
            "variable": pa.Column(str, pa.Check.isin([name for name, *_ in _workbooks.MEASURED])),
            "value": pa.Column(float, [pa.Check.ge(0), pa.Check.le(1000)]),
            "unit": pa.Column(str, pa.Check.isin(["mg/L", "dKH"])),
            "by": pa.Column(str),
        }
    )
    return len(schema.validate(frame, lazy=True))


def main():
    """Print the seconds of both, their ratio, and the most memory that the process took."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--all-differ", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        write(path, given.rows, all_differ=given.all_differ)
        runs = [
            [_workbooks.seconds(work, path, given.rows) for work in (alone, _workbooks.fairtank)]
            for _ in range(given.rounds)
        ]
    one, other = (min(column) for column in zip(*runs, strict=True))
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    moments = "a moment of its own in every row" if given.all_differ else "days repeat"
    print(f"{given.rows:,} rows of CSV, {moments}: {other:.1f} s, pandas and pandera {one:.1f} s")
    print(f"ratio {other / one:.2f}; most memory of both {most:,.0f} MB")


if __name__ == "__main__":
    main()
