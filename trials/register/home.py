"""Where a register lives: a database of one kind or another, with all that differs between the kinds."""

from __future__ import annotations

from abc import ABC, abstractmethod
from contextlib import contextmanager
from typing import TYPE_CHECKING

from sqlalchemy.exc import DBAPIError

from schemas.errors import RegisterError
from trials.register.records import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from sqlalchemy import Connection, Engine


class Home(ABC):
    """An open database that holds a register.

    Parameters
    ----------
    shown : str
        How it is named to people: a path, or an address without its password.
    engine : Engine
        Its transactions are a consistent view for reading; with the execution option ``writes`` a writer waits its
        turn before it reads what it builds on.
    """

    def __init__(self, shown: str, engine: Engine) -> None:
        self.shown = shown
        self.engine = engine

    @contextmanager
    def transaction(self, *, writes: bool = False) -> Iterator[Connection]:
        """Begin a transaction that is whole at the end of the block, or leaves nothing.

        Raises
        ------
        RegisterError
            The database refused, in one sentence.
        """
        with self.plain_sentences(), self.engine.execution_options(writes=writes).begin() as connection:
            yield connection

    @contextmanager
    def plain_sentences(self) -> Iterator[None]:
        """Turn the database's errors into one sentence each, as :class:`RegisterError`."""
        try:
            yield
        except DBAPIError as error:
            raise RegisterError(self.sentence(error)) from error

    @abstractmethod
    def sentence(self, error: DBAPIError) -> str:
        """Say in one sentence what an error of the database means, and what to do."""

    @abstractmethod
    def is_damage(self, error: DBAPIError) -> bool:
        """Whether an error says that what is stored is broken, not that it cannot be reached."""

    @abstractmethod
    def damage(self, connection: Connection) -> Iterator[Finding]:
        """Find what the database's own check says of its pages, keys and references."""

    @abstractmethod
    def guards(self, connection: Connection) -> Iterator[Finding]:
        """Find whether all that refuses changes is there, as it was made."""

    @abstractmethod
    def back_up(self, target: Path) -> None:
        """Copy the whole register into a new file, as one consistent state.

        Raises
        ------
        RegisterError
            It cannot be copied here.
        """


def trigger_findings(present: Mapping[str, str], expected: Mapping[str, str]) -> Iterator[Finding]:
    """Compare the triggers that are there with those that were made: names, and the statement of each."""
    states = dict.fromkeys(expected.keys() - present.keys(), "missing")
    states |= dict.fromkeys(present.keys() - expected.keys(), "not the register's own")
    states |= {name: "changed" for name in present.keys() & expected if present[name] != expected[name]}
    for name, state in sorted(states.items()):
        yield Finding("trigger", name, f"The trigger {name} is {state}, so the record was open to change.")
