"""What a report is made of, for an invented trial; and a PostgreSQL server with a new register for each test."""

import datetime as dt
import importlib.util
import os
import secrets
from dataclasses import replace
from itertools import count
from pathlib import Path

import psycopg
import pytest
from psycopg.conninfo import conninfo_to_dict

from trials.environment import environment
from trials.register.server_script import script
from trials.report_material import ReportMaterial

_spec = importlib.util.spec_from_file_location(
    "private_server", Path(__file__).parents[1] / "private_server.py"
)
private_server = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(private_server)
HOMES = ["sqlite", *(["postgresql"] if private_server.at_hand() else [])]
_numbers = count(1)
# What only a server can do is not even collected where there is none; the session's header says so.
collect_ignore_glob = [] if "postgresql" in HOMES else ["*/test_server_*.py"]


def pytest_generate_tests(metafunc):
    """Each test of a register is run in every home that a register may have, unless it names those that it means."""
    if "home" in metafunc.fixturenames:
        meant = metafunc.definition.get_closest_marker("homes")
        metafunc.parametrize("home", meant.args if meant else HOMES, indirect=True)


@pytest.fixture(scope="session")
def start_server():
    """Makes servers of a test's own, with other settings."""
    return private_server.PrivateServer


@pytest.fixture(scope="session")
def server():
    """The address of a server for all tests, as its superuser."""
    if private_server.VARIABLE in os.environ:
        yield os.environ[private_server.VARIABLE]
        return
    with private_server.PrivateServer() as own:
        yield own.url()


@pytest.fixture(scope="session")
def address_of():
    """Makes the address of another database of a server, with other parts."""

    def make(server, database, **changes):
        parts = conninfo_to_dict(server) | {"dbname": database} | changes
        user, name = parts.pop("user"), parts.pop("dbname")
        return f"postgresql://{user}@/{name}?" + "&".join(f"{key}={value}" for key, value in parts.items())

    return make


@pytest.fixture(scope="session")
def template(server, address_of):
    """A database with a new register, to be copied."""
    name = f"fairtank_{secrets.token_hex(4)}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(
            f"CREATE DATABASE {name} TEMPLATE template0 ENCODING 'UTF8' LC_COLLATE 'C' LC_CTYPE 'C'"
        )
        with psycopg.connect(address_of(server, name), autocommit=True) as owner:
            owner.execute(script())
        yield name
        connection.execute(f"DROP DATABASE {name}")


@pytest.fixture
def database(server, template, address_of):
    """The address of a new register on the server, as its owner."""
    name = f"{template}_{next(_numbers)}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name} TEMPLATE {template}")
        yield address_of(server, name)
        connection.execute(f"DROP DATABASE {name} WITH (FORCE)")


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
