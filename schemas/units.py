"""Units brought to a variable's canonical unit by chemistry, and the sentence for a unit that cannot be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from schemas.errors import UnitError
from schemas.plain_words import listed, nearest, quoted
from schemas.unit_spelling import normalise_unit

if TYPE_CHECKING:
    from schemas.variable import Variable

__all__ = ["Conversion", "accepted_units", "conversion", "normalise_unit", "to_canonical"]


@dataclass(frozen=True)
class Conversion:
    """A straight line from a unit to the canonical one: ``value * factor + offset``.

    Parameters
    ----------
    factor, offset : float
        So that whole columns can be converted at once.
    note : str
        What is assumed, as a sentence for the reader; empty where nothing is.
    """

    factor: float = 1.0
    offset: float = 0.0
    note: str = ""

    def to_canonical(self, value: float) -> float:
        """The value in the canonical unit."""
        return value * self.factor + self.offset

    def from_canonical(self, value: float) -> float:
        """The value in this unit."""
        return (value - self.offset) / self.factor


def conversion(unit_text: str, variable: Variable) -> Conversion:
    """The conversion of a unit, as somebody wrote it, to the canonical unit of a variable.

    Parameters
    ----------
    unit_text : str
        Any spelling that :func:`normalise_unit` understands; empty only where the variable is a bare number.
    variable : Variable
        What is measured.

    Raises
    ------
    UnitError
        The variable is not measured in that unit; the sentence lists what is accepted.
    """
    unit = normalise_unit(unit_text) or "1"
    found = variable.units.get(unit)
    if found is None:
        # Only a variable of the protocol's own can differ in case here: known units are spelt one way.
        found = next((c for known, c in variable.units.items() if known.casefold() == unit.casefold()), None)
    if found is None:
        raise UnitError(_refusal(unit_text.strip(), unit, variable))
    return found


def to_canonical(value: float, unit_text: str, variable: Variable) -> float:
    """One value in the canonical unit of its variable, unrounded; raises UnitError as :func:`conversion`."""
    return conversion(unit_text, variable).to_canonical(value)


def accepted_units(variable: Variable) -> str:
    """The accepted units of a variable as a phrase.

    Masses in several forms are listed for the first amount only, with the other amounts in brackets.
    """
    amounts: dict[str, list[str]] = {}
    for unit in variable.units:
        amount, _, form = unit.partition(" as ")
        amounts.setdefault(amount, []).append(form)
    first = next(iter(amounts))
    forms = amounts[first]
    alike = [amount for amount in amounts if amounts[amount] == forms and len(forms) > 1 and amount != first]
    phrases = [f"{first} as {form}" if form else first for form in forms]
    others = [unit for unit in variable.units if unit.partition(" as ")[0] not in {first, *alike}]
    if alike:
        phrases[-1] += f" ({listed(alike)} in place of {first})"
    return listed(phrases + others)


def _refusal(written: str, unit: str, variable: Variable) -> str:
    accepted = f"accepted: {accepted_units(variable)}"
    if not written:
        return f"{variable.id} has no unit here; {accepted}."
    if unit in variable.refused:
        return f"{variable.id} cannot be taken in {quoted(written)}: {variable.refused[unit]}; {accepted}."
    # A unit with a form was understood: it is another substance's, not a slip of the pen.
    close = None if " as " in unit else nearest(unit, list(variable.units), cutoff=0.75)
    guess = f' (did you mean "{close}"?)' if close else ""
    return f"{variable.id} is not measured in {quoted(written)}{guess}; {accepted}."
