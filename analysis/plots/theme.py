"""One look for every figure: an arm's colour and shape, type, sizes, captions, and files that repeat.

Colours are those of Okabe and Ito (2008, "Color Universal Design"), ordered so that the first arms differ in
lightness as well as in hue and stay apart in grey; the yellow is left out, being lost on white. Shape says
the same again.
"""

from __future__ import annotations

import io
import math
import textwrap
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import pandas as pd
from plotnine import (
    aes,
    element_blank,
    element_line,
    element_rect,
    element_text,
    geom_text,
    ggplot,
    guide_legend,
    guides,
    labs,
    scale_color_manual,
    scale_shape_manual,
    theme,
    theme_minimal,
)

from analysis.numerals import plain
from analysis.plots.marked import named
from schemas.vocabulary import ArmRole

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from schemas.protocol import Protocol

WIDTH = 7.0
"""Inches; the text width of an A4 page, and of the report on a screen."""
DPI = 200
INK = "#1a1a1a"
SOFT = "#595959"
RULE = "#d0d0d0"
FONT = "DejaVu Sans"
"""Comes with matplotlib, so that a figure is laid out alike on every machine."""
_POINT = 1 / 72
_LETTER = 0.6
"""Mean width of a letter in ems; on the wide side, so that what is fitted fits in other typefaces too."""

_COLOURS = ("#000000", "#0072b2", "#e69f00", "#009e73", "#cc79a7", "#d55e00", "#56b4e9")
_SHAPES = ("o", "^", "s", "D", "v", "p", "<", "h", ">", "8", "d")
_CONTEXT: dict[str, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "fairtank",
    "text.parse_math": False,
    "font.family": FONT,
    "path.simplify": False,
}

_METADATA: dict[str, dict[str, None]] = {
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
    "png": {"Software": None},
}


@dataclass(frozen=True)
class ArmLook:
    """How an arm is drawn in every figure."""

    colour: str
    shape: str


def arm_looks(protocol: Protocol) -> dict[str, ArmLook]:
    """Colour and shape by arm, in the protocol's order; the first control is black.

    Colours repeat after seven arms and shapes after eleven, so that no two of 77 arms look alike.
    """
    control = next((arm.id for arm in protocol.arms if arm.role is ArmRole.CONTROL), protocol.arms[0].id)
    ordered = sorted((arm.id for arm in protocol.arms), key=lambda arm: arm != control)
    looks = {
        arm: ArmLook(_COLOURS[i % len(_COLOURS)], _SHAPES[i % len(_SHAPES)]) for i, arm in enumerate(ordered)
    }
    return {arm.id: looks[arm.id] for arm in protocol.arms}


def arm_label(protocol: Protocol, arm: str, width: int = 30, lines: int = 3) -> str:
    """The arm's title, wrapped for a legend, a strip or an axis."""
    return wrapped(protocol.arm(arm).title, width, lines) or arm


def wrapped(text: str, width: int, lines: int) -> str:
    """Text on at most so many lines of so many letters; what does not fit ends in an ellipsis."""
    rows = textwrap.wrap(plain(text), width, break_on_hyphens=False)
    if lines == 1:
        return plain(text, width)
    if len(rows) > lines:
        rows = [*rows[: lines - 1], plain(" ".join(rows[lines - 1 :]), width)]
    return "\n".join(rows)


def arm_scales(
    protocol: Protocol, n: Mapping[str, int], width: float = WIDTH, *, legend: bool = True
) -> list[Any]:
    """Colour and shape scales with one legend, in the order of the protocol; ``n`` counts tanks by arm."""
    looks = arm_looks(protocol)
    labels = [f"{arm_label(protocol, arm)}, n = {n.get(arm, 0):,}" for arm in looks]
    rows = math.ceil(len(looks) / _legend_columns(labels, width))
    shared: dict[str, Any] = {"breaks": list(looks), "labels": labels, "name": ""}
    return [
        scale_color_manual(values={arm: look.colour for arm, look in looks.items()}, **shared),
        scale_shape_manual(values={arm: look.shape for arm, look in looks.items()}, **shared),
        # Each scale needs a guide of its own; being alike they are drawn as one, larger than in the panels.
        guides(
            color=guide_legend(order=1, nrow=rows, byrow=True, override_aes={"size": 2.2})
            if legend
            else "none",
            shape=guide_legend(order=1, nrow=rows, byrow=True) if legend else "none",
        ),
    ]


def legend_height(protocol: Protocol, width: float = WIDTH) -> float:
    """About how tall the legend of the arms is, in inches."""
    labels = [f"{arm_label(protocol, arm)}, n = 0,000" for arm in arm_looks(protocol)]
    rows = math.ceil(len(labels) / _legend_columns(labels, width))
    return rows * (0.06 + 0.15 * max(label.count("\n") + 1 for label in labels))


