"""Standard atomic weights, kept in this one place, and the molar masses that follow from them."""

from __future__ import annotations

import re
from types import MappingProxyType

from schemas.errors import FairtankError

ATOMIC_WEIGHTS = MappingProxyType(
    {
        "H": 1.008,
        "C": 12.011,
        "N": 14.007,
        "O": 15.999,
        "Na": 22.98976928,
        "Mg": 24.305,
        "Si": 28.085,
        "P": 30.973762,
        "Ca": 40.078,
    }
)
"""Conventional standard atomic weights of IUPAC's Commission on Isotopic Abundances and Atomic Weights
(abridged to five figures; sodium and phosphorus, of one stable isotope, in full). Values from memory."""

_FORMULA = re.compile(r"(?:[A-Z][a-z]?\d*)+")
_ELEMENT = re.compile(r"([A-Z][a-z]?)(\d*)")


def composition(formula: str) -> dict[str, int]:
    """Atoms of each element in a plain formula.

    Parameters
    ----------
    formula : str
        Elements with counts, without brackets or charge, e.g. ``CaCO3``.

    Raises
    ------
    FairtankError
        The text is not such a formula, or holds an element whose weight is not listed.

    Examples
    --------
    >>> composition("C2H5OH")
    {'C': 2, 'H': 6, 'O': 1}
    """
    if not _FORMULA.fullmatch(formula):
        raise FairtankError(f'"{formula}" is not a plain chemical formula such as CaCO3.')
    parts = _ELEMENT.findall(formula)
    unknown = [element for element, _ in parts if element not in ATOMIC_WEIGHTS]
    if unknown:
        raise FairtankError(f'No atomic weight is listed for {", ".join(unknown)} in "{formula}".')
    atoms: dict[str, int] = {}
    for element, count in parts:
        atoms[element] = atoms.get(element, 0) + int(count or 1)
    return atoms


def molar_mass(formula: str) -> float:
    """Molar mass in grams per mole of a plain formula; errors as :func:`composition`.

    Examples
    --------
    >>> round(molar_mass("NO3"), 3)
    62.004
    """
    return sum(ATOMIC_WEIGHTS[element] * count for element, count in composition(formula).items())
