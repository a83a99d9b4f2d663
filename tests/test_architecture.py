"""The rules that hold the house up: which package may import what, what start-up loads, what is documented."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("schemas", "analysis", "trials")

MAY_NOT_IMPORT = {
    "schemas": {"analysis", "trials", "typer", "sqlalchemy", "plotnine", "pingouin", "jinja2"},
    "analysis": {"trials", "typer", "sqlalchemy", "jinja2", "pandera", "rich"},
    "trials": set(),
}
ONLY_IN = {
    "typer": "trials/cli/",
    "sqlalchemy": "trials/register/",
    "pingouin": "analysis/sphericity.py",
    "plotnine": "analysis/plots/",
}
HEAVY = (
    "pandas",
    "pandera",
    "pingouin",
    "plotnine",
    "scipy",
    "sqlalchemy",
    "numpy",
    "pydantic",
    "matplotlib",
    "jinja2",
)
FORBIDDEN_NAMES = {"utils", "helpers", "core", "common", "manager"}


def modules():
    return sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))


def imported(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module.split(".")[0]


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.relative_to(ROOT).as_posix())
def test_imports_point_one_way(path):
    place = path.relative_to(ROOT).as_posix()
    found = set(imported(path))
    assert not found & MAY_NOT_IMPORT[place.split("/")[0]]
    strays = {name for name, home in ONLY_IN.items() if name in found and not place.startswith(home)}
    assert not strays


def test_no_drawer_modules():
    assert not [path for path in modules() if path.stem in FORBIDDEN_NAMES]


def test_modules_are_one_idea():
    long = {path.relative_to(ROOT).as_posix(): len(path.read_text().splitlines()) for path in modules()}
    assert not {place: lines for place, lines in long.items() if lines > 480}


def test_public_functions_are_documented():
    undocumented = [
        f"{path.relative_to(ROOT)}: {node.name}"
        for path in modules()
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
        and not node.name.startswith("_")
        and not ast.get_docstring(node)
    ]
    assert not undocumented


def test_help_loads_no_heavy_library():
    code = (
        "import sys, io, contextlib\n"
        "from trials.cli import main\n"
        "with contextlib.redirect_stdout(io.StringIO()) as text:\n"
        "    status = main(['--help'])\n"
        "assert status == 0 and 'intake' in text.getvalue()\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_nothing_hides_in_the_tests_folder():
    assert not list((ROOT / "tests").rglob("__init__.py"))
