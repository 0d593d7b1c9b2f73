"""Sensitivity and specificity of a judgement, from the joint likelihood, with limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special, stats

from capstat.capture.judgement_errors import REFERENCE_MA
from capstat.numerics.proportions import wilson
from capstat.results import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.estimated_errors import ErrorModel
    from capstat.capture.judged_ramps import JudgedRamps
    from capstat.capture.judgement_errors import JudgementErrors
    from capstat.capture.judgement_table import JudgementTable

__all__ = ["error_estimates"]

GIVEN = "given, not estimated"
ESTIMATED = (
    "joint maximum likelihood of judgements and reference; Wilson limits with the effective sample size of a patient "
    "bootstrap"
)
EDGE = 1e-3
SHOWN_MA = (60.0, 80.0, 100.0, 120.0)


def _given(quantity: str, value: float, level: float, n: int) -> Estimate:
    return Estimate(quantity, value, None, None, level, "proportion", "score", n, GIVEN)


def _estimated(
    quantity: str, value: float, replicates: NDArray[np.float64], level: float, patients: int, n: int
) -> Estimate:
    """Wilson limits; near 0 and 1, where a share has no variance of its own, no more count than the patients seen.

    Share and variance are both those of the replicates, which have the same judgements added.
    """
    centre = float(replicates.mean())
    size = min(centre * (1 - centre) / max(float(replicates.var(ddof=1)), 1e-12), float(n))
    if not EDGE < value < 1 - EDGE:
        size = min(size, float(patients))
    lower, upper = wilson(value * size, size, level)
    return Estimate(quantity, value, lower, upper, level, "proportion", "score", patients, ESTIMATED)


def error_estimates(
    ramps: JudgedRamps,
    table: JudgementTable,
    model: ErrorModel,
    errors: JudgementErrors,
    logits: NDArray[np.float64],
    level: float,
) -> tuple[Estimate, tuple[tuple[float, Estimate], ...], Estimate | None]:
    """Sensitivity, specificity by current, and the odds ratio per 10 mA.

    Parameters
    ----------
    ramps, table
        Ramps and their tabulation.
    model : ErrorModel
        Which errors were given.
    errors : JudgementErrors
        Given or estimated.
    logits : ndarray, shape (B, 3)
        Bootstrap replicates of the estimated logits; no rows when all were given.
    level : float
        Confidence level.
    """
    reviewed = ramps.truth >= 0
    patient = ramps.patient[ramps.ramp]
    told = {value: int(pd.unique(patient[reviewed & (ramps.truth == value)]).size) for value in (0, 1)}
    if told[0] == 0:
        # only upheld claims tell of the specificity then
        told[0] = int(pd.unique(patient[reviewed & ramps.claimed]).size)
    n = int(ramps.claimed.size)
    words = "probability that a setting {} is judged so"
    if model.sensitivity is None:
        sensitivity = _estimated(
            words.format("that captures"), errors.sensitivity, 1 - special.expit(logits[:, 0]), level, told[1], n
        )
    else:
        sensitivity = _given(words.format("that captures"), errors.sensitivity, level, told[1])
    varies = model.varies_with_current or model.odds_ratio_per_10_ma != 1
    tested = [c for c in SHOWN_MA if table.edges_ma[0] <= c <= table.edges_ma[-1]] if varies else []
    specificities = []
    for current in tested or [REFERENCE_MA]:
        quantity = words.format(f"of {current:g} mA without capture" if varies else "without capture")
        value = 1 - float(errors.false_claim_probability(np.array([current]))[0])
        if model.specificity is not None and not model.varies_with_current:
            specificities.append((current, _given(quantity, value, level, told[0])))
            continue
        drawn = 1 - special.expit(logits[:, 1] + logits[:, 2] * (current - REFERENCE_MA) / 10)
        specificities.append((current, _estimated(quantity, value, drawn, level, told[0], n)))
    if not model.varies_with_current or errors.specificity == 1:
        # without any false capture nothing tells how their odds would change
        return sensitivity, tuple(specificities), None
    spread = float(logits[:, 2].std(ddof=1)) * float(stats.t.ppf(0.5 + level / 2, max(told[0] - 1, 1)))
    centre = np.log(errors.odds_ratio_per_10_ma)
    odds_ratio = Estimate(
        "odds ratio of a false captured judgement per 10 mA", errors.odds_ratio_per_10_ma,
        float(np.exp(centre - spread)), float(np.exp(centre + spread)), level, "odds ratio", "log", told[0],
        "joint maximum likelihood of judgements and reference; t limits with the standard error of a patient bootstrap",
    )  # fmt: skip
    return sensitivity, tuple(specificities), odds_ratio
