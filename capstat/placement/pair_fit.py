"""Maximum likelihood fits of two thresholds of one patient, for one study or for many simulated ones at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.maximise import NoMaximumError, profile_limit
from capstat.numerics.newton_batch import BatchOptima, maximise_many, profile_limits_many, type_of_objective
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.placement.pair_likelihood import PairRecords

__all__ = ["PairFit", "PairModel", "fit_pairs", "fit_pairs_many", "pair_limits_many"]

# atanh of the correlation at which the spread within patients is called zero (1.4 % of the whole), and log sds likewise
MOST_ALIKE = 4.6
LOG_SD = (-6.0, 3.0)
# log odds beyond which nobody, or everybody, is taken to be capturable
MOST_LOGIT = 12.0


@dataclass(frozen=True, slots=True)
class PairModel:
    """Which model of the pairs.

    Attributes
    ----------
    names : tuple of str
        Columns of the design.
    separate : bool
        Whether each placement has a spread of its own.
    mixture : bool
        Whether some patients can be captured with neither placement at any current.
    """

    names: tuple[str, ...]
    separate: bool = False
    mixture: bool = False

    @property
    def size(self) -> int:
        """Number of parameters."""
        return len(self.names) + 2 + self.separate + self.mixture

    def bounds(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Lower and upper bounds of the parameters."""
        p = len(self.names)
        upper = [np.inf] * p + [LOG_SD[1]] * (1 + self.separate) + [MOST_ALIKE] + [MOST_LOGIT] * self.mixture
        lower = [-np.inf] * p + [LOG_SD[0]] * (1 + self.separate) + [-MOST_ALIKE] + [-MOST_LOGIT] * self.mixture
        return np.array(lower), np.array(upper)


@dataclass(frozen=True, slots=True, eq=False)
class PairFit:
    """A fitted model of two thresholds of one patient.

    Attributes
    ----------
    model : PairModel
        Which.
    records : PairRecords
        What it was fitted to.
    optima : BatchOptima
        The maximum: coefficients, log standard deviations, atanh of the correlation, logit of the capturable share.
    covariance : ndarray, shape (q, q)
        From the observed information; zero for a parameter at its bound.
    """

    model: PairModel
    records: PairRecords
    optima: BatchOptima
    covariance: NDArray[np.float64]

    @property
    def parameters(self) -> NDArray[np.float64]:
        """All parameters, shape (q,)."""
        return np.asarray(self.optima.x[0])

    @property
    def coefficients(self) -> NDArray[np.float64]:
        """On the log scale, shape (p,)."""
        return self.parameters[: len(self.model.names)]

    @property
    def sds(self) -> tuple[float, float]:
        """Standard deviation of log threshold with the first and with the second placement."""
        p = len(self.model.names)
        return float(np.exp(self.parameters[p])), float(np.exp(self.parameters[p + self.model.separate]))

    @property
    def correlation(self) -> float:
        """Correlation of the two log thresholds of a patient."""
        return float(np.tanh(self.parameters[len(self.model.names) + 1 + self.model.separate]))

    @property
    def between_sd(self) -> float:
        """Standard deviation of the patient effect; 0 where the two thresholds are not alike."""
        first, second = self.sds
        return float(np.sqrt(max(self.correlation * first * second, 0.0)))

    @property
    def within_sds(self) -> tuple[float, float]:
        """Residual standard deviation with the first and with the second placement; 0 at the boundary."""
        shared = self.between_sd**2
        first, second = (float(np.sqrt(max(sd**2 - shared, 0.0))) for sd in self.sds)
        return first, second

    @property
    def share_capturable(self) -> float:
        """Share of patients that some current captures."""
        return float(1 / (1 + np.exp(-self.parameters[-1]))) if self.model.mixture else 1.0

    @property
    def log_likelihood(self) -> float:
        """Maximum."""
        return float(self.optima.value[0])

    @property
    def aic(self) -> float:
        """Akaike's criterion."""
        return 2 * self.model.size - 2 * self.log_likelihood

    @property
    def at_bound(self) -> bool:
        """Whether the correlation, or a spread, is at its bound, so that the covariance says nothing of it."""
        p = len(self.model.names)
        return not bool(self.optima.free[0, p : p + 2 + self.model.separate].all())

    @property
    def boundary(self) -> str:
        """Words when a spread is at its boundary; empty otherwise."""
        if self.correlation >= np.tanh(MOST_ALIKE) - 1e-9:
            return "the spread within patients was estimated as zero: the current steps are too coarse to show it"
        first, second = self.sds
        if self.correlation * first * second > min(first, second) ** 2:
            return "the residual spread of one placement was estimated as zero"
        if self.correlation <= 0:
            return "the spread between patients was estimated as zero: attempts of one patient are no more alike"
        return ""

    def with_parameter(self, column: int, value: float) -> float:
        """Log-likelihood maximised with one parameter held at ``value``."""
        start = self.parameters.copy()
        start[column] = value
        return held_maximum(self.records, self.model, start, column)

    def limits(self, column: int, drop: float) -> tuple[float, float]:
        """Profile-likelihood limits of a parameter; infinite where there is none."""
        found = pair_limits_many(self.records, self.model, self.optima, column, np.array([drop]))
        low, high = (
            float(limit[0]) if np.isfinite(limit[0]) else self._slow_limit(column, drop, side)
            for limit, side in zip(found, (-1.0, 1.0), strict=True)
        )
        return low, high

    def _slow_limit(self, column: int, drop: float, side: float) -> float:
        """A limit by search, for where the quick way lost its track: infinite if the profile does not fall that far."""
        error = float(np.sqrt(self.covariance[column, column])) or 1.0
        try:
            return profile_limit(
                lambda value: self.with_parameter(column, value), self.log_likelihood, float(self.parameters[column]),
                error, drop, side,
            )  # fmt: skip
        except (NoMaximumError, NotEstimableError):
            return side * np.inf


