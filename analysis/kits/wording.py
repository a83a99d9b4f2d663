"""What the checks of kits say, in sentences for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.kits.reference import FEW
from analysis.kits.scores import Grade
from analysis.numerals import MINUS, count, day_words, number, plain, quantity
from analysis.wording import sentence
from schemas.plain_words import listed

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from analysis.kits.charts import Chart
    from analysis.kits.comparison import KitComparison, KitVerdict
    from analysis.kits.correction import KitCorrection
    from analysis.kits.detection import DetectionLimit
    from analysis.kits.duplicates import Duplicates
    from analysis.kits.nitrite import NitriteFactor
    from analysis.kits.reference import Assigned, Round, SiteResult

GRADE_MEANS = {
    Grade.NOT_TOLD: "nothing can be said",
    Grade.HOLDS: "reads as it should",
    Grade.LOOK: "needs a look",
    Grade.FAILS: "fails",
}


def meter(kit: str, site: str) -> str:
    """A kit at a site: ``kit drops-no3 at q01``."""
    name = f"kit {plain(kit, 80)}" if kit else "a kit without a name"
    return f"{name} at {plain(site, 80)}" if site else name


def signed(value: float | None, places: int = 1) -> str:
    """A score with its sign; a dash where there is none."""
    shown = number(value, places)
    return f"+{shown}" if value is not None and value > 0 and not shown.startswith(MINUS) else shown


def verdict_sentence(verdict: KitVerdict, found: KitComparison) -> str:
    """What a kit at a site comes to, with the checks that it rests on."""
    parts = [_result_words(one, result) for one, result in _results(verdict, found)]
    parts += [_chart_words(chart) for chart in _charts(verdict, found)]
    parts += [_nitrite_words(factor) for factor in _factors(verdict, found)]
    start = f"{sentence(meter(verdict.kit, verdict.site))} ({verdict.variable}) {GRADE_MEANS[verdict.grade]}"
    text = f"{start}: {'; '.join(parts)}." if parts else f"{start}."
    if verdict.corrected is not None:
        day = day_words(verdict.corrected.at.date())
        text += f" A correction of its readings was registered on {day}."
    return text


def failing_sentences(found: KitComparison) -> list[str]:
    """One sentence for each kit that fails, with how many of the trial's readings are by it."""
    return [
        f"{verdict_sentence(verdict, found)} {_readings(verdict)}"
        for verdict in found.verdicts
        if verdict.grade is Grade.FAILS
    ]


def _readings(verdict: KitVerdict) -> str:
    if not verdict.readings:
        return "No reading of a tank is by it."
    are = "is" if verdict.readings == 1 else "are"
    return f"{count(verdict.readings, 'reading')} of tanks {are} by it, and they stay as read."


def round_sentences(one: Round) -> Iterator[str]:
    """What results are held against, and what to know of it."""
    title = plain(one.title, 120)
    assigned = one.assigned
    beyond = sum(result.censored > 0 for result in one.results)
    if beyond:
        yield f"{title}: {count(beyond, 'result')} beyond a kit's limit {'is' if beyond == 1 else 'are'} no number, so not scored."
    if assigned is None:
        yield f"{title}: the protocol states no value and fewer than three results are in, so none can be scored."
        return
    value = f"{quantity(assigned.value, 4)} {one.unit}"
    if assigned.stated and assigned.uncertainty:
        yield f"{title}: held against the stated {value}, standard uncertainty {quantity(assigned.uncertainty)}."
    elif assigned.stated:
        yield f"{title}: held against the stated {value}, taken as exact since no uncertainty is stated."
    elif assigned.consensus is not None:
        n = assigned.consensus.n
        yield (
            f"{title}: no value is stated, so results are held against their own robust mean, {value} (n = {n}, standard "
            f"uncertainty {quantity(assigned.uncertainty)}): it tells who differs, not who is right."
        )
    yield from _spread_sentences(title, assigned, one.unit)


def _spread_sentences(title: str, assigned: Assigned, unit: str) -> Iterator[str]:
    """What scores are counted in."""
    if assigned.sd is None:
        yield f"{title}: no spread is known to score by; a recovery outside 85 to 115 % needs a look."
    elif assigned.sd_stated:
        yield f"{title}: a standard deviation of {quantity(assigned.sd)} {unit} is fit for the trial, as registered."
    else:
        yield f"{title}: scores are in robust standard deviations of the results, {quantity(assigned.sd)} {unit}."
    if assigned.sd is not None and not assigned.enough:
        yield (
            f"{title}: fewer than {FEW} results make their own spread uncertain, so that no kit fails by it; state "
            "fitness_sd in the protocol to judge kits one by one."
        )
    if assigned.sd is not None and not assigned.certain:
        yield f"{title}: the assigned value is uncertain beside that spread, so z' is read, which allows for it."
    apart = assigned.consensus_apart
    if apart is not None:
        way = "high" if apart > 0 else "low"
        yield f"{title}: all sites together read {way}, by {quantity(abs(apart))} {unit} against the stated value."


def chart_sentences(chart: Chart) -> Iterator[str]:
    """What a control chart says: its limits, and every reading that is out."""
    name = sentence(f"{meter(chart.kit, chart.site)} on {plain(chart.title, 120)}")
    if chart.censored:
        yield f"{name}: {count(chart.censored, 'reading')} beyond the kit's limit cannot be drawn."
    if chart.limits is None:
        yield f"{name}: no limits. {chart.why}"
        return
    low, high = chart.limits.at(-3), chart.limits.at(3)
    source = (
        f"from its first {chart.limits.base} readings"
        if chart.limits.base
        else "from the stated value and the registered spread"
    )
    yield f"{name}: limits {quantity(low, 4)} to {quantity(high, 4)} {chart.unit}, {source}; {count(len(chart.points), 'reading')}."
    out = chart.signals
    if out:
        days = listed(dict.fromkeys(day_words(point.at.date()) for point in out), "and")
        back = "" if chart.points[-1].signals else ", and back inside since"
        yield f"{name}: out of control on {days}{back}; what was read until the next good check is in doubt."


