"""Values that are possible but not usual: held with what would settle it, and accepted as they are when a person says so."""

from __future__ import annotations

import pandas as pd
import pytest

from schemas.readings import empty_readings
from trials.intake.batch import take_in
from trials.register.records import SourceFile

# cells, what the sentence must hold. The bounds are those of the catalogue; 1 mg P is 3.066 mg PO4, and a thousand ppb are a ppm.
HELD = [
    ({"value": "80"}, "Nitrate of 80 mg/L is unusual: 0 to 50 mg/L is usual."),
    ({"value": ">160"}, "Nitrate of >160 mg/L is unusual"),
    ({"variable": "temperature", "value": "30", "unit": "C"}, "23 to 28.5 °C is usual"),
    ({"variable": "temperature", "value": "86", "unit": "degF"}, "Temperature of 86 degF (30 °C) is unusual"),
    ({"variable": "effort", "value": "45", "unit": ""}, "effort of 45 is unusual: 0 to 30 is usual"),
    (
        {"variable": "phosphate", "value": "5"},
        "If the kit shows ug/L (that is 0.005 mg/L) or ug/L as P (that is 0.01533 mg/L), write that unit",
    ),
    (
        {"variable": "phosphate", "value": "0.05", "unit": "ppb"},
        "usual kits show steps of 0.01 mg/L. If the kit shows mg/L (that is 0.05 mg/L)",
    ),
    ({"value": "2", "unit": "ug/L"}, "usual kits show steps of 0.5 mg/L"),
]


@pytest.mark.parametrize(("cells", "said"), HELD)
def test_an_unlikely_value_is_held_with_what_would_settle_it(long, cells, said):
    taken = long(**cells)
    assert taken.counts == (0, 1, 0)
    assert list(taken.reasons(2)) == ["unlikely"]
    assert said in taken.reasons(2)["unlikely"]
    assert "accept it with `fairtank held --accept`" in taken.reasons(2)["unlikely"]


TAKEN = [
    {"value": "50"},
    {"value": "<80"},  # the truth may be usual
    {"value": "0.004"},  # in no unit would the number be usual
    {"value": "0.01"},  # a laboratory shows this
    {"variable": "phosphate", "value": "1", "unit": "ppb P"},
    {"variable": "temperature", "value": "23", "unit": "C"},
    {"variable": "alkalinity", "value": ">2", "unit": "meq/L"},
]


@pytest.mark.parametrize("cells", TAKEN)
def test_a_value_that_may_be_usual_is_taken(long, cells):
    assert long(**cells).counts == (1, 0, 0)


def test_a_row_accepted_as_it_is_is_taken_and_named(protocol):
    file = SourceFile(
        "a.csv", b"tank,taken_at,nitrate [mg/L],pH\nq01-a,2026-04-06,80,8.1\nq01-b,2026-04-06,90,\n"
    )
    batch = take_in(
        file, protocol, empty_readings(), pd.Timestamp("2026-07-01").date(), as_they_are={("", 2)}
    )
    assert batch.rows["outcome"].tolist() == ["accepted", "held"]
    assert batch.readings["value"].tolist() == [80, 8.1]
    assert (
        "1 reading of nitrate outside the usual 0 to 50 mg/L taken and worth a look: row 2." in batch.remarks
    )


def test_nobody_is_asked_again_about_a_tank_that_lies_outside(take):
    """An accepted 80 lies 30 beyond the usual; up to twice as far is taken, of that tank and on that side alone."""
    rows = "q01-a,2026-04-13,110\nq01-a,2026-04-20,111\nq01-b,2026-04-13,80\n"
    seen = take("tank,taken_at,nitrate [mg/L]\nq01-a,2026-04-06,40\n").as_seen().assign(value=80.0)
    taken = take("tank,taken_at,nitrate [mg/L]\n" + rows, seen)
    assert taken.outcomes == {2: "accepted", 3: "held", 4: "held"}
    assert (
        "1 reading of nitrate outside the usual 0 to 50 mg/L taken and worth a look: row 2." in taken.remarks
    )


def test_a_value_that_is_in_already_is_repeated_and_not_held(take):
    sent = "tank,taken_at,nitrate [mg/L]\nq01-a,2026-04-06,80\n"
    seen = take(sent.replace("80", "40")).as_seen().assign(value=80.0)
    assert take(sent, seen).counts == (0, 0, 1)


def test_an_unlikely_value_that_would_meet_a_stop_rule_says_so(protocol):
    rule = {"variable": "ammonia", "above": 0.2, "action": "stop dosing and change water"}
    trial = protocol.model_validate(protocol.model_dump(mode="json") | {"stop_rules": [rule]})
    content = b"tank,taken_at,ammonia [mg/L as N]\nq01-a,2026-04-06,0.5\nq01-b,2026-04-06,0.15\n"
    batch = take_in(SourceFile("a.csv", content), trial, empty_readings(), pd.Timestamp("2026-07-01").date())
    first, second = (row.reasons[0].text for row in batch.held())
    assert first.endswith(
        "Animals first: should it be true, it counts for the stop rule (stop dosing and change water)."
    )
    assert "Animals first" not in second