def held_maximum(records: PairRecords, model: PairModel, start: NDArray[np.float64], column: int) -> float:
    """Log-likelihood of one study maximised with the parameter in ``column`` as it is in ``start``.

    Where the correlation is at its bound, a shifted coefficient can make every record impossible in floating point, so
    wider and less alike starts are tried too.

    Raises
    ------
    NotEstimableError
        When every start makes the data impossible.
    """
    held = np.zeros(model.size, dtype=bool)
    held[column] = True
    p = len(model.names)
    position = p + 1 + model.separate
    best = -np.inf
    for wider, alike in ((0.0, None), (0.5, 0.7), (1.0, 0.0)):
        tried = start.copy()
        free = np.arange(p, position)
        tried[free[free != column]] += wider
        if alike is not None and position != column:
            tried[position] = alike
        found = maximise_many(_objective(records, model), tried[None], *model.bounds(), held)
        # on a plateau nothing converges, yet its height is what is asked for
        best = max(best, float(found.value[0]))
        if found.converged[0] and alike is None:
            break
    if not np.isfinite(best):
        raise NotEstimableError("With that parameter held the data are impossible in floating point.")
    return best


def _objective(records: PairRecords, model: PairModel) -> type_of_objective:
    return partial(records.terms, separate=model.separate, mixture=model.mixture)


def fit_pairs_many(records: PairRecords, model: PairModel, start: NDArray[np.float64]) -> BatchOptima:
    """Fit every study of ``records`` from ``start``, shape (S, q)."""
    return maximise_many(_objective(records, model), start, *model.bounds())


def pair_limits_many(
    records: PairRecords, model: PairModel, optima: BatchOptima, column: int, drop: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Profile-likelihood limits of one parameter in every study, each of shape (S,)."""
    low, high = (
        profile_limits_many(_objective(records, model), optima, column, drop, *model.bounds(), side)
        for side in (-1.0, 1.0)
    )
    return low, high


def fit_pairs(records: PairRecords, model: PairModel, start: NDArray[np.float64]) -> PairFit:
    """Fit one study.

    Parameters
    ----------
    records : PairRecords
        Of one study.
    model : PairModel
        Which.
    start : ndarray, shape (q,)
        Where to begin.

    Raises
    ------
    NotEstimableError
        When the likelihood has no maximum, or is flat.
    """
    optima = fit_pairs_many(records, model, start[None])
    free = optima.free[0]
    if not optima.converged[0] or np.abs(optima.x[0, : len(model.names)] - start[: len(model.names)]).max() > 20:
        raise NotEstimableError("The model of two thresholds in one patient has no finite estimate for these data.")
    information = -optima.hessian[0][np.ix_(free, free)]
    scale = np.sqrt(np.diag(information))
    if scale.min() < 1e-4 or np.linalg.cond(information / np.outer(scale, scale)) > 1e10:
        raise NotEstimableError(
            "The likelihood of the model of two thresholds in one patient is flat: the data do not determine it."
        )
    covariance = np.zeros((model.size, model.size))
    covariance[np.ix_(free, free)] = np.linalg.inv(information)
    return PairFit(model, records, optima, covariance)
