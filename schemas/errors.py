"""All errors that fairtank raises on purpose; each carries the one sentence that the user reads.

FairtankError                 exit status 1: the input is wrong or not to be had
├── ProtocolError             a protocol with mistakes; carries all of them
├── RegisterError             the register cannot be opened, is busy, damaged, or lacks the trial
├── AllocationError           an allocation that cannot be drawn, recorded or checked
├── IntakeError               a file that cannot be read at all (a row that is wrong is held instead)
├── UnitError                 a unit that the variable is not measured in
├── WaterError                a dose, a strength or a figure of water chemistry that cannot be
├── AnalysisError             nothing to analyse, or a question the data cannot carry
├── PackError                 a data package that cannot be written, or cannot be read as one
├── PoolingError              trials that cannot be pooled, or a mapping of their endpoints that cannot be followed
├── PublicationError          a published summary that no contrast can be worked out of
└── UsageError                exit status 2: the command was called in a way that cannot be meant
"""

from __future__ import annotations

from dataclasses import dataclass


class FairtankError(Exception):
    """Base of every error raised on purpose; ``exit_status`` is what the command ends with."""

    exit_status = 1


@dataclass(frozen=True)
class Mistake:
    """One mistake in a protocol.

    Parameters
    ----------
    place : str
        Key path or line, e.g. ``endpoints[1].phase`` or ``line 12``.
    found : str
        What stands there, as a phrase that follows the place: ``"asessment" is not a phase``.
    remedy : str
        What would be right, as a phrase: ``the phases are baseline, ramp, assessment``.
    """

    place: str
    found: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.place}: {self.found}; {self.remedy}."


class ProtocolError(FairtankError):
    """A protocol with mistakes; ``mistakes`` holds all of them, in the order of the file."""

    def __init__(self, source: str, mistakes: tuple[Mistake, ...]) -> None:
        self.source = source
        self.mistakes = mistakes
        count = "1 mistake" if len(mistakes) == 1 else f"{len(mistakes)} mistakes"
        super().__init__(f"{source} has {count}:\n" + "\n".join(f"  {mistake}" for mistake in mistakes))


class RegisterError(FairtankError):
    """The register cannot be opened, is busy or damaged, or does not hold what was asked for."""


class AllocationError(FairtankError):
    """An allocation that cannot be drawn, recorded or checked."""


class IntakeError(FairtankError):
    """A file that cannot be read at all."""


class UnitError(FairtankError):
    """A unit that the variable is not measured in."""


class WaterError(FairtankError):
    """A dose, a strength or a figure of water chemistry that cannot be."""


class AnalysisError(FairtankError):
    """Nothing to analyse, or a question that the data cannot carry."""


class PackError(FairtankError):
    """A data package that cannot be written, or cannot be read as one."""


class PoolingError(FairtankError):
    """Trials that cannot be pooled, or a mapping of their endpoints that cannot be followed."""


class PublicationError(FairtankError):
    """A published summary that no contrast can be worked out of."""


class UsageError(FairtankError):
    """A command called in a way that cannot be meant."""

    exit_status = 2