def duplicates_sentence(found: Duplicates, unit: str) -> str:
    """Repeatability of a kit."""
    shown = "" if unit in ("1", "pH") else f" {unit}"
    text = (
        f"{sentence(meter(found.kit, ''))} ({found.variable}): repeatability {quantity(found.sd)}{shown} ({quantity(found.low)} to "
        f"{quantity(found.high)}) from {count(found.sets, 'water')} read more than once; two readings of one water lie within "
        f"{quantity(found.limit)}{shown} of each other 95 times in 100."
    )
    if found.median_difference is not None and found.largest_difference is not None:
        text += f" Pairs differ by {quantity(found.median_difference)} % in the middle, {quantity(found.largest_difference)} % at most."
    return text


def detection_sentence(found: DetectionLimit, unit: str) -> str:
    """Detection limit of a kit, and what is missing for one."""
    name = f"{sentence(meter(found.kit, ''))} ({found.variable})"
    if found.value is None:
        return f"{name}: no detection limit. {found.why}"
    text = f"{name}: detection limit {quantity(found.value)} {unit}, from {count(found.blanks, 'blank')}"
    text += f" and {count(found.spiked, 'low standard')}." if found.spiked else "."
    return f"{text} {found.why}".rstrip()


def nitrite_sentence(found: NitriteFactor) -> str:
    """What a kit makes of nitrite, and what that does to the trial."""
    name = sentence(meter(found.kit, found.site))
    if found.factor is None:
        below = (
            f"nitrite counts less than {quantity(found.below)}-fold"
            if found.below is not None
            else "the factor cannot be told"
        )
        return f"{name}: {count(found.censored, 'reading')} of the nitrite standard beyond the kit's limit, so {below}."
    if found.low is not None and found.high is not None:
        interval = f" ({quantity(found.low)} to {quantity(found.high)}, n = {found.n})"
    else:
        interval = " (one reading, so no interval)"
    text = f"{name}: reads {quantity(found.factor)} mg/L nitrate for 1 mg/L nitrite{interval}."
    met = found.disturbed
    if met is None:
        return f"{text} No nitrite was read beside its nitrate, so what that does to the trial is not known."
    return (
        f"{text} With nitrite from {quantity(met.nitrite_low)} to {quantity(met.nitrite_high)} mg/L, "
        f"{count(met.readings, 'nitrate reading')} of tanks {'is' if met.readings == 1 else 'are'} too high by {quantity(met.excess_low)} to "
        f"{quantity(met.excess_high)} mg/L, {quantity(met.share_median)} % in the middle."
    )


def correction_sentences(corrections: Sequence[KitCorrection], units: Mapping[str, str]) -> Iterator[str]:
    """What is put right beside the registered analysis."""
    for one in corrections:
        done = one.in_words(units[one.variable])
        yield f"{one.variable} by {meter(one.kit, one.site or '')}: {done}, recorded on {day_words(one.at.date())}."


def _results(verdict: KitVerdict, found: KitComparison) -> Iterator[tuple[Round, SiteResult]]:
    for one in found.rounds:
        for result in one.results:
            if (one.variable, result.kit, result.site) == (verdict.variable, verdict.kit, verdict.site):
                yield one, result


def _charts(verdict: KitVerdict, found: KitComparison) -> Iterator[Chart]:
    for chart in found.charts:
        if (chart.variable, chart.kit, chart.site) == (verdict.variable, verdict.kit, verdict.site):
            yield chart


def _factors(verdict: KitVerdict, found: KitComparison) -> Iterator[NitriteFactor]:
    for factor in found.nitrite:
        if ("nitrate", factor.kit, factor.site) == (verdict.variable, verdict.kit, verdict.site):
            yield factor


def _nitrite_words(found: NitriteFactor) -> str:
    if found.factor is None:
        return "what it makes of nitrite cannot be told"
    if found.disturbed is None:
        return f"it reads nitrite {quantity(found.factor)}-fold"
    return f"nitrite makes {quantity(found.disturbed.share_median)} % of its readings in the middle"


def _result_words(one: Round, result: SiteResult) -> str:
    title = plain(one.title, 120)
    if result.value is None:
        where = f" ({quantity(result.low)} to {quantity(result.high)} {one.unit})"
        text = f"{title} read beyond the kit's limit{where}"
        return f"{text} for {quantity(one.assigned.value, 4)}" if one.assigned is not None else text
    text = f"{title} read as {quantity(result.value, 4)} {one.unit}"
    if one.assigned is not None:
        source = "" if one.assigned.stated else "the sites' mean of "
        text += f" for {source}{quantity(one.assigned.value, 4)}"
    if result.recovery is not None:
        text += f" ({number(result.recovery, 0)} %)"
    if result.score is not None and one.assigned is not None:
        name = "z" if one.assigned.certain else "z'"
        text += f", {name} {signed(result.score)}"
    return text


def _chart_words(chart: Chart) -> str:
    title = plain(chart.title, 120)
    out = len(chart.signals)
    if chart.limits is None:
        return f"{title} not charted"
    if not out:
        return f"{title} inside its limits"
    return f"{title} out of its limits in {count(out, 'reading')}" + (
        "" if chart.points[-1].signals else ", back inside since"
    )
