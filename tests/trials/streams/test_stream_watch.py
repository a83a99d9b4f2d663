"""Watching what loggers showed: minutes outside of bounds and silence, of the last week alone."""

import json

import pytest

from trials.cli import main

LONG = "tank,taken_at,variable,value,unit\n"


def day(tank, date, value, minutes=1440, warm=0):
    """A day each minute; ``warm`` of them at 28.2 °C, past the stop rule and not yet unusual."""
    return "".join(
        f"{tank},{date} {m // 60:02}:{m % 60:02},temperature,{28.2 if m < warm else value},Cel\n"
        for m in range(minutes)
    )


@pytest.mark.parametrize(
    ("content", "today", "expected"),
    [
        (day("a", "2026-03-04", 25), "2026-03-06", []),
        (
            day("a", "2026-03-04", 25, warm=35),
            "2026-03-06",
            [("a", "soon", "for 35 minutes of it past what a stop rule allows")],
        ),
        (day("a", "2026-03-04", 25, warm=35), "2026-03-12", []),
        (day("a", "2026-03-04", 25, warm=35), "2026-03-03", []),
        (
            day("b", "2026-03-04", 25, minutes=1300),
            "2026-03-06",
            [("b", "information", "for 140 minutes of 4 March 2026, the longest time at once 140")],
        ),
        (
            day("b", "2026-03-04", 22, minutes=59) + day("b", "2026-03-05", 22, minutes=1440),
            "2026-03-06",
            [
                ("b", "soon", "for 1440 minutes of it outside of what is usual"),
                ("b", "information", "for 1381 minutes"),
            ],
        ),
    ],
)
def test_findings_of_loggers(register, capsys, content, today, expected):
    register.with_name("log.csv").write_text(LONG + content, encoding="utf-8")
    main(["intake", "--stream", "log.csv"])
    capsys.readouterr()
    main(["watch", "--today", today, "--json"])
    found = [one for one in json.loads(capsys.readouterr().out)["findings"] if one["kind"] == "logger"]
    assert [(one["tank"], one["severity"]) for one in found] == [(tank, how) for tank, how, _ in expected]
    for one, (_, _, part) in zip(found, expected, strict=True):
        assert part in one["sentence"]
