"""Readings of check samples and tanks from short rows, and a small protocol that names samples and kits."""

import datetime as dt

import pandas as pd
import pytest

from schemas.protocol import Protocol

START = dt.date(2026, 3, 2)


@pytest.fixture(scope="session")
def checks():
    """Readings of check samples from site, kit, sample, day of the trial and value as written."""

    def make(rows, variable="nitrate"):
        frame = pd.DataFrame(
            [
                {
                    "site": site,
                    "kit": kit,
                    "sample": sample,
                    "taken_at": dt.datetime.combine(START + dt.timedelta(days=day), dt.time(18)),
                    "variable": variable,
                    "value": float(str(text).lstrip("<>")),
                    "sign": str(text)[0] if str(text)[0] in "<>" else "",
                    "replicate": 1,
                }
                for site, kit, sample, day, text in rows
            ],
            columns=["site", "kit", "sample", "taken_at", "variable", "value", "sign", "replicate"],
        )
        return frame.astype({"taken_at": "datetime64[us]", "value": float})

    return make


@pytest.fixture(scope="session")
def tank_readings():
    """Readings of tanks from tank, kit, variable, day of the trial and value as written."""

    def make(rows):
        frame = pd.DataFrame(
            [
                {
                    "tank": tank,
                    "kit": kit,
                    "variable": variable,
                    "taken_at": dt.datetime.combine(START + dt.timedelta(days=day), dt.time(18)),
                    "value": float(str(text).lstrip("<>")),
                    "sign": str(text)[0] if str(text)[0] in "<>" else "",
                }
                for tank, kit, variable, day, text in rows
            ],
            columns=["tank", "kit", "variable", "taken_at", "value", "sign"],
        )
        return frame.astype({"taken_at": "datetime64[us]", "value": float})

    return make


@pytest.fixture(scope="session")
def protocol_with():
    """A protocol of four tanks at two sites with these check samples and kits."""

    def make(*samples, kits=()):
        return Protocol.model_validate(
            {
                "format": 1,
                "trial": {"id": "try-2026", "title": "A try"},
                "arms": [
                    {"id": "control", "role": "control", "title": "Water changes alone"},
                    {"id": "liquid", "role": "test", "title": "Liquid carbon"},
                ],
                "design": {"kind": "blocks", "seed": "1 2 3"},
                "tanks": [
                    {"id": f"{site}-{tank}", "site": site, "block": site}
                    for site in ("q1", "q2", "q3")
                    for tank in "ab"
                ],
                "schedule": {
                    "start": START,
                    "phases": [{"id": "baseline", "days": 14}, {"id": "assessment", "days": 56}],
                    "sampling": [{"variable": "nitrate", "every_days": 7}],
                },
                "kits": list(kits),
                "check_samples": list(samples),
                "endpoints": [
                    {
                        "id": "nitrate-mean",
                        "role": "primary",
                        "variable": "nitrate",
                        "summary": "mean",
                        "phase": "assessment",
                        "better": "lower",
                        "worthwhile": 2.0,
                    },
                    {
                        "id": "phosphate-mean",
                        "role": "secondary",
                        "variable": "phosphate",
                        "summary": "mean",
                        "phase": "assessment",
                        "better": "lower",
                        "worthwhile": 0.02,
                    },
                ],
            }
        )

    return make
