"""What a sheet asks for: each variable with its unit, the kits that show it, its bounds and its stop rules."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.numerals import plain, quantity
from schemas.errors import UsageError
from schemas.plain_words import listed, nearest, quoted
from schemas.units import conversion, normalise_unit
from schemas.variables import variables_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from schemas.protocol import Kit, Protocol, StopRule
    from schemas.variables import Variable

_BARE = frozenset({"1", "pH"})
_LONGEST_UNIT = 40


@dataclass(frozen=True)
class Threshold:
    """A stop rule as one variable in one unit meets it.

    Parameters
    ----------
    below, above : float or None
        In the unit of the :class:`Asked` that holds it.
    consecutive : int
        Readings in a row.
    text : str
        When and what to do, in one sentence.
    """

    below: float | None
    above: float | None
    consecutive: int
    text: str


@dataclass(frozen=True)
class Asked:
    """A variable in one unit.

    Parameters
    ----------
    variable : Variable
    unit : str
        As the kit shows it and the sheet's header says it.
    kits : tuple of Kit
        Those that show this unit; may be empty.
    several : bool
        Whether the protocol knows more than one kit for the variable, so that each reading has to say which.
    own : str
        The one kit that the site is known to have; empty where it may be another.
    thresholds : tuple of Threshold
        Its stop rules.
    """

    variable: Variable
    unit: str
    kits: tuple[Kit, ...]
    several: bool
    own: str
    thresholds: tuple[Threshold, ...]

    @property
    def header(self) -> str:
        """Name and unit as intake reads them in a wide table."""
        left, right = "()" if set("[]") & set(self.unit) else "[]"
        return f"{self.variable.id} {left}{self.unit}{right}"

    @property
    def kit_header(self) -> str:
        """The column that says which kit showed the value beside it."""
        return f"{self.variable.id} kit"

    @property
    def title(self) -> str:
        """The variable's name for people."""
        return plain(self.variable.title, 80)

    @property
    def shown_unit(self) -> str:
        """The unit for people, empty where there is none to write."""
        return "" if self.unit in _BARE else plain(self.unit, _LONGEST_UNIT)

    @property
    def bounds(self) -> tuple[float, float]:
        """Lowest and highest possible value, in the unit."""
        return self._in_unit(*self.variable.hard)

    @property
    def usual(self) -> tuple[float, float] | None:
        """Bounds outside which a reading needs a look, in the unit."""
        return self._in_unit(*self.variable.soft) if self.variable.soft else None

    @property
    def example(self) -> str:
        """How a reading below the lowest step is written."""
        return f"<{self.kits[0].limit if self.kits else self.variable.resolution or 0.02:g}"

    @property
    def help(self) -> str:
        """What to write, in a few words; the unit stands elsewhere."""
        plainly = normalise_unit(self.unit) == normalise_unit(self.variable.unit)
        form = plain(self.variable.form, 80) if plainly else ""
        what = f"{form[0].upper()}{form[1:]}." if form else "As the kit shows it."
        if self.variable.zero_is_censored:
            return f"{what} Nothing shown: write {self.example}, never 0."
        return what

    @property
    def range_in_words(self) -> str:
        """What is possible, for a message."""
        low, high = self.bounds
        above = "above " if self.variable.zero_is_censored and low == 0 else ""
        return f"{above}{quantity(low)} to {quantity(high)} {self.shown_unit}".strip()

    def _in_unit(self, low: float, high: float) -> tuple[float, float]:
        known = conversion(self.unit, self.variable)
        return known.from_canonical(low), known.from_canonical(high)


def asked_for(
    protocol: Protocol, kits: Sequence[str] = (), variables: Sequence[str] | None = None
) -> tuple[tuple[Asked, ...], ...]:
    """What is sampled, in the protocol's order; for each variable its units, the one for headers first.

    Parameters
    ----------
    protocol : Protocol
    variables : sequence of str, optional
        Others than those that are sampled.
    kits : sequence of str
        The kits that the site has; empty where that is not known, so that any kit of the protocol may come.

    Raises
    ------
    UsageError
        A kit that the protocol does not know.
    """
    known = [kit.id for kit in protocol.kits]
    for name in kits:
        if name not in known:
            near = nearest(name, known)
            knows = f"its kits are {listed(known, 'and')}." if known else "it names none."
            raise UsageError(
                f"{quoted(name)} is not a kit of this protocol; {f'did you mean {quoted(near)}?' if near else knows}"
            )
    wanted = (
        [sampling.variable for sampling in protocol.schedule.sampling] if variables is None else variables
    )
    return tuple(_units_of(protocol, variable, kits) for variable in dict.fromkeys(wanted))


def _units_of(protocol: Protocol, variable_id: str, chosen: Sequence[str]) -> tuple[Asked, ...]:
    variable = variables_for(protocol)[variable_id]
    of_variable = [kit for kit in protocol.kits if kit.variable == variable_id]
    owned = [kit for kit in of_variable if kit.id in chosen]
    at_hand = owned or of_variable
    by_unit: dict[str, list[Kit]] = {}
    for kit in at_hand:
        by_unit.setdefault(normalise_unit(kit.unit or variable.unit), []).append(kit)
    canonical = normalise_unit(variable.unit)
    ordered = sorted(by_unit, key=lambda unit: unit != canonical) or [canonical]
    return tuple(
        Asked(
            variable=variable,
            unit=_printed(unit, by_unit.get(unit, ()), variable),
            kits=tuple(by_unit.get(unit, ())),
            several=len(of_variable) > 1,
            own=owned[0].id if len(owned) == 1 else "",
            thresholds=tuple(
                _threshold(rule, variable, unit)
                for rule in protocol.stop_rules
                if rule.variable == variable_id
            ),
        )
        for unit in ordered
    )


def _printed(unit: str, kits: Sequence[Kit], variable: Variable) -> str:
    """The unit as the protocol writes it for a kit, else as the catalogue does."""
    written = next((kit.unit for kit in kits if kit.unit), None)
    return written or (variable.unit if normalise_unit(variable.unit) == unit else unit)


def _threshold(rule: StopRule, variable: Variable, unit: str) -> Threshold:
    known = conversion(unit, variable)
    return Threshold(
        below=None if rule.below is None else known.from_canonical(rule.below),
        above=None if rule.above is None else known.from_canonical(rule.above),
        consecutive=rule.consecutive,
        text=stop_rule_in_words(rule, variable),
    )


def stop_rule_in_words(rule: StopRule, variable: Variable) -> str:
    """One sentence: when the rule is met, and what to do.

    Bounds are in the canonical unit, as registered.
    """
    unit = "" if variable.unit in _BARE else f" {plain(variable.unit, _LONGEST_UNIT)}"
    bounds = " or ".join(
        f"{word} {quantity(bound)}{unit}"
        for word, bound in (("below", rule.below), ("above", rule.above))
        if bound is not None
    )
    often = f" on {rule.consecutive} sampling days in a row" if rule.consecutive > 1 else ""
    return f"{plain(variable.title, 80)} {bounds}{often}: {plain(rule.action, 400).rstrip('.')}."
