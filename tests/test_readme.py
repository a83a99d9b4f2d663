"""README's commands: the worked trial runs as written, and every command and option is where README says it is."""

import re
import shlex
import shutil
from pathlib import Path

import pytest

from trials.cli import app, main

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def block(name):
    """The shell commands under a marker of README."""
    found = re.search(rf"<!-- {re.escape(name)} -->\n```sh\n(.*?)```", README, re.DOTALL)
    assert found, f"README.md has no block {name!r}"
    return [line for line in found[1].splitlines() if line and not line.startswith("#")]


def expanded(words, folder):
    """Words with a star as the shell would give them."""
    return [
        path
        for word in words
        for path in (sorted(str(p.relative_to(folder)) for p in folder.glob(word)) if "*" in word else [word])
    ]


def test_worked_trial_runs_as_written(tmp_path, monkeypatch, capsys):
    shutil.copytree(ROOT / "data", tmp_path / "data")
    monkeypatch.chdir(tmp_path)
    statuses = {}
    for line in block("commands: worked trial"):
        command, *words = shlex.split(line)
        assert command == "fairtank"
        statuses[line] = main(expanded(words, tmp_path))
        shown = capsys.readouterr()
        # 3 says that rows are held, as the scenario means some to be.
        assert statuses[line] in {0, 3}, shown.err
        assert "Traceback" not in shown.err
    assert {status for line, status in statuses.items() if " intake " not in line} == {0}
    assert (tmp_path / "quillmere-2025-report" / "report.html").stat().st_size > 10_000


def test_the_two_commands_are_one_line_each_with_an_environment_of_their_own():
    for name in ("command: demo", "command: test"):
        (line,) = block(name)
        assert line.startswith("python3 -m venv .venv && .venv/bin/pip install")


@pytest.mark.parametrize("command", sorted(c.name or c.callback.__name__ for c in app.registered_commands))
def test_every_command_is_in_readme_and_helps(command, capsys):
    assert f"fairtank {command}" in README
    assert main([command, "--help"]) == 0
    shown = capsys.readouterr().out
    assert "Usage: fairtank" in shown
    assert len(shown.splitlines()) > 5


def test_figures_that_readme_shows_are_there():
    for path in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README):
        assert (ROOT / path).is_file()
