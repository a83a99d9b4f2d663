"""Programs that write to a register, run by the tests as a process of its own, which makes each writer by a fork.

register_writers.py together LOCATION    two writers, then eight, each its own files; then four who send the same readings
register_writers.py killed LOCATION ROUNDS PROTOCOL    a writer killed at a random moment, ROUNDS times; prints what was left
"""

import datetime as dt
import gc
import itertools
import json
import os
import random
import signal
import sys
import time
import traceback
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from sqlalchemy import func, select

from schemas.errors import RegisterError
from trials.allocation import draw
from trials.protocol_file import load
from trials.register import recording, store, tables
from trials.register.bodies import CorrectionBody, IntakeBody
from trials.register.chain import Kind, first_fault
from trials.register.records import IntakeBatch, SourceFile
from trials.register.store import Register

NOW = dt.datetime(2026, 4, 4, 19, 30, tzinfo=dt.UTC)
SAID = {"by": "Ann", "why": "invented"}
FILES = {"append": 5, "compare": 3}
TOGETHER = (("append", 2), ("append", 8), ("compare", 4))


def batch_of(name, values):
    rows = np.arange(2, 2 + len(values))
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
    # Each row brings an event too, so that both are there or neither is.
    events = readings[["sheet", "row", "tank", "utc_offset", "by", "note"]].assign(
        at=readings["taken_at"], kind="feed", amount=readings["value"], unit="g", raw_amount="", raw_unit="g"
    )
    return IntakeBatch(SourceFile(name, name.encode() * 10), table, readings, events=events)


def forked(work, *arguments):
    """Do some work in a process of its own."""
    child = os.fork()
    if child:
        return child
    try:
        work(*arguments)
    except BaseException:  # noqa: BLE001 - a fork must never return into its parent's work
        traceback.print_exc()
        os._exit(1)
    os._exit(0)


def append(location, name):
    with Register.open(location) as register:
        trial = register.find("quillmere-2026").id
        for number in range(FILES["append"]):
            register.record_intake(trial, [batch_of(f"{name}-{number}", range(number, number + 4))], NOW)


def compare(location, name):
    """Send the readings that every other writer sends, looking first what is in."""
    with Register.open(location) as register:
        trial = register.find("saltmere-2026").id
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


def together(location):
    for mode, writers in TOGETHER:
        work = {"append": append, "compare": compare}[mode]
        children = [forked(work, location, f"{mode}-{writers}-{n}") for n in range(writers)]
        statuses = [os.waitpid(child, 0)[1] for child in children]
        assert statuses == [0] * writers


def acts(number, loaded, prepared):
    """Two things that the writer of a round may do, each act with its name and the number of entries that it makes."""
    trial = loaded.protocol.trial.id
    other = f"round-{number}"
    of_round = loaded.protocol.model_copy(
        update={"trial": loaded.protocol.trial.model_copy(update={"id": other})}
    )

    def files(*names):
        return [replace(prepared.batch, file=SourceFile(name, name.encode() * 10)) for name in names]

    def allocate(register):
        sealed = register.find(other)
        register.record_allocation(other, draw(sealed.protocol, sealed.digest, "4 17"), NOW)

    correction = CorrectionBody(reading=1, value=1.0 + number, raw_value="x", **SAID)
    return (
        [
            ("intake", 2, lambda r: r.record_intake(trial, files(f"{number}-a", f"{number}-b"), NOW)),
            ("amend", 1, lambda r: r.amend(trial, correction, NOW)),
        ],
        [
            ("seal", 1, lambda r: r.seal(replace(loaded, protocol=of_round), NOW)),
            ("allocate", 1, allocate),
        ],
    )


def write_until_killed(register, acts, acknowledge):
    os.write(acknowledge, b".")
    for _, _, act in acts:
        act(register)
        os.write(acknowledge, b".")
    time.sleep(60)  # to be killed


def killed(location, rounds, protocol):
    """Each round goes on with the register that the last one left."""
    chance = random.Random(20260302)  # noqa: S311 - moments, not secrets
    loaded = load(Path(protocol))
    prepared = recording.prepare(batch_of("first", range(10)))
    # Made ready once: the time of a round is to be that of its transactions.
    store.prepare = lambda batch: replace(prepared, batch=batch)
    register = Register.open(location)
    trial = register.seal(loaded, NOW).id
    register.record_intake(trial, [prepared.batch], NOW)
    for _, _, act in itertools.chain(*acts(int(rounds), loaded, prepared)):
        act(register)
    entries = len(register.entries())
    # The writers work with what the first one has made ready, down to its statements, but with connections of their own.
    gc.freeze()
    took = 0.01
    left = []
    for number in range(int(rounds)):
        todo = chance.choice(acts(number, loaded, prepared))
        aim = chance.randrange(len(todo))
        reading, writing = os.pipe()
        register.close()
        child = forked(write_until_killed, register, todo, writing)
        os.close(writing)
        acknowledged = wait_for(reading, aim + 1) - 1
        time.sleep(chance.uniform(0, 1.2) * took)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with os.fdopen(reading, "rb") as pipe:
            acknowledged += len(pipe.read())
        # Done before the kill came: the next time less is waited. So about half of the kills fall into the work.
        took = max(0.0005, took * (0.9 if acknowledged > aim else 1.1))
        Register.open(location).close()
        state = look(register, todo, acknowledged, entries)
        state |= {"aim": todo[aim][0], "before its end": acknowledged == aim}
        if number + 1 == int(rounds):
            state["findings"] += [str(finding) for finding in register.check()]
        entries = state["entries"]
        left.append(state)
    sys.stdout.write(json.dumps(left))


def wait_for(pipe, count):
    """Read so many acknowledgements, or more where they came at once."""
    read = 0
    while read < count:
        got = len(os.read(pipe, 100))
        assert got, "the writer ended by itself"
        read += got
    return read


def look(register, todo, acknowledged, before):
    """What the kill left: whether it is one of the two states that it may be, and whole."""
    # As a writer: on a server, what the killed one had sent already is done or undone before this one's turn.
    with register._home.transaction(writes=True) as connection:
        stored = {
            name: dict(connection.execute(select(table.c.entry, func.count()).group_by(table.c.entry)).all())
            for name, table in (("rows", tables.rows), ("readings", tables.readings))
        }
        files = connection.execute(select(func.count()).select_from(tables.files)).scalar_one()
    entries = register.entries()
    intakes = {entry.number: IntakeBody.of(entry) for entry in entries if entry.kind == Kind.INTAKE}
    done = [sum(count for _, count, _ in todo[:number]) for number in range(len(todo) + 1)]
    allowed = done[acknowledged : acknowledged + 2]
    findings = [str(fault) for fault in [first_fault(entries)] if fault]
    if stored["rows"] != {number: body.rows for number, body in intakes.items()}:
        findings.append("rows are not those of the files that are in")
    if stored["readings"] != {number: body.readings for number, body in intakes.items()}:
        findings.append("readings are not those of the files that are in")
    if len(entries) - before not in allowed:
        findings.append(f"{len(entries) - before} entries are new, and not {allowed}")
    # A seal keeps its canonical protocol; its sources, and those of the first one, are kept once.
    seals = sum(entry.kind == Kind.SEAL for entry in entries)
    if files != len(intakes) + seals + 2:
        findings.append("files are kept that no entry names, or the other way round")
    return {"entries": len(entries), "findings": findings}


if __name__ == "__main__":
    {"together": together, "killed": killed}[sys.argv[1]](*sys.argv[2:])
