"""Readings of check samples: known by sample and site, kept apart from tanks, held where they cannot be."""

import pytest

from trials.register.records import Beside

HEADER = "tank,site,taken_at,variable,value,unit,replicate"
SAMPLES = [
    {"id": "ref-a", "kind": "reference", "variable": "nitrate", "value": 10.0},
    {"id": "blank", "kind": "blank", "variable": "nitrate"},
    {"id": "no2", "kind": "nitrite-standard", "variable": "nitrate", "value": 0.5},
]


@pytest.fixture(scope="session")
def sited(trial_of):
    tanks = [{"id": f"q0{b}-{t}", "block": f"q0{b}", "site": f"q0{b}"} for b in (1, 2) for t in "abc"]
    return trial_of(tanks=tanks, check_samples=SAMPLES)


@pytest.fixture(scope="session")
def take_checks(sited, taking_for):
    taking = taking_for(sited)

    def taken(content, checks=None, **more):
        return taking(content, beside=None if checks is None else Beside(checks=checks), **more)

    return taken


@pytest.fixture(scope="session")
def one(take_checks):
    """One reading a call: what is not named is right."""

    def taken(checks=None, **cells):
        row = {
            "tank": "ref-a",
            "site": "q01",
            "taken_at": "2026-04-06",
            "variable": "nitrate",
            "value": "9.6",
        }
        row |= {"unit": "mg/L", "replicate": ""} | cells
        return take_checks(f"{HEADER}\n{','.join(row.values())}\n", checks)

    return taken


def measured(taken):
    return taken.batch.checks[["site", "sample", "variable", "value", "sign"]].values.tolist()


def as_seen(taken):
    """The readings of check samples as the register gives them back."""
    checks = taken.batch.checks
    return checks.assign(reading=range(1, len(checks) + 1), file=taken.batch.file.name)


TAKEN = {
    "plain": ({}, ["q01", "ref-a", "nitrate", 9.6, ""]),
    "as nitrogen": (
        {"value": "2.2", "unit": "mg/L as N"},
        ["q01", "ref-a", "nitrate", 2.2 * 62.004 / 14.007, ""],
    ),
    "below the limit": ({"tank": "blank", "value": "<0.25"}, ["q01", "blank", "nitrate", 0.25, "<"]),
    "a photometer's 0 for a blank": ({"tank": "blank", "value": "0"}, ["q01", "blank", "nitrate", 0.0, ""]),
    "a nitrite standard": ({"tank": "no2", "value": "5"}, ["q01", "no2", "nitrate", 5.0, ""]),
    "before the trial": ({"taken_at": "2026-02-20"}, ["q01", "ref-a", "nitrate", 9.6, ""]),
}


@pytest.mark.parametrize(("cells", "reading"), TAKEN.values(), ids=TAKEN.keys())
def test_a_reading_of_a_check_sample_is_taken_apart_from_those_of_tanks(one, cells, reading):
    taken = one(**cells)
    assert taken.counts == (1, 0, 0)
    assert len(taken.batch.readings) == 0
    *names, value, sign = measured(taken)[0]
    assert [*names, sign] == [*reading[:3], reading[4]]
    # N 14.007, O 15.999: standard atomic weights of 2021, from memory.
    assert value == pytest.approx(reading[3], rel=1e-5)
    assert "1 reading of check samples taken, apart from those of tanks." in taken.remarks


HELD = {
    "no site": (
        {"site": ""},
        "no-site",
        "needs the site that measured it: write one in the column site, of q01, q02",
    ),
    "another site": ({"site": "q03"}, "unknown-site", '"q03" is not a site of this trial; did you mean'),
    "another variable": (
        {"variable": "phosphate", "value": "0.1"},
        "other-variable",
        "The check sample ref-a is for nitrate, and this is a reading of phosphate",
    ),
    "no variable": ({"variable": "banana"}, "unknown-variable", '"banana" is not a variable of this trial'),
    "0 of a reference": ({"value": "0"}, "zero", "cannot be shown to be 0"),
    "no unit": ({"unit": ""}, "no-unit", "Nitrate has no unit"),
    "impossible": ({"value": "5000"}, "out-of-bounds", "is not possible"),
    "tomorrow": ({"taken_at": "2026-07-02"}, "in-the-future", "is in the future"),
    "no number of a test": ({"replicate": "two"}, "not-a-replicate", '"two" is not the number of a test'),
}


