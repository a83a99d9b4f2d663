"""How much longer 100,000 rows of a workbook take to be taken in than to be read and checked at all.

The yardstick is what python-calamine and pandera need alone: cells out of the file, into a frame, through a schema of
types, tanks, days and bounds. It keeps no row numbers, no reasons and no text as sent. Both are run in turn in this
process; the time of the processor is taken, so that other programs on the machine count for neither, and the fastest run
of each.

Run as ``python tests/benchmarks/intake_speed.py [--rows 100000] [--rounds 3]``; prints seconds and their ratio.
"""

import argparse
import datetime as dt
import io
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pandera.pandas as pa
import python_calamine
import xlsxwriter

from schemas.protocol import Protocol
from schemas.readings import empty_readings
from trials.intake.batch import read_file

START, TODAY = dt.date(2024, 1, 1), dt.date(2026, 12, 31)
TANKS = [f"q{block:02}-{letter}" for block in range(1, 21) for letter in "abc"]
HEADER = ("tank", "taken_at", "variable", "value", "unit", "kit", "by", "note")
MEASURED = (
    ("nitrate", "mg/L", 5.0, 40.0),
    ("phosphate", "mg/L", 0.02, 0.4),
    ("alkalinity", "dKH", 7.0, 10.0),
)


def protocol():
    """An invented trial of sixty tanks over three years."""
    return Protocol.model_validate(
        {
            "format": 1,
            "trial": {"id": "speed", "title": "Speed"},
            "arms": [
                {"id": "control", "role": "control", "title": "Water changes"},
                {"id": "polymer", "role": "test", "title": "Pellets"},
            ],
            "design": {"kind": "parallel", "seed": "1"},
            "tanks": [{"id": tank} for tank in TANKS],
            "schedule": {
                "start": START,
                "phases": [{"id": "baseline", "days": 28}, {"id": "assessment", "days": 1000}],
            },
            "endpoints": [
                {
                    "id": "nitrate-mean",
                    "role": "primary",
                    "variable": "nitrate",
                    "summary": "mean",
                    "phase": "assessment",
                    "better": "lower",
                    "worthwhile": 2,
                }
            ],
        }
    )


def workbook(rows):
    """A long sheet of readings as a logger or a diligent person gives them: each tank, hour and variable once."""
    rng = np.random.default_rng(1)
    stream = io.BytesIO()
    with xlsxwriter.Workbook(stream, {"in_memory": True}) as book:
        moment = book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
        sheet = book.add_worksheet("readings")
        sheet.write_row(0, 0, HEADER)
        begin = dt.datetime(2024, 1, 1)  # noqa: DTZ001 - the clock on the wall
        for row in range(rows):
            variable, unit, low, high = MEASURED[row % len(MEASURED)]
            tank = TANKS[row // len(MEASURED) % len(TANKS)]
            at = begin + dt.timedelta(hours=row // (len(MEASURED) * len(TANKS)))
            sheet.write_string(row + 1, 0, tank)
            sheet.write_datetime(row + 1, 1, at, moment)
            sheet.write_string(row + 1, 2, variable)
            sheet.write_number(row + 1, 3, round(rng.uniform(low, high), 2))
            sheet.write_string(row + 1, 4, unit)
            sheet.write_string(row + 1, 5, "")
            sheet.write_string(row + 1, 6, "MO")
    return stream.getvalue()


def alone(path):
    """Calamine and pandera, and nothing else."""
    cells = python_calamine.CalamineWorkbook.from_path(path).get_sheet_by_index(0).to_python()
    frame = pd.DataFrame(cells[1:], columns=cells[0]).astype({"taken_at": "datetime64[us]", "value": float})
    schema = pa.DataFrameSchema(
        {
            "tank": pa.Column(str, pa.Check.isin(TANKS)),
            "taken_at": pa.Column(
                "datetime64[us]", [pa.Check.ge(pd.Timestamp(START)), pa.Check.lt(pd.Timestamp(TODAY))]
            ),
            "variable": pa.Column(str, pa.Check.isin([name for name, *_ in MEASURED])),
            "value": pa.Column(float, [pa.Check.ge(0), pa.Check.le(1000)]),
            "unit": pa.Column(str, pa.Check.isin(["mg/L", "dKH"])),
            "by": pa.Column(str),
        }
    )
    return len(schema.validate(frame, lazy=True))


def fairtank(path):
    """The whole intake of the file, but for storing."""
    return read_file(path, protocol(), empty_readings(), TODAY).count("accepted")


def seconds(work, path, rows):
    """How long one run keeps the processor; every row must have come through."""
    started = time.process_time()
    done = work(path)
    taken = time.process_time() - started
    if done != rows:
        raise SystemExit(f"{work.__name__} took {done:,} of {rows:,} rows")
    return taken


def main():
    """Print the seconds of both, and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, default=100_000)
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.xlsx"
        path.write_bytes(workbook(options.rows))
        size = path.stat().st_size / 1e6
        runs = [
            [seconds(work, path, options.rows) for work in (alone, fairtank)] for _ in range(options.rounds)
        ]
    one, other = (min(column) for column in zip(*runs, strict=True))
    print(f"{options.rows:,} rows of XLSX ({size:.1f} MB), fastest of {options.rounds}:")
    print(f"python-calamine and pandera alone: {one:.2f} s")
    print(f"fairtank intake: {other:.2f} s, {other / one:.2f} times as long")


if __name__ == "__main__":
    main()
