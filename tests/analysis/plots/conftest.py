"""What figures are asked in tests: the data of their layers and the words on them, not their pixels."""

import pytest


@pytest.fixture(scope="session")
def layers():
    """The data of all layers of one kind, in the order drawn."""

    def find(plot, kind):
        geoms = [layer.geom for layer in plot.layers if isinstance(layer.geom, kind)]
        return [plot.data if geom.data is None else geom.data for geom in geoms]

    return find


@pytest.fixture(scope="session")
def caption():
    """The caption of a figure as one line."""
    return lambda plot: plot.labels.caption.replace("\n", " ")
