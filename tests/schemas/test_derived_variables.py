"""Variables that are worked out: what they are called, and what an endpoint on one may and may not be."""

import pytest

from schemas.derived_variables import DERIVED, derived_named, never_read
from schemas.protocol_rules import mistakes
from schemas.ucum import ucum_code
from schemas.variables import catalogue, endpoint_variables, variables_for

SOUND = {
    "id": "worked",
    "role": "secondary",
    "variable": "nitrate-removed",
    "summary": "mean",
    "phase": "assessment",
    "better": "higher",
}


def told(raw, endpoint, **parts):
    """What is wrong with the sound protocol and one more endpoint."""
    endpoints = [raw["endpoints"][0], SOUND | endpoint]
    return [
        str(mistake).removeprefix('endpoints "worked".')
        for mistake in mistakes(raw | {"endpoints": endpoints} | parts)
    ]


ALLOWED = [
    {},
    {"baseline": "adjust", "role": "safety", "worthwhile": 0.1},
    {"variable": "carbon-given"},
    {"variable": "feed-given", "scale": "ratio", "worthwhile": 1.25},
    {
        "variable": "losses",
        "summary": "count",
        "scale": "ratio",
        "better": "lower",
        "role": "safety",
        "worthwhile": 0.5,
    },
    {"variable": "stall-days", "summary": "count", "scale": "ratio", "better": "lower"},
]


@pytest.mark.parametrize("endpoint", ALLOWED)
def test_an_endpoint_may_be_of_what_events_tell(raw, endpoint):
    assert told(raw, endpoint) == []


REFUSED = {
    "primary": (
        {"role": "primary", "worthwhile": 0.1},
        (
            'role: "primary" does not fit nitrate-removed, which is worked out from events and readings of nitrate; let a variable '
            "that is read decide the question, and make this one secondary or safety."
        ),
    ),
    "slope": (
        {"summary": "slope"},
        'summary: "slope" does not fit nitrate-removed, which is one number a tank and phase; use summary = "mean".',
    ),
    "mean of losses": (
        {"variable": "losses"},
        'summary: "mean" does not fit losses, which is one number a tank and phase; use summary = "count".',
    ),
    "ratio": (
        {"scale": "ratio"},
        'scale: "ratio" does not fit nitrate-removed, which is 0 or below in some tanks; use scale = "difference".',
    ),
    "carbon before carbon": (
        {"variable": "carbon-given", "baseline": "change"},
        'baseline: carbon-given has no baseline, before any carbon is given; use baseline = "none".',
    ),
    "count as difference": (
        {"variable": "faults", "summary": "count"},
        (
            'scale: "difference" does not fit the summary "count", whose rates are compared as a ratio; write scale = "ratio", '
            "with worthwhile as a ratio of rates."
        ),
    ),
}


@pytest.mark.parametrize(("endpoint", "sentence"), REFUSED.values(), ids=REFUSED)
def test_what_it_may_not_be_is_one_sentence(raw, endpoint, sentence):
    assert told(raw, endpoint) == [sentence]


def test_litres_and_readings_that_it_rests_on_have_to_be_there(raw):
    bare = [
        raw["tanks"][0],
        *({k: v for k, v in tank.items() if k != "volume_L"} for tank in raw["tanks"][1:3]),
        *raw["tanks"][3:],
    ]
    assert told(raw, {}, tanks=bare) == [
        (
            "variable: nitrate-removed is counted by litre, and tank q01-b and 1 more has no volume_L; write the net litres of "
            "every tank."
        )
    ]
    sampling = [{"variable": "nitrate", "every_days": 7}]
    assert told(
        raw, {"variable": "nitrate-per-phosphate"}, schedule=raw["schedule"] | {"sampling": sampling}
    ) == [
        (
            "variable: nitrate-per-phosphate rests on readings of phosphate, which the schedule does not sample; add { variable = "
            '"phosphate", every_days = 7 } to the sampling.'
        )
    ]


@pytest.mark.parametrize(
    ("section", "item"),
    [
        ("stop_rules", {"variable": "carbon-given", "above": 2.0, "action": "stop"}),
        ("kits", {"id": "spoon", "variable": "carbon-given", "limit": 0.1}),
    ],
)
def test_it_is_neither_sampled_nor_read_with_a_kit(raw, section, item):
    (found,) = [str(one) for one in mistakes(raw | {section: [item]})]
    assert found.endswith(
        '"carbon-given" is not read but worked out from events; leave it out here; only a secondary or safety endpoint may '
        "name it."
    )


def test_a_variable_of_the_protocols_own_comes_before_one_that_is_worked_out(raw):
    own = raw | {"variables": [*raw["variables"], {"id": "losses", "unit": "1", "hard": [0, 50]}]}
    assert not mistakes(own | {"endpoints": [raw["endpoints"][0], SOUND | {"variable": "losses"}]})


def test_they_are_known_to_endpoints_alone_and_each_says_how_it_is_worked_out(protocol_of):
    sound = protocol_of()
    assert not set(DERIVED) & (set(variables_for(sound)) | set(catalogue()))
    assert set(DERIVED) <= set(endpoint_variables(sound))
    assert all(one.computed and one.source and ucum_code(one.unit) for one in DERIVED.values())
    assert all(set(one.reads) <= set(catalogue()) for one in DERIVED.values())


@pytest.mark.parametrize("text", ["Carbon given", "carbon_given", " CARBON-GIVEN "])
def test_a_person_may_space_a_name_as_they_like(text):
    found = derived_named(text)
    assert found is DERIVED["carbon-given"]
    assert (
        never_read(found)
        == "carbon-given is not read but worked out from events: send those, and leave it out"
    )
