"""The register: what was decided and seen, entry by entry, in one file that only grows."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from schemas.errors import RegisterError
from trials import allocation as rules
from trials.protocol_file import canonical
from trials.register import accepting, amending, queries
from trials.register.amendments import refuse_unfit_protocol
from trials.register.bodies import AllocationBody, AmendmentBody, KeptFile, SealBody
from trials.register.chain import Kind
from trials.register.reader import Reader
from trials.register.recording import append, keep, prepare, record_batch
from trials.register.records import SealedTrial, SourceFile
from trials.register.sealed import in_force, sealed_by

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterator, Sequence

    from sqlalchemy import Connection

    from schemas.allocation import Allocation
    from trials.protocol_file import LoadedProtocol
    from trials.register.bodies import AsTheyAre, StatedBody, UnmaskingBody
    from trials.register.records import Entry, IntakeBatch


class Register(Reader):
    """An open register; use it in a ``with`` statement.

    Everything is read in one consistent view and written in one transaction: an entry and its effect are both there,
    or neither is. Moments (``at``) are given by the caller and are claims: the chain proves the order of the entries
    and that none was changed, not when they were written.

    Every method raises :class:`RegisterError`, one sentence, where the file is busy, damaged or not to be written.
    """

    def seal(self, loaded: LoadedProtocol, at: dt.datetime) -> SealedTrial:
        """Register a protocol under its digest.

        Parameters
        ----------
        loaded : LoadedProtocol
            The protocol and the files it came from, which are kept byte for byte.
        at : datetime
            When, with its time zone.

        Raises
        ------
        RegisterError
            A trial of that id is registered already.
        """
        text = SourceFile(f"{loaded.protocol.trial.id}.json", canonical(loaded.protocol))
        sources = [file for file in (loaded.source, loaded.tanks_source) if file]
        tanks = KeptFile.of_source(loaded.tanks_source) if loaded.tanks_source else None
        body = SealBody(protocol=text.digest, source=KeptFile.of_source(loaded.source), tanks=tanks)
        with self._writing() as connection:
            earlier = queries.entries(connection, trial=loaded.protocol.trial.id, kind=Kind.SEAL)
            if earlier:
                raise RegisterError(_sealed_already(earlier[0], text.digest))
            keep(connection, [text, *sources])
            return sealed_by(connection, append(connection, loaded.protocol.trial.id, Kind.SEAL, at, body))

    def record_allocation(
        self, trial_id: str, allocation: Allocation, at: dt.datetime, file: SourceFile | None = None
    ) -> Entry:
        """Record the allocation of a trial, once.

        Parameters
        ----------
        trial_id : str
            A registered trial.
        allocation : Allocation
            Drawn by :func:`trials.allocation.draw`, or recorded as made elsewhere.
        at : datetime
            When, with its time zone.
        file : SourceFile, optional
            The file of a recorded allocation, kept byte for byte.

        Raises
        ------
        RegisterError
            The trial has an allocation already, or this one does not fit its protocol.
        """
        with self._writing(trial_id) as connection:
            earlier = queries.entries(connection, trial=trial_id, kind=Kind.ALLOCATION)
            if earlier:
                raise RegisterError(_allocated_already(earlier[0], allocation))
            sealed = sealed_by(connection, queries.entries(connection, trial=trial_id, kind=Kind.SEAL)[0])
            wrong = rules.check(allocation, sealed.protocol, sealed.digest)
            if wrong:
                raise RegisterError(
                    f"The allocation does not fit the protocol of {trial_id}. {wrong[0].text}"
                )
            keep(connection, [file] if file else [])
            kept = KeptFile.of_source(file) if file else None
            body = AllocationBody(protocol=sealed.digest, allocation=allocation, file=kept)
            return append(connection, trial_id, Kind.ALLOCATION, at, body)

    def record_intake(self, trial_id: str, batches: Sequence[IntakeBatch], at: dt.datetime) -> list[Entry]:
        """Record what became of files, all of them or none: one entry a file, its rows and its readings.

        Parameters
        ----------
        trial_id : str
            A registered trial.
        batches : sequence of IntakeBatch
            One a file.
        at : datetime
            When, with its time zone.

        Raises
        ------
        RegisterError
            Somebody else took readings in since :meth:`seen` was called here, or data entry is closed.
        """
        # Everything that takes long is done before the register is locked.
        prepared = [prepare(batch) for batch in batches]
        with self._writing(trial_id) as connection:
            self._refuse_late(connection, trial_id)
            made = [record_batch(connection, trial_id, batch, at) for batch in prepared]
        if made and trial_id in self._seen:
            self._seen[trial_id] = made[-1].number
        return made

    def record_acceptance(self, trial_id: str, batch: IntakeBatch, said: AsTheyAre, at: dt.datetime) -> Entry:
        """Record rows that were held for being unlikely, and that a person accepts as they are, with their readings.

        Parameters
        ----------
        trial_id : str
            A registered trial.
        batch : IntakeBatch
            Of the file that they came in, those rows alone.
        said : AsTheyAre
            Which entry holds them, who accepts them, and why.
        at : datetime
            When, with its time zone.

        Raises
        ------
        RegisterError
            They are not held by that entry, or for other reasons too; or as :meth:`record_intake`.
        """
        prepared = prepare(batch)
        with self._writing(trial_id) as connection:
            self._refuse_late(connection, trial_id)
            accepting.refuse_unfit(connection, trial_id, batch, said.held_by)
            entry = record_batch(connection, trial_id, prepared, at, said)
        if trial_id in self._seen:
            self._seen[trial_id] = entry.number
        return entry

    def _refuse_late(self, connection: Connection, trial_id: str) -> None:
        """Refuse rows after data entry was closed, and rows that were not compared with all that is in."""
        closed = amending.first(connection, trial_id, Kind.CLOSURE)
        if closed:
            raise RegisterError(
                f"Data entry of {trial_id} was closed at {closed.at}, so no file is taken in any more; what is wrong "
                "with a reading that is in can be put right with `fairtank amend`."
            )
        last = queries.last_number(connection, trial_id, Kind.INTAKE)
        if self._seen.get(trial_id, last) != last:
            raise RegisterError(
                "Somebody else took readings in while these files were being read, so repeats may have been "
                "missed; nothing was stored, take the files in again."
            )

    def amend(self, trial_id: str, body: StatedBody | UnmaskingBody, at: dt.datetime) -> Entry:
        """Record a correction, a deviation, a dropout, a rescue, the end of data entry, or that arms were shown.

        Parameters
        ----------
        trial_id : str
            A registered trial.
        body : Body
            One of :data:`trials.register.amending.KINDS`; a protocol goes to :meth:`amend_protocol`.
        at : datetime
            When, with its time zone.

        Raises
        ------
        RegisterError
            There is no such reading, tank or arm, or it is recorded already.
        """
        protocol = self.find(trial_id).protocol
        with self._writing(trial_id) as connection:
            amending.refuse_unfit(connection, trial_id, protocol, body)
            return append(connection, trial_id, amending.kind_of(body), at, body)

    def amend_protocol(
        self, trial_id: str, loaded: LoadedProtocol, at: dt.datetime, *, by: str, why: str
    ) -> Entry:
        """Put a protocol in the place of the one in force, under a digest of its own; the one before stays kept.

        Tanks, arms and design cannot change: the draw rests on them. Whether data had been seen is read off the
        register.

        Raises
        ------
        RegisterError
            The protocol is not of this trial, changes what the draw rests on, or changes nothing.
        """
        text = SourceFile(f"{trial_id}.json", canonical(loaded.protocol))
        sources = [file for file in (loaded.source, loaded.tanks_source) if file]
        with self._writing(trial_id) as connection:
            entries = queries.entries(connection, trial=trial_id)
            before = in_force(connection, sealed_by(connection, entries[0]))
            refuse_unfit_protocol(before.protocol, loaded.protocol)
            body = AmendmentBody(
                protocol=text.digest,
                before=before.digest,
                source=KeptFile.of_source(loaded.source),
                tanks=KeptFile.of_source(loaded.tanks_source) if loaded.tanks_source else None,
                data_seen=amending.readings_in(entries),
                by=by,
                why=why,
            )
            keep(connection, [text, *sources])
            return append(connection, trial_id, Kind.AMENDMENT, at, body)

    @contextmanager
    def _writing(self, trial_id: str | None = None) -> Iterator[Connection]:
        with self._home.transaction(writes=True) as connection:
            self._refuse_unknown(connection, trial_id)
            yield connection


def _sealed_already(entry: Entry, digest: str) -> str:
    if SealBody.of(entry).protocol == digest:
        return f"{entry.trial} is registered already, since {entry.at}, with this very protocol; nothing was changed."
    return (
        f"{entry.trial} is registered already, since {entry.at}, with another protocol, and a sealed protocol stays; "
        "give the new trial an id of its own."
    )


def _allocated_already(entry: Entry, again: Allocation) -> str:
    first = AllocationBody.of(entry).allocation
    if first == again:
        return f"This allocation of {entry.trial} is recorded already, since {entry.at}; nothing was changed."
    made = (
        f'drawn from the seed "{first.seed}"' if first.drawn else f"recorded as made elsewhere: {first.how}"
    )
    return f"{entry.trial} was allocated at {entry.at} ({made}), and an allocation is made once."
