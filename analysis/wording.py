"""The answer of a trial in plain words, read off the interval against the worthwhile difference.

No p-value is spoken of here, and "could not settle" is said where the interval says so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.numerals import count, number, places_apart, places_for, plain, quantity
from schemas.plain_words import listed
from schemas.protocol import BASELINE_PHASE
from schemas.variables import endpoint_variables
from schemas.vocabulary import ArmRole, Baseline, Better, EndpointRole, Scale, Summary, Variance, Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.records import Analysis, Contrast, EndpointResult
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol

MOST_LINES = 5
LONGEST_NAME = 80
_SAME = "about the same"
_TIMES_FROM = 2.0
"""From this ratio on, "2.4 times as high" reads better than "140 % higher"."""

VERDICT_MEANS = {
    Verdict.WORTHWHILE: "The whole interval lies beyond the worthwhile difference: "
    "every size that the data allow is large enough to matter.",
    Verdict.TOO_SMALL: "The interval excludes no difference, and all of it lies within the worthwhile "
    "difference: there is an effect, and it is too small to matter.",
    Verdict.UNSETTLED_SIZE: "The interval excludes no difference but not the worthwhile difference: "
    "there is an effect, and the trial could not settle whether it is large enough to matter.",
    Verdict.NONE_WORTHWHILE: "The interval includes no difference, and all of it lies within the worthwhile "
    "difference: if there is an effect at all, it is too small to matter.",
    Verdict.UNSETTLED: "The interval includes both no difference and the worthwhile difference: "
    "the trial could not settle the question, which is not the same as finding no difference.",
}

_SUMMARY_OF = {
    Summary.MEAN: "mean {}",
    Summary.MEDIAN: "median {}",
    Summary.LAST: "the last reading of {}",
    Summary.CHANGE: "the change of {}",
    Summary.SLOPE: "the daily change of {}",
    Summary.AUC: "the area under the course of {}",
    Summary.DAYS_TO_TARGET: "the time until {} met its target",
    Summary.COUNT: "the count of {}",
}


def arm_title(protocol: Protocol, arm: str, longest: int = LONGEST_NAME) -> str:
    """The title of an arm for use inside a sentence."""
    return plain(protocol.arm(arm).title, longest).rstrip(".") or arm


def variable_title(protocol: Protocol, variable: str, longest: int = LONGEST_NAME) -> str:
    """The title of a variable for use inside a sentence: lower case, but for pH, ORP and the like."""
    title = plain(endpoint_variables(protocol)[variable].title, longest)
    return title[:1].lower() + title[1:] if title[1:2].islower() else title


def measure(endpoint: EndpointResult, protocol: Protocol) -> str:
    """What is compared, as a phrase: ``mean nitrate``."""
    phrase = _SUMMARY_OF[endpoint.summary].format(variable_title(protocol, endpoint.variable))
    if endpoint.baseline is not Baseline.CHANGE:
        return phrase
    if endpoint.scale is Scale.RATIO:
        return f"{phrase} relative to its {BASELINE_PHASE}"
    return f"{phrase}, less its {BASELINE_PHASE},"


def number_unit(endpoint: EndpointResult, protocol: Protocol) -> str:
    """Unit of a tank's number and of an arm's mean; empty for pure numbers."""
    if endpoint.scale is Scale.DIFFERENCE:
        return _unit(endpoint)
    if endpoint.baseline is Baseline.CHANGE:
        return ""
    unit = plain(endpoint_variables(protocol)[endpoint.variable].unit, 30)
    return "" if unit == "1" else f"{unit}\u00b7d" if endpoint.summary is Summary.AUC else unit


def sentence(text: str) -> str:
    """The text with a capital first letter, unless its second letter is one (pH)."""
    return text if text[1:2].isupper() else text[:1].upper() + text[1:]


def margins(endpoint: EndpointResult) -> tuple[float, float] | None:
    """The worthwhile difference on the reported scale: in the better and in the worse direction."""
    if endpoint.worthwhile is None:
        return None
    if endpoint.scale is Scale.RATIO:
        low, high = sorted((endpoint.worthwhile, 1 / endpoint.worthwhile))
    else:
        low, high = -abs(endpoint.worthwhile), abs(endpoint.worthwhile)
    return (low, high) if endpoint.better is Better.LOWER else (high, low)


def margin_words(endpoint: EndpointResult) -> str:
    """The worthwhile difference in the better direction: ``20 % lower``; empty where none is registered."""
    sides = margins(endpoint)
    return _size(sides[0], endpoint, None) if sides else ""


def estimate_words(endpoint: EndpointResult, contrast: Contrast) -> str:
    """The estimate as a size: ``38 % lower``."""
    if contrast.estimate is None:
        return "not estimable"
    return _size(contrast.estimate, endpoint, _percent_places(endpoint, contrast))


def interval_words(endpoint: EndpointResult, contrast: Contrast) -> str:
    """The interval as sizes: ``22 % to 51 % lower``; empty where there is none."""
    low, high = contrast.low, contrast.high
    if low is None or high is None:
        return ""
    none = _nothing(endpoint)
    if high <= none:  # both lower: the nearer to no difference first
        low, high = high, low
    places = _percent_places(endpoint, contrast)
    first, last = _size(low, endpoint, places), _size(high, endpoint, places)
    for tail in (*(f" {way}" for way in _ways(endpoint)), " times as high"):
        if first.endswith(tail) and last.endswith(tail):
            first = first.removesuffix(tail)
    if endpoint.scale is Scale.DIFFERENCE and _unit(endpoint):
        first = first.replace(f" {_unit(endpoint)}", "", 1)
    return f"{first} to {last}"


def contrast_sentence(endpoint: EndpointResult, contrast: Contrast, protocol: Protocol) -> str:
    """What one comparison showed, in one or two sentences."""
    test, reference = (arm_title(protocol, arm) for arm in (contrast.test, contrast.reference))
    about = measure(endpoint, protocol)
    if contrast.estimate is None:
        return (
            f"{sentence(about)} with {test} could not be compared with {reference}: too few tanks were left."
        )
    size = estimate_words(endpoint, contrast)
    than = "as with" if size.endswith("as high") or size == _SAME else "than with"
    start = f"With {test}, {about.rstrip(',')} was {size} {than} {reference}"
    allowed = interval_words(endpoint, contrast)
    if not allowed:
        return f"{start}, but so few tanks allow no interval: the trial could not settle anything here."
    return f"{start} (the data allow {allowed}). {_reading(endpoint, contrast, protocol)}"


def answer_lines(analysis: Analysis, protocol: Protocol, allocation: Allocation | None = None) -> list[str]:
    """Answer the trial's question from its first primary endpoint, in at most five lines.

    Parameters
    ----------
    analysis, protocol
        The registered analysis and what was registered.
    allocation
        Where given and chance did not share out the tanks, the last line says so.
    """
    endpoint = first_primary(analysis)
    if endpoint is None:
        return ["The protocol registers no endpoint, so there is nothing to answer."]
    first = turned_by_censoring(endpoint, protocol)
    last = _basis(endpoint, protocol, allocation)
    room = MOST_LINES - len(first) - 1
    said = list(endpoint.contrasts)
    more = said[room - 1 :] if len(said) > room else []
    lines = [contrast_sentence(endpoint, contrast, protocol) for contrast in said[: len(said) - len(more)]]
    if more:
        lines.append(_rest(more))
    return [*first, *lines, last]


def first_primary(analysis: Analysis) -> EndpointResult | None:
    """The endpoint that answers the trial's question."""
    primary = [endpoint for endpoint in analysis.endpoints if endpoint.role is EndpointRole.PRIMARY]
    return next(iter([*primary, *analysis.endpoints]), None)


