"""How long a logger's file of millions of rows takes to be taken in, and how much memory, beside reading it alone.

The yardstick is pyarrow, reading the same file block by block with every column as text (of Parquet: as it is typed) and
keeping nothing. Each runs in a process of its own, whose time of the processor and largest memory the system tells.

Run as ``python tests/benchmarks/stream_intake.py [--rows 5000000] [--kind csv|parquet] [--folder FOLDER]``; the folder has to
have room for about 80 bytes a row.
"""

import argparse
import datetime as dt
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

TANKS = [f"q{block:02}-{letter}" for block in range(1, 14) for letter in "abc"]
MEASURED = (("temperature", "Cel", 25.5, 0.4, 2), ("ph", "pH", 8.1, 0.1, 3), ("redox", "mV", 340.0, 20.0, 1))
BLOCK = 1 << 19
START = np.datetime64("2024-01-01T00:00:00", "s")
TODAY = dt.date(2026, 12, 31)

PROTOCOL = {
    "format": 1,
    "trial": {"id": "speed", "title": "Speed"},
    "arms": [
        {"id": "control", "role": "control", "title": "Water changes"},
        {"id": "polymer", "role": "test", "title": "Pellets"},
    ],
    "design": {"kind": "parallel", "seed": "1"},
    "tanks": [{"id": tank} for tank in TANKS],
    "schedule": {
        "start": dt.date(2024, 1, 1),
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


def blocks(rows):
    """Invented values of each tank and variable each minute, as tables."""
    rng = np.random.default_rng(1)
    tanks, names = pa.array(TANKS), pa.array([name for name, *_ in MEASURED])
    units = pa.array([unit for _, unit, *_ in MEASURED])
    middle, spread = (np.array([one[place] for one in MEASURED]) for place in (2, 3))
    digits = np.array([10.0 ** one[4] for one in MEASURED])
    for first in range(0, rows, BLOCK):
        number = np.arange(first, min(first + BLOCK, rows))
        which, tank = number % len(MEASURED), number // len(MEASURED) % len(TANKS)
        minute = number // (len(MEASURED) * len(TANKS))
        value = np.round(
            (middle + 0)[which] + spread[which] * rng.standard_normal(len(number)).clip(-2, 2), 3
        )
        value = np.round(value * digits[which]) / digits[which]
        yield pa.table(
            {
                "tank": tanks.take(pa.array(tank)),
                "taken_at": pa.array(START + minute * 60),
                "variable": names.take(pa.array(which)),
                "value": pa.array(value),
                "unit": units.take(pa.array(which)),
            }
        )


def make(path, rows):
    """Write the file block by block."""
    first, *_ = blocks(1)
    if path.suffix == ".parquet":
        with pq.ParquetWriter(path, first.schema) as writer:
            for table in blocks(rows):
                writer.write_table(table)
    else:
        with pa.csv.CSVWriter(path, first.schema) as writer:
            for table in blocks(rows):
                writer.write_table(table)


def alone(path):
    """The yardstick; gives the rows that came by."""
    if path.suffix == ".parquet":
        return sum(batch.num_rows for batch in pq.ParquetFile(path, pre_buffer=False).iter_batches(1 << 17))
    names = pa.csv.open_csv(path).schema.names
    as_text = pa.csv.ConvertOptions(column_types=dict.fromkeys(names, pa.string()))
    options = pa.csv.ReadOptions(use_threads=False)
    with pa.csv.open_csv(path, read_options=options, convert_options=as_text) as reader:
        return sum(batch.num_rows for batch in reader)


def fairtank(path):
    """The whole intake but for storing: kept under its digest, read, summarised, reviewed; gives the values used."""
    from schemas.protocol import Protocol
    from schemas.readings import empty_readings
    from trials.register.records import Beside, SealedTrial
    from trials.streams.raw_files import Keeping
    from trials.streams.taking_in import as_batch, read_stream

    protocol = Protocol.model_validate(PROTOCOL)
    with Keeping(path.parent / "kept") as keeping:
        file = keeping.take(path, lambda _: None)
        stream = read_stream([file], protocol, TODAY)
        sealed = SealedTrial("speed", protocol, "0" * 64, dt.datetime(2024, 1, 1, tzinfo=dt.UTC))
        batch = as_batch(stream, [file], sealed, empty_readings(), Beside(), TODAY)
    if batch.count("accepted") + batch.count("held") != len(batch.rows):
        raise SystemExit("days were lost")
    return stream.used


WORK = {"alone": alone, "fairtank": fairtank}


def measured(name, path):
    """Seconds on the clock and of the processor, and the largest memory in MB, of a process of its own."""
    code = [sys.executable, __file__, "--run", name, "--path", str(path)]
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2]), "TMPDIR": str(path.parent)}
    done = subprocess.run(code, check=True, capture_output=True, text=True, env=environment)
    return json.loads(done.stdout)


def run(name, path):
    """Do the work and tell what it took."""
    started = time.perf_counter()
    rows = WORK[name](path)
    used = resource.getrusage(resource.RUSAGE_SELF)
    taken = {"clock": time.perf_counter() - started, "processor": used.ru_utime + used.ru_stime}
    print(json.dumps({"rows": rows, **taken, "memory": used.ru_maxrss / 1024}))


def main():
    """Print what both take, and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, default=5_000_000)
    parser.add_argument("--kind", choices=("csv", "parquet"), default="csv")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--run", choices=tuple(WORK), help=argparse.SUPPRESS)
    parser.add_argument("--path", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.run:
        run(options.run, options.path)
        return
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        path = Path(folder) / f"logger.{options.kind}"
        make(path, options.rows)
        size = path.stat().st_size / 1e6
        found = {name: measured(name, path) for name in WORK}
    print(f"{options.rows:,} rows of {options.kind} ({size:,.0f} MB):")
    for name, title in (("alone", "pyarrow alone"), ("fairtank", "fairtank intake --stream")):
        one = found[name]
        if one["rows"] != options.rows:
            raise SystemExit(f"{name} took {one['rows']:,} of {options.rows:,} rows")
        print(
            f"{title}: {one['clock']:.1f} s on the clock, {one['processor']:.1f} s of the processor, {one['memory']:.0f} MB"
        )
    ratio = found["fairtank"]["processor"] / found["alone"]["processor"]
    print(f"fairtank takes {ratio:.1f} times the processor's time of reading alone.")


if __name__ == "__main__":
    main()
