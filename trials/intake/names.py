"""Which variable a person means by a name: its id, its title, or a name that the trade uses for it."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from schemas.errors import UnitError
from schemas.units import accepted_units, conversion, normalise_unit
from trials.intake.likeness import alike

if TYPE_CHECKING:
    from collections.abc import Mapping

    from schemas.units import Conversion
    from schemas.variables import Variable

_COUNTED = re.compile(r"(.+?) ?(?:as )?(?<=[ 0-9])(n|p|si|nitrogen|phosphorus|silicon)")
_ELEMENT = {"nitrogen": "N", "phosphorus": "P", "silicon": "Si", "n": "N", "p": "P", "si": "Si"}


def key(text: str) -> str:
    """Case, spaces, hyphens and underscores do not tell names apart."""
    return re.sub(r"[\s_\-]+", " ", text).strip().casefold()


def with_unit(number: str, variable: Variable) -> str:
    """A number with the canonical unit of its variable; a bare number has none to show."""
    return number if variable.unit in {"1", "pH"} else f"{number} {variable.unit}"


@dataclass(frozen=True)
class Named:
    """A variable by one of its names; ``counted_as`` is the element that the name says, e.g. N in NO3-N."""

    variable: Variable
    text: str
    counted_as: str = ""

    @property
    def is_plain(self) -> bool:
        """Whether the variable was called by its own id."""
        return key(self.text) == key(self.variable.id)

    def unit(self, unit_text: str) -> str:
        """The unit with the element that the name adds to it: ``NO3-N`` in ``mg/L`` is mg/L as N.

        Raises
        ------
        UnitError
            Name and unit say different things.
        """
        if not self.counted_as or not unit_text:
            return unit_text
        normal = normalise_unit(unit_text)
        amount, _, form = normal.partition(" as ")
        if form and form != self.counted_as and not form.endswith(f"-{self.counted_as}"):
            raise UnitError(
                f'the name "{self.text}" counts {self.counted_as} and the unit "{unit_text}" counts {form}; '
                "write the one that the kit shows."
            )
        with_element = f"{amount} as {self.counted_as}"
        return with_element if not form and with_element in self.variable.units else unit_text

    def conversion(self, unit_text: str) -> Conversion:
        """The conversion of a unit under this name to the canonical unit; UnitError where there is none."""
        return conversion(self.unit(unit_text), self.variable)

    @property
    def accepted(self) -> str:
        """The units that are taken, as a phrase."""
        return accepted_units(self.variable)


def _called(variable: Variable, element: str) -> Named:
    return Named(variable, f"{variable.id} as {element}" if element else variable.id, element)


class VariableNames:
    """The names of a trial's variables.

    Parameters
    ----------
    variables : mapping of str to Variable
        Those of the trial, by id.
    """

    def __init__(self, variables: Mapping[str, Variable]) -> None:
        self._by_key: dict[str, Variable] = {}
        for variable in variables.values():
            for name in (variable.title, *variable.names):
                self._by_key.setdefault(key(name), variable)
        self._by_key |= {key(variable.id): variable for variable in variables.values()}

    def find(self, text: str) -> Named | None:
        """The variable of that name; None where nobody calls one so."""
        folded = key(text)
        if folded in self._by_key:
            return Named(self._by_key[folded], text)
        counted = _COUNTED.fullmatch(key(folded.replace("(", " ").replace(")", " ")))
        if counted and counted[1] in self._by_key:
            return Named(self._by_key[counted[1]], text, _ELEMENT[counted[2]])
        return None

    def alike(self, text: str) -> list[Named]:
        """The variables that a text which names none may be meant for: several where it could be one or another.

        Whether an element is counted must be plain: "nitratN" may be nitrate or nitrate as N.
        """
        folded = key(text)
        counted = _COUNTED.fullmatch(key(folded.replace("(", " ").replace(")", " ")))
        element = _ELEMENT[counted[2]] if counted else ""
        name = counted[1] if counted else folded
        found = [_called(variable, element) for variable in alike(name, self._by_key)]
        glued = "" if element else next((e for e in ("si", "n", "p") if name.endswith(e)), "")
        if glued:
            found += [
                _called(named.variable, _ELEMENT[glued])
                for named in found
                if any(unit.endswith(f" as {_ELEMENT[glued]}") for unit in named.variable.units)
            ]
        return found

    @property
    def ids(self) -> list[str]:
        """The variables that the trial knows."""
        return list(dict.fromkeys(variable.id for variable in self._by_key.values()))

    def of(self, variable_id: str) -> Variable:
        """The variable of that id."""
        return self._by_key[key(variable_id)]

    def near(self, text: str) -> str | None:
        """The id of the variable whose name is most like a text; None where none is like it."""
        close = difflib.get_close_matches(key(text), self._by_key, n=1, cutoff=0.7)
        return self._by_key[close[0]].id if close else None
