"""The protocol: the frozen model of what is registered, and the few questions it answers about itself.

Shape and types are held here; the rules across fields, with their sentences, are in ``protocol_rules``.
"""

from __future__ import annotations

import datetime as dt
from functools import cached_property
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints

from schemas.vocabulary import (
    ArmRole,
    Baseline,
    Better,
    DesignKind,
    EndpointRole,
    Multiplicity,
    Scale,
    Summary,
    Variance,
)

BASELINE_PHASE = "baseline"
RAMP_PHASE = "ramp"


def _text(value: Any) -> Any:
    """Whole numbers typed as names (``block = 3``) are taken as the text they show."""
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


Slug = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]+(?:[-_.][a-z0-9]+)*$", max_length=64)]
Name = Annotated[
    str, BeforeValidator(_text), StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.\-]*$", max_length=64)
]
Line = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=2000)]
Number = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", ignored_types=(cached_property,))


class Trial(_Part):
    """What the trial is called, asks, and who leads it."""

    id: Slug
    title: Line
    question: Line | None = None
    lead: Line | None = None
    licence: Line | None = None


class Carbon(_Part):
    """The carbon source of an arm and its full dose, in the words of the person who doses."""

    source: Line
    full_dose: Line | None = None


class Arm(_Part):
    """One of the treatments that are compared."""

    id: Slug
    role: ArmRole
    title: Line
    carbon: Carbon | None = None


class Design(_Part):
    """How tanks are shared out over the arms; the seed is named before it is known, or written here."""

    kind: DesignKind
    seed_from: Line | None = None
    seed: Line | None = None


class Tank(_Part):
    """A tank: all water that is mixed is one tank, the unit of the experiment."""

    id: Name
    site: Name | None = None
    block: Name | None = None
    volume_L: Positive | None = None  # noqa: N815 - the unit's symbol is a capital letter
    note: Line | None = None


class Phase(_Part):
    """A run of days; ``baseline``, ``ramp``, ``assessment`` and ``washout`` have their usual meaning."""

    id: Slug
    days: Annotated[int, Field(gt=0, le=36500)]


class Sampling(_Part):
    """How often a variable is measured, counted from the first day."""

    variable: Slug
    every_days: Annotated[int, Field(gt=0, le=3650)]


class Schedule(_Part):
    """First day, phases in order, and sampling."""

    start: dt.date
    phases: tuple[Phase, ...]
    sampling: tuple[Sampling, ...] = ()


class Kit(_Part):
    """A test kit: the lowest reading it can show, so that "not detected" has a number."""

    id: Name
    variable: Slug
    limit: Positive
    unit: Line | None = None


class CustomVariable(_Part):
    """A variable that the built-in catalogue lacks."""

    id: Slug
    title: Line | None = None
    unit: Line
    hard: tuple[Number, Number]
    soft: tuple[Number, Number] | None = None
    resolution: Positive | None = None


class Endpoint(_Part):
    """One question: a variable, how it becomes one number a tank, and what difference is worthwhile."""

    id: Slug
    role: EndpointRole
    title: Line | None = None
    variable: Slug
    summary: Summary
    phase: Slug
    baseline: Baseline = Baseline.NONE
    scale: Scale = Scale.DIFFERENCE
    better: Better
    worthwhile: Number | None = None
    target: Number | None = None


class AnalysisPlan(_Part):
    """How the error rate is spent and where the error of a contrast comes from."""

    alpha: Annotated[float, Field(gt=0, lt=0.5)] = 0.05
    variance: Variance = Variance.OWN
    multiplicity: Multiplicity = Multiplicity.HOLM
    contrasts: tuple[tuple[Slug, Slug], ...] = ()


class Planning(_Part):
    """Assumptions for planning, never evidence."""

    effect: Number | None = None
    sd: Positive | None = None


class StopRule(_Part):
    """When to change or end a treatment for the animals' sake."""

    variable: Slug
    below: Number | None = None
    above: Number | None = None
    consecutive: Annotated[int, Field(gt=0, le=100)] = 1
    action: Line


class Protocol(_Part):
    """All that is sealed at registration. Built by :func:`trials.protocol_file.load`, which checks it."""

    format: Annotated[int, Field(ge=1, le=1)]
    trial: Trial
    arms: tuple[Arm, ...]
    design: Design
    tanks: tuple[Tank, ...]
    schedule: Schedule
    variables: tuple[CustomVariable, ...] = ()
    kits: tuple[Kit, ...] = ()
    endpoints: tuple[Endpoint, ...]
    analysis: AnalysisPlan = AnalysisPlan()
    planning: Planning | None = None
    stop_rules: tuple[StopRule, ...] = ()

    @cached_property
    def phase_days(self) -> dict[str, tuple[dt.date, dt.date]]:
        """First day and the day after the last, by phase."""
        windows = {}
        first = self.schedule.start
        for phase in self.schedule.phases:
            after = first + dt.timedelta(days=phase.days)
            windows[phase.id] = (first, after)
            first = after
        return windows

    @property
    def last_day(self) -> dt.date:
        """The last day of the last phase."""
        return self.phase_days[self.schedule.phases[-1].id][1] - dt.timedelta(days=1)

    def phase_of(self, day: dt.date) -> str | None:
        """The phase that a day belongs to; None before the first and after the last."""
        return next((name for name, (first, after) in self.phase_days.items() if first <= day < after), None)

    def due_days(self, variable: str) -> list[dt.date]:
        """The sampling days of a variable; empty where none are registered."""
        every = next((s.every_days for s in self.schedule.sampling if s.variable == variable), None)
        if every is None:
            return []
        count = (self.last_day - self.schedule.start).days + 1
        return [self.schedule.start + dt.timedelta(days=offset) for offset in range(0, count, every)]

    def arm(self, arm_id: str) -> Arm:
        """The arm of that id."""
        return next(arm for arm in self.arms if arm.id == arm_id)

    @property
    def contrasts(self) -> tuple[tuple[str, str], ...]:
        """The registered contrasts; where none are written, every other arm against the first control."""
        if self.analysis.contrasts:
            return self.analysis.contrasts
        reference = next(
            (arm.id for role in (ArmRole.CONTROL, ArmRole.REFERENCE) for arm in self.arms if arm.role is role),
            self.arms[0].id,
        )
        return tuple((arm.id, reference) for arm in self.arms if arm.id != reference)
