"""What loggers showed in the last week: minutes outside of what is usual or what a stop rule allows, and silence."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from analysis.numerals import day_words, quantity
from analysis.watch.findings import Finding, Kind, Severity
from schemas.variables import variables_for
from trials.intake.names import with_unit

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from schemas.variables import Variable
    from trials.register.records import SealedTrial
    from trials.register.store import Register

_DAYS = 7
_LONG = 60.0
"""Minutes of a day outside of what is usual, or without a value, that are worth a word: common practice, no source."""

_LOOK = "Look at the tank, at the probe and at what heats, cools or doses it, and measure by hand."


def logger_findings(record: Register, sealed: SealedTrial, today: dt.date) -> Iterator[Finding]:
    """What the loggers of a trial showed in the week up to a day; of each tank and variable the worst of each kind.

    Parameters
    ----------
    record : Register
        Holds the trial.
    sealed : SealedTrial
        The trial with the protocol in force.
    today : date
        Days after it are left out.
    """
    days = record.logger_days(sealed.id)
    first = dt.datetime.combine(today - dt.timedelta(days=_DAYS), dt.time())
    days = days[(days["day"] > first) & (days["day"] <= dt.datetime.combine(today, dt.time()))]
    days = days.drop_duplicates(["tank", "variable", "day"], keep="last")
    variables = variables_for(sealed.protocol)
    actions = {rule.variable: rule.action for rule in sealed.protocol.stop_rules}
    sites = {tank.id: tank.site for tank in sealed.protocol.tanks}
    for (tank, name), own in days.groupby(["tank", "variable"], sort=True):
        found = _worst(own, variables[str(name)], actions.get(str(name), ""))
        for severity, day, sentence, to_do in found:
            yield Finding(
                Kind.LOGGER, severity, sentence, to_do, site=sites[str(tank)], tank=str(tank), since=day
            )


def _worst(
    own: pd.DataFrame, variable: Variable, action: str
) -> Iterator[tuple[Severity, dt.date, str, str]]:
    past, unusual, missing = (
        _most(own, name) for name in ("minutes_past_stop_rule", "minutes_unusual", "minutes_missing")
    )
    if past is not None:
        day, text = _outside(past, "minutes_past_stop_rule", variable)
        yield Severity.SOON, day, f"{text} past what a stop rule allows.", f"{action}."
    elif unusual is not None:
        day, text = _outside(unusual, "minutes_unusual", variable)
        long = unusual["minutes_unusual"] >= _LONG
        severity = Severity.SOON if long else Severity.INFORMATION
        yield severity, day, f"{text} outside of what is usual.", _LOOK if long else ""
    if missing is not None and missing["minutes_missing"] >= _LONG:
        day = missing["day"].date()
        text = (
            f"The logger gave no {variable.title} for {missing['minutes_missing']:.0f} minutes of {day_words(day)}, the "
            f"longest time at once {missing['longest_gap']:.0f}."
        )
        yield Severity.INFORMATION, day, text, ""


def _most(own: pd.DataFrame, name: str) -> pd.Series | None:
    """The day that has most of it; None where none has any."""
    much = own[name].fillna(0.0).to_numpy()
    return own.iloc[int(much.argmax())] if much.max(initial=0.0) > 0 else None


def _outside(worst: pd.Series, name: str, variable: Variable) -> tuple[dt.date, str]:
    day = worst["day"].date()
    low, high = (with_unit(quantity(worst[end]), variable) for end in ("min", "max"))
    return day, (
        f"{variable.title} was {low} to {high} on {day_words(day)}, and for {worst[name]:.0f} minutes of it"
    )
