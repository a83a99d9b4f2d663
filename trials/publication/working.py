"""Contrasts worked out of a printed table, in the variable's canonical unit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis import published_contrasts as printed
from schemas.errors import PublicationError
from schemas.plain_words import listed, quoted
from schemas.vocabulary import DesignKind, Scale
from trials.publication.rows import Row, only_one, rows_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.published_contrasts import PrintedArm, Worked
    from schemas.units import Conversion
    from trials.publication.publication import PrintedEndpoint

CONVERSION = "wan-2014"
LOG_NORMAL = "log-normal"
_SPREADS = (
    ("mean", "sd"),
    ("mean", "se"),
    ("geometric_mean", "sd_log"),
    ("median", "q1", "q3"),
    ("median", "min", "max"),
)
_ERRORS = (("sd",), ("se",), ("t",), ("p",), ("low", "high"))


def worked_contrasts(
    table: PrintedEndpoint, design: DesignKind, arms: Sequence[str], conversion: Conversion
) -> tuple[dict[tuple[str, str], Worked], dict[str, tuple[PrintedArm, bool]], list[str]]:
    """Contrasts by test and reference, arms by id (with whether their numbers are logarithms), and remarks.

    Raises
    ------
    PublicationError
        A row cannot be used; one sentence says which and what it lacks.
    """
    rows, by_arm = rows_of(table.rows, table.places)
    for row in rows:
        for name in ("arm",) if by_arm else ("test", "reference"):
            if row.text(name) not in arms:
                raise PublicationError(
                    f"{row.place}: {quoted(row.text(name))} is not an arm of this publication; they are {listed(arms, 'and')}."
                )
    if not by_arm:
        found: dict[tuple[str, str], Worked] = {}
        for row in rows:
            pair = row.text("test"), row.text("reference")
            if pair[0] == pair[1] or pair in found or pair[::-1] in found:
                raise PublicationError(
                    f"{row.place} compares {pair[0]} against {pair[1]}, which stands already or is no comparison."
                )
            found[pair] = _placed(row, table, design, conversion)
        return found, {}, sorted({worked.how for worked in found.values()})
    return _from_arms(rows, table, design, conversion)


def _from_arms(
    rows: Sequence[Row], table: PrintedEndpoint, design: DesignKind, conversion: Conversion
) -> tuple[dict[tuple[str, str], Worked], dict[str, tuple[PrintedArm, bool]], list[str]]:
    read: dict[str, tuple[PrintedArm, bool]] = {}
    remarks: list[str] = []
    for row in rows:
        if row.text("arm") in read:
            raise PublicationError(f"{row.place}: the arm {row.text('arm')} stands twice.")
        read[row.text("arm")] = _arm(row, table, conversion, remarks)
    pairs = table.contrasts or tuple((arm, next(iter(read))) for arm in list(read)[1:])
    found = {}
    for test, reference in pairs:
        for arm in (test, reference):
            if arm not in read:
                raise PublicationError(f"{table.endpoint.id}: there is no row of the arm {quoted(arm)}.")
        found[test, reference] = _pair(table, design, read[test], read[reference])
    return found, read, sorted({*remarks, *(worked.how for worked in found.values() if worked.how)})


def _arm(
    row: Row, table: PrintedEndpoint, conversion: Conversion, remarks: list[str]
) -> tuple[PrintedArm, bool]:
    """An arm's mean and sd in the canonical unit, or of its logarithms."""
    way, n, name = only_one(row, _SPREADS), row.count("n"), row.text("arm")
    if way[0] == "geometric_mean":
        if table.endpoint.scale is not Scale.RATIO:
            raise PublicationError(
                f'{row.place} gives a geometric mean, which answers no difference; take scale = "ratio".'
            )
        mean = math.log(conversion.to_canonical(row.positive("geometric_mean")))
        return printed.PrintedArm(name, n, mean, row.positive("sd_log")), True
    if way[0] == "mean":
        mean = row.number("mean")
        sd = row.positive("sd") if "sd" in way else printed.sd_from_se(row.positive("se"), n)
    else:
        if table.conversion != CONVERSION:
            raise PublicationError(
                f'{row.place} gives a median, and a mean is needed; ask the authors, or state conversion = "{CONVERSION}" '
                "under the endpoint to take it as if the tanks were normal (Wan et al. 2014)."
            )
        low, middle, high = (row.number(column) for column in (way[1], way[0], way[2]))
        if not low <= middle <= high or low == high:
            raise PublicationError(f"{row.place}: {way[1]}, median and {way[2]} must rise.")
        convert = printed.from_quartiles if way[1] == "q1" else printed.from_range
        mean, sd = convert(n, low, middle, high)
        remarks.append(
            "Means and sds are worked out from medians as if tanks were normal (Wan et al. 2014): rough."
        )
    return printed.PrintedArm(name, n, conversion.to_canonical(mean), abs(conversion.factor) * sd), False


