"""One look: arms that can be told apart, text that stays text, and files that repeat."""

from itertools import pairwise

import pandas as pd
import pytest
from plotnine import aes, geom_point, ggplot, labs

from analysis.plots.theme import (
    arm_label,
    arm_looks,
    arm_scales,
    columns_for,
    look,
    render,
    wrapped,
)
from schemas.protocol import Arm

HOSTILE = '<script>alert("x")</script> $\\frac$ \u202egnp.exe \U0001f420 水 ' + "long " * 60


def lightness(colour):
    """CIE L* of a colour as #rrggbb; IEC 61966-2-1 for sRGB, from memory."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    y = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return 116 * y ** (1 / 3) - 16 if y > 0.008856 else 903.3 * y


def with_arms(protocol, titles, control=0):
    """The protocol with arms of these titles."""
    arms = tuple(
        Arm(id=f"a{i}", role="control" if i == control else "test", title=title)
        for i, title in enumerate(titles)
    )
    return protocol.model_copy(update={"arms": arms})


def test_three_arms_differ_in_grey_as_in_colour(club):
    looks = list(arm_looks(club.protocol).values())
    greys = sorted(lightness(arm.colour) for arm in looks)
    assert min(b - a for a, b in pairwise(greys)) > 20
    assert len({arm.shape for arm in looks}) == 3


def test_seventy_seven_arms_are_all_different_and_the_control_is_black(club):
    looks = arm_looks(with_arms(club.protocol, [str(i) for i in range(77)], control=5))
    assert len({(arm.colour, arm.shape) for arm in looks.values()}) == 77
    assert looks["a5"].colour == "#000000"
    assert list(looks) == [f"a{i}" for i in range(77)]


def test_arms_of_one_title_stay_two_entries_of_the_legend(club):
    colours, shapes, _ = arm_scales(with_arms(club.protocol, ["Same", "Same"]), {"a0": 3, "a1": 1200})
    assert list(colours.breaks) == list(shapes.breaks) == ["a0", "a1"]
    assert colours.labels == ["Same, n = 3", "Same, n = 1,200"]


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Polymer pellets", "Polymer pellets"),
        ("Polymer pellets in a fluidised bed", "Polymer\npellets in a\nfluidised b…"),
        ("x" * 50, f"{'x' * 12}\n{'x' * 12}\n{'x' * 11}…"),
        ("", ""),
    ],
)
def test_text_is_wrapped_to_its_room(text, shown):
    assert wrapped(text, 12 if len(text) > 15 else 20, 3) == shown


def test_hostile_title_is_short_and_turns_nothing(club):
    label = arm_label(with_arms(club.protocol, [HOSTILE]), "a0")
    assert max(map(len, label.splitlines())) <= 30
    assert len(label.splitlines()) == 3
    assert "\u202e" not in label


@pytest.mark.parametrize(("panels", "columns"), [(0, 1), (1, 1), (3, 3), (6, 3), (8, 4), (9, 3), (40, 5)])
def test_panels_fill_their_rows(panels, columns):
    assert columns_for(panels) == columns


def drawing():
    """A figure with awkward words on it."""
    frame = pd.DataFrame({"x": [1.0, 2.0], "y": [2.0, 1.0]})
    return ggplot(frame, aes("x", "y")) + geom_point() + labs(x="$5 & <b>µ</b>", y="水") + look(3, 2)


def test_files_repeat_byte_for_byte():
    first, again = (render(drawing(), "svg", "png", "pdf") for _ in range(2))
    assert first == again
    assert first["png"].startswith(b"\x89PNG")
    assert first["pdf"].startswith(b"%PDF")


def test_svg_holds_text_as_text_and_no_date():
    svg = render(drawing(), "svg")["svg"].decode()
    assert ">$5 &amp; &lt;b&gt;µ&lt;/b&gt;</text>" in svg
    assert ">水</text>" in svg
    assert "DejaVu Sans', Verdana, sans-serif" in svg
    assert "date" not in svg.lower()
