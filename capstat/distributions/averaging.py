"""Families side by side by Akaike's criterion, and capture currents averaged over them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from capstat.distributions.families import FAMILIES
from capstat.distributions.parametric import checked_fraction, fit_parametric
from capstat.numerics.small_sample import wald_multiplier
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.distributions.families import Family
    from capstat.distributions.parametric import ParametricFit
    from capstat.thresholds import CensoredThresholds

__all__ = ["FamilyComparison", "FamilyRow", "averaged_capture_currents", "compare_families"]

METHOD = (
    "capture currents averaged over families with Akaike weights; interval from the unconditional standard error "
    "(Buckland, Burnham & Augustin 1997) on the log scale"
)
# an average over models of which most say that there is no such current would answer another question
MOST_UNREACHABLE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class FamilyRow:
    """One model of the comparison.

    Attributes
    ----------
    name : str
        Family, and whether a share is never captured.
    fit : ParametricFit or None
        The fit; ``None`` when there is none.
    reason : str
        Why there is no fit; empty when there is one.
    aic, difference : float or None
        Akaike's criterion, and by how much it exceeds the smallest.
    weight : float
        Akaike weight; 0 without a fit.
    """

    name: str
    fit: ParametricFit | None
    reason: str
    aic: float | None
    difference: float | None
    weight: float


@dataclass(frozen=True, slots=True, eq=False)
class FamilyComparison:
    """Models fitted to the same attempts, best first, those without a fit last.

    Attributes
    ----------
    rows : tuple of FamilyRow
        The models; weights sum to one when there is any fit.
    n, n_patients : int
        Attempts and patients that every model was fitted to.
    notes : tuple of str
        What a reader must know before using the weights.
    """

    rows: tuple[FamilyRow, ...]
    n: int
    n_patients: int
    notes: tuple[str, ...] = ()


def compare_families(
    thresholds: CensoredThresholds,
    families: Sequence[Family] = FAMILIES,
    never_captured: Sequence[bool] = (False, True),
) -> FamilyComparison:
    """Fit every family to the same attempts and weigh the fits by Akaike's criterion.

    The weight of a model is ``exp(-difference / 2)`` over the sum of these (Burnham & Anderson 2002,
    doi:10.1007/b97636, from memory).  A model without a fit has no weight and keeps its reason.  All fits are to
    all attempts given, so the criteria are comparable.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts.
    families : sequence of Family
        Each fitted in every variant.
    never_captured : sequence of bool
        Variants: without and with a share that is never captured.
    """
    found: list[tuple[str, ParametricFit | None, str]] = []
    for some_never in never_captured:
        for family in families:
            try:
                fit = fit_parametric(thresholds, family=family, never_captured=some_never)
            except NotEstimableError as error:
                name = family.name + (" with a share never captured" if some_never else "")
                found.append((name, None, str(error)))
            else:
                found.append((fit.name, fit, ""))
    smallest = min((fit.aic for _, fit, _ in found if fit is not None), default=0.0)
    total = sum(np.exp((smallest - fit.aic) / 2) for _, fit, _ in found if fit is not None)
    rows = [
        FamilyRow(name, None, reason, None, None, 0.0)
        if fit is None
        else FamilyRow(name, fit, "", fit.aic, fit.aic - smallest, float(np.exp((smallest - fit.aic) / 2) / total))
        for name, fit, reason in found
    ]
    rows.sort(key=lambda row: np.inf if row.difference is None else row.difference)
    return FamilyComparison(tuple(rows), len(thresholds), thresholds.n_patients, _notes(thresholds))


def _notes(thresholds: CensoredThresholds) -> tuple[str, ...]:
    """Say where the likelihood is not that of the data, so that its weights are too sure."""
    notes = []
    if thresholds.clustered:
        notes.append("Akaike's criterion takes several attempts in a patient as independent, so weights are too sure")
    if not np.all(thresholds.weight == 1):
        notes.append("Akaike's criterion is computed from a weighted likelihood, so model weights are only a guide")
    return tuple(notes)


def averaged_capture_currents(
    comparison: FamilyComparison, fractions: Sequence[float], level: float = 0.95
) -> tuple[Estimate, ...]:
    """Currents (mA) that capture the given shares of patients, averaged over models on the log scale.

    With model weights ``w_i``, log currents ``theta_i`` and their variances ``var_i``, the unconditional standard
    error is ``sum_i w_i sqrt(var_i + (theta_i - mean)^2)`` (Buckland, Burnham & Augustin 1997, doi:10.2307/2533961,
    formula from memory), taken with the t multiplier of a single fit.  With one model the result is that of the model.

    A model under which fewer than the fraction can be captured at any current has no such current.  Its weight is
    dropped and the others are scaled up to one; a note tells how much was dropped, and above one half there is no
    estimate.  Where models with more than half of the weight cannot rule out that the fraction is out of reach, the
    upper limit is infinite: a symmetric interval would be blind to the edge that close by.

    Parameters
    ----------
    comparison : FamilyComparison
        From :func:`compare_families`.
    fractions : sequence of float
        Shares of patients, strictly between 0 and 1.
    level : float
        Confidence level.

    Raises
    ------
    ValueError
        When a fraction is not strictly between 0 and 1.
    """
    return tuple(_averaged(comparison, checked_fraction(fraction), level) for fraction in fractions)


def _may_be_out_of_reach(fit: ParametricFit, fraction: float, level: float) -> bool:
    """Whether the limits of the share that can be captured (Wald, logit scale) go down to the fraction."""
    if not fit.never_captured:
        return False
    logit, error = fit.model.capturable_coefficients[0], np.sqrt(fit.model.covariance[-1, -1])
    return bool(logit - wald_multiplier(fit.model.n_captured, 1, level) * error <= special.logit(fraction))


def _averaged(comparison: FamilyComparison, fraction: float, level: float) -> Estimate:
    quantity = f"current that captures {100 * fraction:g} % of patients"
    fits = [(row.weight, row.fit) for row in comparison.rows if row.fit is not None]
    logs = np.array([fit.log_capture_current(fraction) for _, fit in fits]).reshape(-1, 2)
    weight = np.array([w for w, _ in fits])
    reached = np.isfinite(logs[:, 0])
    dropped = float(weight[~reached].sum())
    notes = comparison.notes
    reason = "" if fits else "none of the models could be fitted"
    if dropped > 0:
        part = f"{100 * dropped:.2g} %" if dropped >= 0.001 else "less than 0.1 %"
        told = (
            f"models with {part} of the weight say that fewer than {100 * fraction:g} % can be captured at any current"
        )
        if dropped > MOST_UNREACHABLE:
            reason = told
        else:
            notes = (*notes, f"{told}; they are left out of the average")
    if reason:
        return Estimate(
            quantity, None, None, None, level, "mA", "log", comparison.n_patients, METHOD, notes=notes, reason=reason
        )
    share = weight[reached] / weight[reached].sum()
    theta, error = logs[reached].T
    centre = float(share @ theta)
    reach = wald_multiplier(fits[0][1].model.n_captured, 1, level) * float(share @ np.hypot(error, theta - centre))
    with np.errstate(over="ignore"):  # with two patients a limit may be beyond any number
        value, lower, upper = float(np.exp(centre)), float(np.exp(centre - reach)), float(np.exp(centre + reach))
    doubtful = sum(w for w, fit in fits if _may_be_out_of_reach(fit, fraction, level))
    if doubtful > MOST_UNREACHABLE:
        upper = np.inf
        told = (
            f"models with {100 * doubtful:.0f} % of the weight cannot rule out that fewer than {100 * fraction:g} % "
            "can be captured at any current, so there is no upper limit"
        )
        notes = (*notes, told)
    return Estimate(quantity, value, lower, upper, level, "mA", "log", comparison.n_patients, METHOD, notes=notes)
