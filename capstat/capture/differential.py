"""How far misjudgement that differs between two placements could explain a difference of thresholds.

Quantitative bias analysis with stated ranges (Lash, Fox & Fink 2009, Applying Quantitative Bias Analysis to
Epidemiologic Data, from memory): the comparison is repeated under every pair of specificities, and the pair is
sought at which the conclusion would change.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq

from capstat.capture.corrected_parametric import fit_corrected_groups
from capstat.capture.judgement_errors import JudgementErrors
from capstat.distributions import LOGNORMAL, fit_regression
from capstat.results import Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from capstat.capture.judged_ramps import JudgedRamps
    from capstat.distributions import ThresholdRegression

__all__ = [
    "AGAINST",
    "DifferentialMisjudgement",
    "RatioAt",
    "TippingPoint",
    "differential_misjudgement",
    "ratio_with_own_errors",
]

QUANTITY = "ratio of capture thresholds"
# steps in which specificity is lowered in one placement, until the conclusion changes or no estimate is left
# log-likelihood, less the largest, below which the judgements themselves speak against a pair of specificities
AGAINST = -3.0
LOSSES = np.arange(0.0, 0.401, 0.02)


@dataclass(frozen=True, slots=True)
class RatioAt:
    """Ratio of thresholds when judgement is so specific in either placement.

    Attributes
    ----------
    specificity_first, specificity_minus : float
        At 80 mA.
    ratio : Estimate or None
        ``None`` when there is no estimate.
    log_likelihood : float or None
        Less the largest of the grid: how far the judgements themselves speak against this pair.
    reason : str
        Why there is none; empty when there is one.
    """

    specificity_first: float
    specificity_minus: float
    ratio: Estimate | None
    log_likelihood: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class TippingPoint:
    """By how much judgement would have to be less specific in one placement for the conclusion to change.

    Attributes
    ----------
    what : str
        The change: the ratio becomes 1, or its interval begins to include 1.
    placement : str
        The one in which judgement would be less specific.
    specificity : float or None
        That specificity at 80 mA; ``None`` when no loss of up to 0.4 does it for which there is an estimate.
    other : float
        Specificity in the other placement.
    """

    what: str
    placement: str
    specificity: float | None
    other: float


@dataclass(frozen=True, slots=True)
class DifferentialMisjudgement:
    """The comparison of two placements under misjudgement.

    Attributes
    ----------
    first, minus : str
        Placements; ratios are first over minus.
    as_claimed : Estimate
        Ratio when every judgement is believed.
    alike : Estimate
        Ratio when errors are those of ``errors`` in both placements.
    errors : JudgementErrors
        Errors that both have before they are made to differ.
    grid : tuple of RatioAt
        Ratio under every pair of the stated specificities.
    tipping : tuple of TippingPoint
        What it would take to change the conclusion; empty when the interval of ``alike`` includes 1.
    """

    first: str
    minus: str
    as_claimed: Estimate
    alike: Estimate
    errors: JudgementErrors
    grid: tuple[RatioAt, ...]
    tipping: tuple[TippingPoint, ...]

    @property
    def range_of_ratios(self) -> tuple[float, float]:
        """Smallest and largest ratio over the pairs of the grid that the judgements do not speak against."""
        values = [
            point.ratio.value
            for point in self.grid
            if point.ratio is not None and point.ratio.value is not None and (point.log_likelihood or 0.0) >= AGAINST
        ]
        return min(values), max(values)


def differential_misjudgement(
    ramps: JudgedRamps,
    first: str,
    minus: str,
    *,
    errors: JudgementErrors,
    specificities: Sequence[float],
    level: float = 0.95,
) -> DifferentialMisjudgement:
    """Repeat the comparison of two placements under misjudgement that differs between them.

    The model is lognormal with a common spread, without other covariates; limits allow for patients with both
    placements.  It is a bias analysis of one bias at a time: neither confounding nor who was given which placement is
    in it.

    Parameters
    ----------
    ramps : JudgedRamps
        Ramps with both placements; the judgements alone are used, since a reference would contradict some pairs.
    first, minus : str
        The ratio is that of thresholds with ``first`` over those with ``minus``.
    errors : JudgementErrors
        Starting point: sensitivity, and how specificity changes with the current, stay as they are here.
    specificities : sequence of float
        Stated range, at 80 mA; every pair is tried.
    level : float
        Confidence level.

    Raises
    ------
    NotEstimableError
        When a placement has no ramps, or no ratio can be estimated.
    """
    alone = ramps.without_reference()
    parts = [alone.subset(alone.placement == name) for name in (first, minus)]
    for name, part in zip((first, minus), parts, strict=True):
        if len(part) == 0:
            raise NotEstimableError(f"No ramp with {name} pads was judged.")
    design = np.array([[1.0, 1.0], [1.0, 0.0]])

    def fitted(of_first: JudgementErrors, of_minus: JudgementErrors) -> ThresholdRegression:
        names = ("(intercept)", first)
        return fit_corrected_groups(parts, design, names, family=LOGNORMAL, errors=(of_first, of_minus)).regression

    def ratio(of_first: JudgementErrors, of_minus: JudgementErrors) -> Estimate:
        return fitted(of_first, of_minus).ratio(
            first, level=level, quantity=QUANTITY, direction=f"{first} over {minus}"
        )

    def with_specificity(value: float) -> JudgementErrors:
        return JudgementErrors(errors.sensitivity, value, errors.odds_ratio_per_10_ma)

    found: list[tuple[float, float, ThresholdRegression | None, str]] = []
    for a in specificities:
        for b in specificities:
            try:
                found.append((a, b, fitted(with_specificity(a), with_specificity(b)), ""))
            except (NotEstimableError, UsageError) as error:
                found.append((a, b, None, str(error)))
    best = max((fit.log_likelihood for _, _, fit, _ in found if fit is not None), default=None)
    if best is None:
        raise NotEstimableError(f"No pair of specificities gives a ratio: {found[0][3]}")
    grid = [
        RatioAt(a, b, None, None, reason)
        if fit is None
        else RatioAt(
            a, b, fit.ratio(first, level=level, quantity=QUANTITY, direction=f"{first} over {minus}"),
            fit.log_likelihood - best, "",
        )
        for a, b, fit, reason in found
    ]  # fmt: skip
    alike = ratio(errors, errors)
    return DifferentialMisjudgement(
        first, minus, _as_claimed(alone, first, minus, level), alike, errors, tuple(grid),
        _tipping(first, minus, alike, errors.specificity, lambda a, b: ratio(with_specificity(a), with_specificity(b))),
    )  # fmt: skip


def ratio_with_own_errors(
    ramps: JudgedRamps, first: str, minus: str, errors: tuple[JudgementErrors, JudgementErrors], level: float = 0.95
) -> Estimate:
    """Ratio of thresholds when each placement has the errors that were estimated for it.

    Limits take the errors as known.

    Raises
    ------
    NotEstimableError
        When a placement has no ramps, or the model has no finite estimate.
    UsageError
        When the judgements contradict the errors.
    """
    alone = ramps.without_reference()
    parts = [alone.subset(alone.placement == name) for name in (first, minus)]
    design = np.array([[1.0, 1.0], [1.0, 0.0]])
    found = fit_corrected_groups(parts, design, ("(intercept)", first), family=LOGNORMAL, errors=errors)
    return found.regression.ratio(first, level=level, quantity=QUANTITY, direction=f"{first} over {minus}")


def _as_claimed(ramps: JudgedRamps, first: str, minus: str, level: float) -> Estimate:
    """Ratio of the intervals as claimed: perfect judgement would make ramps that contradict themselves impossible."""
    both = ramps.subset((ramps.placement == first) | (ramps.placement == minus))
    design = np.column_stack([np.ones(len(both)), (both.placement == first).astype(float)])
    fit = fit_regression(both.as_claimed(), design, ("(intercept)", first), family=LOGNORMAL)
    return fit.ratio(first, level=level, quantity=QUANTITY, direction=f"{first} over {minus}")


def _tipping(
    first: str, minus: str, alike: Estimate, specificity: float, ratio: Callable[[float, float], Estimate]
) -> tuple[TippingPoint, ...]:
    if alike.value is None or alike.lower is None or alike.upper is None or alike.lower <= 1 <= alike.upper:
        return ()
    lower_first = alike.value < 1
    # false captures make thresholds look lower than they are: the placement that seems better must have more of them
    placement = first if lower_first else minus

    def at(loss: float) -> Estimate:
        pair = (specificity - loss, specificity) if lower_first else (specificity, specificity - loss)
        return ratio(*pair)

    def solve(distance: Callable[[Estimate], float]) -> float | None:
        for low, high in itertools.pairwise(LOSSES):
            try:
                if distance(at(high)) >= 0:
                    return specificity - float(brentq(lambda loss: distance(at(loss)), low, high, xtol=1e-4))
            except (NotEstimableError, UsageError):
                return None
        return None

    sign = 1.0 if lower_first else -1.0

    def near_limit(estimate: Estimate) -> float:
        limit = estimate.upper if lower_first else estimate.lower
        return sign * float(np.log(limit or 1.0))

    return (
        TippingPoint("the interval of the ratio includes 1", placement, solve(near_limit), specificity),
        TippingPoint("the ratio is 1", placement, solve(lambda e: sign * float(np.log(e.value or 1.0))), specificity),
    )
