"""Who may be named in a pack: consent as a file says it, and codes for everybody else."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from schemas.errors import PackError
from schemas.plain_words import listed, quoted
from trials.plain_files import content_of

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

_COLUMNS = ["name", "may_name"]
_ANSWERS = {"yes": True, "y": True, "true": True, "no": False, "n": False, "false": False}


def read_consent(path: Path) -> dict[str, bool]:
    """Read who may be named: CSV with the columns ``name`` and ``may_name`` (yes or no); more columns are let be.

    Returns
    -------
    dict of str to bool
        By name, spaces and case folded.

    Raises
    ------
    PackError
        The file is not to be had or not in that form, or says two things of one person.
    """
    try:
        text = content_of(path).decode("utf-8-sig")
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except OSError as error:
        raise PackError(f"{path} cannot be read ({(error.strerror or str(error)).lower()}).") from None
    except (UnicodeDecodeError, csv.Error) as error:
        raise PackError(f"{path} cannot be read as CSV in UTF-8 ({error}).") from None
    header = [cell.strip().casefold() for cell in rows[0]] if rows else []
    if [name for name in _COLUMNS if header.count(name) != 1]:
        raise PackError(f"{path} must begin with a line that names the columns name,may_name, each once.")
    name_at, answer_at = header.index("name"), header.index("may_name")
    found: dict[str, bool] = {}
    for number, row in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in row):
            continue
        name = folded(row[name_at]) if len(row) == len(header) else ""
        answer = _ANSWERS.get(row[answer_at].strip().casefold()) if name else None
        if answer is None:
            raise PackError(f"{path}, line {number}: write a name, and yes or no under may_name.")
        if found.setdefault(name, answer) != answer:
            raise PackError(
                f"{path}, line {number}: {quoted(row[name_at])} says yes and no; keep the one that holds."
            )
    return found


def folded(name: str) -> str:
    """A name as it is compared: spaces and case tell nobody apart."""
    return " ".join(name.split()).casefold()


@dataclass
class Persons:
    """Gives what is shown for a person's name, always the same for the same person.

    Codes P1, P2, ... follow the order in which persons first appear in the register, so that they stay as the
    register grows.
    """

    consent: dict[str, bool] = field(default_factory=dict)
    _numbers: dict[str, int] = field(default_factory=dict, repr=False)
    _names: dict[str, str] = field(default_factory=dict, repr=False)

    def meet(self, names: Iterable[str]) -> None:
        """Take note of persons, in the order of their appearance."""
        for name in names:
            if name.strip():
                self._numbers.setdefault(folded(name), len(self._numbers) + 1)
                self._names.setdefault(folded(name), " ".join(name.split()))

    def shown(self, name: str) -> str:
        """The name with the person's consent, else the code; empty for nobody.

        Raises
        ------
        KeyError
            The person was not met: a fault of the caller.
        """
        if not name.strip():
            return ""
        who = folded(name)
        return self._names[who] if self.consent.get(who) else f"P{self._numbers[who]}"

    def table(self) -> list[dict[str, str | bool]]:
        """One row a person, in order: what is shown, and whether that is the name."""
        return [
            {"person": self.shown(name), "named": self.consent.get(who, False)}
            for who, name in self._names.items()
        ]

    def strangers(self) -> list[str]:
        """Names of whom consent is at hand, but who do not stand in the record; they may be spelt otherwise there."""
        return sorted(self.consent.keys() - self._numbers.keys())

    def refuse_unasked(self) -> None:
        """Refuse to publish texts in which people are named who did not agree.

        Raises
        ------
        PackError
            Somebody did not.
        """
        without = [name for who, name in self._names.items() if not self.consent.get(who)]
        if without:
            some = listed([quoted(name) for name in without[:5]], "and")
            raise PackError(
                f"Texts and files as sent name people, and of {some}{' and others' if len(without) > 5 else ''} no consent "
                "is at hand; give --consent a file in which each says yes, or publish without --with-texts."
            )
