"""Every mistake in a protocol at once: its shape and the rules across its parts, in the order of the file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from schemas.check_sample_rules import check_sample_faults
from schemas.design_rules import design_faults
from schemas.endpoint_rules import endpoint_faults
from schemas.group_rules import group_faults
from schemas.protocol_draft import Draft
from schemas.protocol_places import as_mistakes
from schemas.protocol_shape import shape_faults
from schemas.schedule_rules import schedule_faults
from schemas.variable_rules import variable_faults

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from schemas.errors import Mistake


def mistakes(raw: Mapping[str, Any], *, tank_places: Sequence[str] = ()) -> list[Mistake]:
    """Every mistake in a protocol, each once.

    Parameters
    ----------
    raw : mapping
        The protocol as TOML gives it, the list of tanks in it. Rules pass over what is not well typed, so
        that faults of type and faults of sense are all named in one go.
    tank_places : sequence of str
        Where each tank was read, if from a file of its own, e.g. ``tanks.csv line 5``.

    Returns
    -------
    list of Mistake
        In the order of the file; empty only if :func:`schemas.protocol_shape.build` accepts the mapping.
    """
    draft = Draft(raw)
    rules = [
        *group_faults(draft),
        *design_faults(draft),
        *schedule_faults(draft),
        *variable_faults(draft),
        *endpoint_faults(draft),
        *check_sample_faults(draft),
    ]
    # A rule says more than the type does, so where both find fault with one place, the rule is heard.
    told = {fault.path for fault in rules}
    shape = [fault for fault in shape_faults(raw) if fault.path not in told]
    return as_mistakes([*rules, *shape], raw, tank_places)
