"""Readings of check samples: which they are, who measured them, and what holds them."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from schemas.plain_words import nearest
from schemas.readings import HoldReason
from trials.intake.columns import CodedColumn, Coder, quoted
from trials.intake.holds import told
from trials.intake.review import review

if TYPE_CHECKING:
    import datetime as dt

    import pandas as pd
    from numpy.typing import NDArray

    from schemas.protocol import CheckSample, Protocol
    from trials.intake.holds import Finding
    from trials.intake.values import Understanding

_AT = " at "


def sample_of(protocol: Protocol) -> dict[str, CheckSample]:
    """The check samples of a trial by id."""
    return {sample.id: sample for sample in protocol.check_samples or ()}


def are_checks(drafts: pd.DataFrame, protocol: Protocol) -> NDArray[np.bool_]:
    """Which drafts are of check samples and not of tanks."""
    return drafts["tank"].isin(list(sample_of(protocol))).to_numpy()


def review_checks(
    drafts: pd.DataFrame, by: Understanding, today: dt.date
) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Hold what is no reading of a check sample.

    Parameters
    ----------
    drafts : DataFrame
        Those of check samples, numbered from 0.
    by : Understanding
        Trial, names and the site of the sheet; reasons are added to its holds.
    today : date
        The last day that a reading may be taken on.

    Returns
    -------
    drafts : DataFrame
        With ``sample``, with the ``site`` of the sheet where the row has none, and with ``tank`` naming both, so
        that readings of one sample at two sites are told apart.
    fit : array of bool
        Those that are whole and pass.
    """
    fit = review(drafts, by, today, of_checks=True)
    samples = drafts["tank"].astype(str).tolist()
    sites = [site or by.site for site in drafts["site"].astype(str)]
    variables = drafts["variable"].astype(object).tolist()
    known = sample_of(by.protocol)
    why_not = cache(lambda site: _site_finding(site, by.protocol))
    columns = drafts["where"].astype(str).tolist()
    for place, line in enumerate(drafts["line"].tolist()):
        sample = known[samples[place]]
        at_site = why_not(sites[place])
        if at_site is not None:
            fit[place] = False
            by.holds.add(line, *at_site)
        if variables[place] in by.names.ids and variables[place] != sample.variable:
            fit[place] = False
            text = (
                f"the check sample {sample.id} is for {sample.variable}, and this is a reading of {variables[place]}: take it "
                "out, or write the tank that was measured."
            )
            by.holds.add(line, HoldReason.OTHER_VARIABLE, told(columns[place], text))
    named = [f"{sample}{_AT}{site}" if site else sample for sample, site in zip(samples, sites, strict=True)]
    texts = {"tank": named, "sample": samples, "site": sites}
    return drafts.assign(**{name: _categorical(column) for name, column in texts.items()}), fit


def seen_checks(checks: pd.DataFrame) -> pd.DataFrame:
    """Readings of check samples from the register, with ``tank`` naming sample and site as in the drafts."""
    named = checks["sample"].str.cat(checks["site"].where(checks["site"] == "", _AT + checks["site"]))
    return checks.assign(tank=named)


def _site_finding(site: str, protocol: Protocol) -> Finding | None:
    sites = list(dict.fromkeys(tank.site for tank in protocol.tanks if tank.site))
    if site in sites or not (site or sites):
        return None
    if not sites:
        text = f"{quoted(site)} is not a site of this trial, whose tanks name none: leave the site empty."
        return HoldReason.UNKNOWN_SITE, text
    some = f"{', '.join(sites[:6])}{' and others' if len(sites) > 6 else ''}"
    if not site:
        text = f"A reading of a check sample needs the site that measured it: write one in the column site, of {some}."
        return HoldReason.NO_SITE, text
    near = nearest(site, sites)
    remedy = f"did you mean {quoted(near)}?" if near else f"its sites are {some}."
    return HoldReason.UNKNOWN_SITE, f"{quoted(site)} is not a site of this trial; {remedy}"


def _categorical(texts: list[str]) -> pd.Categorical:
    coder = Coder()
    codes = np.fromiter((coder[text] for text in texts), np.int32, len(texts))
    return CodedColumn(codes, tuple(coder)).categorical()
