"""The built wheel: it carries all that the commands need, and runs where the user has folders of the same names."""

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """The wheel, built from this checkout without the network."""
    place = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", place, ROOT],
        check=True,
        capture_output=True,
    )
    (built,) = place.glob("fairtank-*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel, tmp_path_factory):
    """The wheel's own files under a prefix, its command and the environment that finds them first."""
    prefix = tmp_path_factory.mktemp("prefix")
    subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "install",
            "--quiet",
            "--no-deps",
            "--no-index",
            "--prefix",
            prefix,
            wheel,
        ],
        check=True,
        capture_output=True,
    )
    (packages,) = prefix.rglob("site-packages")
    (command,) = (path for path in prefix.rglob("fairtank*") if path.parent.name in {"bin", "Scripts"})
    return command, os.environ | {"PYTHONPATH": str(packages)}


def test_wheel_holds_templates_and_scenarios(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    for needed in (
        "trials/templates/report.html.j2",
        "trials/data/club/protocol.toml",
        "trials/data/farm/protocol.toml",
        "trials/cli/__init__.py",
    ):
        assert needed in names
    assert not [name for name in names if name.startswith(("tests/", "data/"))]


def test_command_runs_beside_files_of_the_same_names(installed, tmp_path):
    command, environment = installed
    for folder in ("analysis", "schemas"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "__init__.py").write_text(
            "raise SystemExit('the user\\'s own folder was imported')\n"
        )
    (tmp_path / "trials.py").write_text("raise SystemExit('the user\\'s own file was imported')\n")
    for name in ("protocol.toml", "tanks.csv"):
        shutil.copy(ROOT / "data" / "club" / name, tmp_path)

    def run(*words):
        return subprocess.run(
            [command, *words], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
        )

    assert run("--version").stdout.startswith("fairtank ")
    registered = run("register", "protocol.toml")
    assert (registered.returncode, registered.stderr) == (0, "")
    allocated = run("allocate", "--seed", "4 17 23 31 40 8")
    assert (allocated.returncode, allocated.stderr) == (0, "")


def test_scenarios_come_out_of_the_wheel(installed, tmp_path):
    command, environment = installed
    del command
    found = subprocess.run(
        [
            sys.executable,
            "-P",
            "-c",
            "from trials.scenarios import scenarios_folder; print(scenarios_folder())",
        ],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert Path(found.stdout.strip()).parts[-2:] == ("trials", "data")
