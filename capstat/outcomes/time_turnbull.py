"""Turnbull's estimate of the share captured, for times that are intervals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.npmle import bounds_at, innermost_intervals, maximise_on_support
from capstat.outcomes.episodes import CAPTURE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.time_bounds import Waits

__all__ = ["TurnbullCurve", "turnbull_curve"]


@dataclass(frozen=True, slots=True, eq=False)
class TurnbullCurve:
    """Nonparametric maximum likelihood estimate of the share captured (Turnbull 1976), without confidence limits.

    Attributes
    ----------
    x : ndarray, shape (k,)
        Minutes since the origin, increasing.
    lower, upper : ndarray, shape (k,)
        Bounds of the estimate: where mass lies inside its interval the data do not tell.
    log_likelihood : float
        Maximum.
    optimality_gap : float
        Certificate: no other curve has a log-likelihood per patient that is larger by more than this.
    n : int
        Patients.
    """

    x: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    log_likelihood: float
    optimality_gap: float
    n: int


def turnbull_curve(waits: Waits) -> TurnbullCurve:
    """Estimate the share captured by maximum likelihood from intervals; nothing may compete with capture.

    A wait that was cut off at c is the interval from c on.

    Parameters
    ----------
    waits : Waits
        Without competing ends, observed from time zero.

    Raises
    ------
    ValueError
        When something competes, or patients enter later.
    NotEstimableError
        When the likelihood cannot be maximised.
    """
    if waits.competing or waits.entry is not None:
        raise ValueError("Turnbull's estimate here needs waits without competing ends, observed from time zero.")
    captured = waits.cause == CAPTURE
    lower = np.where(captured, waits.earliest, waits.latest)
    upper = np.where(captured, waits.latest, np.inf)
    support = innermost_intervals(lower, upper)
    mass, log_likelihood, gap = maximise_on_support(support, np.ones(len(waits)))
    carries = mass > 1e-12
    intervals = np.column_stack((support.lower_ma, support.upper_ma))[carries]
    x = np.unique(np.concatenate([[0.0], waits.edges]))
    low, high = bounds_at(intervals, mass[carries] / mass[carries].sum(), x)
    return TurnbullCurve(x, low, high, log_likelihood, gap, len(waits))
