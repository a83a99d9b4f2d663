"""Which tank is measured on which day."""

import datetime as dt

from trials.sheets.due import due_rows

START = dt.date(2026, 3, 2)


def days(*numbers):
    return [START + dt.timedelta(days=number) for number in numbers]


def test_rows_are_all_planned_days_in_order(trial):
    protocol = trial()
    rows = due_rows(protocol, protocol.tanks[:3])
    assert [row.tank for row in rows[:3]] == ["q01-a", "q01-b", "q01-c"]
    assert sorted({row.day for row in rows}) == days(*range(0, 70, 7))
    assert len(rows) == 30
    for tank in protocol.tanks[:3]:
        for variable in ("nitrate", "phosphate", "ph"):
            due = [row.day for row in rows if row.tank == tank.id and variable in row.variables]
            assert due == protocol.due_days(variable, tank.id)


def test_rows_name_their_phase(trial):
    protocol = trial()
    phases = {row.day: row.phase for row in due_rows(protocol, protocol.tanks[:1])}
    assert [phases[day] for day in days(7, 14, 35, 42)] == ["baseline", "ramp", "ramp", "assessment"]


def test_a_crossover_names_periods_and_leaves_the_washout_out(trial):
    protocol = trial(
        design={"kind": "crossover", "periods": 2, "washout_days": 10, "seed": "1"},
        schedule={
            "start": START,
            "phases": [{"id": "assessment", "days": 14}],
            "sampling": [{"variable": "nitrate", "every_days": 7}],
            "starts": {"q02": START + dt.timedelta(days=3)},
        },
    )
    rows = due_rows(protocol, protocol.tanks)
    first = [(row.day, row.phase) for row in rows if row.tank == "q01-a"]
    assert first == list(
        zip(
            days(0, 7, 24, 31),
            ["assessment, period 1"] * 2 + ["assessment, period 2"] * 2,
            strict=True,
        )
    )
    assert [row.day for row in rows if row.tank == "q02-a"] == days(3, 10, 27, 34)
