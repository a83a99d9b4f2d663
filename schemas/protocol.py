"""The protocol: the frozen model of what is registered, and the few questions it answers about itself.

Shape and types are held here; the rules across fields, with their sentences, are in ``protocol_rules``.
"""

from __future__ import annotations

import datetime as dt
from functools import cached_property
from typing import Annotated, Any

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    field_validator,
    model_validator,
)

from schemas.vocabulary import (
    ArmRole,
    Baseline,
    Better,
    CheckKind,
    DesignKind,
    EndpointRole,
    Multiplicity,
    Scale,
    Summary,
    Variance,
)

BASELINE_PHASE = "baseline"
RAMP_PHASE = "ramp"
POOLED_DESIGNS = frozenset({DesignKind.INCOMPLETE_BLOCKS, DesignKind.CROSSOVER})
"""Designs whose contrasts are not made of whole pairs, so that the model's common error is the rule."""
FILLED_DESIGNS = (DesignKind.PARALLEL, DesignKind.BLOCKS, DesignKind.INCOMPLETE_BLOCKS)
"""Designs in which a tank has one number, so that missing ones can be filled in."""

_DAY = dt.timedelta(days=1)


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
    """The carbon source of an arm and its full dose, in the words of the person who doses.

    ``cost`` is of a kilogram of what is weighed and of a litre of what is measured out, for planning and reports.
    """

    source: Line
    full_dose: Line | None = None
    cost: Positive | None = None


class Arm(_Part):
    """One of the treatments that are compared."""

    id: Slug
    role: ArmRole
    title: Line
    carbon: Carbon | None = None


class Balance(_Part):
    """A draw is taken only if no two arms' mean baselines lie further apart than ``max_gap``.

    The baseline of a tank is the mean of its baseline days of the variable, in the canonical unit; the mean of an
    arm is that of its tanks.
    """

    variable: Slug
    max_gap: Positive


class Design(_Part):
    """How tanks are shared out over the arms; the seed is named before it is known, or written here.

    ``periods`` and ``washout_days`` (the days between two periods, in no phase) are of a crossover alone.
    """

    kind: DesignKind
    seed_from: Line | None = None
    seed: Line | None = None
    periods: Annotated[int, Field(ge=2, le=100)] | None = None
    washout_days: Annotated[int, Field(ge=0, le=3650)] | None = None
    balance: Balance | None = None

    @model_validator(mode="before")
    @classmethod
    def _no_washout_unless_written(cls, data: Any) -> Any:
        if isinstance(data, dict) and data.get("kind") == DesignKind.CROSSOVER:
            return {"washout_days": 0} | data
        return data


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
    """How often a variable is measured, counted from the first day of each period."""

    variable: Slug
    every_days: Annotated[int, Field(gt=0, le=3650)]


class Schedule(_Part):
    """First day, phases in order, and sampling.

    In a crossover the phases come again in every period, and ``starts`` gives the first day of cohorts (blocks)
    that do not begin on the day of ``start``.
    """

    start: dt.date
    phases: tuple[Phase, ...]
    sampling: tuple[Sampling, ...] = ()
    starts: dict[Name, dt.date] | None = None


class Kit(_Part):
    """A test kit: the lowest reading it can show, so that "not detected" has a number.

    ``steps`` are the values on the card of a kit that is read by comparing colours: what it shows is then an
    interval between steps, never a number. ``cost`` is of one test, for planning.
    """

    id: Name
    variable: Slug
    limit: Positive
    unit: Line | None = None
    steps: tuple[Positive, ...] | None = None
    cost: Positive | None = None


class CheckSample(_Part):
    """Water of known content that sites measure with their kits: a reference, a blank, a standard.

    ``value`` is in the canonical unit of the variable, and in mg/L of nitrite where a nitrate kit is given nitrite alone;
    a blank has none, and a reference may leave it to the mean of all sites. ``uncertainty`` is its standard uncertainty,
    and ``fitness_sd`` the standard deviation from it that a reading may have and still be fit for the trial, in the same unit.
    """

    id: Name
    kind: CheckKind
    variable: Slug
    value: Number | None = None
    uncertainty: Positive | None = None
    fitness_sd: Positive | None = None
    title: Line | None = None


class CustomVariable(_Part):
    """A variable that the built-in catalogue lacks."""

    id: Slug
    title: Line | None = None
    unit: Line
    hard: tuple[Number, Number]
    soft: tuple[Number, Number] | None = None
    resolution: Positive | None = None


class Endpoint(_Part):
    """One question: a variable, how it becomes one number a tank, and what difference is worthwhile.

    ``target`` and ``held`` are of the summary days-to-target alone: the value to be reached, and on how many
    sampling days in a row.
    """

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
    held: Annotated[int, Field(ge=1, le=100)] = 1


class AnalysisPlan(_Part):
    """How the error rate is spent and where the error of a contrast comes from.

    ``variance`` is None where the design's own rule is to hold, see :attr:`Protocol.variance`; ``imputations`` is
    the number of completed data sets where missing tanks are to be filled in as a sensitivity analysis.
    """

    alpha: Annotated[float, Field(gt=0, lt=0.5)] = 0.05
    variance: Variance | None = None
    multiplicity: Multiplicity = Multiplicity.HOLM
    contrasts: tuple[tuple[Slug, Slug], ...] = ()
    imputations: Annotated[int, Field(ge=2, le=1000)] | None = None


