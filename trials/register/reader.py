"""What a register tells of its trials, each answer in one consistent view."""

from __future__ import annotations

import datetime as dt
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Self

import pandas as pd
from sqlalchemy.exc import DBAPIError

from schemas.errors import RegisterError
from schemas.plain_words import listed, nearest, quoted
from trials.register import amending, audit, held, history, logger_days, postgres, queries
from trials.register.amendments import amendments_of, tank_events
from trials.register.bodies import AllocationBody, IntakeBody
from trials.register.chain import GENESIS, Kind
from trials.register.digests import data_digest
from trials.register.frames import ROW_COLUMNS, kept_frame
from trials.register.kept import CHECKS, EVENTS, READINGS
from trials.register.records import Beside, Finding, SealedTrial
from trials.register.sealed import VERIFY, in_force, kept_protocol, sealed_by
from trials.register.sqlite import SQLiteHome

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from types import TracebackType

    from sqlalchemy import Connection

    from analysis.kits.correction import KitCorrection
    from schemas.allocation import Allocation
    from trials.register.bodies import CorrectionBody, StreamBody
    from trials.register.home import Home
    from trials.register.kept import Kept
    from trials.register.records import Amendment, Entry, HeldRow, HistoryLine, TankEvent


class Reader:
    """What can be asked of an open register; each question is answered from one consistent view.

    Every method raises :class:`RegisterError`, one sentence, where the file is busy or damaged.
    """

    def __init__(self, home: Home) -> None:
        self.shown = home.shown
        self._home = home
        self._seen: dict[str, int] = {}

    @classmethod
    def open(cls, location: str, *, create: bool = False, wait: float = 30.0) -> Self:
        """Open a register.

        Parameters
        ----------
        location : str
            Path of a file, or a URL such as ``sqlite:///fairtank.db`` or ``postgresql://USER@HOST/DATABASE``.
        create : bool
            Make the register where the file does not exist or is empty; on a server its administrator makes it.
        wait : float
            Seconds to wait for another program's transaction.

        Raises
        ------
        RegisterError
            The location names no register that this version can open.
        """
        if postgres.is_address(location):
            return cls(postgres.PostgresHome.open(location, wait=wait))
        return cls(SQLiteHome.open(location, create=create, wait=wait))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._home.engine.dispose()

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
                    f"{self.shown} holds no trial yet; seal one with `fairtank register PROTOCOL`."
                )
            if trial_id is None and len(seals) > 1:
                raise RegisterError(f"{self.shown} holds several trials; name one of {listed(seals)}.")
            wanted = next(iter(seals)) if trial_id is None else trial_id
            if wanted not in seals:
                meant = nearest(wanted, list(seals))
                remedy = f"did you mean {meant}?" if meant else f"it holds {listed(seals, last='and')}."
                raise RegisterError(f"{self.shown} holds no trial {quoted(wanted)}; {remedy}")
            sealed = sealed_by(connection, seals[wanted])
            return sealed if as_sealed else in_force(connection, sealed)

    def allocation(self, trial_id: str) -> Allocation | None:
        """Read the allocation of a trial; None where there is none yet.

        Raises
        ------
        RegisterError
            It is masked for the account that reads.
        """
        with self._reading(trial_id) as connection:
            if queries.masked(connection, trial=trial_id, kind=Kind.ALLOCATION):
                raise RegisterError(
                    f"The allocation of {trial_id} is masked for your account until data entry is closed; the lead "
                    "can read it."
                )
            entry = next(iter(queries.entries(connection, trial=trial_id, kind=Kind.ALLOCATION)), None)
            return AllocationBody.of(entry).allocation if entry else None

    def masked(self) -> int:
        """How many entries are masked for the account that reads: :meth:`check` holds them to the chain alone."""
        with self._reading() as connection:
            return len(queries.masked(connection))

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
            frame = _frame(connection, trial_id, READINGS)
            entries = queries.entries(connection, trial=trial_id, kind=Kind.CORRECTION)
        return amending.corrected(frame, amending.corrections(entries))

    def events(self, trial_id: str) -> pd.DataFrame:
        """Read the events of a trial's tanks: corrections in, withdrawn events left out.

        Returns
        -------
        DataFrame
            One row an event, sorted by tank, at, kind and number, typed also when empty: ``event`` (its number),
            ``tank``, ``at`` (datetime64[us], as on the person's clock), ``utc_offset``, ``kind`` (a value of
            :class:`schemas.events.EventKind`), ``amount`` (NaN where there is none), ``unit`` (canonical: ``mL``, ``g``,
            ``L``, or ``1`` for animals), ``by``, ``note``, ``raw_amount``, ``raw_unit``, ``file``, ``sheet``, ``row``.
        """
        with self._reading(trial_id) as connection:
            frame = _frame(connection, trial_id, EVENTS)
            entries = queries.entries(connection, trial=trial_id, kind=Kind.EVENT_CORRECTION)
        return amending.corrected_events(frame, amending.event_corrections(entries))

    def check_readings(self, trial_id: str) -> pd.DataFrame:
        """Read the accepted readings of check samples, which are no tank's water.

        Returns
        -------
        DataFrame
            As :meth:`readings`, with ``site`` and ``sample`` in place of ``tank``, and a numbering of its own; sorted
            by site, sample, variable, taken_at, replicate.
        """
        with self._reading(trial_id) as connection:
            return _frame(connection, trial_id, CHECKS)

    def seen(self, trial_id: str) -> pd.DataFrame:
        """Read the accepted readings that an intake has to know to recognise repeats, with the columns of :meth:`readings`.

        They are as they were taken in, so that a file sent again stays recognised after a correction.

        The register remembers what was handed out: a :meth:`record_intake` after it is refused where somebody
        else's intake came between, whose readings the reviewed rows were not compared with.
        """
        with self._reading(trial_id) as connection:
            frame = _frame(connection, trial_id, READINGS)
            self._seen[trial_id] = queries.last_number(connection, trial_id, Kind.INTAKE)
            return frame

    def seen_beside(self, trial_id: str) -> Beside:
        """Read what an intake has to know beside the readings: events and readings of check samples, as taken in.

        It belongs after :meth:`seen`: an intake of somebody else that comes between the two is refused as there.
        """
        with self._reading(trial_id) as connection:
            return Beside(_frame(connection, trial_id, EVENTS), _frame(connection, trial_id, CHECKS))

    def streams(self, trial_id: str | None = None) -> dict[int, tuple[str, StreamBody]]:
        """The loggers' files of a trial, or of all, by entry: the digest of the file of their days, and what they were."""
        with self._reading(trial_id) as connection:
            return logger_days.streams(connection, trial_id)

    def logger_days(self, trial_id: str) -> pd.DataFrame:
        """Read every day of every logger, with the columns of :func:`trials.register.logger_days.logger_days`."""
        with self._reading(trial_id) as connection:
            return logger_days.logger_days(connection, trial_id)

    def rows(self, trial_id: str) -> pd.DataFrame:
        """Read every row of every file of a trial, by entry, sheet and row.

        Returns
        -------
        DataFrame
            ``entry``, ``sheet``, ``row``, ``outcome``, ``cells`` (JSON object of header to text, as sent) and
            ``reasons`` (JSON list of ``{"code", "text"}``).
        """
        columns: dict[str, list[Any]] = {name: [] for name in ("entry", *ROW_COLUMNS)}
        with self._reading(trial_id) as connection:
            for entry in queries.entries(connection, trial=trial_id, kind=Kind.INTAKE):
                for chunk in queries.rows_of(connection, entry.number):
                    columns["entry"] += [entry.number] * len(chunk)
                    for name, column in zip(ROW_COLUMNS, zip(*chunk, strict=True), strict=True):
                        columns[name] += column
        return pd.DataFrame(
            {
                name: pd.Series(cells, dtype="int64" if name in {"entry", "row"} else "str")
                for name, cells in columns.items()
            }
        )

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

    def kit_corrections(self, trial_id: str) -> list[KitCorrection]:
        """List the corrections of kits, in the order of recording; no reading is changed by them."""
        return amending.kit_corrections(self.entries(trial_id))

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
        self, trial_id: str, *, reading: int | None = None, event: int | None = None, tank: str | None = None
    ) -> list[HistoryLine]:
        """All that the register knows of one reading or event, by its number, or of one tank.

        Raises
        ------
        RegisterError
            The trial has no such reading, event or tank.
        """
        sealed = self.find(trial_id)
        with self._reading(trial_id) as connection:
            if reading is not None:
                amending.refuse_unknown_reading(connection, trial_id, reading)
                return history.of_reading(connection, trial_id, sealed.protocol, reading)
            if event is not None:
                amending.refuse_unknown_event(connection, trial_id, event)
                return history.of_event(connection, trial_id, sealed.protocol, event)
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
            raise RegisterError(f"{self.shown} keeps no file with the digest {digest}.")
        return content

    def head(self) -> str:
        """Give the digest of the last entry, to be noted elsewhere: it fixes all entries up to there."""
        with self._reading() as connection:
            last = queries.last_entry(connection)
            return last.digest if last else GENESIS

    def data_digest(self, trial_id: str) -> str:
        """Hash the accepted readings of a trial, whatever the order and the files that they came in."""
        return data_digest(self.readings(trial_id))

    def copy_into(self, target: Path) -> None:
        """Copy the whole register into a new file, as one consistent state; raises RegisterError on a server."""
        self._home.back_up(target)

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
            with self._home.transaction() as connection:
                return audit.findings(self._home, connection, head)
        except RegisterError as error:
            if isinstance(error.__cause__, DBAPIError) and self._home.is_damage(error.__cause__):
                return [Finding("database", "pages", str(error))]
            raise

    def _moment(self, trial_id: str, kind: Kind) -> dt.datetime | None:
        with self._reading(trial_id) as connection:
            entry = amending.first(connection, trial_id, kind)
            return dt.datetime.fromisoformat(entry.at) if entry else None

    @contextmanager
    def _reading(self, trial_id: str | None = None) -> Iterator[Connection]:
        with self._home.transaction() as connection:
            self._refuse_unknown(connection, trial_id)
            yield connection

    def _refuse_unknown(self, connection: Connection, trial_id: str | None) -> None:
        if trial_id is not None and not queries.entries(connection, trial=trial_id, kind=Kind.SEAL):
            raise RegisterError(f"{self.shown} holds no trial {quoted(trial_id)}.")


def _frame(connection: Connection, trial: str, kept: Kept) -> pd.DataFrame:
    intakes = queries.entries(connection, trial=trial, kind=Kind.INTAKE)
    names = {entry.number: IntakeBody.of(entry).file.name for entry in intakes}
    try:
        return kept_frame(queries.kept_of_trial(connection, kept, trial), names, kept)
    except (KeyError, ValueError):
        raise RegisterError(f"The {kept.title} of {trial} were changed after intake; {VERIFY}") from None
