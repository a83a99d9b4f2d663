"""The report's tables as CSV: rows of plain records, numbers unrounded, nothing that a spreadsheet would run."""

from __future__ import annotations

import csv
import io
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from trials.report_material import ReportMaterial

_STARTS = ("=", "+", "-", "@", "\t", "\r")


def csv_files(material: ReportMaterial) -> dict[str, str]:
    """The tables by name: ids, numbers unrounded, and units as the protocol writes them."""
    analysis = material.analysis
    results = []
    for endpoint in analysis.endpoints:
        for way, contrasts in (
            ("registered", endpoint.contrasts),
            *((s.name, s.contrasts) for s in endpoint.sensitivity),
        ):
            for c in contrasts:
                redrawn, beyond = c.randomisation, c.censoring
                results.append(
                    {
                        "endpoint": endpoint.id,
                        "role": str(endpoint.role),
                        "analysis": way,
                        "test": c.test,
                        "reference": c.reference,
                        "scale": str(endpoint.scale),
                        "unit": endpoint.unit,
                        "n": c.n,
                        "estimate": c.estimate,
                        "se": c.se,
                        "df": c.df,
                        "low": c.low,
                        "high": c.high,
                        "p": c.p,
                        "p_adjusted": c.p_adjusted,
                        "randomisation_p": redrawn.p if redrawn else None,
                        "randomisation_low": redrawn.low if redrawn else None,
                        "randomisation_high": redrawn.high if redrawn else None,
                        "censored_lowest": beyond.lowest if beyond else None,
                        "censored_highest": beyond.highest if beyond else None,
                        "worthwhile": endpoint.worthwhile,
                        "reading": str(c.verdict) if c.verdict else None,
                    }
                )
    tanks = [
        {"endpoint": endpoint.id} | asdict(tank) for endpoint in analysis.endpoints for tank in endpoint.tanks
    ]
    shared = [asdict(assignment) for assignment in material.allocation.assignments]
    return {"results.csv": _csv(results), "tanks.csv": _csv(tanks), "allocation.csv": _csv(shared)}


def _csv(rows: Sequence[Mapping[str, Any]]) -> str:
    file = io.StringIO()
    writer = csv.DictWriter(file, list(rows[0]) if rows else [], lineterminator="\n")
    writer.writeheader()
    writer.writerows({name: harmless(value) for name, value in row.items()} for row in rows)
    return file.getvalue()


def harmless(cell: Any) -> Any:
    """A cell that no spreadsheet takes for a formula: an apostrophe before text that could begin one.

    Examples
    --------
    >>> harmless("=1+1"), harmless("mg/L"), harmless(-0.5)
    ("'=1+1", 'mg/L', -0.5)
    """
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_STARTS) else cell
