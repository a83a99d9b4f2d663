"""In which unit a variable is asked for, with which kits, within which bounds."""

import pytest

from schemas.errors import UsageError
from schemas.variables import variables_for
from trials.intake.headers import _value_column
from trials.intake.names import VariableNames
from trials.sheets.asked import asked_for


def units(protocol, kits=()):
    return {
        asked[0].variable.id: [(one.unit, [kit.id for kit in one.kits]) for one in asked]
        for asked in asked_for(protocol, kits)
    }


def test_the_canonical_unit_comes_first_and_each_unit_keeps_its_kits(trial):
    assert units(trial()) == {
        "nitrate": [("mg/L", ["meter-no3"]), ("mg/L as N", ["lab-no3n"])],
        "phosphate": [("mg/L", ["drops-po4"])],
        "ph": [("pH", [])],
    }


def test_a_site_s_own_kit_gives_the_unit(trial):
    assert units(trial(), ["lab-no3n"])["nitrate"] == [("mg/L as N", ["lab-no3n"])]


def test_only_several_kits_have_to_be_told_apart(trial):
    assert [asked[0].several for asked in asked_for(trial())] == [True, False, False]


def test_bounds_and_stop_rules_are_in_the_unit_of_the_kit(trial):
    """1 mg/L of nitrate is 0.225905 mg/L of nitrate-nitrogen: IUPAC standard atomic weights, 14.007/62.004."""
    as_nitrogen = asked_for(trial(), ["lab-no3n"])[0][0]
    assert as_nitrogen.bounds == pytest.approx((0, 225.905), rel=1e-5)
    assert as_nitrogen.usual == pytest.approx((0, 11.29524), rel=1e-5)
    assert as_nitrogen.thresholds[0].below == pytest.approx(0.225905, rel=1e-5)
    assert as_nitrogen.thresholds[0].text == "Nitrate below 1 mg/L: stop the carbon."


def test_help_names_the_lowest_step_of_the_kit(trial):
    nitrate, phosphate, ph = (asked[0] for asked in asked_for(trial()))
    assert phosphate.help == "Phosphate ion (PO4). Nothing shown: write <0.03, never 0."
    assert "never 0" in nitrate.help
    assert "never 0" not in ph.help


@pytest.mark.parametrize(
    ("kit", "sentence"),
    [
        ("meter-no4", '"meter-no4" is not a kit of this protocol; did you mean "meter-no3"?'),
        ("zzz", '"zzz" is not a kit of this protocol; its kits are meter-no3, lab-no3n and drops-po4.'),
    ],
)
def test_a_kit_that_is_not_known_is_refused(trial, kit, sentence):
    with pytest.raises(UsageError) as refused:
        asked_for(trial(), [kit])
    assert str(refused.value) == sentence


@pytest.mark.parametrize("unit", ["%/week", "mm [3 days]", "1", "mg per cm2 (dry)"])
def test_headers_are_read_by_intake_as_they_are_meant(trial, unit):
    """Also those of a variable that the protocol brings along, with brackets in its unit."""
    protocol = trial(
        variables=[{"id": "growth", "unit": unit, "hard": [-20, 20]}],
        schedule=trial().schedule.model_dump() | {"sampling": [{"variable": "growth", "every_days": 7}]},
    )
    (asked,) = asked_for(protocol)[0]
    column = _value_column(0, asked.header, VariableNames(variables_for(protocol)))
    assert (column.named.variable.id, column.unit) == ("growth", unit)
