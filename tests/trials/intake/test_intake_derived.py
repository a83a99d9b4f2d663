"""What is worked out of events is never read: a row or a column of it is left with one sentence."""

import pytest


@pytest.mark.parametrize("name", ["carbon-given", "Carbon given", "feed-given", "losses"])
def test_a_reading_of_what_is_worked_out_is_held(taking_for, trial_of, name):
    taken = taking_for(trial_of())(
        f"tank,taken_at,variable,value,unit\nq01-a,2026-04-06,nitrate,5,mg/L\nq01-a,2026-04-06,{name},1,1\n"
    )
    assert taken.counts == (1, 1, 0)
    assert taken.reasons(3)["unknown-variable"].startswith(name.lower().replace(" ", "-"))
    assert taken.reasons(3)["unknown-variable"].endswith(
        " is not read but worked out from events: send those, and leave it out."
    )


def test_a_column_of_it_is_left_alone_and_said(taking_for, trial_of):
    taken = taking_for(trial_of())(
        "tank,taken_at,nitrate [mg/L],carbon given [mg/L]\nq01-a,2026-04-06,5,0.5\n"
    )
    assert taken.counts == (1, 0, 0)
    assert (
        'Column "carbon given [mg/L]" was left alone: carbon-given is not read but worked out from events: send those, and '
        "leave it out."
    ) in taken.remarks
