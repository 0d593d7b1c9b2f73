"""Whether hazard ratios of capture change with time: scaled Schoenfeld residuals, as tests and for a figure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.hazards import fit_hazards
from capstat.numerics.proportionality import assess_proportionality, smooth_residuals
from capstat.outcomes.episodes import CAPTURE
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.proportionality import Proportionality
    from capstat.outcomes.time_data import TimeData

__all__ = ["ProportionalityCheck", "TermTest", "check_proportionality"]

FEWEST_FOR_A_LINE = 5
READING = (
    "a small p-value says that the hazard ratio changes with time and that one number is an average over it; a large "
    "one does not show that it stays the same"
)


@dataclass(frozen=True, slots=True)
class TermTest:
    """Test that the hazard ratios of a covariate do not change with time.

    Attributes
    ----------
    name : str
        Covariate; all its columns are tested together.
    statistic, p_value : float
        Score statistic, and its p-value from the chi-square distribution.
    df : int
        Number of its columns.
    """

    name: str
    statistic: float
    p_value: float
    df: int


@dataclass(frozen=True, slots=True, eq=False)
class ProportionalityCheck:
    """Whether hazard ratios of capture change with time.

    Attributes
    ----------
    terms : tuple of TermTest
        The placement first.
    together : TermTest or None
        All covariates together; ``None`` without a test.
    names : tuple of str, length p
        Columns of the model matrix.
    minutes : ndarray, shape (d,)
        Times of capture, increasing.
    log_ratios : ndarray, shape (d, p)
        Log hazard ratio of each column that each capture alone speaks for: scaled Schoenfeld residual plus coefficient.
    smooth_minutes, smooth : ndarray, shapes (k,) and (k, p)
        Locally weighted lines through them (lowess); empty with fewer than five captures, or many
        at one time.
    reason : str
        Why there is no test; empty when there is one.
    notes : tuple of str
        What a reader must know.
    """

    terms: tuple[TermTest, ...]
    together: TermTest | None
    names: tuple[str, ...]
    minutes: NDArray[np.float64]
    log_ratios: NDArray[np.float64]
    smooth_minutes: NDArray[np.float64]
    smooth: NDArray[np.float64]
    reason: str = ""
    notes: tuple[str, ...] = ()


def check_proportionality(data: TimeData) -> ProportionalityCheck:
    """Test proportional cause-specific hazards of capture, as R's cox.zph does (score tests, Kaplan-Meier transform).

    Parameters
    ----------
    data : TimeData
        Complete cases; interval times enter with their latest time.

    Returns
    -------
    ProportionalityCheck
        With a reason in place of tests where the model cannot be fitted, or all captures came at one time.
    """
    p = len(data.names)
    event = data.cause == CAPTURE
    # the matrix here has no intercept, so that columns stand one place earlier than in the design
    columns = {term.name: range(term.columns.start - 1, term.columns.stop - 1) for term in data.design.terms}
    try:
        fit = fit_hazards(data.waits.latest, event, data.matrix, entry=data.waits.entry, names=data.names)
        found = assess_proportionality(fit, terms=columns)
    except (NotEstimableError, np.linalg.LinAlgError) as error:
        reason = str(error) if isinstance(error, NotEstimableError) else "too few captures for so many columns"
        none = np.empty((0, p))
        return ProportionalityCheck((), None, data.names, none[:, 0], none, none[:, 0], none, reason)
    tests = tuple(
        TermTest(name, float(statistic), float(p_value), int(df))
        for name, statistic, p_value, df in zip(found.terms, found.statistic, found.p_value, found.degrees, strict=True)
    )
    together = TermTest("all together", found.global_statistic, found.global_p_value, p)
    smooth_minutes, smooth = _smooth_lines(found)
    return ProportionalityCheck(
        tests, together, data.names, found.times, found.residuals, smooth_minutes, smooth, notes=(READING,)
    )


def _smooth_lines(found: Proportionality) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Minutes and smooth lines of all columns; empty with few captures, or where most residuals are alike."""
    p = len(found.names)
    if found.times.size < FEWEST_FOR_A_LINE:
        return np.empty(0), np.empty((0, p))
    # lowess weighs residuals by their median, which may be 0 when captures are tied
    with np.errstate(divide="ignore", invalid="ignore"):
        lines = [smooth_residuals(found, column) for column in range(p)]
    smooth = np.column_stack([line for _, line in lines])
    if not np.isfinite(smooth).all():
        return np.empty(0), np.empty((0, p))
    return lines[0][0], smooth
