"""Values with their units: chemistry, limits of kits, zeros, and units that are missing or do not fit."""

from __future__ import annotations

import pytest

N, P, CA, C, OX = 14.007, 30.973762, 40.078, 12.011, 15.999
NO3, PO4 = N + 3 * OX, P + 4 * OX

# variable, value, unit, value in the canonical unit. Weights: IUPAC conventional atomic weights (from memory).
CONVERTED = [
    ("nitrate", "10", "mg/L as N", 10 * NO3 / N),
    ("nitrate", "10", "mg/L NO3-N", 10 * NO3 / N),
    ("nitrate", "10", "mg/L N", 10 * NO3 / N),
    ("nitrate", "10", "ppm", 10),
    ("nitrate", "500", "umol/L", 0.5 * NO3),
    ("NO3-N", "10", "mg/L", 10 * NO3 / N),
    ("NO3-N", "10", "mg/L as N", 10 * NO3 / N),
    ("NO3-N", "500", "\u00b5mol/L", 0.5 * NO3),
    ("phosphate", "33", "ppb P", 0.033 * PO4 / P),
    ("PO4", "0,1", "mg/l", 0.1),
    ("temperature", "77", "degF", 25),
    # 1 dKH is 10 mg/L CaO, and CaO neutralises two equivalents: 0.356652 meq/L.
    ("alkalinity", "8", "dKH", 8 * 20 / (CA + OX)),
    ("calcium", "1000", "mg/L CaCO3", 1000 * CA / (CA + C + 3 * OX)),
    ("ph", "8.1", "", 8.1),
    ("effort", "3", "", 3),
]


@pytest.mark.parametrize(("variable", "value", "unit", "expected"), CONVERTED)
def test_units_are_converted_by_chemistry(long, variable, value, unit, expected):
    batch = long(variable=variable, value=value, unit=unit).batch
    assert batch.count("accepted") == 1
    assert batch.readings["value"].item() == pytest.approx(expected, rel=1e-6)
    assert batch.readings["raw_value"].item() == value


# cells, reason, what the sentence must hold
HELD = [
    ({"unit": ""}, "no-unit", "write what the kit shows in the column unit; accepted: mg/L"),
    ({"unit": "drops"}, "unit-not-accepted", 'Nitrate is not measured in "drops"'),
    ({"unit": "x" * 5000}, "unit-not-accepted", "accepted: mg/L"),
    ({"variable": "ammonia", "value": "0.02"}, "unit-not-accepted", "say which"),
    ({"variable": "NO3-N", "unit": "mg/L as NO3"}, "unit-not-accepted", "counts N"),
    ({"value": "12 ppb"}, "two-units", 'the cell says "ppb" and its unit is "mg/L"'.replace("the", "The", 1)),
    ({"value": "12 drops", "unit": ""}, "unit-not-accepted", '"drops"'),
    ({"value": "0"}, "zero", "write < and the lowest step that the kit can show, such as <0.5"),
    ({"value": "0,00"}, "zero", "cannot be shown to be 0"),
    ({"value": "<0"}, "zero", "cannot be shown to be 0"),
    ({"variable": "phosphate", "value": "0"}, "zero", "here <20"),
    ({"value": "ND"}, "limit-unknown", '"ND" needs the limit of the kit'),
    ({"variable": "nitrite", "value": "n.d."}, "limit-unknown", "such as <0.01"),
    ({"variable": "phosphate", "value": "ND", "kit": "photometer"}, "limit-unknown", "does not give"),
    ({"value": "12", "replicate": "b"}, "not-a-replicate", '"b" is not the number of a test'),
    ({"replicate": "0"}, "not-a-replicate", "write 1, 2 or 3"),
    ({"replicate": "1.5"}, "not-a-replicate", "write 1, 2 or 3"),
]


@pytest.mark.parametrize(("cells", "reason", "said"), HELD)
def test_what_does_not_fit_is_held_with_a_remedy(long, cells, reason, said):
    taken = long(**cells)
    assert taken.counts == (0, 1, 0)
    assert said in taken.reasons(2)[reason]
    assert len(taken.reasons(2)) == 1
    assert taken.batch.readings.empty


# cells, value, sign
LIMITS = [
    ({"variable": "phosphate", "value": "ND"}, 0.02, "<"),
    ({"variable": "phosphate", "value": "ND", "kit": "drops"}, 0.02, "<"),
    ({"variable": "phosphate", "value": "ND", "unit": ""}, 0.02, "<"),
    ({"variable": "nitrite", "value": "not detected", "kit": "photometer"}, 0.01, "<"),
    ({"variable": "nitrite", "value": "n.d.", "kit": "strips"}, 0.5, "<"),
    ({"variable": "phosphate", "value": "<0,03"}, 0.03, "<"),
    ({"variable": "phosphate", "value": "< 10", "unit": "ppb P"}, 0.01 * PO4 / P, "<"),
    ({"value": "> 40"}, 40, ">"),
]


@pytest.mark.parametrize(("cells", "value", "sign"), LIMITS)
def test_readings_beyond_the_limit_keep_limit_and_sign(long, cells, value, sign):
    readings = long(**cells).batch.readings
    assert readings["value"].item() == pytest.approx(value, rel=1e-6)
    assert readings["sign"].item() == sign
    assert readings["raw_value"].item() == cells["value"]


@pytest.mark.parametrize(("value", "unit"), [("12.5 mg/l", "mg/L"), ("12.5 ppm", ""), ("12,5mg/L", "mg/L")])
def test_a_unit_inside_the_cell_counts_where_it_contradicts_nothing(long, value, unit):
    taken = long(value=value, unit=unit)
    assert taken.readings == [(2, "q01-a", "nitrate", 12.5, "")]


def test_the_header_of_a_wide_column_must_name_the_unit(take):
    taken = take(
        "tank,taken_at,nitrate,pH,phosphate [mg]\nq01-a,2026-04-06,12,8.1,\nq01-b,2026-04-06,,8.1,0.1\nq01-c,2026-04-06,,8.1,\n"
    )
    assert taken.outcomes == {2: "held", 3: "held", 4: "accepted"}
    assert 'in the header, such as "nitrate [mg/L]"' in taken.reasons(2)["no-unit"]
    assert taken.reasons(3)["unit-not-accepted"].startswith('Column "phosphate [mg]": phosphate')
