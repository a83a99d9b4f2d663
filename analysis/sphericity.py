"""Sphericity of complete blocks and the corrections of the omnibus F. The only importer of pingouin.

pingouin's p-values are taken at full precision; its epsilons are capped at 1 here as there, since a larger
correction would make the test less strict than assuming sphericity.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
from scipy import stats

from analysis.records import Sphericity

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from analysis.records import Omnibus


def sphericity(table: NDArray[np.float64], omnibus: Omnibus) -> Sphericity | None:
    """Mauchly's test with Greenhouse-Geisser and Huynh-Feldt corrected p of the omnibus F.

    Parameters
    ----------
    table : (blocks, arms) array
        Complete blocks, one number an arm.
    omnibus : Omnibus
        The F test to correct.

    Returns
    -------
    Sphericity or None
        None with fewer than three arms (sphericity holds then) or as few blocks as arms.
    """
    blocks, arms = table.shape
    if arms < 3 or blocks <= arms or omnibus.f is None:
        return None
    # pingouin takes over a second to load, and most analyses do not come this far.
    import pingouin as pg

    frame = pd.DataFrame(table)
    _, w, _, _, p = pg.sphericity(frame)
    epsilons = {name: min(1.0, float(pg.epsilon(frame, correction=name))) for name in ("gg", "hf")}
    corrected = {
        name: float(stats.f.sf(omnibus.f, epsilon * omnibus.df1, epsilon * omnibus.df2))
        for name, epsilon in epsilons.items()
    }
    return Sphericity(float(w), float(p), epsilons["gg"], epsilons["hf"], corrected["gg"], corrected["hf"])
