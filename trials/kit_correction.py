"""A correction of a kit, as typed: what it means, and putting it on record."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from schemas.errors import UsageError
from schemas.plain_words import listed, quoted
from schemas.variables import variables_for
from trials.register.bodies import KitCorrectionBody

if TYPE_CHECKING:
    import datetime as dt

    from trials.register.records import Entry, SealedTrial
    from trials.register.store import Register

_MOST = 1000.0
"""A factor beyond it is a slip of the pen, not a kit."""


@dataclass(frozen=True)
class TypedCorrection:
    """What was typed of a kit; numbers that were not given (None) change nothing."""

    kit: str
    site: str | None = None
    variable: str | None = None
    factor: float | None = None
    offset: float | None = None
    nitrite_factor: float | None = None


def correct_kit(
    record: Register, sealed: SealedTrial, typed: TypedCorrection, at: dt.datetime, *, by: str, why: str
) -> tuple[Entry, list[str]]:
    """Record what readings of a kit are to be put right by, beside the analysis; no reading is changed.

    Returns
    -------
    entry : Entry
    lines : list of str
        What a person should know of it.

    Raises
    ------
    UsageError
        A number cannot be, or the kit measures several variables and none was named.
    RegisterError
        The trial has no such kit, variable or site, or nothing would be changed.
    """
    _refuse_odd(typed)
    body = KitCorrectionBody(
        kit=typed.kit,
        variable=typed.variable or _measured(record, sealed, typed.kit),
        site=typed.site,
        factor=1.0 if typed.factor is None else typed.factor,
        offset=typed.offset or 0.0,
        nitrite_factor=typed.nitrite_factor or 0.0,
        by=by,
        why=why,
    )
    entry = record.amend(sealed.id, body, at)
    unit = variables_for(sealed.protocol)[body.variable].unit
    where = f" at {body.site}" if body.site is not None else ""
    return entry, [
        f"Readings of {body.variable} by the kit {body.kit}{where}, beside the analysis: {body.made_at(at).in_words(unit)}.",
        "They stay as they were read, and so does the registered analysis; the corrected one stands beside it.",
    ]


def _refuse_odd(typed: TypedCorrection) -> None:
    for name, value in (("--factor", typed.factor), ("--nitrite-factor", typed.nitrite_factor)):
        if value is not None and not 0 <= value <= _MOST:
            raise UsageError(f"{name} {value:g} cannot be: write a number from 0 to {_MOST:g}.")
    if typed.factor == 0:
        raise UsageError(
            "--factor 0 would leave nothing of any reading: write what they are multiplied by, such as 1.1."
        )
    if typed.offset is not None and not math.isfinite(typed.offset):
        raise UsageError("--offset has to be a number, in the variable's usual unit.")


def _measured(record: Register, sealed: SealedTrial, kit: str) -> str:
    """The one variable that a kit measures; of a kit that nobody knows, the register says so."""
    described = {one.variable for one in sealed.protocol.kits if one.id == kit}
    columns = ["kit", "variable"]
    read = pd.concat([record.readings(sealed.id)[columns], record.check_readings(sealed.id)[columns]])
    found = sorted(described or set(read.loc[read["kit"] == kit, "variable"].astype(str)))
    if len(found) > 1:
        raise UsageError(
            f"the kit {quoted(kit)} reads {listed(found, 'and')}; say which is meant with --variable."
        )
    return found[0] if found else sealed.protocol.endpoints[0].variable
