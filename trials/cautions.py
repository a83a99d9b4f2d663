"""The usual cautions for people and animals; they end no question, but say whom to ask."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.events import EventKind

if TYPE_CHECKING:
    from schemas.protocol import Protocol

ANIMALS_FIRST = (
    "Animals come before data: a stop rule that is met is acted on at once, recorded, and never counts against a "
    "tank. A vet, or whoever is licensed to, decides about sick animals; nothing here replaces that."
)
LOCAL_RULES = (
    "Local rules on keeping animals come first. Experiments with fish, and in some places with cephalopods, can "
    "need approval even in private tanks, and corals can need papers: ask the authority before the first dose."
)
_ALWAYS = (
    ANIMALS_FIRST,
    LOCAL_RULES,
    (
        "Salt water and mains electricity: a residual-current device (30 mA), drip loops, sockets above the water, and "
        "plugs pulled before hands go in. Electrical work is for licensed people."
    ),
    (
        "Cuts and tank water: wear gloves, cover wounds, never start a siphon by mouth, and tell a doctor about the tank "
        "if a sore does not heal or spreads. Zoanthids can hold palytoxin: no hot water, no scrubbing."
    ),
    "Test reagents can be corrosive or poisonous: read the kit's safety sheet and take the waste to a collection.",
)
_CARBON = (
    (
        "Dosed carbon feeds bacteria that use oxygen, most of all at night: watch for gasping fish and clouded water, "
        "aerate, and stop dosing at once if you see them."
    ),
    (
        "Where a reactor holds pellets: one that clogs turns black and can give off hydrogen sulfide. Never lean in to "
        "smell; leave, ventilate, and run its first water to waste, not into the tank."
    ),
    (
        "Where ethanol or spirits are dosed: the vapour burns. Small closed bottles, away from lamps, pumps, flames and "
        "children. Where vinegar or another acid is dosed: no stronger than kitchen vinegar without training."
    ),
)
_AT_EVENT = {
    EventKind.DOSE: (
        "Dose by day, never twice to make up for a missed dose, and stop at once if fish gasp or the water clouds. Spirits "
        "burn: a small closed bottle, away from lamps and pumps."
    ),
    EventKind.POLYMER_ADDED: (
        "Plug out before hands go in. A reactor that turned black or smells of rotten eggs: do not lean in, ventilate, and "
        "run its water to waste."
    ),
    EventKind.POLYMER_WEIGHED: "Plug out before hands go in, and gloves over cuts.",
    EventKind.CLEAN: (
        "Plug out before hands go in, and gloves over cuts. If it smells of rotten eggs do not lean in: leave, ventilate, and "
        "run the water to waste."
    ),
    EventKind.WATER_CHANGE: "Plugs out before hands go in, and never start a siphon by mouth.",
    EventKind.FAULT: (
        "Pull the plug before you touch anything wet; electrical work is for licensed people. Water that stood in a stopped "
        "reactor goes to waste, not into the tank."
    ),
    EventKind.LOSS: (
        "Animals come before data: after a death that you cannot explain stop the carbon, aerate, test ammonia and nitrite, "
        "tell the lead today, and ask a vet about sick animals."
    ),
    EventKind.MEDICATION: (
        "A vet, or whoever is licensed to, decides on medicine, and local rules hold. Helping animals is always allowed; tell "
        "the lead today."
    ),
}


def caution_at(kind: EventKind) -> str:
    """The caution that belongs beside an event of this kind; empty where there is none.

    As all of them: common practice, without a source, below local rules and licensed people.
    """
    return _AT_EVENT.get(kind, "")


def usual_cautions(protocol: Protocol) -> tuple[str, ...]:
    """Give the cautions that a trial calls for: those of carbon only where an arm doses it.

    They are common practice and carry no source; local rules and licensed people stand above them.
    """
    return cautions(doses=any(arm.carbon is not None for arm in protocol.arms))


def cautions(*, doses: bool) -> tuple[str, ...]:
    """Give the usual cautions; those of carbon only where it is dosed."""
    return (_ALWAYS[0], *(_CARBON if doses else ()), *_ALWAYS[1:])


def cautions_at_the_tank() -> tuple[str, ...]:
    """Give the cautions that belong beside a finding that sends somebody to a tank."""
    return (
        ANIMALS_FIRST,
        "Local rules come first; where people are hurt or feel ill, call for help before all else.",
    )
