"""What a report shows of the thresholds of one group beyond the capture curve itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions import (
    FAMILIES,
    averaged_capture_currents,
    compare_families,
    estimate_never_captured,
    goodness_of_fit,
    profile_capture_current,
    quantile_pairs,
    shortcut_estimates,
)
from capstat.distributions.families import TWO_PARAMETER_FAMILIES
from capstat.distributions.regression import captured_patients
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import widen_for_tolerance

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.distributions import (
        CaptureSummary,
        Family,
        FamilyComparison,
        GoodnessOfFit,
        NeverCaptured,
        ParametricFit,
        QuantilePairs,
        ShortcutEstimates,
    )
    from capstat.results import Curve, Estimate
    from capstat.thresholds import CensoredThresholds

__all__ = ["ModelSummary", "ThresholdDetail", "describe_thresholds", "model_families", "summarise_models"]

# output tolerances looked at, in percent; common practice, no source: device manuals state tolerances of this size
TOLERANCES_PERCENT = (5.0, 10.0)
# captured patients from which a family with a further shape parameter is tried: its shape runs away in small groups
ENOUGH_FOR_SHAPE = 40
# simulated studies of the goodness-of-fit test: its smallest p-value is then 0.01
CHECK_REPLICATES = 99
# with fewer captured patients only a grossly wrong model could be told, and nothing else either
FEWEST_CAPTURED = 10
TOO_FEW = f"fewer than {FEWEST_CAPTURED} captured patients"


@dataclass(frozen=True, slots=True, eq=False)
class ModelSummary:
    """Models of one group's thresholds.

    Attributes
    ----------
    families : FamilyComparison
        Families with and without a share never captured, best first; the generalised gamma from 40 captured patients.
    currents : tuple of Estimate
        Capture currents under the best of them; empty when none could be fitted.
    averaged_currents : tuple of Estimate
        Capture currents averaged over all of them; empty when none could be fitted.
    curve : Curve or None
        Capture curve of the best one.
    """

    families: FamilyComparison
    currents: tuple[Estimate, ...]
    averaged_currents: tuple[Estimate, ...]
    curve: Curve | None

    @property
    def best(self) -> ParametricFit | None:
        """The model with the lowest AIC; ``None`` when none could be fitted."""
        return self.families.rows[0].fit


@dataclass(frozen=True, slots=True, eq=False)
class ThresholdDetail:
    """How far the models of a group can be trusted, and what hangs on them.

    Attributes
    ----------
    never_captured : tuple of NeverCaptured
        Share never captured by two-parameter family; a further shape is hardly told apart from such a share.
    not_told : str
        Why there is no such share; empty when there is.
    fit_check : GoodnessOfFit or None
        Test of the best model against all distributions.
    not_checked : str
        Why there is no such test; empty when there is.
    pairs : QuantilePairs or None
        Quantile-quantile pairs of the best model.
    shortcuts : ShortcutEstimates
        What two published shortcuts would have said.
    tolerances : tuple of (float, tuple of Estimate)
        Output tolerance in percent, 0 first, and capture currents averaged over the two-parameter families with every
        interval widened by it; empty without models.
    """

    never_captured: tuple[NeverCaptured, ...]
    not_told: str
    fit_check: GoodnessOfFit | None
    not_checked: str
    pairs: QuantilePairs | None
    shortcuts: ShortcutEstimates
    tolerances: tuple[tuple[float, tuple[Estimate, ...]], ...]


def _never_captured(thresholds: CensoredThresholds, level: float) -> tuple[tuple[NeverCaptured, ...], str]:
    found, reasons = [], []
    for family in TWO_PARAMETER_FAMILIES:
        try:
            found.append(estimate_never_captured(thresholds, family=family, level=level))
        except NotEstimableError as error:
            reasons.append(str(error))
    return tuple(found), "" if found else reasons[0]


def _currents(
    thresholds: CensoredThresholds, fit: ParametricFit, fractions: Sequence[float], level: float
) -> tuple[Estimate, ...]:
    """Profile-likelihood limits where attempts are independent, else those of the sandwich covariance."""
    try:
        return tuple(profile_capture_current(thresholds, fit, fraction, level) for fraction in fractions)
    except NotEstimableError:
        return tuple(fit.capture_current(fraction, level) for fraction in fractions)


def model_families(thresholds: CensoredThresholds) -> Sequence[Family]:
    """Families that a group is large enough for."""
    return FAMILIES if captured_patients(thresholds) >= ENOUGH_FOR_SHAPE else TWO_PARAMETER_FAMILIES


def summarise_models(
    thresholds: CensoredThresholds, top_ma: float, fractions: Sequence[float], level: float
) -> ModelSummary:
    """Fit every family to the attempts of one group.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts of the group.
    top_ma : float
        Highest current of the model's curve, in mA.
    fractions : sequence of float
        Capture currents wanted.
    level : float
        Confidence level.
    """
    families = compare_families(thresholds, model_families(thresholds))
    best = families.rows[0].fit
    if best is None:
        return ModelSummary(families, (), (), None)
    return ModelSummary(
        families,
        _currents(thresholds, best, fractions, level),
        averaged_capture_currents(families, fractions, level),
        best.capture_curve(np.linspace(top_ma / 10, top_ma, 181), level),
    )


def _check(thresholds: CensoredThresholds, fit: ParametricFit, seed: int) -> tuple[GoodnessOfFit | None, str]:
    try:
        return (
            goodness_of_fit(
                thresholds, family=fit.family, never_captured=fit.never_captured, replicates=CHECK_REPLICATES,
                seed=seed,
            ),
            "",
        )  # fmt: skip
    except (NotEstimableError, UsageError) as error:
        return None, str(error)


def _under_tolerance(
    thresholds: CensoredThresholds, fractions: Sequence[float], level: float
) -> tuple[tuple[float, tuple[Estimate, ...]], ...]:
    rows = []
    for percent in (0.0, *TOLERANCES_PERCENT):
        compared = compare_families(widen_for_tolerance(thresholds, percent), TWO_PARAMETER_FAMILIES)
        rows.append((percent, averaged_capture_currents(compared, fractions, level)))
    return tuple(rows)


def describe_thresholds(
    thresholds: CensoredThresholds,
    summary: CaptureSummary,
    models: ModelSummary,
    fractions: Sequence[float],
    level: float,
    seed: int,
) -> ThresholdDetail:
    """Check the models of one group and show what hangs on them.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts of the group.
    summary : CaptureSummary
        Its nonparametric estimates.
    models : ModelSummary
        Its models.
    fractions : sequence of float
        Capture currents wanted.
    level : float
        Confidence level.
    seed : int
        Seed of the goodness-of-fit test.
    """
    shortcuts = shortcut_estimates(thresholds, level)
    best = models.best
    if best is None:
        reason = models.families.rows[0].reason
        return ThresholdDetail((), reason, None, reason, None, shortcuts, ())
    pairs = quantile_pairs(summary.fit, best, summary.curve)
    if best.model.n_captured < FEWEST_CAPTURED:
        return ThresholdDetail((), TOO_FEW, None, TOO_FEW, pairs, shortcuts, ())
    never, not_told = _never_captured(thresholds, level)
    check, not_checked = _check(thresholds, best, seed)
    return ThresholdDetail(
        never,
        not_told,
        check,
        not_checked,
        pairs,
        shortcuts,
        _under_tolerance(thresholds, fractions, level),
    )
