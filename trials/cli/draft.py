"""`fairtank draft`: questions with the answers a club would give, and a commented protocol at the end of them."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from schemas.errors import FairtankError, UsageError
from trials.cli import display
from trials.cli.options import JsonOption, number, today

if TYPE_CHECKING:
    from collections.abc import Callable

Answer = TypeVar("Answer")
_NONE = "none"
_LEAD_TIME = 28
"""Days until the proposed start: time to agree, to buy kits, and to let phosphate removers settle."""


def _option(name: str, text: str, **more: Any) -> Any:
    return typer.Option(name, help=text, **more)


def draft(  # noqa: C901 - one question after another
    path: Annotated[Path, typer.Argument(metavar="[PROTOCOL]", help="Where to write it.")] = Path(
        "protocol.toml"
    ),
    *,
    name: Annotated[str | None, _option("--id", "Short name of the trial, e.g. reef-club-2026.")] = None,
    title: Annotated[str | None, _option("--title", "What it is called in reports.")] = None,
    question: Annotated[
        str | None, _option("--question", "What it asks; worded from the arms if left out.")
    ] = None,
    lead: Annotated[str | None, _option("--lead", "Who leads it.")] = None,
    start: Annotated[str | None, _option("--start", "First day of the baseline, YYYY-MM-DD.")] = None,
    design: Annotated[str | None, _option("--design", "blocks of like tanks, or parallel arms.")] = None,
    polymer: Annotated[
        str | None, _option("--polymer", "Solid carbon, e.g. phb, pcl; none leaves the arm out.")
    ] = None,
    liquid: Annotated[
        str | None,
        _option("--liquid", 'Dissolved carbon, e.g. "ethanol 40 %", "vinegar 5 %"; none leaves it out.'),
    ] = None,
    carbon: Annotated[
        float | None, _option("--carbon", "mg C per litre and day.", parser=number, metavar="NUMBER")
    ] = None,
    tanks: Annotated[Path | None, _option("--tanks", "CSV with id,block,volume_L.", metavar="FILE")] = None,
    tank: Annotated[
        list[str] | None, _option("--tank", "One tank as id,block,litres; repeat it.", metavar="TANK")
    ] = None,
    blocks: Annotated[
        int | None, _option("--blocks", "Without tanks: blocks (tanks an arm) of placeholders.", min=1)
    ] = None,
    weeks: Annotated[int | None, _option("--weeks", "Weeks assessed at full dose.", min=1)] = None,
    worthwhile: Annotated[
        float | None,
        _option("--worthwhile", "Nitrate over the control's worth having.", parser=number, metavar="RATIO"),
    ] = None,
    effect: Annotated[
        float | None,
        _option("--effect", "Nitrate over the control's that you expect.", parser=number, metavar="RATIO"),
    ] = None,
    sd: Annotated[
        float | None,
        _option("--sd", "Between tanks of a block, on logarithms.", parser=number, metavar="NUMBER"),
    ] = None,
    nitrate_limit: Annotated[
        float | None,
        _option("--nitrate-limit", "Lowest reading of the kit, mg/L.", parser=number, metavar="NUMBER"),
    ] = None,
    phosphate_limit: Annotated[
        float | None,
        _option("--phosphate-limit", "Lowest reading of the kit, mg/L.", parser=number, metavar="NUMBER"),
    ] = None,
    seed_from: Annotated[str | None, _option("--seed-from", "Public source of the seed of the draw.")] = None,
    yes: Annotated[bool, _option("--yes", "Ask nothing: take the options given and the defaults.")] = False,
    force: Annotated[bool, _option("--force", "Write over files that are there.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Write a commented protocol from a few answers; what is proposed has its reason beside it."""
    from trials.draft_wishes import Wishes
    from trials.drafting import checked, typed_tank, write
    from trials.drafting import draft as drafted

    if tanks is not None and tank:
        raise UsageError("--tanks gives a file of tanks and --tank one by one; give one of the two.")
    if blocks is not None and (tanks is not None or tank):
        raise UsageError(
            "--blocks is for placeholders where no tanks are known; leave it out with --tanks or --tank."
        )
    asking = not yes and not as_json and sys.stdin.isatty() and sys.stderr.isatty()

    def answer(given: Answer | None, words: str, default: Answer, read: Callable[[str], Answer]) -> Answer:
        if given is not None or not asking:
            return default if given is None else given
        return _asked(words, default, read)

    first = _first_day()
    year = first.year
    named = answer(name, "Short name of the trial", f"reef-club-{year}", str)
    titled = answer(title, "Title", "Solid carbon, liquid carbon or neither", str)
    led = answer(lead, "Who leads it", "", str)
    begins = answer(_date(start) if start is not None else None, "First day of the baseline", first, _date)
    kind = answer(design, "Design: blocks (of like tanks) or parallel", "blocks", str)
    solid = answer(polymer, "Solid carbon (none to leave it out)", "phb", str)
    dissolved = answer(
        liquid, "Dissolved carbon with its strength (none to leave it out)", "ethanol 40 %", str
    )
    dose = answer(carbon, "Carbon at full dose, mg C per litre and day, the same for both", 0.7, number)
    assessed = answer(weeks, "Weeks assessed at full dose", 12, _whole)
    worth = answer(worthwhile, "Nitrate over the control's that would be worth it", 0.8, number)
    expected = answer(effect, "Nitrate over the control's that you expect (assumed)", 0.6, number)
    spread = answer(sd, "Standard deviation between like tanks, on logarithms (assumed)", 0.35, number)
    nitrate = answer(nitrate_limit, "Lowest reading of the nitrate kit, mg/L", 0.5, number)
    phosphate = answer(phosphate_limit, "Lowest reading of the phosphate kit, mg/L", 0.02, number)
    public = answer(seed_from, "Public source of the seed (empty: a bag at an open meeting)", "", str)
    typed = list(tank or ())
    if asking and tanks is None and not typed and blocks is None:
        typed = _typed_tanks()
    number_of_blocks = blocks or 12
    if not typed and tanks is None:
        number_of_blocks = answer(blocks, "Blocks (tanks an arm) to plan with for now", 12, _whole)
    made = drafted(
        Wishes(
            id=named,
            title=titled,
            start=begins,
            question=question or "",
            lead=led,
            design=kind,
            polymer="" if solid.strip().casefold() == _NONE else solid,
            liquid="" if dissolved.strip().casefold() == _NONE else dissolved,
            carbon=dose,
            blocks=number_of_blocks,
            tanks=tuple(typed_tank(text) for text in typed),
            tanks_file=None if tanks is None else _content(tanks),
            weeks=assessed,
            worthwhile=worth,
            effect=expected,
            sd=spread,
            nitrate_limit=nitrate,
            phosphate_limit=phosphate,
            seed_from=public,
        )
    )
    loaded = checked(made)
    protocol, beside = write(made, path, force=force)
    if as_json:
        display.json_document(
            {
                "protocol": str(protocol),
                "tanks": str(beside),
                "placeholders": made.placeholders,
                "arms": {
                    arm.id: arm.carbon.full_dose if arm.carbon else None for arm in loaded.protocol.arms
                },
                "warnings": list(loaded.warnings),
                "next": f"fairtank plan {protocol}",
            }
        )
        return
    display.out(f"Written: {protocol}, and {beside} with {len(loaded.protocol.tanks)} tanks.")
    for arm in loaded.protocol.arms:
        if arm.carbon is not None:
            display.out(f"  {arm.id}: {arm.carbon.source}, {arm.carbon.full_dose} at full dose.")
    if made.placeholders:
        display.out(f"  The tanks are placeholders: put your own into {beside} before you register.")
    for warning in loaded.warnings:
        display.out(f"  {warning}")
    display.out(
        "Read it with all who take part; nothing is sealed yet, and local rules and a vet come before it."
    )
    display.out(f"Next: fairtank plan {protocol}")