@pytest.mark.parametrize(("cells", "code", "sentence"), HELD.values(), ids=HELD.keys())
def test_what_a_person_must_look_at_is_held(one, cells, code, sentence):
    taken = one(**cells)
    assert taken.counts == (0, 1, 0)
    assert len(taken.batch.checks) == 0
    assert code in taken.reasons(2)
    assert sentence in taken.reasons(2)[code]


def test_a_photometers_0_of_a_tank_is_held_as_ever(one):
    assert one(tank="q01-a", value="0").reasons(2).keys() == {"zero"}


def test_one_sample_at_two_sites_is_two_readings_and_at_one_site_a_contradiction(take_checks):
    rows = ["ref-a,q01,2026-04-06,nitrate,9.6,mg/L,", "ref-a,q02,2026-04-06,nitrate,10.4,mg/L,"]
    assert take_checks("\n".join([HEADER, *rows, ""])).counts == (2, 0, 0)
    torn = take_checks("\n".join([HEADER, *rows, rows[0].replace("9.6", "9.9"), ""]))
    assert torn.outcomes == {2: "held", 3: "accepted", 4: "held"}
    assert "for ref-a at q01, nitrate, 2026-04-06" in torn.reasons(2)["conflict-in-file"]
    second = take_checks("\n".join([HEADER, *rows, rows[0].replace("9.6", "9.9") + "2", ""]))
    assert second.counts == (3, 0, 0)


def test_what_is_in_already_is_repeated_and_another_value_is_held(one):
    seen = as_seen(one())
    assert one(seen).counts == (0, 0, 1)
    assert one(seen, site="q02").counts == (1, 0, 0)
    told = one(seen, value="9.9").reasons(2)["conflict-with-register"]
    assert told.startswith(
        "The register already holds 9.6 mg/L for ref-a at q01, nitrate, 2026-04-06 (from sent.csv, row 2)"
    )


def test_tanks_and_check_samples_stand_in_one_file_long_or_wide(take_checks):
    long = take_checks(
        f"{HEADER}\nq01-a,q01,2026-04-06,nitrate,12,mg/L,\nref-a,q01,2026-04-06,nitrate,9.6,mg/L,\n"
        "q09-a,q01,2026-04-06,nitrate,12,mg/L,\n"
    )
    assert long.outcomes == {2: "accepted", 3: "accepted", 4: "held"}
    assert (len(long.batch.readings), len(long.batch.checks)) == (1, 1)
    wide = take_checks(
        "tank;site;taken_at;nitrate [mg/L];phosphate [mg/L]\n"
        "q01-a;q01;2026-04-06;12;0,1\nblank;q01;2026-04-06;0;\nref-a;q01;2026-04-06;9,6;0,2\n"
    )
    assert wide.outcomes == {2: "accepted", 3: "accepted", 4: "held"}
    assert (len(wide.batch.readings), measured(wide)) == (2, [["q01", "blank", "nitrate", 0.0, ""]])
    assert (
        'Column "phosphate [mg/L]": the check sample ref-a is for nitrate'
        in wide.reasons(4)["other-variable"]
    )


def test_where_tanks_name_no_site_none_is_needed(trial_of, taking_for):
    take = taking_for(trial_of(check_samples=SAMPLES))
    taken = take("tank,taken_at,variable,value,unit\nref-a,2026-04-06,nitrate,9.6,mg/L\n")
    assert measured(taken) == [["", "ref-a", "nitrate", 9.6, ""]]
    assert take(
        "tank,taken_at,variable,value,unit\nref-a,2026-04-06,nitrate,9.6,mg/L\n",
        beside=Beside(checks=as_seen(taken)),
    ).counts == (0, 0, 1)
    told = take(f"{HEADER}\nref-a,q01,2026-04-06,nitrate,9.6,mg/L,\n").reasons(2)["unknown-site"]
    assert told == '"q01" is not a site of this trial, whose tanks name none: leave the site empty.'


def test_without_check_samples_in_the_protocol_their_ids_are_no_tanks(take):
    taken = take("tank,taken_at,variable,value,unit\nref-a,2026-04-06,nitrate,9.6,mg/L\n")
    assert taken.reasons(2).keys() == {"unknown-tank"}