def turned_by_censoring(endpoint: EndpointResult, protocol: Protocol) -> list[str]:
    """One line when a conclusion turns on readings that are only known as below or above a limit."""
    turned = []
    for contrast in endpoint.contrasts:
        if not contrast.censoring:
            continue
        could_be = dict.fromkeys([contrast.verdict, *contrast.censoring.verdicts])
        if len(could_be) > 1:
            words = listed([f"“{verdict or 'no reading'}”" for verdict in could_be], last="or")
            pair = " v ".join(arm_title(protocol, arm) for arm in (contrast.test, contrast.reference))
            turned.append(f"{pair} ({words})")
    if not turned:
        return []
    readings = sum(tank.censored for tank in endpoint.tanks)
    lay = "reading lies" if readings == 1 else "readings lie"
    return [
        (
            f"First of all: {readings} {lay} beyond what the kits can show, and the conclusion turns on "
            f"what they really were: {'; '.join(turned)}."
        )
    ]


def error_words(endpoint: EndpointResult) -> str:
    """Where the error of a comparison comes from, as a phrase."""
    if endpoint.variance is Variance.POOLED:
        return (
            "the common error of the model of arms and blocks"
            if endpoint.n_blocks
            else "the common error of all arms"
        )
    if endpoint.n_blocks:
        return "the differences within the blocks that hold both arms"
    return "the two arms compared alone, their variances not taken as equal"


def surer_alone(endpoint: EndpointResult, contrast: Contrast) -> bool:
    """Whether a comparison stands alone but not beside the others that share its error rate."""
    return (
        contrast.p is not None
        and contrast.p_adjusted is not None
        and contrast.p < endpoint.alpha <= contrast.p_adjusted
    )


