"""Make the readings of the invented scenarios: `python data/make_scenarios.py [FOLDER]`.

Each scenario's protocol, tanks and story are written by hand; from them this script draws true values with
the tank model, reads them with imperfect kits, and writes them down as members or staff would send them, with
faults planted on purpose. Who got which treatment is drawn by fairtank itself from the story's seed and the
protocol's digest: any change of a protocol changes the draw, so the files must then be made again. The same
protocols give the same bytes.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import xlsxwriter
from husbandry import husbandry
from senders import AS_MEANT, SCENARIOS, Assay, Cell, Site, Slip
from water import Seen, Visit, all_visits

from schemas.protocol import BASELINE_PHASE
from trials import allocation, protocol_file
from trials.scenarios import read_story

if TYPE_CHECKING:
    from collections.abc import Sequence

HERE = Path(__file__).resolve().parent
HALVED = "phosphate below 0.03 twice: dose halved from tomorrow"

Row = dict[str, Cell]


def make(name: str, into: Path) -> None:
    """Write the readings of one scenario under ``into``."""
    story = read_story(HERE / name)
    protocol = protocol_file.load(HERE / name / "protocol.toml").protocol
    drawn = allocation.draw(protocol, protocol_file.digest(protocol), story.seed)
    visits, halved = all_visits(SCENARIOS[name], protocol, drawn.arm_of())
    after_baseline = protocol.phase_days[BASELINE_PHASE][1]
    for site in SCENARIOS[name].sites:
        rows = [(visit.due, row) for visit in visits[site.file] for row in _rows(site, visit, halved)]
        early = [(due, row) for due, row in rows if due < after_baseline]
        sent = [
            _with_slips(early, [slip for slip in site.slips if not slip.later and slip.due in _dues(early)]),
            _with_slips(rows, site.slips),
            _with_slips(rows, site.slips, mended=True),
        ]
        for step, table in zip(story.intake, sent, strict=True):
            if step is story.intake[-1] and table == sent[1]:
                continue  # nothing to mend, so nothing is sent again
            path = into / name / "readings" / step.folder / site.file
            path.parent.mkdir(parents=True, exist_ok=True)
            write = _workbook if path.suffix == ".xlsx" else _csv
            path.write_bytes(write(site, table, step.at))
    if SCENARIOS[name].log:
        # The log is kept to the end and sent once, with the readings of the whole trial.
        path = into / name / "readings" / story.intake[1].folder / SCENARIOS[name].log
        path.write_bytes(_log(husbandry(protocol, drawn.arm_of(), halved)))


def _log(rows: list[dict[str, str]]) -> bytes:
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode()


def _rows(site: Site, visit: Visit, halved: dict[str, dt.date]) -> list[Row]:
    """Write a visit down as the site does: one row in a wide table, one row a reading in a long one."""
    note = site.notes.get((visit.tank, visit.due.isoformat()), "")
    note = HALVED if halved.get(visit.tank) == visit.due else note
    if site.layout == "wide":
        row: Row = {"tank": visit.tank, "taken_at": visit.day}
        for assay in site.assays:
            first = visit.readings.get(assay.variable, (None,))[0]
            row[f"{assay.variable} [{assay.unit}]"] = _cell(site, assay, first) if first else ""
        return [row | {"note": note}]
    rows: list[Row] = []
    for assay in site.assays:
        for number, seen in enumerate(visit.readings.get(assay.variable, ()), start=1):
            row = {"tank": visit.tank, "taken_at": visit.day, "variable": assay.variable}
            row |= {"value": _cell(site, assay, seen), "unit": assay.unit}
            row |= {"replicate": str(number)} if any(a.replicates > 1 for a in site.assays) else {}
            row |= {"kit": assay.kit} if site.below == "ND" else {}
            rows.append(row | {"by": visit.tester, "note": note})
    return rows


def _cell(site: Site, assay: Assay, seen: Seen) -> Cell:
    """Write a reading as the site does: a number in a workbook, text in a CSV, a limit with its sign."""
    shown = f"{seen.value:.{assay.decimals}f}"
    if not seen.sign and site.file.endswith(".xlsx"):
        return float(shown)
    text = shown.replace(".", site.decimal)
    return site.below.format(text) if seen.sign == "<" else f"{seen.sign}{text}"


def _dues(rows: list[tuple[dt.date, Row]]) -> set[str]:
    return {due.isoformat() for due, _ in rows}


def _with_slips(rows: list[tuple[dt.date, Row]], slips: Sequence[Slip], *, mended: bool = False) -> list[Row]:
    """Make the slips in the rows, or mend those that can be."""
    table: list[Row] = []
    made: set[Slip] = set()
    for due, row in rows:
        table.append(row)
        for slip in slips:
            if (slip.tank, slip.due) != (row["tank"], due.isoformat()):
                continue
            if slip.variable and slip.variable != row["variable"]:
                continue
            made.add(slip)
            if not slip.copy:
                table.pop()
            table.append(_slipped(row, slip, mended=mended))
    if lost := [slip for slip in slips if slip not in made]:
        raise ValueError(f"no row for {lost}; choose another tank or day.")
    return table


def _slipped(row: Row, slip: Slip, *, mended: bool) -> Row:
    if not slip.column or (mended and slip.mended == AS_MEANT):
        return row
    if mended and slip.mended is not None:
        return {**row, slip.column: slip.mended}
    return {**row, slip.column: slip.wrong(row[slip.column]) if callable(slip.wrong) else slip.wrong}


def _csv(site: Site, table: list[Row], _: dt.datetime) -> bytes:
    text = io.StringIO()
    writer = csv.DictWriter(text, list(table[0]), delimiter=site.separator, lineterminator=site.newline)
    writer.writeheader()
    writer.writerows(table)  # a date is written as ISO 8601 by its own str()
    return text.getvalue().encode(site.encoding)


def _workbook(site: Site, table: list[Row], at: dt.datetime) -> bytes:
    buffer = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(buffer, options) as book:
        book.set_properties({"title": "invented readings", "created": at.replace(tzinfo=None)})
        bold, as_date = book.add_format({"bold": True}), book.add_format({"num_format": "yyyy-mm-dd"})
        for name in site.tanks if site.sheet_per_tank else ("readings",):
            sheet = book.add_worksheet(name)
            header = list(table[0])
            sheet.write_row(0, 0, header, bold)
            sheet.set_column(0, len(header) - 1, 14)
            sheet.freeze_panes(1, 0)
            mine = [row for row in table if not site.sheet_per_tank or row["tank"] == name]
            for number, row in enumerate(mine, start=1):
                for column, cell in enumerate(row.values()):
                    if isinstance(cell, dt.date):
                        sheet.write_datetime(number, column, cell, as_date)
                    elif isinstance(cell, float):
                        sheet.write_number(number, column, cell)
                    elif cell:
                        sheet.write_string(number, column, cell)
    return buffer.getvalue()


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE
    for scenario in SCENARIOS:
        make(scenario, target)
