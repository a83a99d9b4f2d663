"""Whether a register slows as it grows: intake of its tenth and of its last file, a row, and the analysis of it all.

An invented trial of 40 blocks by 3 arms; each file holds one day of nitrate, one row a tank.

Run as ``python tests/benchmarks/register_speed.py [--files 60]``; with more files than 60 days each later file holds the
same tanks an hour later.
"""

import argparse
import datetime as dt
import tempfile
import time
from pathlib import Path

import numpy as np

from analysis.evaluation import evaluate
from trials import allocation
from trials.intake.batch import take_in
from trials.protocol_file import load
from trials.register.records import SourceFile
from trials.register.store import Register

TANKS = [(f"b{block:02}", f"b{block:02}-{letter}") for block in range(1, 41) for letter in "abc"]
DAYS = 60
PROTOCOL = """
format = 1
[trial]
id = "speed"
title = "Speed"
[[arms]]
id = "control"
role = "control"
title = "Water changes"
[[arms]]
id = "polymer"
role = "test"
title = "Pellets"
[[arms]]
id = "liquid"
role = "test"
title = "Liquid carbon"
[design]
kind = "blocks"
seed_from = "a throw of dice"
[schedule]
start = 2026-01-05
phases = [{id = "baseline", days = 10}, {id = "assessment", days = 50}]
sampling = [{variable = "nitrate", every_days = 1}]
[[endpoints]]
id = "nitrate-mean"
role = "primary"
variable = "nitrate"
summary = "mean"
phase = "assessment"
baseline = "adjust"
scale = "ratio"
better = "lower"
worthwhile = 0.8
"""


def day_file(number, rng):
    """The file of one day, or of an hour of it where the days are used up."""
    at = dt.datetime(2026, 1, 5, 6) + dt.timedelta(days=number % DAYS, minutes=number // DAYS)  # noqa: DTZ001
    rows = (f"{tank},{at:%Y-%m-%d %H:%M},nitrate,{rng.uniform(5, 40):.2f},mg/L" for _, tank in TANKS)
    text = "\n".join(["tank,taken_at,variable,value,unit", *rows, ""])
    return SourceFile(f"day-{number:04}.csv", text.encode())


def main():
    """Print milliseconds a row of the tenth and the last intake, and the seconds of the analysis."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=60)
    given = parser.parse_args()
    rng = np.random.default_rng(1)
    now = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)
    taken = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "protocol.toml"
        tanks = "".join(f'[[tanks]]\nid = "{tank}"\nblock = "{block}"\n' for block, tank in TANKS)
        path.write_text(PROTOCOL + tanks, encoding="utf-8")
        with Register.open(str(Path(folder) / "fairtank.db"), create=True) as record:
            sealed = record.seal(load(path), now)
            record.record_allocation(
                sealed.id, allocation.draw(sealed.protocol, sealed.digest, "1 2 3", None), now
            )
            for number in range(given.files):
                started = time.process_time()
                file = day_file(number, rng)
                batch = take_in(file, sealed.protocol, record.seen(sealed.id), now.date())
                record.record_intake(sealed.id, [batch], now)
                if batch.count("accepted") != len(TANKS):
                    raise SystemExit(f"{file.name}: not every row was taken in")
                taken.append(time.process_time() - started)
            started = time.process_time()
            readings = record.readings(sealed.id)
            read = time.process_time() - started
            started = time.process_time()
            evaluate(
                sealed.protocol,
                record.allocation(sealed.id),
                readings,
                protocol_digest=sealed.digest,
                data_digest=record.data_digest(sealed.id),
                version="0",
            )
            analysed = time.process_time() - started
    tenth, last = (1000 * min(some) / len(TANKS) for some in (taken[5:14], taken[-9:]))
    print(
        f"intake of the 10th file: {tenth:.2f} ms a row; of file {given.files:,}: {last:.2f} ms, {last / tenth:.1f} times"
    )
    print(
        f"{len(readings):,} readings (40 blocks by 3 arms): read in {read:.2f} s, analysed in {analysed:.1f} s"
    )


if __name__ == "__main__":
    main()
