"""Tables of what arms were given and of what left the water: for the report, and for the text of an analysis."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.numerals import ABSENT, quantity
from analysis.wording import arm_title, variable_title
from trials.report_tables import table

if TYPE_CHECKING:
    from analysis.records import Analysis
    from schemas.protocol import Protocol
    from trials.report_tables import Table


def doses(analysis: Analysis, protocol: Protocol) -> Table | None:
    """Carbon given against carbon planned, by arm; None where nothing can be said."""
    if analysis.doses is None:
        return None
    rows = [
        (
            arm_title(protocol, arm.arm),
            f"{arm.known:,} of {arm.tanks:,}",
            _shown(arm.carbon),
            ABSENT if arm.least is None else f"{_shown(arm.least)} to {_shown(arm.most)}",
            _shown(arm.planned),
            ABSENT if arm.share is None else f"{100 * arm.share:.0f} %",
            ABSENT if arm.days_without is None else f"{arm.days_without:,}",
            _shown(arm.added),
            _shown(arm.worn),
        )
        for arm in analysis.doses.arms
    ]
    return table(
        "Carbon given, mg C/L/d, over the days of dosing, the ramp among them",
        (
            "Arm",
            "Tanks told",
            "Given",
            "Least to most",
            "Planned",
            "Share",
            "Days without a dose",
            "Polymer added, g",
            "Polymer worn off, g",
        ),
        rows,
        range(1, 9),
    )


def balances(analysis: Analysis, protocol: Protocol) -> Table | None:
    """What left the water, by substance and arm; None where no tank has a balance."""
    found = analysis.balance
    if found is None or not found.balances:
        return None
    rows = [
        (
            f"{variable_title(protocol, one.variable).capitalize()}, {arm_title(protocol, one.arm)}",
            f"{one.known:,} of {one.tanks:,}",
            _shown(one.fed),
            _shown(one.changed),
            _shown(one.fell),
            _shown(one.removed),
            _shown(one.beyond_control),
            _shown(one.per_gram),
            _shown(one.beyond_per_gram),
        )
        for one in found.balances
    ]
    return table(
        f"What left the water, mg/L/d, {found.phase} phase",
        (
            "Substance, arm",
            "Tanks told",
            "Fed",
            "Changed out",
            "Fell",
            "Removed",
            "Beyond control",
            "Removed, mg/g carbon",
            "Beyond control, mg/g carbon",
        ),
        rows,
        range(1, 9),
    )


def slopes(analysis: Analysis, protocol: Protocol) -> Table | None:
    """Nitrate by phosphate inside tanks, by arm, and along which line growth alone would take both."""
    found = analysis.balance
    if found is None or not any(one.tanks for one in found.slopes):
        return None
    rows = [
        (arm_title(protocol, one.arm), f"{one.tanks:,}", f"{one.days:,}", _shown(one.slope))
        for one in found.slopes
    ]
    growth = f"{quantity(found.growth_least)} to {quantity(found.growth_most)}"
    return table(
        f"Slope of nitrate on phosphate inside tanks, mg/mg, {found.phase} phase",
        ("Arm", "Tanks", "Days", "Slope"),
        [*rows, ("Growth alone", "", "", growth)],
        range(1, 4),
    )


def all_tables(analysis: Analysis, protocol: Protocol) -> list[Table]:
    """Those of them that there are."""
    return [found for make in (doses, balances, slopes) if (found := make(analysis, protocol)) is not None]


def sentences(analysis: Analysis) -> list[str]:
    """What a reader must know of the tables."""
    said = list(analysis.doses.notes) if analysis.doses else []
    if analysis.balance and (analysis.balance.balances or any(s.tanks for s in analysis.balance.slopes)):
        said.append(analysis.balance.meaning)
    return said


def _shown(value: float | None) -> str:
    return ABSENT if value is None else quantity(value)
