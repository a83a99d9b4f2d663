"""Power over the designs of a search: a map of blocks against weeks, the best of all else in each field."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from plotnine import (
    aes,
    element_blank,
    geom_text,
    geom_tile,
    ggplot,
    labs,
    scale_color_identity,
    scale_fill_gradient,
    theme,
)

from analysis.plots.theme import INK, WIDTH, captioned, look
from analysis.search import grid

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.search import Found

_LOW, _HIGH = "#f2f2f2", "#0072b2"
_DARK = 0.75
"""Power from which a field is dark enough for white letters."""


def figure(found: Sequence[Found], wanted: float, unit: str, *, width: float = WIDTH) -> ggplot:
    """Draw the map; fields that reach the wished power carry a mark as well as a darker colour."""
    down, across, table = grid(found, "weeks", "blocks")
    rows = [
        {
            "blocks": str(size),
            "weeks": str(weeks),
            "power": table[row, column],
            "label": f"{100 * table[row, column]:.0f} %{' ✓' if table[row, column] >= wanted else ''}",
            "ink": "#ffffff" if table[row, column] >= _DARK else INK,
        }
        for row, weeks in enumerate(down)
        for column, size in enumerate(across)
        if np.isfinite(table[row, column])
    ]
    data = pd.DataFrame(rows)
    data["blocks"] = pd.Categorical(data["blocks"], [str(size) for size in across], ordered=True)
    data["weeks"] = pd.Categorical(data["weeks"], [str(weeks) for weeks in down], ordered=True)
    parts: list[Any] = [
        geom_tile(aes(fill="power"), color="#ffffff", size=1),
        geom_text(aes(label="label", color="ink"), size=8),
        scale_fill_gradient(low=_LOW, high=_HIGH, limits=(0, 1), guide=None),
        scale_color_identity(guide=None),
        labs(x=unit.capitalize(), y="Weeks assessed"),
        captioned(
            [
                (
                    f"Power of the weakest comparison, n = {len(found)} designs; the best over sampling days and duplicates "
                    f"in each field. ✓ reaches {100 * wanted:.0f} %."
                ),
                "Assumed figures: for planning, never evidence.",
            ],
            width,
        ),
        look(width, 1.5 + 0.5 * len(down)),
        theme(panel_grid_major_y=element_blank()),
    ]
    plot = ggplot(data, aes("blocks", "weeks"))
    for part in parts:
        plot = plot + part
    return plot
