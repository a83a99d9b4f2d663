"""Missing tanks filled in and shifted: exact where nothing is missing, and turning where it must."""

import math

import numpy as np
import pytest

from analysis.evaluation import evaluate


def again(trial, protocol=None, readings=None):
    return evaluate(
        protocol or trial.protocol, trial.allocation, trial.readings if readings is None else readings,
        protocol_digest="ab" * 32, data_digest="cd" * 32, version="0",
    )  # fmt: skip


def with_imputations(protocol, number):
    parts = protocol.model_dump(mode="json", exclude_none=True)
    parts["analysis"]["imputations"] = number
    return type(protocol).model_validate(parts)


def named(endpoint, name):
    return next((s for s in endpoint.sensitivity if s.name == name), None)


def test_filling_in_is_done_only_where_the_protocol_asks(club):
    assert named(club.analysis.endpoints[0], "imputation") is None
    asked = again(club, with_imputations(club.protocol, 20)).endpoints[0]
    filled = named(asked, "imputation")
    for ours, theirs in zip(asked.contrasts, filled.contrasts, strict=True):
        assert theirs.estimate == pytest.approx(ours.estimate, rel=0.25)
        assert theirs.low < theirs.estimate < theirs.high
    # Seeded by the digest: the same again.
    assert again(club, with_imputations(club.protocol, 20)).endpoints[0] == asked


def test_kinds_that_are_not_filled_in_say_so(club):
    parts = with_imputations(club.protocol, 2).model_dump(mode="json", exclude_none=True)
    plain = parts["endpoints"][0]
    timed = plain | {
        "id": "days",
        "summary": "days-to-target",
        "target": 10,
        "scale": "difference",
        "baseline": "none",
    }
    parts["endpoints"] = [plain, timed]
    for endpoint in again(club, type(club.protocol).model_validate(parts)).endpoints:
        said = any("Nothing is filled in" in note for note in endpoint.notes)
        assert said == (endpoint.id == "days") == (named(endpoint, "imputation") is None)


def test_whole_data_are_not_changed_by_filling_in(invent):
    trial = invent()
    keep = trial.readings["variable"] == "nitrate"
    table = trial.readings[keep].copy()
    # One reading on every due day of every tank: nothing to fill in.
    due = trial.protocol.due_days("nitrate")
    rows = table.groupby("tank").head(1)
    whole = rows.loc[rows.index.repeat(len(due))].reset_index(drop=True)
    whole["taken_at"] = np.tile(np.array(due, dtype="datetime64[us]"), len(rows))
    whole["value"] = whole["value"] * np.exp(0.2 * np.random.default_rng(5).standard_normal(len(whole)))
    asked = again(trial, with_imputations(trial.protocol, 5), whole).endpoints[0]
    for ours, theirs in zip(asked.contrasts, named(asked, "imputation").contrasts, strict=True):
        assert (theirs.estimate, theirs.se) == pytest.approx((ours.estimate, ours.se), rel=1e-6)


def test_tipping_table_is_there_only_for_arms_that_lost_tanks(club, invent):
    endpoint = club.analysis.endpoints[0]
    (missing,) = [tank for tank in endpoint.tanks if tank.y is None]
    assert {table.arm for table in endpoint.tipping} == {missing.arm}
    assert all(table.tanks == 1 for table in endpoint.tipping)
    assert invent().analysis.endpoints[0].tipping == ()


def test_a_shift_moves_the_verdict_and_none_is_in_the_middle(club):
    for table in club.analysis.endpoints[0].tipping:
        middle = len(table.shifts) // 2
        assert table.shifts[middle] == pytest.approx(1.0)
        # Half a worthwhile difference (a factor of 0.8) a step, on the ratio scale.
        assert table.shifts[middle + 1] == pytest.approx(math.sqrt(1 / 0.8))
        assert len(table.verdicts) == len(table.shifts)
        for limit in (table.down, table.up):
            if limit is not None:
                assert limit != pytest.approx(1.0)
