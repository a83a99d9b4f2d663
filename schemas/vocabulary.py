"""The closed word lists: one word for one thing, the same in protocol, code, commands and reports."""

from __future__ import annotations

from enum import StrEnum


class ArmRole(StrEnum):
    """What an arm is for. ``control`` and ``reference`` can be compared against; at least one is needed."""

    CONTROL = "control"
    REFERENCE = "reference"
    TEST = "test"


class DesignKind(StrEnum):
    """How tanks may be shared out over the arms."""

    PARALLEL = "parallel"
    BLOCKS = "blocks"
    INCOMPLETE_BLOCKS = "incomplete-blocks"
    CROSSOVER = "crossover"
    BEFORE_AFTER = "before-after"


class EndpointRole(StrEnum):
    """``primary`` endpoints share the registered error rate; the others are exploratory."""

    PRIMARY = "primary"
    SECONDARY = "secondary"
    SAFETY = "safety"


class Summary(StrEnum):
    """The one number that a tank's readings in a phase become."""

    MEAN = "mean"
    MEDIAN = "median"
    LAST = "last"
    CHANGE = "change"
    SLOPE = "slope"
    AUC = "auc"
    DAYS_TO_TARGET = "days-to-target"
    COUNT = "count"


class Baseline(StrEnum):
    """How the baseline phase enters: not at all, subtracted, or as a covariate."""

    NONE = "none"
    CHANGE = "change"
    ADJUST = "adjust"


class Scale(StrEnum):
    """``ratio`` works on logarithms and reports ratios."""

    DIFFERENCE = "difference"
    RATIO = "ratio"


class Better(StrEnum):
    """Which direction is an improvement."""

    LOWER = "lower"
    HIGHER = "higher"


class Variance(StrEnum):
    """Where a contrast's error comes from: what it compares alone, or the whole model."""

    OWN = "own"
    POOLED = "pooled"


class Multiplicity(StrEnum):
    """How the comparisons of the primary endpoints share the error rate."""

    NONE = "none"
    HOLM = "holm"
    DUNNETT = "dunnett"
    FIXED_ORDER = "fixed-order"


class CheckKind(StrEnum):
    """What a check sample is for; it is measured like a tank's water, and its content is known."""

    REFERENCE = "reference"
    BLANK = "blank"
    STANDARD = "standard"
    NITRITE_STANDARD = "nitrite-standard"


class Sign(StrEnum):
    """Censoring of a reading: measured, below the limit given, or above it."""

    MEASURED = ""
    BELOW = "<"
    ABOVE = ">"


class RowOutcome(StrEnum):
    """What becomes of a row: every row ends as exactly one of these."""

    ACCEPTED = "accepted"
    HELD = "held"
    REPEATED = "repeated"


class Verdict(StrEnum):
    """The reading of an interval against the worthwhile difference."""

    WORTHWHILE = "worthwhile difference"
    TOO_SMALL = "real but too small to matter"
    UNSETTLED_SIZE = "a difference of unsettled size"
    NONE_WORTHWHILE = "no worthwhile difference"
    UNSETTLED = "unsettled"