def _pair(
    table: PrintedEndpoint,
    design: DesignKind,
    test: tuple[PrintedArm, bool],
    reference: tuple[PrintedArm, bool],
) -> Worked:
    try:
        return _from_two_arms(table, design, test, reference)
    except PublicationError as error:
        where = f"{table.endpoint.id}, {test[0].arm} against {reference[0].arm}"
        raise PublicationError(f"{where}: {error}") from None


def _from_two_arms(
    table: PrintedEndpoint,
    design: DesignKind,
    test: tuple[PrintedArm, bool],
    reference: tuple[PrintedArm, bool],
) -> Worked:
    (one, one_logs), (other, other_logs) = test, reference
    paired = design is DesignKind.BLOCKS
    if table.endpoint.scale is Scale.RATIO:
        if not (one_logs or other_logs or paired):
            return printed.parallel_ratio(one, other, table.ratio_by or LOG_NORMAL)
        if table.ratio_by not in {"", LOG_NORMAL}:
            raise PublicationError("the delta method is for arithmetic means of arms that are not paired.")
        one = one if one_logs else printed.log_normal_arm(one)
        other = other if other_logs else printed.log_normal_arm(other)
    if not paired:
        return printed.parallel_difference(one, other)
    if table.correlation is None:
        raise PublicationError(
            "tanks are paired, and arms' own spreads do not tell how far the pairs differ; give the paired differences "
            "(test, reference, n, and sd, se, t, p or low and high), or an assumed correlation."
        )
    return printed.paired_difference(one, other, table.correlation)


def _placed(row: Row, table: PrintedEndpoint, design: DesignKind, conversion: Conversion) -> Worked:
    try:
        return _contrast(row, table, design, conversion)
    except PublicationError as error:
        text = str(error)
        raise PublicationError(text if text.startswith(row.place) else f"{row.place}: {text}") from None


def _contrast(row: Row, table: PrintedEndpoint, design: DesignKind, conversion: Conversion) -> Worked:
    """A printed contrast on the working scale."""
    ratio = table.endpoint.scale is Scale.RATIO
    wanted, other = ("ratio", "difference") if ratio else ("difference", "ratio")
    if row.has(other):
        raise PublicationError(
            f"{row.place} gives a {other}, and the endpoint is on the {table.endpoint.scale} scale; give the {wanted}."
        )
    factor = 1.0 if ratio else conversion.factor
    estimate = math.log(row.positive("ratio")) if ratio else row.number("difference") * factor
    paired = row.has("n")
    if paired == row.has("n_test", "n_reference") or (paired and design is not DesignKind.BLOCKS):
        raise PublicationError(
            f'{row.place} needs n, the number of pairs, where tanks are paired (design = "paired"), else n_test and n_reference.'
        )
    n = row.count("n") if paired else row.count("n_test") + row.count("n_reference")
    df = row.positive("df") if row.has("df") else float(n - 1 if paired else n - 2)
    if df <= 0:
        raise PublicationError(f"{row.place}: n = {n} leaves no degrees of freedom.")
    way = only_one(row, _ERRORS)[0]
    if way == "sd":
        if not paired:
            raise PublicationError(
                f"{row.place} gives an sd of differences, and only pairs have one; give se, t, p or low and high."
            )
        return printed.from_sd_of_differences(estimate, row.positive("sd") * abs(factor), n)
    if way == "se":
        return printed.from_se(estimate, row.positive("se") * abs(factor), df, n)
    if way == "t":
        return printed.from_t(estimate, row.number("t") * math.copysign(1, factor), df, n)
    if way == "p":
        return printed.from_p(estimate, row.positive("p"), df, n)
    low, high = (
        math.log(row.positive(name)) if ratio else row.number(name) * factor for name in ("low", "high")
    )
    level = row.number("level") if row.has("level") else 1 - table.alpha
    return printed.from_interval(estimate, min(low, high), max(low, high), level, df, n)
