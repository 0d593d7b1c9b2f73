"""Errors of judgement and threshold distribution in one joint likelihood, from ramps that a reference partly judged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, special

from capstat.capture.corrected_npmle import MassFit, ThresholdCells, maximise_cells, threshold_cells
from capstat.capture.judgement_errors import REFERENCE_MA, JudgementErrors
from capstat.numerics.mixing import GAP_TARGET
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.judgement_table import JudgementTable

__all__ = [
    "NEVER",
    "ErrorModel",
    "ErrorProfile",
    "JointFit",
    "errors_of",
    "estimate_errors",
    "judgement_rates",
    "judgement_scores",
    "profile_of",
    "refit_errors",
    "require_reference",
]

# logit of an error rate of one in a million: on this bound an error was not seen and is taken to be impossible
NEVER = -14.0
# logit of one in ten thousand
TRACE = -9.2
LARGEST_LOGIT = 3.0
LARGEST_LOG_ODDS_RATIO = 3.0
LIMITS = np.array([[NEVER, LARGEST_LOGIT], [NEVER, LARGEST_LOGIT], [-LARGEST_LOG_ODDS_RATIO, LARGEST_LOG_ODDS_RATIO]])
# change of log-likelihood per ramp at which the search stops
TARGET = 1e-13
# score per ramp, in logits, that is taken as settled
ACCEPTED_SCORE = 1e-4


@dataclass(frozen=True, slots=True)
class ErrorModel:
    """What is known of the errors of judgement beforehand.

    Attributes
    ----------
    sensitivity, specificity : float or None
        Known value (the specificity at 80 mA); estimated when ``None``.
    varies_with_current : bool
        Whether the change with the current of the odds of a false "captured" is estimated.
    odds_ratio_per_10_ma : float
        Known change of those odds for 10 mA more, where it is not estimated; 1 for none.
    """

    sensitivity: float | None = None
    specificity: float | None = None
    varies_with_current: bool = False
    odds_ratio_per_10_ma: float = 1.0

    @property
    def fixed(self) -> bool:
        """Whether nothing is estimated."""
        return self.sensitivity is not None and self.specificity is not None and not self.varies_with_current


@dataclass(frozen=True, slots=True, eq=False)
class JointFit:
    """Errors of judgement with the masses that go with them.

    Attributes
    ----------
    errors : JudgementErrors
        The estimate.
    logits : ndarray, shape (3,)
        Logit of 1 - sensitivity, of 1 - specificity at 80 mA, and log odds ratio per 10 mA.
    masses : MassFit
        Over ``cells``.
    cells : ThresholdCells
        Where mass can be.
    log_likelihood : float
        Maximum of the joint log-likelihood.
    score : float
        Largest derivative left in an estimated logit, per ramp.
    """

    errors: JudgementErrors
    logits: NDArray[np.float64]
    masses: MassFit
    cells: ThresholdCells
    log_likelihood: float
    score: float


@dataclass(frozen=True, slots=True, eq=False)
class ErrorProfile:
    """Log-likelihood of the errors, maximised over all threshold distributions.

    Attributes
    ----------
    table : JudgementTable
        Ramps.
    cells : ThresholdCells
        Where mass can be.
    free : ndarray of bool, shape (3,)
        Which of the logits are estimated.
    """

    table: JudgementTable
    cells: ThresholdCells
    free: NDArray[np.bool_]

    def at(
        self,
        logits: NDArray[np.float64],
        weights: NDArray[np.float64],
        start: NDArray[np.float64] | None,
        gap_target: float = GAP_TARGET,
    ) -> tuple[float, NDArray[np.float64], MassFit]:
        """Log-likelihood, its gradient in all three logits, and the masses.

        By the envelope theorem the gradient is the score of a logistic regression on expected judgements.
        """
        miss, false_claim = judgement_rates(logits, self.table.edges_ma)
        likelihood = self.table.likelihood_of(1 - miss, false_claim)
        matrix = likelihood.matrix[:, self.cells.first]
        fit = maximise_cells(matrix, weights, start, gap_target)
        joint = matrix * fit.mass
        posterior = np.zeros((matrix.shape[0], self.table.allowed.shape[1]))
        posterior[:, self.cells.first] = joint / np.maximum(joint.sum(axis=1, keepdims=True), 1e-300)
        gradient = weights @ judgement_scores(self.table, posterior, miss, false_claim)
        return fit.log_likelihood + float(weights @ likelihood.log_scale), gradient, fit


def errors_of(logits: NDArray[np.float64]) -> JudgementErrors:
    """Errors of judgement from the three logits.

    Raises
    ------
    NotEstimableError
        When such a judgement is no better than chance.
    """
    miss = float(special.expit(logits[0])) if logits[0] > NEVER else 0.0
    alarm = 0.0 if logits[1] <= NEVER and logits[2] == 0 else float(special.expit(logits[1]))
    if miss + alarm >= 1:
        raise NotEstimableError("The judgement is estimated to be no better than chance.")
    return JudgementErrors(1 - miss, 1 - alarm, float(np.exp(logits[2])))


def judgement_rates(logits: NDArray[np.float64], edges_ma: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
    """Probability of a missed capture, and of a false "captured" at each current (mA), from the three logits."""
    miss = float(special.expit(logits[0])) if logits[0] > NEVER else 0.0
    by_current = logits[1] + logits[2] * (edges_ma - REFERENCE_MA) / 10
    if by_current.max() <= NEVER:
        return miss, np.zeros(edges_ma.size)
    return miss, np.asarray(special.expit(by_current))


def judgement_scores(
    table: JudgementTable, posterior: NDArray[np.float64], miss: float, false_claim: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Derivative of every distinct ramp's log-likelihood in the three logits, shape (m, 3)."""
    hits, misses, alarms, quiet = table.expected_judgements(posterior)
    by_current = alarms * (1 - false_claim) - quiet * false_claim
    return np.column_stack(
        (
            misses.sum(axis=1) * (1 - miss) - hits.sum(axis=1) * miss,
            by_current.sum(axis=1),
            by_current @ ((table.edges_ma - REFERENCE_MA) / 10),
        )
    )


