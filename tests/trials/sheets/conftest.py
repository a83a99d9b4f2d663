"""An invented trial of two sites with three tanks each, in which each site measures with kits of its own."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import pytest

from schemas.allocation import Allocation, Assignment
from schemas.protocol import Protocol

if TYPE_CHECKING:
    from collections.abc import Callable

ARMS = ("control", "polymer", "liquid")
HOSTILE = {
    "markup": '<script>alert("1")</script><b onclick=alert(2)>bold</b> & </style>',
    "formula": '=HYPERLINK("http://example.invalid","open me")',
    "right to left": "\u202egnitset\u202c \u05de\u05d9\u05dd",
    "long": "W" * 300,
    "emoji": "\U0001f420 reef \U0001f9ea\u200d",
    "command": "@SUM(1+1)*cmd|' /C calc'!A0",
}


def build(**parts: Any) -> Protocol:
    """The protocol; keywords change whole parts of it."""
    return Protocol.model_validate(
        {
            "format": 1,
            "trial": {"id": "quillmere-2026", "title": "Carbon or not (invented)", "lead": "The water group"},
            "arms": [
                {"id": "control", "role": "control", "title": "Water changes alone"},
                {
                    "id": "polymer",
                    "role": "test",
                    "title": "Polymer pellets",
                    "carbon": {"source": "phb", "full_dose": "35.8 g / 100 L"},
                },
                {
                    "id": "liquid",
                    "role": "test",
                    "title": "Ethanol",
                    "carbon": {"source": "ethanol 40 % vol", "full_dose": "0.43 mL / 100 L / d"},
                },
            ],
            "design": {"kind": "blocks", "seed": "1"},
            "tanks": [
                {"id": f"{site}-{letter}", "site": site, "block": site, "volume_L": 200}
                for site in ("q01", "q02")
                for letter in "abc"
            ],
            "schedule": {
                "start": dt.date(2026, 3, 2),
                "phases": [
                    {"id": "baseline", "days": 14},
                    {"id": "ramp", "days": 28},
                    {"id": "assessment", "days": 28},
                ],
                "sampling": [
                    {"variable": "nitrate", "every_days": 7},
                    {"variable": "phosphate", "every_days": 7},
                    {"variable": "ph", "every_days": 14},
                ],
            },
            "kits": [
                {"id": "meter-no3", "variable": "nitrate", "limit": 0.5, "unit": "mg/L"},
                {"id": "lab-no3n", "variable": "nitrate", "limit": 0.1, "unit": "mg/L as N"},
                {"id": "drops-po4", "variable": "phosphate", "limit": 0.03, "unit": "mg/L"},
            ],
            "endpoints": [
                {
                    "id": "nitrate-mean",
                    "role": "primary",
                    "variable": "nitrate",
                    "summary": "mean",
                    "phase": "assessment",
                    "better": "lower",
                }
            ],
            "stop_rules": [
                {
                    "variable": "phosphate",
                    "below": 0.03,
                    "consecutive": 2,
                    "action": "halve the carbon dose",
                },
                {"variable": "nitrate", "below": 1.0, "action": "stop the carbon"},
            ],
        }
        | parts
    )


def shared_out(protocol: Protocol) -> Allocation:
    """The arms in turn, site by site."""
    assignments = tuple(
        Assignment(tank.id, protocol.arms[place % len(protocol.arms)].id, tank.block, tank.site)
        for place, tank in enumerate(protocol.tanks)
    )
    return Allocation(assignments, drawn=False, random=True, how="by hand")


@pytest.fixture
def trial() -> Callable[..., Protocol]:
    """The builder of the protocol."""
    return build


@pytest.fixture
def share() -> Callable[[Protocol], Allocation]:
    """What shares its tanks out."""
    return shared_out


@pytest.fixture(params=HOSTILE)
def hostile(request: pytest.FixtureRequest) -> str:
    """A text that nobody honest writes, or hardly."""
    return HOSTILE[request.param]


@pytest.fixture
def hostile_texts() -> list[str]:
    """All of them."""
    return list(HOSTILE.values())
