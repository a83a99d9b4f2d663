"""A protocol without mistakes, as a mapping to be spoilt one key at a time and as the model."""

from __future__ import annotations

import copy
import datetime as dt

import pytest

from schemas.protocol_shape import build

SOUND = {
    "format": 1,
    "trial": {"id": "quillmere-2026", "title": "Solid carbon, liquid carbon or neither"},
    "arms": [
        {"id": "control", "role": "control", "title": "Water changes alone"},
        {"id": "polymer", "role": "test", "title": "Polymer pellets", "carbon": {"source": "phb"}},
        {"id": "liquid", "role": "test", "title": "Liquid carbon"},
    ],
    "design": {"kind": "blocks", "seed_from": "the balls drawn at the meeting of 4 April"},
    "tanks": [
        {"id": f"q{block:02d}-{letter}", "site": f"q{block:02d}", "block": f"q{block:02d}", "volume_L": 180.5}
        for block in range(1, 9)
        for letter in "abc"
    ],
    "schedule": {
        "start": dt.date(2026, 3, 2),
        "phases": [
            {"id": "baseline", "days": 28},
            {"id": "ramp", "days": 28},
            {"id": "assessment", "days": 84},
        ],
        "sampling": [{"variable": "nitrate", "every_days": 7}, {"variable": "phosphate", "every_days": 7}],
    },
    "variables": [{"id": "effort", "unit": "1", "hard": [0, 100], "soft": [0, 30]}],
    "kits": [{"id": "photometer", "variable": "phosphate", "limit": 6.5, "unit": "ppb P"}],
    "endpoints": [
        {
            "id": "nitrate-mean",
            "role": "primary",
            "variable": "nitrate",
            "summary": "mean",
            "phase": "assessment",
            "baseline": "adjust",
            "scale": "ratio",
            "better": "lower",
            "worthwhile": 0.8,
        },
        {
            "id": "nitrate-slope",
            "role": "secondary",
            "variable": "nitrate",
            "summary": "slope",
            "phase": "assessment",
            "better": "lower",
        },
    ],
    "analysis": {"alpha": 0.05, "contrasts": [["polymer", "control"], ["polymer", "liquid"]]},
    "planning": {"effect": 0.7, "sd": 0.35},
    "stop_rules": [
        {"variable": "phosphate", "below": 0.01, "consecutive": 2, "action": "halve the carbon dose"}
    ],
}


def _without(table, *keys):
    return {key: value for key, value in table.items() if key not in keys}


_TANKS, _PLAN = SOUND["tanks"], SOUND["schedule"]
VARIANTS = {
    "parallel": {"design": {"kind": "parallel", "seed": "reef"}, "analysis": {"imputations": 20}},
    "balance": {"design": SOUND["design"] | {"balance": {"variable": "nitrate", "max_gap": 2.5}}},
    "incomplete-blocks": {
        "design": {"kind": "incomplete-blocks", "seed": "reef"},
        "tanks": [tank for tank in _TANKS if not tank["id"].endswith("c")],
    },
    "crossover": {
        "design": {"kind": "crossover", "seed": "reef", "periods": 3, "washout_days": 56},
        "schedule": _PLAN | {"starts": {"q02": dt.date(2026, 3, 16), "q03": "2026-03-30"}},
    },
    "before-after": {
        "design": {"kind": "before-after"},
        "arms": SOUND["arms"][:2],
        "endpoints": [SOUND["endpoints"][0] | {"baseline": "change"}],
        "analysis": {},
        "tanks": [_without(tank, "block") for tank in _TANKS[:2]],
    },
    "endpoints of their own": {
        "endpoints": [
            SOUND["endpoints"][0],
            SOUND["endpoints"][1] | {"summary": "days-to-target", "target": 5, "held": 2, "worthwhile": 14},
            SOUND["endpoints"][1]
            | {"id": "effort", "variable": "effort", "summary": "count", "scale": "ratio"},
        ],
        "analysis": {"multiplicity": "dunnett", "variance": "pooled"},
    },
}
"""Sections that make other sound protocols of it, between them with every key of the format."""


@pytest.fixture(params=["blocks", *VARIANTS])
def variant(request):
    """Every sound protocol in turn, free to be spoilt."""
    return copy.deepcopy(SOUND | VARIANTS.get(request.param, {}))


@pytest.fixture
def raw():
    """The sound protocol, free to be spoilt."""
    return copy.deepcopy(SOUND)


@pytest.fixture
def protocol_of():
    """Build the sound protocol with sections replaced."""
    return lambda **sections: build(copy.deepcopy(SOUND) | sections)
