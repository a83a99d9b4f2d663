"""The analysis that a protocol registers, in words and as a formula: what will run, before any data."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.derived_variables import DerivedVariable
from schemas.variables import endpoint_variables
from schemas.vocabulary import Baseline, DesignKind, EndpointRole, Multiplicity, Scale, Summary, Variance

if TYPE_CHECKING:
    from schemas.protocol import Endpoint, Protocol

_SUMMARIES = {
    Summary.MEAN: "the mean of its sampling days",
    Summary.MEDIAN: "the median of its sampling days",
    Summary.LAST: "its last sampling day",
    Summary.CHANGE: "its last sampling day minus its first",
    Summary.SLOPE: "the least-squares slope per day",
    Summary.AUC: "the area under its sampling days",
    Summary.DAYS_TO_TARGET: "the days until it held its target",
    Summary.COUNT: "the sum of its readings over the days of the phase",
}
_SHARING = {
    Multiplicity.HOLM: "share the error rate by Holm's rule",
    Multiplicity.FIXED_ORDER: "are tested in the order written, each only if all before it stand",
    Multiplicity.DUNNETT: "share the error rate by Dunnett's many-to-one rule",
    Multiplicity.NONE: "are not adjusted for their number",
}


def plan_in_words(protocol: Protocol) -> list[str]:
    """One sentence or formula a line: endpoints in order, then how error is taken and shared."""
    lines = [_endpoint(protocol, endpoint) for endpoint in protocol.endpoints]
    pairs = ", ".join(f"{test} against {reference}" for test, reference in protocol.contrasts)
    alpha = protocol.analysis.alpha
    lines.append(f"Contrasts: {pairs}, each with its {100 * (1 - alpha):g} % interval. {_error(protocol)}")
    lines.append(
        "Beside each: a randomisation test over the draws that could have been, rank methods, and the contrast "
        "with the other error."
    )
    primaries = sum(endpoint.role is EndpointRole.PRIMARY for endpoint in protocol.endpoints)
    count = primaries * len(protocol.contrasts)
    lines.append(
        f"The {count} comparisons of the primary endpoints {_SHARING[protocol.analysis.multiplicity]} "
        f"(alpha {alpha:g}); everything else is exploratory."
        if count > 1
        else f"One primary comparison at alpha {alpha:g}; everything else is exploratory."
    )
    return lines


def formula(protocol: Protocol, endpoint: Endpoint) -> str:
    """The linear model of an endpoint.

    Examples
    --------
    ``log(nitrate) ~ arm + block + log(baseline)``
    """
    logs = endpoint.scale is Scale.RATIO
    outcome = endpoint.variable
    if endpoint.baseline is Baseline.CHANGE:
        outcome = f"{outcome} / baseline" if logs else f"{outcome} - baseline"
    terms = ["arm"]
    if protocol.design.kind in (DesignKind.BLOCKS, DesignKind.INCOMPLETE_BLOCKS):
        terms.append("block")
    if protocol.design.kind is DesignKind.CROSSOVER:
        terms += ["tank", "cohort:period" if protocol.schedule.starts else "period"]
    if endpoint.baseline is Baseline.ADJUST:
        terms.append("log(baseline)" if logs else "baseline")
    return f"{f'log({outcome})' if logs else outcome} ~ {' + '.join(terms)}"


def _endpoint(protocol: Protocol, endpoint: Endpoint) -> str:
    worth = ""
    if endpoint.worthwhile is not None:
        worth = (
            f"; worthwhile: a ratio of {endpoint.worthwhile:g}"
            if endpoint.scale is Scale.RATIO
            else f"; worthwhile: a difference of {abs(endpoint.worthwhile):g}"
        )
    variable = endpoint_variables(protocol)[endpoint.variable]
    number = f"{endpoint.variable} in the {endpoint.phase} phase as {_SUMMARIES[endpoint.summary]}"
    if isinstance(variable, DerivedVariable):
        unit = "" if variable.unit == "1" else f", {variable.unit}"
        number = (
            f"{endpoint.variable}{unit} in the {endpoint.phase} phase, worked out from {variable.from_what} "
            f"({variable.computed[0].lower()}{variable.computed[1:]})"
        )
    return f"{endpoint.id} ({endpoint.role}): each tank's {number}; {_model(protocol, endpoint)}; {endpoint.better} is better{worth}."


def _model(protocol: Protocol, endpoint: Endpoint) -> str:
    if endpoint.summary is Summary.COUNT:
        within = " within blocks" if protocol.design.kind is DesignKind.BLOCKS else ""
        return f"ratio of rates, exact given the number of events{within}"
    if endpoint.summary is Summary.DAYS_TO_TARGET:
        return f"target {endpoint.target:g}; restricted mean days ~ arm, log-rank beside it"
    if protocol.design.kind is DesignKind.BEFORE_AFTER:
        return "differences of treated and control systems, after against before, days as they come"
    return formula(protocol, endpoint)


def _error(protocol: Protocol) -> str:
    if protocol.design.kind is DesignKind.BEFORE_AFTER:
        return (
            "The error is that of the daily differences (Welch); serial correlation is estimated beside it."
        )
    if protocol.variance is Variance.POOLED:
        return "The error is the common error of the model."
    if protocol.design.kind is DesignKind.BLOCKS:
        return "The error is that of the paired differences of the blocks that hold both arms."
    return "The error is that of the two arms compared, each with its own variance (Welch)."
