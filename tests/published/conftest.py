"""Published data made into whole trials: register, recorded allocation, intake and `analyse --json`."""

from __future__ import annotations

import csv
import datetime as dt
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pytest

from trials.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path


@dataclass
class PublishedTrial:
    """One value a tank, as published; blocks and baselines where the data have them."""

    arms: list[str]
    tanks: list[tuple[str, str, str | None, float, float | None]] = field(default_factory=list)
    """Tank, arm, block, value, baseline value."""
    endpoint: dict[str, Any] = field(default_factory=dict)
    analysis: dict[str, Any] = field(default_factory=dict)
    contrasts: list[list[str]] | None = None
    kind: str | None = None
    periods: int | None = None
    starts: dict[str, str] = field(default_factory=dict)
    """First day of each cohort of a crossover, where they differ."""
    hard: tuple[float, float] = (-1e15, 1e15)
    days: int = 7
    """Length of the assessment."""

    @classmethod
    def of_crossover(
        cls, arms: list[str], tanks: Iterable[tuple[str | None, str, Iterable[float]]], **parts: Any
    ) -> PublishedTrial:
        """Tanks as (cohort, one letter an arm in order of period, values in order of period)."""
        rows = [
            (f"u{i}", arm, cohort, float(value), None)
            for i, (cohort, sequence, values) in enumerate(tanks, 1)
            for arm, value in zip(sequence, values, strict=True)
        ]
        periods = max(sum(row[0] == other[0] for other in rows) for row in rows)
        return cls(arms, rows, kind="crossover", periods=periods, **parts)

    @classmethod
    def of_blocks(cls, arms: list[str], table: Iterable[Iterable[float]], **parts: Any) -> PublishedTrial:
        """Rows are blocks, columns are arms."""
        tanks = [
            (f"b{i}-{arm}", arm, f"b{i}", value, None)
            for i, row in enumerate(table, 1)
            for arm, value in zip(arms, row, strict=True)
        ]
        return cls(arms, tanks, **parts)

    @classmethod
    def of_groups(
        cls, groups: dict[str, Iterable[float | tuple[float, float]]], **parts: Any
    ) -> PublishedTrial:
        """Independent groups; a pair is (baseline, value)."""
        tanks = []
        for arm, values in groups.items():
            for i, value in enumerate(values, 1):
                before, after = value if isinstance(value, tuple) else (None, value)
                tanks.append((f"{arm}-{i}", arm, None, after, before))
        return cls(list(groups), tanks, **parts)

    def protocol(self) -> str:
        """The protocol as TOML."""
        kind = self.kind or ("blocks" if self.tanks[0][2] is not None else "parallel")
        periods = f"periods = {self.periods}" if self.periods else ""
        endpoint = {
            "id": "value",
            "role": "primary",
            "variable": "score",
            "summary": "mean",
            "phase": "assessment",
            "better": "lower",
            "worthwhile": 1.0,
        } | self.endpoint
        analysis = {"contrasts": self.contrasts} if self.contrasts else {}
        arms = "".join(
            f'[[arms]]\nid = "{arm}"\nrole = "{"test" if i else "control"}"\ntitle = "{arm}"\n'
            for i, arm in enumerate(self.arms)
        )
        starts = "".join(f"starts.{cohort} = {day}\n" for cohort, day in self.starts.items())
        return f"""
format = 1
tanks = "tanks.csv"
[trial]
id = "published"
title = "Published data"
{arms}
[design]
kind = "{kind}"
{periods}
[schedule]
start = 2025-03-03
phases = [{{ id = "baseline", days = 7 }}, {{ id = "assessment", days = {self.days} }}]
sampling = [{{ variable = "score", every_days = 7 }}]
{starts}
[[variables]]
id = "score"
unit = "1"
hard = [{self.hard[0]}, {self.hard[1]}]
[[endpoints]]
{_toml(endpoint)}
[analysis]
{_toml(analysis | self.analysis)}
"""

    def write(self, folder: Path) -> None:
        """Protocol, tanks, allocation and readings as files."""
        (folder / "protocol.toml").write_text(self.protocol(), encoding="utf-8")
        blocks = {tank: block or "" for tank, _, block, *_ in self.tanks}
        _csv(folder / "tanks.csv", ("id", "block"), list(blocks.items()))
        rows: list[tuple[Any, ...]] = []
        if self.periods:
            seen: dict[str, int] = {}
            shared = []
            for tank, arm, _, value, _ in self.tanks:
                seen[tank] = period = seen.get(tank, 0) + 1
                shared.append((tank, period, arm))
                # Each period is a baseline week and an assessment week.
                first = dt.date.fromisoformat(self.starts.get(blocks[tank], "2025-03-03"))
                day = first + dt.timedelta(days=14 * (period - 1) + 7)
                rows.append((tank, day.isoformat(), "score", repr(value), "1"))
            _csv(folder / "allocation.csv", ("tank", "period", "arm"), shared)
        else:
            _csv(folder / "allocation.csv", ("tank", "arm"), [(t, a) for t, a, *_ in self.tanks])
            rows += [(t, "2025-03-10", "score", repr(v), "1") for t, _, _, v, _ in self.tanks]
            rows += [(t, "2025-03-03", "score", repr(x), "1") for t, *_, x in self.tanks if x is not None]
        _csv(folder / "readings.csv", ("tank", "taken_at", "variable", "value", "unit"), rows)


def _toml(table: dict[str, Any]) -> str:
    return "\n".join(f"{key} = {json.dumps(value)}" for key, value in table.items())


def _csv(path: Path, header: tuple[str, ...], rows: list[tuple[Any, ...]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(header)
        writer.writerows(rows)


@pytest.fixture
def analysed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> Callable[[PublishedTrial], dict[str, Any]]:
    """Take a published trial through the command line; the one endpoint of its JSON document."""

    def run(trial: PublishedTrial) -> dict[str, Any]:
        trial.write(tmp_path)
        register = ["--register", str(tmp_path / "register.db")]
        for words in (
            ["register", str(tmp_path / "protocol.toml")],
            [
                "allocate",
                "published",
                "--recorded",
                str(tmp_path / "allocation.csv"),
                "--how",
                "as published",
            ],
            ["intake", "published", str(tmp_path / "readings.csv"), "--json"],
        ):
            assert main([*words, *register]) == 0, capsys.readouterr().err
        counts = json.loads(capsys.readouterr().out.partition("\n{")[2].join(["{", ""]))
        assert counts["accepted"] == counts["rows"]
        assert main(["analyse", "published", "--json", *register]) == 0
        (endpoint,) = json.loads(capsys.readouterr().out)["endpoints"]
        return endpoint

    return run


@pytest.fixture(scope="session")
def published_trial() -> type[PublishedTrial]:
    """The class, for tests in this folder (they cannot import it)."""
    return PublishedTrial
