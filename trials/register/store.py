"""The register: what was decided and seen, entry by entry, in one file that only grows."""

from __future__ import annotations

import datetime as dt
from contextlib import contextmanager
from typing import TYPE_CHECKING, Self

from sqlalchemy.exc import DBAPIError

from schemas.errors import RegisterError
from schemas.plain_words import listed, nearest, quoted
from trials import allocation as rules
from trials.protocol_file import canonical
from trials.register import amending, audit, held, history, queries
from trials.register.amendments import amendments_of, refuse_unfit_protocol, tank_events
from trials.register.bodies import AllocationBody, AmendmentBody, IntakeBody, KeptFile, SealBody
from trials.register.chain import GENESIS, Kind
from trials.register.digests import data_digest
from trials.register.frames import reading_frame
from trials.register.recording import append, keep, prepare, record_batch
from trials.register.records import Finding, SealedTrial, SourceFile
from trials.register.sealed import VERIFY, in_force, kept_protocol, sealed_by
from trials.register.sqlite import is_damage, open_database, path_of, plain_sentences

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path
    from types import TracebackType

    import pandas as pd
    from sqlalchemy import Connection, Engine

    from schemas.allocation import Allocation
    from trials.protocol_file import LoadedProtocol
    from trials.register.bodies import CorrectionBody, StatedBody, UnmaskingBody
    from trials.register.records import Amendment, Entry, HeldRow, HistoryLine, IntakeBatch, TankEvent