def _legend_columns(labels: Sequence[str], width: float) -> int:
    longest = max(len(line) for label in labels for line in label.splitlines())
    return max(1, int(width / (text_width("m" * longest, 8.5) + 0.35)))


def text_width(text: str, size: float) -> float:
    """About how wide a line of text is, in inches; ``size`` in points."""
    return len(text) * size * _LETTER * _POINT


def captioned(sentences: Iterable[str], width: float = WIDTH) -> Any:
    """The caption: what n is, how it was drawn, the level of intervals."""
    text = " ".join(sentence for sentence in sentences if sentence).replace("'", "\u2019")
    return labs(caption="\n".join(textwrap.wrap(text, int(width / text_width("m", 7.5) * 1.06))))


def look(width: float, height: float) -> theme:
    """The theme: dark ink on white, few lines, the figure's size in inches."""
    return theme_minimal(base_size=9, base_family=FONT) + theme(
        figure_size=(width, min(height, 24.0)),
        dpi=DPI,
        svg_usefonts=True,
        text=element_text(family=FONT, color=INK),
        axis_text=element_text(size=8, color=SOFT),
        axis_text_x=element_text(margin={"t": 3, "unit": "pt"}),
        axis_text_y=element_text(ha="right", margin={"r": 3, "unit": "pt"}),
        axis_title=element_text(size=8.5, color=INK),
        axis_title_x=element_text(margin={"t": 6, "unit": "pt"}),
        axis_title_y=element_text(rotation=90, margin={"r": 6, "unit": "pt"}),
        axis_ticks=element_line(color=RULE, size=0.5),
        axis_ticks_minor=element_blank(),
        panel_grid_minor=element_blank(),
        panel_grid_major_x=element_blank(),
        axis_ticks_length=3,
        panel_background=element_blank(),
        panel_grid_major_y=element_line(color="#ececec", size=0.4),
        panel_border=element_rect(color=RULE, fill=None, size=0.4),
        panel_spacing_x=0.02,
        panel_spacing_y=0.025,
        strip_text=element_text(size=8.5, color=INK, margin={"t": 3, "b": 3, "unit": "pt"}),
        strip_text_x=element_text(ha="left", ma="left"),
        legend_position="top",
        legend_justification="left",
        legend_box="vertical",
        legend_box_just="left",
        legend_title=element_blank(),
        legend_spacing=2,
        legend_text=element_text(size=8.5, color=INK, ha="left", ma="left"),
        legend_key=element_blank(),
        legend_key_width=22,
        legend_box_margin=0,
        plot_background=element_rect(fill="white", color="white"),
        plot_caption=element_text(
            size=7.5, color=SOFT, ha="left", linespacing=1.35, margin={"t": 8, "unit": "pt"}
        ),
        plot_caption_position="plot",
        plot_margin=0.012,
    )


def nothing(words: str, width: float = WIDTH) -> ggplot:
    """Draw words where there is nothing to draw, so that a report keeps its figure and says why it is empty."""
    frame = pd.DataFrame({"x": [0.0], "y": [0.0], "words": [words]})
    blank = {
        name: element_blank()
        for name in ("axis_text", "axis_title", "axis_ticks", "panel_grid", "panel_border")
    }
    return (
        ggplot(frame, aes("x", "y", label="words"))
        + geom_text(size=9, color=SOFT)
        + labs(caption="")
        + look(width, 1.0)
        + theme(**blank)
    )


def render(figure: ggplot, *kinds: str, dpi: int = DPI) -> dict[str, bytes]:
    """Draw a figure once and give it as each of ``svg``, ``png``, ``pdf``; the same figure gives the same bytes.

    Text stays text in an SVG. A letter that the typeface lacks is a box in a PNG, while an SVG takes it from
    the reader's own typefaces, so that one warning is no news.
    """
    mpl.use("agg")
    files = {}
    context: dict[Any, Any] = {**figure.theme.rcParams, **_CONTEXT}
    with mpl.rc_context(context), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph \d+ .* missing from", category=UserWarning)
        drawn = figure.draw(show=False)
        for kind in kinds:
            file = io.BytesIO()
            drawn.savefig(file, format=kind, metadata=_METADATA[kind], dpi=dpi)
            files[kind] = file.getvalue()
            drawn.set_layout_engine("none")  # laid out once, alike in every format
    if "svg" in files:
        family = f"font-family: '{FONT}'".encode()
        files["svg"] = named(
            files["svg"].replace(family, family + b", Verdana, sans-serif").decode()
        ).encode()
    return files


def columns_for(panels: int) -> int:
    """Columns of small panels: few enough to read, and the last row not nearly empty."""
    if panels <= 3:
        return max(panels, 1)
    most = next(columns for limit, columns in ((8, 4), (24, 5), (10_000, 6)) if panels <= limit)
    return min(range(max(2, most - 2), most + 1), key=lambda columns: ((-panels) % columns, -columns))
