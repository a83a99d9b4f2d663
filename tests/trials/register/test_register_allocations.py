"""Allocations as the register keeps them: every field comes back, and bodies written before there were more are read."""

import datetime as dt
import json

import pytest

from schemas.allocation import Allocation, Assignment
from schemas.errors import RegisterError
from trials.register.bodies import AllocationBody
from trials.register.chain import Kind, following

AT = dt.datetime(2026, 4, 4, 19, 30, tzinfo=dt.UTC)
DIGEST = "ab" * 32
WHOLE = Allocation(
    (Assignment("t1", "control", "c1", None, 1), Assignment("t1", "polymer", "c1", None, 2)),
    drawn=True,
    random=True,
    how="the balls of 4 April",
    seed="4 17",
    attempt=7,
    balance_values=(("t1", 0.1 + 0.2), ("t2", 1e-9)),
    notes=("Draw 7 is the first that meets the balance rule.",),
)
OLD = {
    "assignments": [{"tank": "t1", "arm": "control", "block": None, "site": "s1"}],
    "drawn": False,
    "random": True,
    "how": "by lot",
    "seed": None,
}


def entry(body):
    return following(None, "try", Kind.ALLOCATION, AT, body)


def test_every_field_comes_back():
    body = AllocationBody(protocol=DIGEST, allocation=WHOLE, file=None)
    assert AllocationBody.of(entry(body.model_dump(mode="json"))).allocation == WHOLE


def test_a_body_without_the_newer_fields_is_read():
    read = AllocationBody.of(entry({"protocol": DIGEST, "allocation": OLD, "file": None})).allocation
    assert read == Allocation(
        (Assignment("t1", "control", None, "s1"),), drawn=False, random=True, how="by lot"
    )
    assert (read.attempt, read.balance_values, read.notes) == (None, (), ())


@pytest.mark.parametrize(
    "spoilt", [{"attempt": "seven"}, {"balance_values": [["t1"]]}, {"notes": "Balanced."}]
)
def test_a_body_of_another_shape_is_refused(spoilt):
    body = {"protocol": DIGEST, "allocation": json.loads(json.dumps(OLD)) | spoilt, "file": None}
    with pytest.raises(RegisterError, match=r"Entry 1 \(allocation\) is not in the form"):
        AllocationBody.of(entry(body))