def _first_guess(
    table: JudgementTable, model: ErrorModel, weights: NDArray[np.float64], seen: tuple[float, float, float, float]
) -> tuple[float, float]:
    """Shares of wrong judgements where everything judged were reviewed as often as its like (Begg and Greenes 1983).

    Where no refusal was reviewed, all are taken for settings without capture.
    """
    hits, misses, alarms, quiet = seen
    claims, refusals = hits + alarms, misses + quiet
    claimed, refused = (float(weights @ kind.sum(axis=1)) for kind in (table.claimed, table.refused))
    of_claims = (claims + claimed) / claims if claims else 0.0
    of_refusals = (refusals + refused) / refusals if refusals else 0.0
    absent_refused = quiet * of_refusals if refusals else refused
    miss = (misses * of_refusals + 0.5) / (hits * of_claims + misses * of_refusals + 1)
    alarm = (alarms * of_claims + 0.5) / (alarms * of_claims + absent_refused + 1)
    if alarms + quiet == 0:
        # nothing without capture was seen, so that upheld claims alone say that false ones are rare
        alarm = 0.5 / (hits * of_claims + 1)
    return (
        miss if model.sensitivity is None else 1 - model.sensitivity,
        alarm if model.specificity is None else 1 - model.specificity,
    )


def require_reference(table: JudgementTable, model: ErrorModel, weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shares of wrong judgements among those that the reference judged, for a start; or the reason for having none."""
    hits, misses, alarms, quiet = (
        float(weights @ kind.sum(axis=1))
        for kind in (table.captured_claimed, table.captured_refused, table.absent_claimed, table.absent_refused)
    )
    if model.sensitivity is None:
        if hits + misses == 0:
            raise NotEstimableError(
                "No setting that was judged at the bedside was found captured by the reference, so the sensitivity of "
                "the judgement cannot be estimated; it can be given instead."
            )
        if misses + quiet == 0:
            raise NotEstimableError(
                "The reference looked only at claimed captures, never at a setting judged not captured, so the "
                "sensitivity of the judgement cannot be estimated; it can be given instead."
            )
    # a claim that is upheld tells of the specificity too: it might have been false
    if model.specificity is None and alarms + quiet + hits == 0:
        raise NotEstimableError(
            "No setting that was judged at the bedside was found without capture by the reference, so the specificity "
            "of the judgement cannot be estimated; it can be given instead."
        )
    if model.varies_with_current:
        judged = weights @ (table.absent_claimed + table.absent_refused)
        if np.count_nonzero(judged) < 2:
            raise NotEstimableError(
                "The reference found settings without capture at one current only, so that how the errors change with "
                "the current cannot be estimated."
            )
    miss, alarm = _first_guess(table, model, weights, (hits, misses, alarms, quiet))
    if miss + alarm >= 1:
        raise NotEstimableError(
            f"Against the reference the judgement has a sensitivity of {100 * (1 - miss):.0f} % and a specificity of "
            f"{100 * (1 - alarm):.0f} %: no better than chance, so it says nothing about the threshold."
        )
    rates = np.array([miss, alarm])
    with np.errstate(divide="ignore"):
        return np.append(np.maximum(special.logit(rates), NEVER), np.log(model.odds_ratio_per_10_ma))


def profile_of(table: JudgementTable, model: ErrorModel, logits: NDArray[np.float64]) -> ErrorProfile:
    """Profile likelihood with the cells that can be told apart near the given logits."""
    miss, false_claim = judgement_rates(logits, table.edges_ma)
    likelihood = table.likelihood_of(1 - miss, false_claim)
    cells = threshold_cells(table, likelihood.matrix, drop_dominated=False)
    free = np.array([model.sensitivity is None, model.specificity is None, model.varies_with_current])
    return ErrorProfile(table, cells, free)


def _with_free(logits: NDArray[np.float64], free: NDArray[np.bool_], x: NDArray[np.float64]) -> NDArray[np.float64]:
    point = logits.copy()
    point[free] = x
    return point


def _without_traces(
    logits: NDArray[np.float64], table: JudgementTable, weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Errors that the reference never saw and that are next to nothing at every current are none.

    The likelihood is flat there, so that the search stops anywhere.
    """
    out = logits.copy()
    seen_misses, seen_alarms = (float(weights @ k.sum(axis=1)) for k in (table.captured_refused, table.absent_claimed))
    if seen_misses == 0 and out[0] < TRACE:
        out[0] = NEVER
    if seen_alarms == 0 and (out[1] + out[2] * (table.edges_ma - REFERENCE_MA) / 10).max() < TRACE:
        out[1:] = NEVER, 0.0
    return out


def refit_errors(
    profile: ErrorProfile, logits: NDArray[np.float64], weights: NDArray[np.float64], mass: NDArray[np.float64] | None
) -> JointFit:
    """Maximise the joint likelihood from given logits and masses.

    Parameters
    ----------
    profile : ErrorProfile
        What is estimated.
    logits : ndarray, shape (3,)
        Where to begin.
    weights : ndarray, shape (m,)
        Of the distinct ramps.
    mass : ndarray, shape (c,), or None
        Masses to begin with.

    Raises
    ------
    NotEstimableError
        When the search does not settle, or ends where the judgement is no better than chance.
    """
    free, total = profile.free, float(weights.sum())
    latest = mass

    def objective(x: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        nonlocal latest
        value, gradient, fit = profile.at(_with_free(logits, free, x), weights, latest)
        latest = fit.mass
        return -value / total, -gradient[free] / total

    # three numbers at most: scipy's L-BFGS-B takes ten times as long here, all of it in its threads
    found = optimize.minimize(
        objective, logits[free], jac=True, method="SLSQP", bounds=optimize.Bounds(*LIMITS[free].T),
        options={"ftol": TARGET},
    )  # fmt: skip
    best = _with_free(logits, free, found.x)
    best = _without_traces(best, profile.table, weights)
    value, gradient, fit = profile.at(best, weights, latest)
    on_bound = (best <= LIMITS[:, 0]) & (gradient < 0)
    if free[2] and abs(best[2]) > LARGEST_LOG_ODDS_RATIO - 1e-6:
        raise NotEstimableError(
            "How the errors change with the current has no finite estimate: all false captures that the reference saw "
            "were at one end of the currents."
        )
    score = float(np.abs(np.where(free & ~on_bound, gradient, 0.0)).max()) / total
    if score > ACCEPTED_SCORE:
        raise NotEstimableError(
            f"The errors of judgement and the thresholds have no joint estimate: the search ended with a slope of "
            f"{score:.1g} per ramp."
        )
    return JointFit(errors_of(best), best, fit, profile.cells, value, score)


def estimate_errors(table: JudgementTable, model: ErrorModel) -> tuple[ErrorProfile, JointFit]:
    """Estimate errors of judgement and masses together.

    Where the reference judged a setting, the judgement there tells of sensitivity and specificity; where it did not,
    it tells of the threshold, given both.  All enter one likelihood.  It holds when which settings the reference
    judged depended only on what was judged at the bedside and on what else is in the ramp.

    Raises
    ------
    NotEstimableError
        When the reference says nothing of an error that is to be estimated; the message says which.
    """
    count = table.count
    start = require_reference(table, model, count)
    profile = profile_of(table, model, start)
    fit = refit_errors(profile, start, count, None)
    try:
        fit.errors.require_information(table.edges_ma)
    except UsageError as error:
        raise NotEstimableError(f"The errors are estimated so large that nothing can be learned: {error}") from error
    return profile, fit
