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


@pytest.fixture
def raw():
    """The sound protocol, free to be spoilt."""
    return copy.deepcopy(SOUND)


@pytest.fixture
def protocol_of():
    """Build the sound protocol with sections replaced."""
    return lambda **sections: build(copy.deepcopy(SOUND) | sections)
