"""Programs that write to a register, run by the tests as processes of their own.

register_writers.py append PATH NAME        twenty-five files, one after the other
register_writers.py compare PATH NAME       the readings that every other writer sends, looking first what is in
register_writers.py killed PATH ROUNDS      a writer killed at a random moment, ROUNDS times; prints what was left
"""

import datetime as dt
import json
import os
import random
import signal
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

from schemas.errors import RegisterError
from trials.register.bodies import IntakeBody
from trials.register.chain import Kind
from trials.register.records import IntakeBatch, SourceFile
from trials.register.store import Register

NOW = dt.datetime(2026, 4, 4, 19, 30, tzinfo=dt.UTC)
FILES = {"append": 25, "compare": 5}
ROWS = 400


def batch_of(name, values, *, first_row=2):
    rows = np.arange(first_row, first_row + len(values))
    table = pd.DataFrame({"sheet": "", "row": rows, "outcome": "accepted", "cells": "{}", "reasons": "[]"})
    readings = pd.DataFrame(
        {
            "sheet": "",
            "row": rows,
            "tank": "q1-a",
            "taken_at": np.datetime64("2026-03-02", "us")
            + np.array(values) * np.timedelta64(60_000_000, "us"),
            "utc_offset": "",
            "variable": "nitrate",
            "value": np.array(values, dtype=float),
            "sign": "",
            "replicate": 1,
            **dict.fromkeys(("kit", "by", "note", "raw_value"), ""),
            "raw_unit": "mg/L",
        }
    )
    return IntakeBatch(SourceFile(name, name.encode() * 10), table, readings)


def append(path, name):
    with Register.open(path) as register:
        trial = register.find(None).id
        for number in range(FILES["append"]):
            register.record_intake(trial, [batch_of(f"{name}-{number}", range(number, number + 4))], NOW)


def compare(path, name):
    with Register.open(path) as register:
        trial = register.find(None).id
        for number in range(FILES["compare"]):
            while True:
                try:
                    seen = register.seen(trial)["value"].astype(int)
                    new = sorted({number, number + 1} - set(seen))
                    register.record_intake(trial, [batch_of(f"{name}-{number}", new)], NOW)
                    break
                except RegisterError as refusal:
                    if "Somebody else" not in str(refusal):
                        raise


def write_until_killed(path, trial, batches, acknowledge):
    with Register.open(path) as register:
        for number in range(0, len(batches), 2):
            register.record_intake(trial, batches[number : number + 2], NOW)
            os.write(acknowledge, b".")


def killed(path, rounds):
    """Each round goes on with the register that the last one left."""
    chance = random.Random(20260302)  # noqa: S311 - moments, not secrets
    with Register.open(path) as register:
        trial = register.find(None).id
    journal = Path(f"{path}-journal")
    left = []
    for number in range(int(rounds)):
        batches = [batch_of(f"{number}-{file}", range(ROWS)) for file in range(40)]
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            write_until_killed(path, trial, batches, writing)
            os._exit(0)
        os.close(writing)
        begun = time.monotonic()
        acknowledged = len(os.read(reading, 1))
        # Measured by how long the first files took, so that a busy machine is killed in the middle of work too;
        # every second time as soon as a transaction is seen to be under way.
        first_files_took = time.monotonic() - begun
        time.sleep(chance.uniform(0, 1.5) * first_files_took)
        patience = time.monotonic() + 5
        while number % 2 and not journal.exists() and time.monotonic() < patience:
            time.sleep(0.0002)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with os.fdopen(reading, "rb") as pipe:
            acknowledged += len(pipe.read())
        half_written = journal.exists()
        with Register.open(path) as register:
            intakes = [IntakeBody.of(e) for e in register.entries() if e.kind == Kind.INTAKE]
            left.append(
                {
                    "acknowledged": 2 * acknowledged,
                    "in": sum(body.file.name.startswith(f"{number}-") for body in intakes),
                    "half-written": half_written,
                    "readings": len(register.readings(trial)) - ROWS * len(intakes),
                    "findings": [finding.text for finding in register.check()],
                }
            )
    sys.stdout.write(json.dumps(left))


if __name__ == "__main__":
    {"append": append, "compare": compare, "killed": killed}[sys.argv[1]](*sys.argv[2:])
