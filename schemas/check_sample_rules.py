"""Rules on check samples: each is told from the tanks, of a variable that is known, and of a content that can be."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.plain_words import quoted
from schemas.protocol_draft import number, text, word
from schemas.protocol_names import duplicates, unknown_variable
from schemas.protocol_places import Fault, Path
from schemas.variables import catalogue
from schemas.vocabulary import CheckKind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from schemas.protocol_draft import Draft, Row
    from schemas.variables import Variable


def check_sample_faults(draft: Draft) -> list[Fault]:
    """Faults of check samples that are seen only across keys."""
    rows = draft.rows("check_samples")
    tanks = {name.casefold(): name for _, tank in draft.rows("tanks") if (name := text(tank, "id"))}
    faults = duplicates(rows, ("check_samples",), "id", "check sample")
    for position, row in rows:
        path = ("check_samples", position)
        name = text(row, "id")
        if name is not None and name.casefold() in tanks:
            found = f"{quoted(name)} is the id of a tank too"
            faults.append(
                Fault((*path, "id"), found, "give the check sample an id of its own, such as ref-a")
            )
        faults += _content(draft, row, path)
    return faults


def _content(draft: Draft, row: Row, path: Path) -> Iterator[Fault]:
    kind = word(row, "kind", CheckKind)
    name = text(row, "variable")
    unknown = name and unknown_variable((*path, "variable"), name, draft)
    if unknown:
        yield unknown
    measured = draft.variables.get(name) if name else None
    if kind == CheckKind.NITRITE_STANDARD:
        if measured is not None and measured.id != "nitrate":
            yield Fault(
                (*path, "variable"),
                f"{quoted(name)} is not disturbed by nitrite",
                'a nitrite standard is measured with a nitrate kit, so write variable = "nitrate"',
            )
        measured = catalogue()["nitrite"]
    yield from _astray(row, path, kind)
    if kind not in (None, CheckKind.BLANK, CheckKind.REFERENCE) and "value" not in row:
        unit = f", in {measured.unit}" if measured is not None else ""
        yield Fault((*path, "value"), "is missing", f"write what the sample holds{unit}, e.g. value = 10.0")
    elif kind not in (None, CheckKind.BLANK) and measured is not None:
        yield from _amount(row, path, measured)


def _astray(row: Row, path: Path, kind: str | None) -> Iterator[Fault]:
    """Keys that mean nothing with a sample of this kind."""
    if kind == CheckKind.BLANK:
        for key in ("value", "uncertainty", "fitness_sd"):
            if key in row:
                yield Fault(
                    (*path, key), "stands with a blank", "leave it out, since a blank holds none of it"
                )
    if kind == CheckKind.NITRITE_STANDARD and "fitness_sd" in row:
        yield Fault(
            (*path, "fitness_sd"),
            "stands with a nitrite standard",
            "leave it out, since what a kit makes of nitrite is not scored",
        )
    if kind == CheckKind.REFERENCE and "uncertainty" in row and "value" not in row:
        # Water of unknown content: the mean of all sites stands in for its value.
        yield Fault(
            (*path, "uncertainty"),
            "stands without a value",
            "write the value that it belongs to, or leave both to the mean of all sites",
        )


def _amount(row: Row, path: Path, measured: Variable) -> Iterator[Fault]:
    value, uncertainty = number(row, "value"), number(row, "uncertainty")
    if value is None:
        return
    low, high = measured.hard
    if value == 0 and measured.zero_is_censored:
        yield Fault((*path, "value"), "is 0", 'write kind = "blank" for water that holds none of it')
    elif not low <= value <= high:
        yield Fault(
            (*path, "value"),
            f"{value:g} {measured.unit} lies outside what {measured.id} can be ({low:g} to {high:g} {measured.unit})",
            f"write the content in {measured.unit}",
        )
    elif uncertainty is not None and measured.zero_is_censored and 0 < value <= uncertainty:
        yield Fault(
            (*path, "uncertainty"),
            f"{uncertainty:g} is no smaller than the value, {value:g}",
            "write the standard uncertainty in the unit of the value, not in per cent",
        )
