"""A pack's endpoint analysed again on another scale, where a mapping asks for it: never what was registered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.document import document
from analysis.evaluation import evaluate
from analysis.followed import Happened
from schemas.errors import PoolingError
from schemas.protocol import Protocol
from schemas.protocol_rules import mistakes
from schemas.vocabulary import EndpointRole
from trials import __version__
from trials.pack.reading import allocation_of
from trials.pack.recomputing import left

if TYPE_CHECKING:
    from schemas.vocabulary import Scale
from trials.pack.reading import Pack


def reanalysed(pack: Pack, endpoint: str, scale: Scale) -> dict[str, Any]:
    """The endpoint's entry of the document, from the pack's readings on the given scale, without a margin.

    Raises
    ------
    PoolingError
        The endpoint has no such scale, by the rules of every protocol.
    """
    raw = _as_toml(pack.protocol)
    own = next(one for one in raw["endpoints"] if one["id"] == endpoint)
    changed = {key: value for key, value in own.items() if key != "worthwhile"} | {
        "scale": scale.value,
        "role": EndpointRole.SECONDARY.value,
    }
    # The planning effect and the margin belong to the registered scale.
    asked = {key: value for key, value in raw.items() if key != "planning"} | {"endpoints": [changed]}
    faults = [mistake for mistake in mistakes(asked) if endpoint in mistake.place]
    if faults:
        raise PoolingError(
            f"{endpoint} of {pack.trial} cannot be analysed on the {scale} scale: {faults[0].found}."
        )
    protocol = Protocol.model_validate(asked)
    analysis = evaluate(
        protocol,
        allocation_of(pack.contents),
        pack.readings,
        protocol_digest=str(pack.results.get("protocol_digest")),
        data_digest=str(pack.results.get("data_digest")),
        version=__version__,
        happened=Happened(pack.events, left(pack.contents)),
    )
    found: dict[str, Any] = document(analysis)["endpoints"][0]
    return found


def _as_toml(protocol: Protocol) -> dict[str, Any]:
    """A protocol as its file has it: only what is written, lists as lists, dates as dates."""
    raw: dict[str, Any] = protocol.model_dump(mode="json", exclude_defaults=True)
    raw["schedule"]["start"] = protocol.schedule.start
    if protocol.schedule.starts:
        raw["schedule"]["starts"] = protocol.schedule.starts
    return raw
