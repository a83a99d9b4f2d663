"""Values with their units: from what the cells say to numbers in canonical units, or the reason why not.

Each distinct pair of variable and unit is converted once; the rows are then one multiplication.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from schemas.errors import UnitError
from schemas.readings import HoldReason
from schemas.units import conversion, normalise_unit
from schemas.vocabulary import Sign
from trials.intake.columns import CodedColumn, Coder, quoted, stripped
from trials.intake.holds import told
from trials.intake.numerals import Quantity, read_quantity

if TYPE_CHECKING:
    from collections.abc import Container

    from numpy.typing import NDArray

    from schemas.protocol import Kit, Protocol
    from schemas.units import Conversion
    from schemas.variables import Variable
    from trials.intake.holds import Finding, Holds
    from trials.intake.names import Named, VariableNames

_LONGEST_UNIT = 64
_SIGNS = tuple(sign.value for sign in Sign)


@dataclass(frozen=True)
class Understanding:
    """What a file is read with, and what was found on the way.

    Parameters
    ----------
    protocol : Protocol
        The registered protocol.
    names : VariableNames
        The names of its variables.
    decimal : str
        Decimal sign of the file, empty where undecided.
    holds : Holds
        Where reasons go.
    site : str
        Where the sheet was filled in, if it says so; empty otherwise.
    as_they_are : container of (str, int)
        Rows, by sheet and number, whose values a person accepts although they are not usual.
    names_met : dict
        The variables met, by the text that named them; for the remarks.
    conversions : dict
        The conversions met, by variable and unit as used; for the remarks.
    """

    protocol: Protocol
    names: VariableNames
    decimal: str
    holds: Holds
    site: str = ""
    as_they_are: Container[tuple[str, int]] = frozenset()
    names_met: dict[str, Named] = field(default_factory=dict)
    conversions: dict[tuple[str, str], Conversion] = field(default_factory=dict)

    def kit_of(self, variable: str, kit: str) -> Kit | None:
        """The kit of that id if it measures the variable; where none is named, the only one that does."""
        kits = [known for known in self.protocol.kits if known.variable == variable]
        if kit:
            return next((known for known in kits if known.id == kit), None)
        return kits[0] if len(kits) == 1 else None


@dataclass(frozen=True)
class Measured:
    """Rows of one table that hold values of one column: what each cell says, side by side.

    ``where`` names the column in sentences, and is empty where there is only one. ``of_blank`` says which rows are of
    a blank, which a photometer may well show as 0.
    """

    lines: NDArray[np.int64]
    variable: CodedColumn
    value: CodedColumn
    unit: CodedColumn
    kit: CodedColumn
    where: str = ""
    of_blank: NDArray[np.bool_] | None = None

    def understood(self, by: Understanding) -> dict[str, Any]:
        """Columns ``variable``, ``value``, ``sign``, ``raw_value`` and ``raw_unit`` of the drafts.

        What cannot be understood is added to the holds, and its value is NaN.
        """
        quantities = [read_quantity(cell, by.decimal) for cell in self.value.cells]
        by.holds.add_cells(self.lines, self.value.codes, [self._finding(q.finding) for q in quantities])
        number = self.value.spread([quantity.number for quantity in quantities], float)
        sign = self.value.spread([_SIGNS.index(quantity.sign) for quantity in quantities], np.int32)
        named = [by.names.find(text) for text in self.variable.cells]
        by.names_met.update({found.text: found for found in named if found})
        self._refuse_zero(number, named, by)
        unit = self._unit(number, quantities, by.holds)
        not_detected = self.value.spread([quantity.not_detected for quantity in quantities], bool)
        value, unit = self._converted(number, named, unit, not_detected, by)
        self._fill_limits(value, named, not_detected, by)
        ids = CodedColumn(
            self.variable.codes,
            tuple(n.variable.id if n else text for n, text in zip(named, self.variable.cells, strict=True)),
        )
        return {
            "variable": ids.map(str).categorical(),
            "value": value,
            "sign": CodedColumn(sign, _SIGNS).categorical(),
            "raw_value": self.value.map(stripped).categorical(),
            "raw_unit": unit.map(str).categorical(),
        }

    def _finding(self, finding: Finding | None) -> Finding | None:
        return (finding[0], self.where + finding[1]) if finding else None

    def _refuse_zero(self, number: NDArray[np.float64], named: list[Named | None], by: Understanding) -> None:
        """Sets zeros of variables that a kit cannot show as 0 to NaN, and holds them."""
        never_zero = self.variable.spread([bool(n and n.variable.zero_is_censored) for n in named], bool)
        zero = (number == 0) & never_zero
        if self.of_blank is not None:
            zero &= ~self.of_blank
        for position in np.flatnonzero(zero).tolist():
            found = named[self.variable.codes[position]]
            if found is not None:
                kit = by.kit_of(found.variable.id, self._kit(position))
                limit = f"here <{kit.limit:g}" if kit else _example(found.variable)
                text = (
                    f"{self.where}{found.variable.title} cannot be shown to be 0: "
                    f"write < and the lowest step that the kit can show, {limit}."
                )
                by.holds.add(int(self.lines[position]), HoldReason.ZERO, text)
        number[zero] = np.nan

    def _kit(self, position: int) -> str:
        return str(self.kit.cells[self.kit.codes[position]])

    def _unit(self, number: NDArray[np.float64], quantities: list[Quantity], holds: Holds) -> CodedColumn:
        """The unit of each row; one inside the value's cell counts where the row has none or the same.

        Where they differ the row is held, and its number set to NaN.
        """
        if not any(quantity.unit for quantity in quantities):
            return self.unit
        inside = self.value.spread([quantity.unit for quantity in quantities], object)
        outside = self.unit.by_row()
        coder = Coder()
        codes = self.unit.codes.copy()
        for text in self.unit.cells:
            _ = coder[text]
        for position in np.flatnonzero(inside != "").tolist():
            if not outside[position]:
                codes[position] = coder[inside[position]]
            elif normalise_unit(inside[position]) != normalise_unit(outside[position]):
                text = (
                    f"the cell says {quoted(inside[position])} and its unit is {quoted(outside[position])}: "
                    "write the number alone, and the unit that the kit shows."
                )
                number[position] = np.nan
                holds.add(self.lines[position], HoldReason.TWO_UNITS, told(self.where, text))
        return CodedColumn(codes, tuple(coder))

    def _converted(
        self,
        number: NDArray[np.float64],
        named: list[Named | None],
        unit: CodedColumn,
        not_detected: NDArray[np.bool_],
        by: Understanding,
    ) -> tuple[NDArray[np.float64], CodedColumn]:
        """Values in canonical units, and the units as they were used."""
        width = max(len(unit.cells), 1)
        codes, pairs = pd.factorize(self.variable.codes.astype(np.int64) * width + unit.codes)
        factor, offset = np.full(len(pairs), np.nan), np.full(len(pairs), np.nan)
        used = [str(unit.cells[pair % width]) for pair in pairs]
        findings: list[Finding | None] = [None] * len(pairs)
        for place, pair in enumerate(pairs):
            found = named[pair // width]
            if found is None:
                continue
            try:
                used[place] = found.unit(used[place])
                known = conversion(used[place][:_LONGEST_UNIT], found.variable)
            except UnitError as error:
                findings[place] = self._unit_finding(found, used[place], error)
                continue
            factor[place], offset[place] = known.factor, known.offset
            by.conversions[found.variable.id, used[place]] = known
        # Where nothing was detected the kit's limit has a unit of its own, and the row needs none.
        asked = ~(not_detected & unit.spread([text == "" for text in unit.cells], bool))
        by.holds.add_cells(self.lines[asked], codes[asked], findings)
        return number * factor[codes] + offset[codes], CodedColumn(codes.astype(np.int32), tuple(used))

    def _unit_finding(self, named: Named, unit: str, error: UnitError) -> Finding:
        if unit:
            return HoldReason.UNIT_REFUSED, told(self.where, str(error))
        place = (
            f'in the header, such as "{named.text} [{named.variable.unit}]"'
            if self.where
            else "in the column unit"
        )
        text = (
            f"{self.where}{named.variable.title} has no unit: write what the kit shows {place}; "
            f"accepted: {named.accepted}."
        )
        return HoldReason.NO_UNIT, text

    def _fill_limits(
        self,
        value: NDArray[np.float64],
        named: list[Named | None],
        not_detected: NDArray[np.bool_],
        by: Understanding,
    ) -> None:
        """Gives readings that were not detected their kit's limit, or holds them."""
        for position in np.flatnonzero(not_detected).tolist():
            found = named[self.variable.codes[position]]
            if found is None:
                continue
            kit = by.kit_of(found.variable.id, self._kit(position))
            if kit is None:
                written = quoted(stripped(self.value.cells[self.value.codes[position]]))
                text = (
                    f"{self.where}{written} needs the limit of the kit, which the protocol does not give: write < and "
                    f"the lowest step that the kit can show, {_example(found.variable)}."
                )
                by.holds.add(self.lines[position], HoldReason.LIMIT_UNKNOWN, text)
            else:
                in_unit = conversion(kit.unit or found.variable.unit, found.variable)
                value[position] = in_unit.to_canonical(kit.limit)


def _example(variable: Variable) -> str:
    """The step of a usual kit, as an example and no more."""
    return f"such as <{variable.resolution or 0.02:g}"
