"""What the bodies of entries hold: written and read by the same models, so that neither can drift."""

from __future__ import annotations

import datetime as dt  # noqa: TC003 - pydantic needs the name at run time
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from analysis.kits.correction import KitCorrection
from schemas.allocation import Allocation  # noqa: TC001 - pydantic needs the name at run time
from schemas.errors import RegisterError

if TYPE_CHECKING:
    from trials.register.records import Entry, SourceFile

Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Count = Annotated[int, Field(ge=0)]
Words = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=2000)]


class Body(BaseModel):
    """Base of the bodies: frozen, and nothing in them that is not named here."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    @classmethod
    def of(cls, entry: Entry) -> Self:
        """Read the body of an entry.

        Raises
        ------
        RegisterError
            It is not in the form that this version writes.
        """
        try:
            return cls.model_validate_json(entry.body)
        except ValidationError:
            raise RegisterError(
                f"Entry {entry.number} ({entry.kind}) is not in the form that this version of fairtank writes; "
                "read the register with the version that wrote it, or check it with `fairtank verify`."
            ) from None


class KeptFile(Body):
    """A file in the register: the bare name that it came under, and its digest."""

    name: str
    digest: Digest

    @classmethod
    def of_source(cls, file: SourceFile) -> Self:
        """Name a file that was sent; what no encoding can write, as old archives leave in names, becomes ``?``."""
        return cls(name=file.name.encode(errors="replace").decode(), digest=file.digest)


class SealBody(Body):
    """A registered protocol: its digest, under which the canonical text is kept, and the files it came from."""

    protocol: Digest
    source: KeptFile
    tanks: KeptFile | None


class AllocationBody(Body):
    """An allocation in full, the digest of the protocol it was made for, and the file of a recorded one."""

    protocol: Digest
    allocation: Allocation
    file: KeptFile | None


class Stored(Body):
    """What one file brought of events or of readings of check samples: numbered from ``first`` without a gap."""

    count: Annotated[int, Field(ge=1)]
    first: Annotated[int, Field(ge=1)]
    digest: Digest


class StatedBody(Body):
    """Base of what a person records beside the readings: who says so, and why."""

    by: Words
    why: Words


class AsTheyAre(StatedBody):
    """Why rows that an earlier entry holds for being unlikely were accepted as they are."""

    held_by: Annotated[int, Field(ge=1)]


class LoggerFile(Body):
    """A file of a logger, kept outside the register under its digest; ``size`` in bytes."""

    name: str = ""
    digest: Digest
    size: Count


class HeldOfStream(Body):
    """How many values of a stream are held for a reason, and the first of them."""

    code: str
    count: Annotated[int, Field(ge=1)]
    remarks: tuple[str, ...] = ()


class StreamBody(Body):
    """What the days of a file were worked out of: values = used + repeated + held.

    ``protocol`` is the one in force and ``day`` the date of the intake: with these and the files the days come out again.
    """

    files: tuple[LoggerFile, ...]
    protocol: Digest
    day: dt.date
    rows: Count
    values: Count
    used: Count
    repeated: Count
    held: tuple[HeldOfStream, ...]


class IntakeBody(Body):
    """One file taken in: what its rows became, and the digests of its rows and readings as they are stored.

    ``first_reading`` is the number of its first reading; the others follow without a gap. ``events`` and ``checks``
    are None where the file brought none. ``as_they_are`` says that these are rows of the file that were held before
    and that a person has accepted; it is None for a file that was sent. ``stream`` says what a file of a logger's days was
    worked out of; it is None for every other file.
    """

    file: KeptFile
    rows: Count
    accepted: Count
    held: Count
    repeated: Count
    readings: Count
    first_reading: Annotated[int, Field(ge=1)]
    rows_digest: Digest
    readings_digest: Digest
    events: Stored | None = None
    checks: Stored | None = None
    as_they_are: AsTheyAre | None = None
    stream: StreamBody | None = None
    remarks: tuple[str, ...]

    def stored(self, name: str) -> Stored | None:
        """What the file brought of ``readings``, ``events`` or ``checks``."""
        if name == "events":
            return self.events
        if name == "checks":
            return self.checks
        return (
            Stored(count=self.readings, first=self.first_reading, digest=self.readings_digest)
            if self.readings
            else None
        )


class CorrectionBody(StatedBody):
    """Another value for a reading, or none where it is withdrawn; the reading as taken in stays where it is.

    ``value`` is in the variable's canonical unit, ``raw_value`` and ``raw_unit`` are as typed.
    """

    reading: Annotated[int, Field(ge=1)]
    value: Annotated[float, Field(allow_inf_nan=False)] | None = None
    sign: Literal["", "<", ">"] = ""
    raw_value: str = ""
    raw_unit: str = ""


class EventCorrectionBody(StatedBody):
    """Another amount for an event, or none where it is withdrawn; the event as taken in stays where it is.

    ``amount`` and ``unit`` are canonical, ``raw_amount`` and ``raw_unit`` as typed.
    """

    event: Annotated[int, Field(ge=1)]
    amount: Annotated[float, Field(allow_inf_nan=False, ge=0)] | None = None
    unit: str = ""
    raw_amount: str = ""
    raw_unit: str = ""


class KitCorrectionBody(StatedBody):
    """What an analysis beside the registered one puts readings of a kit right by; readings stay as they were read.

    A reading becomes (reading - ``nitrite_factor`` x nitrite) x ``factor`` + ``offset``; 1, 0 and 0 take an earlier
    correction back. ``site`` is None where it holds wherever no correction of the site's own does.
    """

    kit: Words
    variable: Words
    site: Words | None = None
    factor: Annotated[float, Field(allow_inf_nan=False, gt=0)] = 1.0
    offset: Annotated[float, Field(allow_inf_nan=False)] = 0.0
    nitrite_factor: Annotated[float, Field(allow_inf_nan=False, ge=0)] = 0.0

    def made_at(self, at: dt.datetime) -> KitCorrection:
        """As the analysis takes it."""
        return KitCorrection(
            self.kit, self.variable, self.site, self.factor, self.offset, self.nitrite_factor, at
        )


class TankBody(StatedBody):
    """Base of what happened to a tank, and since when or on which day."""

    tank: Words
    day: dt.date
    what: Words


class DeviationBody(TankBody):
    """Something done otherwise than the protocol says; ``treated_as`` is the arm that the tank was treated as."""

    treated_as: str | None = None


class DropoutBody(TankBody):
    """A tank that left the trial."""


class RescueBody(TankBody):
    """A treatment for the animals' sake, outside the protocol."""


class ClosureBody(StatedBody):
    """Data entry is closed: no file is taken in after it."""


class AmendmentBody(StatedBody):
    """A protocol in the place of the one before, each under its digest; ``data_seen``: readings were in by then."""

    protocol: Digest
    before: Digest
    source: KeptFile
    tanks: KeptFile | None
    data_seen: bool


class UnmaskingBody(Body):
    """The arms were shown by a command before data entry was closed; nobody asked who was looking."""

    command: Words