class Register:
    """An open register; use it in a ``with`` statement.

    Everything is read in one consistent view and written in one transaction: an entry and its effect are both there,
    or neither is. Moments (``at``) are given by the caller and are claims: the chain proves the order of the entries
    and that none was changed, not when they were written.

    Every method raises :class:`RegisterError`, one sentence, where the file is busy, damaged or not to be written.
    """

    def __init__(self, path: Path, engine: Engine) -> None:
        self.path = path
        self._engine = engine
        self._seen: dict[str, int] = {}

    @classmethod
    def open(cls, location: str, *, create: bool = False, wait: float = 30.0) -> Self:
        """Open a register.

        Parameters
        ----------
        location : str
            Path of a file, or a URL such as ``sqlite:///fairtank.db``.
        create : bool
            Make the register where the file does not exist or is empty.
        wait : float
            Seconds to wait for another program's transaction.

        Raises
        ------
        RegisterError
            The location names no register that this version can open.
        """
        path = path_of(location)
        return cls(path, open_database(path, create=create, wait=wait))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    # Reading

    def trials(self) -> list[SealedTrial]:
        """List the registered trials, in the order of registration, each with the protocol in force."""
        with self._reading() as connection:
            seals = queries.entries(connection, kind=Kind.SEAL)
            return [in_force(connection, sealed_by(connection, entry)) for entry in seals]

    def find(self, trial_id: str | None, *, as_sealed: bool = False) -> SealedTrial:
        """Find a trial; None means the only one.

        Parameters
        ----------
        trial_id : str or None
            Its id.
        as_sealed : bool
            Whether to give the protocol that was sealed, under the digest that the draw rests on, in place of the
            amended one that is in force.

        Raises
        ------
        RegisterError
            There is no such trial, or none was named and the register holds none or several.
        """
        with self._reading() as connection:
            seals = {entry.trial: entry for entry in queries.entries(connection, kind=Kind.SEAL)}
            if not seals:
                raise RegisterError(
                    f"{self.path} holds no trial yet; seal one with `fairtank register PROTOCOL`."
                )
            if trial_id is None and len(seals) > 1:
                raise RegisterError(f"{self.path} holds several trials; name one of {listed(seals)}.")
            wanted = next(iter(seals)) if trial_id is None else trial_id
            if wanted not in seals:
                meant = nearest(wanted, list(seals))
                remedy = f"did you mean {meant}?" if meant else f"it holds {listed(seals, last='and')}."
                raise RegisterError(f"{self.path} holds no trial {quoted(wanted)}; {remedy}")
            sealed = sealed_by(connection, seals[wanted])
            return sealed if as_sealed else in_force(connection, sealed)

    def allocation(self, trial_id: str) -> Allocation | None:
        """Read the allocation of a trial; None where there is none yet."""
        with self._reading(trial_id) as connection:
            entry = next(iter(queries.entries(connection, trial=trial_id, kind=Kind.ALLOCATION)), None)
            return AllocationBody.of(entry).allocation if entry else None

    def readings(self, trial_id: str) -> pd.DataFrame:
        """Read the accepted readings of a trial: corrections in, withdrawn readings left out.

        Returns
        -------
        DataFrame
            One row a reading, sorted by tank, variable, taken_at, replicate, typed also when empty: ``reading``
            (its number), ``tank``, ``taken_at`` (datetime64[us], as on the person's clock), ``utc_offset``,
            ``variable``, ``value`` (canonical unit; the limit where censored), ``sign`` ("", "<", ">"),
            ``replicate``, ``kit``, ``by``, ``note``, ``raw_value``, ``raw_unit``, and where it came from:
            ``file`` (name), ``sheet``, ``row``.
        """
        with self._reading(trial_id) as connection:
            frame = _readings(connection, trial_id)
            entries = queries.entries(connection, trial=trial_id, kind=Kind.CORRECTION)
        return amending.corrected(frame, amending.corrections(entries))

    def seen(self, trial_id: str) -> pd.DataFrame:
        """Read the accepted readings that an intake has to know to recognise repeats, with the columns of :meth:`readings`.

        They are as they were taken in, so that a file sent again stays recognised after a correction.

        The register remembers what was handed out: a :meth:`record_intake` after it is refused where somebody
        else's intake came between, whose readings the reviewed rows were not compared with.
        """
        with self._reading(trial_id) as connection:
            frame = _readings(connection, trial_id)
            self._seen[trial_id] = queries.last_number(connection, trial_id, Kind.INTAKE)
            return frame

    def held(self, trial_id: str) -> list[HeldRow]:
        """List the held rows of a trial that still wait for a person, in the order of intake."""
        with self._reading(trial_id) as connection:
            try:
                return held.waiting(connection, trial_id)
            except (KeyError, TypeError, ValueError):
                raise RegisterError(f"The rows of {trial_id} were changed after intake; {VERIFY}") from None

    def corrections(self, trial_id: str) -> dict[int, CorrectionBody]:
        """The correction in force of each reading that has one, by the reading's number."""
        return amending.corrections(self.entries(trial_id))

    def deviations(self, trial_id: str) -> list[TankEvent]:
        """List deviations, dropouts and rescues, in the order in which they were recorded."""
        return tank_events(self.entries(trial_id))

    def treated_as(self, trial_id: str) -> dict[str, str]:
        """The arm that a tank was in fact treated as, by tank, where a deviation says so; the last one counts."""
        return {event.tank: event.treated_as for event in self.deviations(trial_id) if event.treated_as}

    def amendments(self, trial_id: str) -> list[Amendment]:
        """List the amendments of the protocol, each with what it changed and whether data had been seen."""
        with self._reading(trial_id) as connection:
            entries = queries.entries(connection, trial=trial_id)
            return amendments_of(entries, lambda digest: kept_protocol(connection, trial_id, digest))

    def closed(self, trial_id: str) -> dt.datetime | None:
        """When data entry was closed; None while it is open."""
        return self._moment(trial_id, Kind.CLOSURE)

    def unmasked(self, trial_id: str) -> dt.datetime | None:
        """When the arms were first shown before data entry was closed; None where they were not."""
        return self._moment(trial_id, Kind.UNMASKING)

    def history(
        self, trial_id: str, *, reading: int | None = None, tank: str | None = None
    ) -> list[HistoryLine]:
        """All that the register knows of one reading, by its number, or of one tank.

        Raises
        ------
        RegisterError
            The trial has no such reading or tank.
        """
        sealed = self.find(trial_id)
        with self._reading(trial_id) as connection:
            if reading is not None:
                amending.refuse_unknown_reading(connection, trial_id, reading)
                return history.of_reading(connection, trial_id, sealed.protocol, reading)
            amending.refuse_unknown_tank(sealed.protocol, tank or "")
            return history.of_tank(connection, trial_id, sealed.protocol, tank or "")

    def entries(self, trial_id: str | None = None) -> list[Entry]:
        """Read the entries, by number: of one trial, or all."""
        with self._reading(trial_id) as connection:
            return queries.entries(connection, trial=trial_id)

    def file(self, digest: str) -> bytes:
        """Read a kept file, byte for byte."""
        with self._reading() as connection:
            content = queries.content(connection, digest)
        if content is None:
            raise RegisterError(f"{self.path} keeps no file with the digest {digest}.")
        return content

    def head(self) -> str:
        """Give the digest of the last entry, to be noted elsewhere: it fixes all entries up to there."""
        with self._reading() as connection:
            last = queries.last_entry(connection)
            return last.digest if last else GENESIS

    def data_digest(self, trial_id: str) -> str:
        """Hash the accepted readings of a trial, whatever the order and the files that they came in."""
        return data_digest(self.readings(trial_id))

    def check(self, head: str | None = None) -> list[Finding]:
        """Look for any change made after writing: chain, files, protocols, allocations, rows, readings, database.

        Parameters
        ----------
        head : str, optional
            The digest of an entry, as noted elsewhere; without it a chain that lost its last entries, together
            with all that belongs to them, or that was made anew as a whole, cannot be told.

        Returns
        -------
        list of Finding
            Empty where the register is whole.
        """
        try:
            with plain_sentences(self.path), self._engine.begin() as connection:
                return audit.findings(connection, head)
        except RegisterError as error:
            if isinstance(error.__cause__, DBAPIError) and is_damage(error.__cause__):
                return [Finding("database", "pages", str(error))]
            raise

    # Writing

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
            made = [record_batch(connection, trial_id, batch, at) for batch in prepared]
        if made and trial_id in self._seen:
            self._seen[trial_id] = made[-1].number
        return made

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

    def _moment(self, trial_id: str, kind: Kind) -> dt.datetime | None:
        with self._reading(trial_id) as connection:
            entry = amending.first(connection, trial_id, kind)
            return dt.datetime.fromisoformat(entry.at) if entry else None

    @contextmanager
    def _reading(self, trial_id: str | None = None) -> Iterator[Connection]:
        with plain_sentences(self.path), self._engine.begin() as connection:
            self._refuse_unknown(connection, trial_id)
            yield connection

    @contextmanager
    def _writing(self, trial_id: str | None = None) -> Iterator[Connection]:
        engine = self._engine.execution_options(writes=True)
        with plain_sentences(self.path), engine.begin() as connection:
            self._refuse_unknown(connection, trial_id)
            yield connection

    def _refuse_unknown(self, connection: Connection, trial_id: str | None) -> None:
        if trial_id is not None and not queries.entries(connection, trial=trial_id, kind=Kind.SEAL):
            raise RegisterError(f"{self.path} holds no trial {quoted(trial_id)}.")


def _readings(connection: Connection, trial: str) -> pd.DataFrame:
    intakes = queries.entries(connection, trial=trial, kind=Kind.INTAKE)
    names = {entry.number: IntakeBody.of(entry).file.name for entry in intakes}
    try:
        return reading_frame(queries.readings_of_trial(connection, trial), names)
    except (KeyError, ValueError):
        raise RegisterError(f"The readings of {trial} were changed after intake; {VERIFY}") from None


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
