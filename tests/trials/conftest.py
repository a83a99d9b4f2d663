"""What a report is made of, for an invented trial."""

import datetime as dt
from dataclasses import replace

import pytest

from trials.environment import environment
from trials.report import ReportMaterial


@pytest.fixture(scope="session")
def report_material():
    """The builder of a report's material; keywords change single parts of it."""

    def make(trial, **changes):
        made = ReportMaterial(
            protocol=trial.protocol,
            digest="ab" * 32,
            registered_at=dt.datetime(2026, 2, 20, 19, 30, tzinfo=dt.UTC),
            allocation=trial.allocation,
            allocated_at=dt.datetime(2026, 4, 4, 20, 0, tzinfo=dt.UTC),
            readings=trial.readings,
            held=(),
            analysis=trial.analysis,
            head="ef" * 32,
            entries=(),
            fairtank="0.1.0",
            environment=environment(),
            made_at=dt.datetime(2026, 8, 1, 12, 0, tzinfo=dt.UTC),
        )
        return replace(made, **changes)

    return make
