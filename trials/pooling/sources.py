"""What a pack or a publication brings to a pool, in one form."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from analysis.numerals import plain
from analysis.water.carbon import product
from schemas.errors import PackError, PoolingError, WaterError
from schemas.vocabulary import ArmRole, DesignKind
from trials.pack.archive import read_archive
from trials.pack.checking import sum_findings
from trials.pack.reading import allocation_of, pack_of
from trials.pooling.modifiers import modifiers_of
from trials.publication.packing import is_publication, publication_of
from trials.publication.reading import read_publication

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Mapping
    from pathlib import Path

    from schemas.protocol import Arm
    from trials.pack.reading import Pack
    from trials.publication.publication import Publication

SOLID, LIQUID, CONTROL = "solid carbon", "liquid carbon", "control"


@dataclass(frozen=True)
class Source:
    """One trial of a pool.

    Parameters
    ----------
    path : Path
    trial, title : str
    digest : str
        Of the protocol in force; of a publication, of what was typed in.
    ended : date or None
    kinds : mapping of str to str
        What each arm is given, by arm: the kind of carbon, control, or the arm's own id.
    endpoints : tuple of mapping
        As in the document of the analysis.
    targets : mapping of str to tuple
        Target and days held by endpoint, where there is one.
    design : DesignKind
    published : bool
    modifiers : mapping
        By arm: what may change its effect.
    also : tuple of str
        Other names under which this trial may come: ids and DOIs.
    remarks : tuple of str
    pack : Pack or None
    """

    path: Path
    trial: str
    title: str
    digest: str
    ended: dt.date | None
    kinds: Mapping[str, str]
    endpoints: tuple[Mapping[str, Any], ...] = field(repr=False)
    targets: Mapping[str, tuple[float, int]]
    design: DesignKind
    published: bool
    modifiers: Mapping[str, Mapping[str, float]]
    also: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    pack: Pack | None = field(default=None, repr=False)


def open_source(path: Path) -> Source:
    """Read a pack (folder or zip), a publication's pack, or a publication's TOML file itself.

    Raises
    ------
    PackError, PublicationError, PoolingError
        It cannot be read, its sums do not hold, or it cannot be pooled.
    """
    if path.suffix.casefold() == ".toml":
        return _of_publication(path, read_publication(path))
    archive = read_archive(path)
    for sentence in archive.damaged.values():
        raise PackError(f"{path}: {sentence}")
    if is_publication(archive.files):
        return _of_publication(path, publication_of(path, archive.files))
    for finding in sum_findings(archive.files):
        raise PackError(f"{path}: {finding.text}")
    try:
        pack = pack_of(path, archive.files)
    except PackError as error:
        raise PackError(f"{path}: {error}") from None
    return of_pack(pack)


def of_pack(pack: Pack) -> Source:
    """A trial from its pack."""
    protocol = pack.protocol
    if pack.results.get("masked"):
        raise PoolingError(
            f"{pack.path} shows arms as letters, so nobody can say which to pool; close data entry and pack it again."
        )
    remarks = []
    if protocol.design.kind is DesignKind.BEFORE_AFTER:
        remarks.append(
            "before and after in chosen systems: it speaks of these systems only, and weighs here by their own changes or "
            "with serial correlation."
        )
    elif not allocation_of(pack.contents).random:
        remarks.append("observational: chance did not decide which tank had which arm.")
    return Source(
        path=pack.path,
        trial=pack.trial,
        title=protocol.trial.title,
        digest=str(pack.results.get("protocol_digest")),
        ended=protocol.last_day,
        kinds={arm.id: kind_of(arm) for arm in protocol.arms},
        endpoints=tuple(pack.results["endpoints"]),
        targets={
            endpoint.id: (endpoint.target, endpoint.held)
            for endpoint in protocol.endpoints
            if endpoint.target is not None
        },
        design=protocol.design.kind,
        published=False,
        modifiers=modifiers_of(protocol, pack.readings),
        remarks=tuple(remarks),
        pack=pack,
    )


def kind_of(arm: Arm) -> str:
    """What an arm is given, as trials are matched by: solid or liquid carbon, control, or its own id."""
    if arm.carbon is not None:
        try:
            return SOLID if product(arm.carbon.source).source.solid else LIQUID
        except WaterError:
            return plain(arm.carbon.source, 60).casefold()
    return CONTROL if arm.role is ArmRole.CONTROL else arm.id


def _of_publication(path: Path, publication: Publication) -> Source:
    return Source(
        path=path,
        trial=publication.id,
        title=publication.citation,
        digest=publication.digest,
        ended=publication.date,
        kinds={arm.id: kind_of(arm) for arm in publication.arms},
        endpoints=tuple(publication.results["endpoints"]),
        targets={},
        design=publication.design,
        published=True,
        modifiers={arm.id: publication.modifiers for arm in publication.arms},
        also=tuple(filter(None, (publication.doi, publication.of_trial))),
        remarks=publication.remarks,
    )
