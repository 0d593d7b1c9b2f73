"""What goes with a higher threshold: one regression declared beforehand, and capture curves standardised by it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from capstat.distributions import (
    LOGNORMAL,
    Covariates,
    Spline,
    fit_covariate_model,
    standardised_curves,
)
from capstat.placement import body_size_column, unit_step
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.distributions import CovariateModel, StandardisedCurves, TermTest
    from capstat.results import Estimate
    from capstat.thresholds import CensoredThresholds

__all__ = ["CovariateAnalysis", "analyse_covariates"]

# looked at in every study that has them, fixed beforehand so that nothing is picked by its result
DECLARED = ("arrest", "conscious", "pulse_width_ms")
# a covariate is used when most attempts have it and each of its values occurs this often
ENOUGH_RECORDED, FEWEST_OF_EACH = 0.6, 10
SPLINE_DF = 3


@dataclass(frozen=True, slots=True, eq=False)
class CovariateAnalysis:
    """Regression of log threshold on what is known before pacing starts.

    Attributes
    ----------
    names : tuple of str
        Covariates in the model.
    ratios : tuple of Estimate
        Ratios of thresholds.
    bends : tuple of TermTest
        Tests of straight lines against natural splines, for numbers.
    never_captured : bool
        Whether the model has a share never captured, the same for everybody.
    n_complete, n_total : int
        Attempts with all covariates, and all attempts.
    standardised : StandardisedCurves or None
        Capture curves if every patient had the first placement and if every patient had the second; ``None`` when they
        are not both in the model.
    """

    names: tuple[str, ...]
    ratios: tuple[Estimate, ...]
    bends: tuple[TermTest, ...]
    never_captured: bool
    n_complete: int
    n_total: int
    standardised: StandardisedCurves | None


def _varies(values: pd.Series[Any]) -> bool:
    """Whether enough attempts have a value and at least two values occur often enough."""
    known = values.dropna()
    if len(known) < ENOUGH_RECORDED * len(values):
        return False
    counts = known.value_counts()
    return len(counts) > 1 and int(counts.iloc[1]) >= FEWEST_OF_EACH


def _usual_placements(thresholds: CensoredThresholds) -> CensoredThresholds:
    """Attempts with placements that occur often enough and captured at least once, where there are any: others have no
    ratio.
    """
    captured = np.isfinite(thresholds.upper_ma)
    usual = [
        name
        for name in thresholds.placements
        if (thresholds.placement == name).sum() >= FEWEST_OF_EACH and captured[thresholds.placement == name].any()
    ]
    return thresholds.subset(np.isin(thresholds.placement, usual)) if usual else thresholds


def _names(thresholds: CensoredThresholds) -> list[str]:
    names = ["placement"] if _varies(pd.Series(thresholds.placement, dtype=object)) else []
    size = body_size_column(thresholds)
    names += [size] if size else []
    return names + [name for name in DECLARED if name in thresholds.covariates and _varies(thresholds.covariates[name])]


def _best_model(thresholds: CensoredThresholds, covariates: Covariates) -> CovariateModel | None:
    """Lognormal model, with a share never captured where AIC favours it: without one every curve rises to 100 %."""
    found = []
    for never_captured in (None, Covariates(())):
        try:
            found.append(fit_covariate_model(thresholds, covariates, family=LOGNORMAL, never_captured=never_captured))
        except NotEstimableError:
            continue
    return min(found, key=lambda model: model.regression.aic, default=None)


def _bends(thresholds: CensoredThresholds, names: Sequence[str]) -> tuple[TermTest, ...]:
    """Test whether a straight line is enough for body size."""
    size = body_size_column(thresholds)
    if size is None or size not in names:
        return ()
    try:
        model = fit_covariate_model(
            thresholds, Covariates(tuple(names), splines=(Spline(size, SPLINE_DF),)), family=LOGNORMAL
        )
    except (NotEstimableError, UsageError):
        return ()
    return tuple(test for test in model.tests() if test.hypothesis == "a straight line")


def _per_step(ratio: Estimate) -> Estimate:
    """Quote the ratio of a number for a step that says something, such as 5 units of body mass index, not one."""
    head, unit, name = ratio.quantity.partition(", per unit of ")
    if not unit or ratio.value is None or ratio.lower is None or ratio.upper is None:
        return ratio
    step, words = unit_step(name)
    return replace(
        ratio, quantity=f"{head}, per {words}", value=ratio.value**step, lower=ratio.lower**step,
        upper=ratio.upper**step,
    )  # fmt: skip


def _standardised(
    model: CovariateModel, placements: tuple[str, str], top_ma: float, level: float
) -> StandardisedCurves | None:
    try:
        return standardised_curves(model, "placement", placements, np.linspace(20.0, top_ma, 60), level)
    except (NotEstimableError, UsageError):
        return None


def analyse_covariates(
    thresholds: CensoredThresholds,
    placements: tuple[str, str],
    level: float,
    wanted: tuple[str, ...] | None = None,
) -> CovariateAnalysis | None:
    """Fit the declared covariates that the study has; ``None`` when there are none or the model has no estimate.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts of all placements.
    placements : tuple of str
        First and second placement of the standardised curves; the second is the reference.
    level : float
        Confidence level.
    wanted : tuple of str, optional
        Covariates in place of the declared ones.

    Raises
    ------
    UsageError
        When a wanted covariate does not exist, is known only after the pads were placed, or does not vary.
    """
    n_total = len(thresholds)
    thresholds = _usual_placements(thresholds)
    names = _names(thresholds) if wanted is None else list(wanted)
    if not names or len(thresholds) == 0:
        return None
    reference = (("placement", placements[1]),) if placements[1] in thresholds.placements else ()
    covariates = Covariates(tuple(names), reference=reference if "placement" in names else ())
    model = _best_model(thresholds, covariates)
    if model is None:
        return None
    finite = thresholds.upper_ma[np.isfinite(thresholds.upper_ma)]
    top = float(max(thresholds.lower_ma.max(), finite.max(initial=0.0)))
    both = "placement" in names and set(placements) <= set(model.thresholds.placements)
    return CovariateAnalysis(
        tuple(names),
        tuple(_per_step(ratio) for ratio in model.ratios(level)),
        _bends(thresholds, names),
        model.capturable_design is not None,
        model.n_complete,
        n_total,
        _standardised(model, placements, top, level) if both else None,
    )
