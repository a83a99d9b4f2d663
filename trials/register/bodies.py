"""What the bodies of entries hold: written and read by the same models, so that neither can drift."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from schemas.allocation import Allocation  # noqa: TC001 - pydantic needs the name at run time
from schemas.errors import RegisterError

if TYPE_CHECKING:
    from trials.register.records import Entry, SourceFile

Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Count = Annotated[int, Field(ge=0)]


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


class IntakeBody(Body):
    """One file taken in: what its rows became, and the digests of its rows and readings as they are stored.

    ``first_reading`` is the number of its first reading; the others follow without a gap.
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
    remarks: tuple[str, ...]
