"""An invented trial of any size, analysed by the real analysis: what figures, sentences and reports are tried on."""

from __future__ import annotations

import datetime as dt
import importlib.util
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest

from analysis.evaluation import evaluate
from schemas.allocation import Allocation, Assignment
from schemas.protocol import Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from analysis.records import Analysis

_spec = importlib.util.spec_from_file_location(
    "private_server", Path(__file__).with_name("private_server.py")
)
private_server = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(private_server)


def pytest_report_header() -> str:
    """Say at the start of a session which registers it can test."""
    if private_server.at_hand():
        return "registers: tested in SQLite and on a PostgreSQL server"
    return "registers: tested in SQLite ONLY, since no PostgreSQL server (initdb, pg_ctl) is installed here"


ARMS = (
    {"id": "control", "role": "control", "title": "Water changes alone"},
    {"id": "polymer", "role": "test", "title": "Polymer pellets, fluidised", "carbon": {"source": "phb"}},
    {"id": "liquid", "role": "test", "title": "Liquid carbon, dripped", "carbon": {"source": "ethanol"}},
)
EFFECTS = (1.0, 0.55, 0.72, 0.9, 1.1, 0.8, 0.65, 1.3)
PHASES = (("baseline", 28), ("ramp", 28), ("assessment", 84))


@dataclass(frozen=True)
class InventedTrial:
    """A protocol, its allocation, its readings and what they came to."""

    protocol: Protocol
    allocation: Allocation
    readings: pd.DataFrame
    analysis: Analysis


def arms_of(number: int) -> list[dict[str, Any]]:
    """So many arms: the three of the trade first."""
    more = [{"id": f"arm-{n}", "role": "test", "title": f"Treatment {n}"} for n in range(4, number + 1)]
    return [dict(arm) for arm in ARMS[:number]] + more


def build(
    *,
    blocks: int = 8,
    arms: Sequence[dict[str, Any]] | int = 3,
    parallel: bool = False,
    every_days: int = 7,
    gone: Sequence[int] = (),
    limit: float = 0.02,
    **protocol_parts: Any,
) -> InventedTrial:
    """An invented trial; ``gone`` numbers the tanks without any reading in the assessment phase."""
    arms = arms_of(arms) if isinstance(arms, int) else list(arms)
    names = [arm["id"] for arm in arms]
    tanks = [
        {"id": f"q{b + 1:02d}-{a}", "site": f"q{b + 1:02d}", "volume_L": 180}
        | ({} if parallel else {"block": f"q{b + 1:02d}"})
        for b in range(blocks)
        for a in range(len(arms))
    ]
    protocol = Protocol.model_validate(
        {
            "format": 1,
            "trial": {
                "id": "quillmere-2026",
                "title": "Solid carbon, liquid carbon or neither",
                "question": "Does carbon in a reactor keep nitrate lower than water changes alone?",
                "lead": "The water group (invented)",
            },
            "arms": arms,
            "design": {
                "kind": "parallel" if parallel else "blocks",
                "seed_from": "the balls drawn at the meeting of 4 April",
            },
            "tanks": tanks,
            "schedule": {
                "start": dt.date(2026, 3, 2),
                "phases": [{"id": name, "days": days} for name, days in PHASES],
                "sampling": [
                    {"variable": "nitrate", "every_days": every_days},
                    {"variable": "phosphate", "every_days": every_days},
                ],
            },
            "endpoints": [
                {
                    "id": "nitrate-mean",
                    "role": "primary",
                    "title": "Mean nitrate",
                    "variable": "nitrate",
                    "summary": "mean",
                    "phase": "assessment",
                    "baseline": "adjust",
                    "scale": "ratio",
                    "better": "lower",
                    "worthwhile": 0.8,
                },
                {
                    "id": "phosphate-mean",
                    "role": "secondary",
                    "title": "Mean phosphate",
                    "variable": "phosphate",
                    "summary": "mean",
                    "phase": "assessment",
                    "scale": "difference",
                    "better": "lower",
                    "worthwhile": 0.03,
                },
            ],
            "analysis": {
                "contrasts": [[name, names[0]] for name in names[1:]]
                + ([names[1:3]] if len(names) > 2 else [])
            },
            "stop_rules": [
                {"variable": "phosphate", "below": 0.01, "consecutive": 2, "action": "halve the carbon dose"}
            ],
        }
        | protocol_parts
    )
    chance = np.random.default_rng(20260302)
    assignments = []
    order: list[int] = []
    for index, tank in enumerate(protocol.tanks):
        if index % len(arms) == 0:
            order = list(chance.permutation(len(arms)))
        assignments.append(Assignment(tank.id, names[order[index % len(arms)]], tank.block, tank.site))
    allocation = Allocation(
        tuple(assignments),
        drawn=True,
        random=True,
        how="the balls drawn at the meeting of 4 April",
        seed="4 17 23",
    )
    readings = invent_readings(protocol, allocation, chance, frozenset(gone), limit)
    analysis = evaluate(
        protocol, allocation, readings, protocol_digest="ab" * 32, data_digest="cd" * 32, version="0.1.0"
    )
    return InventedTrial(protocol, allocation, readings, analysis)


def invent_readings(
    protocol: Protocol,
    allocation: Allocation,
    chance: np.random.Generator,
    gone: frozenset[int],
    limit: float,
) -> pd.DataFrame:
    """Nitrate and phosphate that fall with a lag after the ramp began; some days kept late, some missed."""
    names = [arm.id for arm in protocol.arms]
    ramp = protocol.phase_days["ramp"][0]
    rows = []
    for index, assignment in enumerate(allocation.assignments):
        start = {"nitrate": 20 * np.exp(0.35 * chance.standard_normal())}
        start["phosphate"] = 0.1 * np.exp(0.4 * chance.standard_normal())
        effect = EFFECTS[names.index(assignment.arm) % len(EFFECTS)] * np.exp(0.3 * chance.standard_normal())
        for variable, level in start.items():
            for due in protocol.due_days(variable):
                kept = chance.random()
                day = due + dt.timedelta(days=1 if kept > 0.95 else 0)
                if kept < 0.04 or (index in gone and day >= protocol.phase_days["assessment"][0]):
                    continue
                grown = 1 / (1 + np.exp(-((day - ramp).days - 24) / 5))
                value = level * (1 + (effect - 1) * grown) * np.exp(0.08 * chance.standard_normal())
                value = round(float(value), 1 if variable == "nitrate" else 2)
                below = variable == "phosphate" and value < limit
                rows.append(
                    {
                        "tank": assignment.tank,
                        "taken_at": dt.datetime.combine(day, dt.time(18, 30)),
                        "variable": variable,
                        "value": limit if below else value,
                        "sign": "<" if below else "",
                        "raw_value": f"<{limit}" if below else str(value),
                    }
                )
    frame = pd.DataFrame(rows)
    frame["taken_at"] = frame["taken_at"].astype("datetime64[us]")
    texts = dict.fromkeys(("utc_offset", "kit", "by", "note", "sheet"), "")
    frame = frame.assign(**texts, replicate=1, raw_unit="mg/L", file="q.csv", row=range(2, len(frame) + 2))
    return frame.assign(reading=range(1, len(frame) + 1)).sort_values(
        ["tank", "variable", "taken_at"], ignore_index=True
    )


@pytest.fixture(scope="session")
def invent() -> Callable[..., InventedTrial]:
    """The builder, for tests that want another size or shape."""
    return build


@pytest.fixture(scope="session")
def club() -> InventedTrial:
    """Eight blocks of three matched tanks; one tank without assessment, some phosphate below the limit."""
    return build(gone=(13,), limit=0.05)
