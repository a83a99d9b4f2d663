"""What the numbers were computed on."""

from __future__ import annotations

import platform
from importlib import metadata

_LIBRARIES = (
    "numpy",
    "pandas",
    "scipy",
    "statsmodels",
    "pingouin",
    "plotnine",
    "matplotlib",
    "pydantic",
    "sqlalchemy",
)


def environment() -> dict[str, str]:
    """Versions of Python and of the libraries that the numbers and figures depend on."""
    return {"Python": platform.python_version()} | {name: metadata.version(name) for name in _LIBRARIES}
