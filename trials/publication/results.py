"""What a publication prints as the document of an analysis, marked as such; what only readings tell is empty."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.conclusions import favours, margin, verdict
from analysis.document import document
from analysis.evaluation import endpoint_unit
from analysis.records import Analysis, ArmSummary, Contrast, EndpointResult, Ranks, ReadingCount
from schemas.errors import PublicationError
from schemas.units import conversion
from schemas.vocabulary import DesignKind, Scale, Summary, Variance
from trials import __version__
from trials.publication.working import worked_contrasts

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.published_contrasts import PrintedArm, Worked
    from schemas.protocol import Endpoint
    from schemas.variables import Variable
    from trials.publication.publication import PrintedEndpoint, Publication

_UNFIT = frozenset({Summary.COUNT, Summary.DAYS_TO_TARGET})


def with_results(
    publication: Publication, tables: Sequence[PrintedEndpoint], variables: Mapping[str, Variable]
) -> Publication:
    """The publication with its document and remarks.

    Raises
    ------
    PublicationError, UnitError
        A table cannot be worked out.
    """
    endpoints, sizes, remarks = [], [], []
    for table in tables:
        if table.endpoint.summary in _UNFIT:
            raise PublicationError(
                f"{table.endpoint.id}: a {table.endpoint.summary} is compared by its own methods, which need readings."
            )
        result, n, said = _endpoint(table, publication, variables[table.endpoint.variable])
        endpoints.append(result)
        sizes.append(n)
        remarks += said
    analysis = Analysis(
        trial=publication.id,
        protocol_digest="",
        data_digest=publication.digest,
        fairtank=__version__,
        endpoints=tuple(endpoints),
        readings=ReadingCount(0, {}, 0, 0, 0, 0, 0, None, None),
        notes=(f"From a publication, not from readings: {publication.citation}",),
    )
    made = document(analysis)
    for endpoint, n in zip(made["endpoints"], sizes, strict=True):
        endpoint["n_tanks"] = n
    made |= {
        "from_publication": True,
        "publication": {
            "citation": publication.citation,
            "doi": publication.doi or None,
            "of_trial": publication.of_trial or None,
            "source": publication.source or None,
        },
    }
    return replace(publication, results=made, remarks=tuple(dict.fromkeys(remarks)))


def _endpoint(
    table: PrintedEndpoint, publication: Publication, variable: Variable
) -> tuple[EndpointResult, int, list[str]]:
    endpoint = table.endpoint
    # A ratio that is printed as such needs no unit.
    into = conversion(table.unit or variable.unit, variable)
    if into.offset and endpoint.scale is Scale.RATIO:
        raise PublicationError(f"{endpoint.id}: a ratio in {table.unit} means nothing.")
    arms = [arm.id for arm in publication.arms]
    worked, printed, remarks = worked_contrasts(table, publication.design, arms, into)
    sizes = {name: arm.n for name, (arm, _) in printed.items()}
    if not sizes:
        sizes = _sizes(table, worked)
    result = EndpointResult(
        id=endpoint.id,
        title=endpoint.title or endpoint.id,
        role=endpoint.role,
        variable=endpoint.variable,
        summary=endpoint.summary,
        phase=endpoint.phase,
        baseline=endpoint.baseline,
        scale=endpoint.scale,
        better=endpoint.better,
        worthwhile=endpoint.worthwhile,
        unit=endpoint_unit(endpoint, variable.unit),
        alpha=table.alpha,
        variance=Variance.OWN,
        multiplicity="none",
        tanks=(),
        n_blocks=max(sizes.values(), default=0) if publication.design is DesignKind.BLOCKS else 0,
        arms=tuple(_summary(name, n, printed.get(name)) for name, n in sizes.items()),
        omnibus=None,
        contrasts=tuple(_contrast(endpoint, pair, found, table.alpha) for pair, found in worked.items()),
        ranks=Ranks(None, ()),
        sphericity=None,
        sensitivity=(),
        flow=(),
        notes=tuple(remarks),
    )
    return result, sum(sizes.values()), remarks


def _sizes(table: PrintedEndpoint, worked: Mapping[tuple[str, str], Worked]) -> dict[str, int]:
    """Tanks of each arm, from rows of contrasts: the most that any of them has."""
    sizes: dict[str, int] = {}
    for row, ((test, reference), found) in zip(table.rows, worked.items(), strict=True):
        each = [row.get("n_test") or found.n, row.get("n_reference") or found.n]
        for arm, n in zip((test, reference), each, strict=True):
            sizes[arm] = max(sizes.get(arm, 0), int(float(n)))
    return sizes


def _summary(name: str, n: int, printed: tuple[PrintedArm, bool] | None) -> ArmSummary:
    if printed is None:
        return ArmSummary(name, n, None, None)
    arm, logs = printed
    return (
        ArmSummary(name, n, None, None, math.exp(arm.mean)) if logs else ArmSummary(name, n, arm.mean, arm.sd)
    )


def _contrast(endpoint: Endpoint, pair: tuple[str, str], found: Worked, alpha: float) -> Contrast:
    low, high = found.limits(1 - alpha)
    reported = [
        math.exp(value) if endpoint.scale is Scale.RATIO else value for value in (found.estimate, low, high)
    ]
    return Contrast(
        *pair,
        n=found.n,
        estimate=reported[0],
        se=found.se,
        df=found.df,
        low=reported[1],
        high=reported[2],
        p=found.p,
        verdict=verdict(low, high, margin(endpoint.worthwhile, endpoint.scale)),
        favours=favours(found.estimate, *pair, endpoint.better),
    )