def _reading(endpoint: EndpointResult, contrast: Contrast, protocol: Protocol) -> str:
    """What the verdict means for this comparison."""
    margin = margin_words(endpoint)
    if contrast.verdict is None:
        return "No worthwhile difference was registered, so its weight is left to the reader."
    worse = contrast.favours == contrast.reference
    against_control = (
        protocol.arm(contrast.test).role is ArmRole.TEST
        and protocol.arm(contrast.reference).role is not ArmRole.TEST
    )
    direction = ""
    if worse:
        better = _ways(endpoint)[endpoint.better is Better.HIGHER]
        direction = f"{better.capitalize()} is better, so this is worse"
        if not against_control:
            direction = f"This favours {arm_title(protocol, contrast.reference)}"
    alone = (
        " Beside the other comparisons registered it is less sure." if surer_alone(endpoint, contrast) else ""
    )
    match contrast.verdict:
        case Verdict.WORTHWHILE if worse:
            said = f"{direction}, and by more than the worthwhile difference."
        case Verdict.WORTHWHILE:
            said = f"At least {margin} had been called worthwhile: a worthwhile difference."
        case Verdict.TOO_SMALL:
            start = f"{direction}; the" if worse else "The"
            said = (
                f"{start} difference is real, but too small to matter ({margin} had been called worthwhile)."
            )
        case Verdict.UNSETTLED_SIZE:
            start = f"{direction}; the" if worse else "There is a difference, but the"
            said = f"{start} trial could not settle whether it is large enough to matter ({margin})."
        case Verdict.NONE_WORTHWHILE:
            said = f"{sentence(margin)} had been called worthwhile: there is no worthwhile difference."
        case _:
            said = "The trial could not settle this: the data fit no difference as well as one that matters."
    return said + alone


def _rest(contrasts: Sequence[Contrast]) -> str:
    """The comparisons that five lines do not hold, counted by verdict."""
    verdicts: dict[str, int] = {}
    for contrast in contrasts:
        word = str(contrast.verdict or "without a reading")
        verdicts[word] = verdicts.get(word, 0) + 1
    counted = listed([f"{n} “{word}”" for word, n in verdicts.items()], last="and")
    return f"{sentence(count(len(contrasts), 'more comparison'))}: {counted}; the table has each."


def _basis(endpoint: EndpointResult, protocol: Protocol, allocation: Allocation | None) -> str:
    """How many tanks the answer rests on, and how they got their treatment."""
    allocated = len(endpoint.tanks)
    rests = f"{endpoint.n_tanks} of {count(allocated, 'tank')}"
    blocks = f" in {count(endpoint.n_blocks, 'block')}" if endpoint.n_blocks else ""
    days = next(phase.days for phase in protocol.schedule.phases if phase.id == endpoint.phase)
    text = f"This rests on {rests}{blocks}, over the {days} days of the {endpoint.phase} phase"
    if endpoint.baseline is Baseline.ADJUST:
        text += f", allowing for each tank's {BASELINE_PHASE}"
    if allocation is not None and not allocation.random:
        return (
            f"{text}; chance did not decide which tank got what, so the difference may lie in the tanks "
            "and not in the treatment."
        )
    return f"{text}; it holds for these tanks, these weeks and these doses."


def _nothing(endpoint: EndpointResult) -> float:
    return 1.0 if endpoint.scale is Scale.RATIO else 0.0


def _ways(endpoint: EndpointResult) -> tuple[str, str]:
    """The two directions in words: less first."""
    return ("sooner", "later") if endpoint.summary is Summary.DAYS_TO_TARGET else ("lower", "higher")


def _unit(endpoint: EndpointResult) -> str:
    unit = plain(endpoint.unit, 30)
    return "" if unit == "1" else unit.replace(".d", "\u00b7d")


def _percent(ratio: float) -> float:
    return (ratio - 1) * 100


def _percent_places(endpoint: EndpointResult, contrast: Contrast) -> int:
    """Places shared by estimate and interval: of the percentage on the ratio scale, else of the number.

    Limits are kept apart from what they are read against; an estimate may round to "about the same".
    """
    sides = margins(endpoint) or ()
    values = [contrast.low, contrast.high]
    if contrast.low is None or contrast.high is None:
        values = [contrast.estimate]
    marks = [_nothing(endpoint), *sides]
    known = [value for value in values if value is not None]
    if endpoint.scale is Scale.RATIO:
        known, marks = [_percent(value) for value in known], [_percent(mark) for mark in marks]
    width = abs(known[1] - known[0]) / 2 if len(known) == 2 else max(map(abs, known), default=1.0)
    return places_apart(known, marks, places_for(width))


def _size(value: float, endpoint: EndpointResult, places: int | None) -> str:
    """A difference or ratio as a size with its direction; ``places`` None: as it was registered."""
    none = _nothing(endpoint)
    down, up = _ways(endpoint)
    way = up if value > none else down
    if endpoint.scale is Scale.RATIO and value >= _TIMES_FROM:
        return f"{quantity(value, 2 if value < 10 else 3)} times as high"
    amount = abs(_percent(value) if endpoint.scale is Scale.RATIO else value)
    shown = quantity(amount) if places is None else number(amount, places)
    if amount == 0 or not any(digit in "123456789" for digit in shown):
        return _SAME
    unit = "%" if endpoint.scale is Scale.RATIO else _unit(endpoint)
    return f"{shown} {unit} {way}".replace("  ", " ")
