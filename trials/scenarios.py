"""The invented scenarios that travel with fairtank: where they are, and the story of each."""

from __future__ import annotations

import datetime as dt  # noqa: TC003 - kept importable for readers of the annotations
import tomllib
from dataclasses import dataclass
from pathlib import Path

STORY = "story.toml"


@dataclass(frozen=True)
class IntakeStep:
    """Files of one folder that arrived together."""

    what: str
    folder: str
    at: dt.datetime


@dataclass(frozen=True)
class Story:
    """When things happened in an invented trial, the seed that was drawn in public, and what went otherwise."""

    title: str
    registered_at: dt.datetime
    drawn_at: dt.datetime
    reported_at: dt.datetime
    seed: str
    intake: tuple[IntakeStep, ...]
    deviations: tuple[str, ...] = ()


def scenarios_folder() -> Path:
    """Where the invented scenarios are: inside an installed package, or beside the packages in a checkout."""
    inside = Path(__file__).resolve().parent / "data"
    return inside if inside.is_dir() else inside.parent.parent / "data"


def scenario_names() -> list[str]:
    """The scenarios to choose from."""
    return sorted(path.parent.name for path in scenarios_folder().glob(f"*/{STORY}"))


def read_story(folder: Path) -> Story:
    """Read the story of a scenario."""
    raw = tomllib.loads((folder / STORY).read_text(encoding="utf-8"))
    raw["intake"] = tuple(IntakeStep(**step) for step in raw["intake"])
    raw["deviations"] = tuple(raw.get("deviations", ()))
    return Story(**raw)
