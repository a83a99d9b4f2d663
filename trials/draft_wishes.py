"""What a protocol is drafted from, with the defaults that a club would give."""

from __future__ import annotations

import datetime as dt  # noqa: TC003 - kept importable for readers of the annotations
from dataclasses import dataclass

LITRES = 100.0
"""Doses are written for so much water."""
BASELINE_DAYS = 28


@dataclass(frozen=True)
class TypedTank:
    """A tank as somebody types it: ``id``, ``id,block`` or ``id,block,litres``."""

    id: str
    block: str = ""
    volume: str = ""


@dataclass(frozen=True)
class Wishes:
    """What a draft is made from.

    Parameters
    ----------
    id, title, question, lead : str
        ``question`` and ``lead`` may be empty.
    start : datetime.date
        First day of the baseline.
    design : str
        ``blocks`` or ``parallel``.
    polymer, liquid : str
        Sources as ``analysis.water.carbon.product`` reads them; empty leaves the arm out.
    carbon : float
        mg C per litre and day of both, at full dose.
    blocks : int
        Placeholder blocks (tanks an arm in parallel arms) where no tanks are given.
    tanks : tuple of TypedTank
        Typed tanks.
    tanks_file : bytes or None
        A tanks file, byte for byte, in place of typed ones.
    weeks : int
        Assessed.
    worthwhile, effect, sd : float
        Ratio worth having, ratio assumed, and standard deviation of logarithms assumed.
    nitrate_limit, phosphate_limit : float
        Lowest readings of the kits, mg/L.
    seed_from : str
        Public source of the seed; empty names a bag at an open meeting.
    """

    id: str
    title: str
    start: dt.date
    question: str = ""
    lead: str = ""
    design: str = "blocks"
    polymer: str = "phb"
    liquid: str = "ethanol 40 %"
    carbon: float = 0.7
    blocks: int = 12
    tanks: tuple[TypedTank, ...] = ()
    tanks_file: bytes | None = None
    weeks: int = 12
    worthwhile: float = 0.80
    effect: float = 0.60
    sd: float = 0.35
    nitrate_limit: float = 0.5
    phosphate_limit: float = 0.02
    seed_from: str = ""
