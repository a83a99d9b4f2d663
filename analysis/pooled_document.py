"""Pooled questions as one JSON document; numbers unrounded, what does not exist as null.

On the ratio scale estimates and limits are ratios, and standard errors, tau2 and slopes are of the logarithm, as in the
document of a single trial.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from analysis.document import finite
from analysis.pooled_wording import (
    answer,
    next_trial_words,
    prediction_words,
    reported,
    settled_words,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.pooled_records import Pooled, PooledFit, PooledQuestion, Prediction, TrialEffect


def pooled_document(pooled: Sequence[Pooled], left_out: Sequence[str], version: str) -> dict[str, Any]:
    """Plain data for ``json.dumps(..., allow_nan=False)``: the first question at the top, all of them below.

    Parameters
    ----------
    pooled : sequence of Pooled
        At least one; the first is the answer.
    left_out : sequence of str
        What was not pooled and why, in sentences.
    version : str
        Of fairtank.
    """
    settled, unsettled = settled_words(pooled)
    questions = [_question(one) for one in pooled]
    result: dict[str, Any] = finite(
        {
            **questions[0],
            "fairtank": version,
            "questions": questions,
            "left_out": list(left_out),
            "settled": settled,
            "unsettled": unsettled,
        }
    )
    return result


def _question(pooled: Pooled) -> dict[str, Any]:
    question, spread, small = pooled.question, pooled.heterogeneity, pooled.small_study
    predicted = pooled.prediction
    return {
        "question": question.id,
        "title": question.title,
        "role": question.role.value,
        "variable": question.variable,
        "summary": question.summary.value,
        "phase": question.phase,
        "scale": question.scale.value,
        "unit": question.unit,
        "better": question.better.value,
        "test": question.test,
        "reference": question.reference,
        "alpha": pooled.alpha,
        "k": len(pooled.trials),
        **_fit(question, pooled.main),
        "reading": pooled.verdict.value if pooled.verdict else None,
        "read_from": pooled.reader.name,
        "margins": [_margin(pooled, margin) for margin in pooled.margins],
        "i2": spread.i2 if spread else None,
        "heterogeneity": asdict(spread) if spread else None,
        "prediction_low": reported(question, predicted.low) if predicted else None,
        "prediction_high": reported(question, predicted.high) if predicted else None,
        "prediction_df": predicted.df if predicted else None,
        "prediction_beside": _prediction(question, pooled.prediction_beside),
        "widened": _fit(question, pooled.widened) if pooled.widened else None,
        "beside": [_fit(question, fit) for fit in pooled.beside],
        "trials": [
            _trial(question, trial, weight)
            for trial, weight in zip(pooled.trials, pooled.weights, strict=True)
        ],
        "leave_one_out": [_fit(question, fit, "without") for fit in pooled.leave_one_out],
        "cumulative": [
            _fit(question, fit, "up_to") | {"ended": trial.ended.isoformat() if trial.ended else None}
            for fit, trial in zip(pooled.cumulative, pooled.trials, strict=True)
        ],
        "modifiers": [asdict(slope) for slope in pooled.modifiers],
        "small_study": asdict(small) if small else None,
        "next_trial": _next(pooled),
        "notes": list(pooled.notes),
        "answer": " ".join(filter(None, [answer(pooled), prediction_words(pooled)])),
    }


def _fit(question: PooledQuestion, fit: PooledFit, called: str = "method") -> dict[str, Any]:
    return {
        called: fit.name,
        "trials_pooled": fit.k,
        "estimate": reported(question, fit.estimate),
        "se": fit.se,
        "df": fit.df,
        "low": reported(question, fit.low),
        "high": reported(question, fit.high),
        "p": fit.p,
        "tau2": fit.tau2,
        "reading": fit.verdict.value if fit.verdict else None,
    }


def _trial(question: PooledQuestion, trial: TrialEffect, weight: float) -> dict[str, Any]:
    return {
        "trial": trial.trial,
        "title": trial.title,
        "ended": trial.ended.isoformat() if trial.ended else None,
        "from_publication": trial.published,
        "endpoint": trial.endpoint,
        "test": trial.arms[0],
        "reference": trial.arms[1],
        "n": trial.n,
        "tanks": trial.tanks,
        "estimate": reported(question, trial.estimate),
        "se": trial.se,
        "df": trial.df,
        "low": reported(question, trial.low),
        "high": reported(question, trial.high),
        "weight": weight,
        "sd": trial.sd,
        "modifiers": dict(trial.modifiers),
        "remarks": list(trial.remarks),
    }


def _margin(pooled: Pooled, distance: float) -> float:
    """A worthwhile difference in the better direction, on the reported scale."""
    return reported(pooled.question, -distance if pooled.question.better.value == "lower" else distance)


def _prediction(question: PooledQuestion, found: Prediction | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {"low": reported(question, found.low), "high": reported(question, found.high), "df": found.df}


def _next(pooled: Pooled) -> dict[str, Any] | None:
    plan = pooled.next_trial
    if plan is None:
        return None
    return asdict(plan) | {
        "effect": reported(pooled.question, plan.effect),
        "sentences": next_trial_words(pooled),
    }
