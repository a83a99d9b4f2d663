"""The analysis as one JSON document; numbers unrounded, what does not exist as null."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.dose_adherence import DoseAdherence
    from analysis.records import (
        Analysis,
        CarryOver,
        Contrast,
        EndpointResult,
        Omnibus,
        Ranks,
        Sensitivity,
        TippingTable,
    )


def document(analysis: Analysis) -> dict[str, Any]:
    """Plain data for ``json.dumps(..., allow_nan=False)``; keys as the README lists them."""
    counted = asdict(analysis.readings)
    for day in ("first_day", "last_day"):
        counted[day] = counted[day].isoformat() if counted[day] else None
    result: dict[str, Any] = finite(
        {
            "trial": analysis.trial,
            "protocol_digest": analysis.protocol_digest,
            "data_digest": analysis.data_digest,
            "fairtank": analysis.fairtank,
            "masked": analysis.masked,
            "notes": list(analysis.notes),
            "readings": counted,
            "measurement": {
                "repeatability": [asdict(found) for found in analysis.measurement.repeatability],
                "agreement": [asdict(found) for found in analysis.measurement.agreement],
                "inside_tanks": [asdict(found) for found in analysis.measurement.inside_tanks],
            },
            "dose": _dose(analysis.doses) if analysis.doses else None,
            "balance": asdict(analysis.balance) if analysis.balance else None,
            "endpoints": [_endpoint(endpoint) for endpoint in analysis.endpoints],
        }
    )
    return result


def _endpoint(result: EndpointResult) -> dict[str, Any]:
    return {
        "id": result.id,
        "title": result.title,
        "role": result.role.value,
        "variable": result.variable,
        "summary": result.summary.value,
        "phase": result.phase,
        "baseline": result.baseline.value,
        "scale": result.scale.value,
        "better": result.better.value,
        "worthwhile": result.worthwhile,
        "unit": result.unit,
        "alpha": result.alpha,
        "variance": result.variance.value,
        "multiplicity": result.multiplicity,
        "n_tanks": result.n_tanks,
        "n_blocks": result.n_blocks,
        "arms": [asdict(arm) for arm in result.arms],
        "described": [asdict(arm) for arm in result.described],
        "omnibus": _f_test(result.omnibus),
        "contrasts": [_contrast(contrast) for contrast in result.contrasts],
        "ranks": _ranks(result.ranks),
        "sphericity": asdict(result.sphericity) if result.sphericity else None,
        "period": _f_test(result.period),
        "carry_over": _f_test(result.carry_over),
        "time": {"horizon": result.horizon, "curves": [asdict(curve) for curve in result.curves]}
        if result.curves
        else None,
        "rates": [asdict(rate) for rate in result.rates],
        "overdispersion": result.overdispersion,
        "serial_correlation": result.serial_correlation,
        "missing": {
            "arms": [asdict(flow) for flow in result.flow],
            "tanks": [
                {"tank": tank.tank, "arm": tank.arm, "reason": tank.why_missing}
                for tank in result.tanks
                if tank.y is None
            ],
        },
        "tipping": [_tipping(table) for table in result.tipping],
        "notes": list(result.notes),
        "sensitivity": [_sensitivity(sensitivity) for sensitivity in result.sensitivity],
        "tanks": [_without(asdict(tank), "why_missing") for tank in result.tanks],
    }


def _dose(doses: DoseAdherence) -> dict[str, Any]:
    tanks = [asdict(tank) | {"share": tank.share} for tank in doses.tanks]
    return asdict(doses) | {"tanks": tanks}


def _f_test(test: Omnibus | CarryOver | None) -> dict[str, Any] | None:
    return {"F": test.f, "df1": test.df1, "df2": test.df2, "p": test.p} if test else None


def _plain(contrast: Contrast) -> dict[str, Any]:
    return {
        "test": contrast.test,
        "reference": contrast.reference,
        "n": contrast.n,
        "estimate": contrast.estimate,
        "se": contrast.se,
        "df": contrast.df,
        "low": contrast.low,
        "high": contrast.high,
        "p": contrast.p,
        "reading": contrast.verdict.value if contrast.verdict else None,
        "favours": contrast.favours,
    }


def _contrast(contrast: Contrast) -> dict[str, Any]:
    censoring = contrast.censoring
    return _plain(contrast) | {
        "p_adjusted": contrast.p_adjusted,
        "effect_size": asdict(contrast.effect_size) if contrast.effect_size else None,
        "randomisation": asdict(contrast.randomisation) if contrast.randomisation else None,
        "censoring": {
            "n_censored": censoring.n_censored,
            "lowest": censoring.lowest,
            "highest": censoring.highest,
            "readings": [verdict.value if verdict else None for verdict in censoring.verdicts],
        }
        if censoring
        else None,
        "equivalence": asdict(contrast.equivalence) if contrast.equivalence else None,
    }


def _ranks(ranks: Ranks) -> dict[str, Any]:
    return {
        "omnibus": asdict(ranks.omnibus) if ranks.omnibus else None,
        "contrasts": [asdict(rank) for rank in ranks.contrasts],
    }


def _tipping(table: TippingTable) -> dict[str, Any]:
    shifts = zip(table.shifts, table.verdicts, strict=True)
    return {
        "test": table.test,
        "reference": table.reference,
        "arm": table.arm,
        "tanks": table.tanks,
        "down": table.down,
        "up": table.up,
        "shifts": [
            {"shift": shift, "reading": verdict.value if verdict else None} for shift, verdict in shifts
        ],
    }


def _sensitivity(sensitivity: Sensitivity) -> dict[str, Any]:
    return {"name": sensitivity.name, "contrasts": [_plain(contrast) for contrast in sensitivity.contrasts]}


def _without(record: dict[str, Any], name: str) -> dict[str, Any]:
    return {key: value for key, value in record.items() if key != name}


def finite(value: Any) -> Any:
    """Infinite numbers as null and tuples as lists, at any depth: JSON has no word for either."""
    if isinstance(value, dict):
        return {key: finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [finite(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