class Planning(_Part):
    """Assumptions for planning, never evidence, and what a search of designs reckons with.

    Costs are in any one currency: of one reading with a kit, of keeping a tank for a week, of an hour of a person's
    time. ``minutes_per_sampling`` is that time for one tank on one sampling day, with one reading of each variable.
    """

    effect: Number | None = None
    sd: Positive | None = None
    cost_kit_test: Positive | None = None
    cost_tank_week: Positive | None = None
    cost_hour: Positive | None = None
    minutes_per_sampling: Positive | None = None
    wished_power: Annotated[float, Field(gt=0, lt=1)] | None = None


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
    check_samples: tuple[CheckSample, ...] | None = None

    @field_validator("check_samples")
    @classmethod
    def _none_rather_than_no_samples(
        cls, samples: tuple[CheckSample, ...] | None
    ) -> tuple[CheckSample, ...] | None:
        return samples or None

    @property
    def n_periods(self) -> int:
        """The number of periods: 1 unless the design is a crossover."""
        return self.design.periods or 1

    @cached_property
    def phase_days(self) -> dict[str, tuple[dt.date, dt.date]]:
        """First day and the day after the last, by phase: of the first period, from the schedule's own start."""
        windows = {}
        first = self.schedule.start
        for phase in self.schedule.phases:
            after = first + phase.days * _DAY
            windows[phase.id] = (first, after)
            first = after
        return windows

    def windows(self, phase: str, tank: str | None = None) -> tuple[tuple[dt.date, dt.date], ...]:
        """The days of a phase, one pair of first day and day after the last for each period.

        Parameters
        ----------
        phase : str
            The id of a phase.
        tank : str, optional
            The tank whose cohort is asked for; without it, the schedule's own start counts.

        Raises
        ------
        KeyError
            No such phase.
        """
        first, after = self.phase_days[phase]
        return tuple((first + shift, after + shift) for shift in self._shifts(tank))

    def periods(self, tank: str | None = None) -> tuple[tuple[dt.date, dt.date], ...]:
        """First day and the day after the last of each period, the washout between periods in none of them."""
        first, after = self.schedule.start, self.schedule.start + self._period_days * _DAY
        return tuple((first + shift, after + shift) for shift in self._shifts(tank))

    @property
    def last_day(self) -> dt.date:
        """The last day of the last phase, of the last period, of the cohort that starts last."""
        latest = max((self.schedule.start, *(self.schedule.starts or {}).values()))
        return self.periods()[-1][1] - _DAY + (latest - self.schedule.start)

    def phase_of(self, day: dt.date, tank: str | None = None) -> str | None:
        """The phase that a day belongs to, in whichever period; None outside all of them."""
        return next(
            (
                phase
                for phase in self.phase_days
                for first, after in self.windows(phase, tank)
                if first <= day < after
            ),
            None,
        )

    def due_days(self, variable: str, tank: str | None = None) -> list[dt.date]:
        """The sampling days of a variable, counted from the first day of each period.

        None fall into the washout between periods; the list is empty where the variable is not sampled.
        """
        every = next((s.every_days for s in self.schedule.sampling if s.variable == variable), None)
        if every is None:
            return []
        return [
            first + offset * _DAY
            for first, _ in self.periods(tank)
            for offset in range(0, self._period_days, every)
        ]

    @cached_property
    def _period_days(self) -> int:
        return sum(phase.days for phase in self.schedule.phases)

    @cached_property
    def _cohort_of(self) -> dict[str, str | None]:
        return {tank.id: tank.block for tank in self.tanks}

    def _shifts(self, tank: str | None) -> list[dt.timedelta]:
        """How much later than the schedule says each period of a tank begins."""
        late = dt.timedelta(0)
        starts = self.schedule.starts
        if starts and tank is not None:
            late = starts.get(self._cohort_of[tank] or "", self.schedule.start) - self.schedule.start
        step = (self._period_days + (self.design.washout_days or 0)) * _DAY
        return [late + period * step for period in range(self.n_periods)]

    def arm(self, arm_id: str) -> Arm:
        """The arm of that id."""
        return next(arm for arm in self.arms if arm.id == arm_id)

    @property
    def variance(self) -> Variance:
        """Where the error of a contrast comes from: as registered, else by the rule of the design."""
        ruled = Variance.POOLED if self.design.kind in POOLED_DESIGNS else Variance.OWN
        return self.analysis.variance or ruled

    @property
    def contrasts(self) -> tuple[tuple[str, str], ...]:
        """The registered contrasts; where none are written, every other arm against the first control."""
        if self.analysis.contrasts:
            return self.analysis.contrasts
        reference = next(
            (
                arm.id
                for role in (ArmRole.CONTROL, ArmRole.REFERENCE)
                for arm in self.arms
                if arm.role is role
            ),
            self.arms[0].id,
        )
        return tuple((arm.id, reference) for arm in self.arms if arm.id != reference)