def _asked(words: str, default: Answer, read: Callable[[str], Answer]) -> Answer:
    """The answer to a question, asked again until it can be read."""
    while True:
        text = typer.prompt(words, default=str(default), show_default=str(default) != "", err=True)
        try:
            return read(text)
        except FairtankError as error:
            display.complain(str(error))


def _typed_tanks() -> list[str]:
    from trials.drafting import typed_tank

    typed: list[str] = []
    while True:
        text = typer.prompt(
            f"Tank {len(typed) + 1} as id,block,litres (empty to go on)",
            default="",
            show_default=False,
            err=True,
        )
        if not text.strip():
            return typed
        try:
            typed_tank(text)
        except UsageError as error:
            display.complain(str(error))
        else:
            typed.append(text)


def _first_day() -> dt.date:
    """The first Monday that leaves time to get ready."""
    day = today() + dt.timedelta(days=_LEAD_TIME)
    return day + dt.timedelta(days=-day.weekday() % 7)


def _date(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError:
        raise UsageError(f'"{text}" is not a date; write it like 2026-03-02.') from None


def _whole(text: str) -> int:
    if not text.strip().isdecimal() or int(text) < 1:
        raise UsageError(f'"{text}" is not a whole number above 0.')
    return int(text)


def _content(path: Path) -> bytes:
    from trials.plain_files import content_of

    try:
        return content_of(path)
    except OSError as error:
        raise FairtankError(
            f"{path} cannot be read: {error.strerror}; give a CSV with id,block,volume_L."
        ) from None
