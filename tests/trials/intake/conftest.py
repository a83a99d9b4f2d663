"""An invented trial of two sites, and a short way to take a text or a workbook in and to look at what came of it."""

from __future__ import annotations

import datetime as dt
import io
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pytest
import xlsxwriter

from schemas.protocol import Protocol
from schemas.readings import empty_readings
from trials.intake.batch import take_in
from trials.register.records import SourceFile

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd

    from trials.register.records import Beside, IntakeBatch

TODAY = dt.date(2026, 7, 1)


@dataclass(frozen=True)
class Taken:
    """A batch, with what a test asks of it."""

    batch: IntakeBatch

    @property
    def outcomes(self) -> dict[int, str]:
        """Outcome by row number."""
        return dict(zip(self.batch.rows["row"].tolist(), self.batch.rows["outcome"].tolist(), strict=True))

    @property
    def counts(self) -> tuple[int, int, int]:
        """Accepted, held, repeated."""
        return self.batch.count("accepted"), self.batch.count("held"), self.batch.count("repeated")

    def reasons(self, row: int) -> dict[str, str]:
        """Sentence by code of one row."""
        found = self.batch.rows.loc[self.batch.rows["row"] == row, "reasons"].item()
        return {reason["code"]: reason["text"] for reason in json.loads(found)}

    def cells(self, row: int) -> dict[str, str]:
        """Texts of one row by header."""
        cells: dict[str, str] = json.loads(self.batch.rows.loc[self.batch.rows["row"] == row, "cells"].item())
        return cells

    @property
    def readings(self) -> list[tuple[Any, ...]]:
        """Row, tank, variable, value, sign of each reading."""
        return list(
            self.batch.readings[["row", "tank", "variable", "value", "sign"]].itertuples(
                index=False, name=None
            )
        )

    @property
    def remarks(self) -> str:
        """All remarks."""
        return "\n".join(self.batch.remarks)

    def as_seen(self) -> pd.DataFrame:
        """The readings as the register gives them back."""
        readings = self.batch.readings
        return readings.assign(reading=range(1, len(readings) + 1), file=self.batch.file.name)


def trial(**parts: Any) -> Protocol:
    """Two sites of three tanks, from 2 March 2026, with one kit for phosphate and two for nitrite."""
    return Protocol.model_validate(
        {
            "format": 1,
            "trial": {"id": "quillmere-2026", "title": "Carbon or not"},
            "arms": [
                {"id": "control", "role": "control", "title": "Water changes"},
                {"id": "polymer", "role": "test", "title": "Pellets"},
            ],
            "design": {"kind": "blocks", "seed": "4 17 23"},
            "tanks": [{"id": f"q0{b}-{t}", "block": f"q0{b}"} for b in (1, 2) for t in "abc"],
            "schedule": {
                "start": dt.date(2026, 3, 2),
                "phases": [{"id": "baseline", "days": 28}, {"id": "assessment", "days": 84}],
            },
            "variables": [{"id": "effort", "unit": "1", "hard": [0, 100], "soft": [0, 30]}],
            "kits": [
                {"id": "drops", "variable": "phosphate", "limit": 20, "unit": "ug/L"},
                {"id": "strips", "variable": "nitrite", "limit": 0.5},
                {"id": "photometer", "variable": "nitrite", "limit": 0.01},
            ],
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
        | parts
    )


@pytest.fixture(scope="session")
def trial_of() -> Callable[..., Protocol]:
    """Makes the invented trial with other parts."""
    return trial


@pytest.fixture(scope="session")
def taking_for() -> Callable[[Protocol], Callable[..., Taken]]:
    """Takes bytes or text in for a protocol, on the first of July 2026."""

    def taking(protocol: Protocol) -> Callable[..., Taken]:
        def taken(
            content: bytes | str,
            seen: pd.DataFrame | None = None,
            name: str = "sent.csv",
            beside: Beside | None = None,
        ) -> Taken:
            data = content.encode() if isinstance(content, str) else content
            before = empty_readings() if seen is None else seen
            return Taken(take_in(SourceFile(name, data), protocol, before, TODAY, beside))

        return taken

    return taking


@pytest.fixture(scope="session")
def protocol() -> Protocol:
    """The invented trial."""
    return trial()


@pytest.fixture(scope="session")
def take(protocol: Protocol) -> Callable[..., Taken]:
    """Takes bytes or text in, on the first of July 2026."""

    def taken(content: bytes | str, seen: pd.DataFrame | None = None, name: str = "sent.csv") -> Taken:
        data = content.encode() if isinstance(content, str) else content
        return Taken(
            take_in(SourceFile(name, data), protocol, empty_readings() if seen is None else seen, TODAY)
        )

    return taken


@pytest.fixture(scope="session")
def long(take: Callable[..., Taken]) -> Callable[..., Taken]:
    """One long row a call: what is not named is right."""

    def taken(seen: pd.DataFrame | None = None, **cells: str) -> Taken:
        row = {
            "tank": "q01-a",
            "taken_at": "2026-04-06",
            "variable": "nitrate",
            "value": "12.5",
            "unit": "mg/L",
        } | cells
        quoted = ['"' + text.replace('"', '""') + '"' for text in row.values()]
        return take(f"{','.join(row)}\n{','.join(quoted)}\n", seen)

    return taken


@pytest.fixture(scope="session")
def book() -> Callable[..., bytes]:
    """A workbook of sheets, each a list of rows of Python values."""

    def made(sheets: dict[str, Sequence[Sequence[Any]]], **options: Any) -> bytes:
        stream = io.BytesIO()
        with xlsxwriter.Workbook(stream, {"in_memory": True, **options}) as workbook:
            day = workbook.add_format({"num_format": "dd/mm/yyyy"})
            moment = workbook.add_format({"num_format": "dd/mm/yyyy hh:mm"})
            for name, rows in sheets.items():
                sheet = workbook.add_worksheet(name)
                for at, row in enumerate(rows):
                    for column, cell in enumerate(row):
                        if isinstance(cell, dt.datetime):
                            sheet.write_datetime(at, column, cell, moment)
                        elif isinstance(cell, dt.date):
                            sheet.write_datetime(at, column, cell, day)
                        elif isinstance(cell, str):
                            sheet.write_string(at, column, cell)
                        elif cell is not None:
                            sheet.write(at, column, cell)
        return stream.getvalue()

    return made
