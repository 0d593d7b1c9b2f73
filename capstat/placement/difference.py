"""Differences of two capture curves, and the group summaries they come from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.summary import PointwiseLimits, highest_seen, pointwise_limits
from capstat.numerics.proportions import difference_from_intervals
from capstat.results import Curve, Estimate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.distributions.bootstrap import BootstrapCurve

__all__ = ["CurveDifference", "curve_difference"]

# below this many patients in a group the square-and-add limits are too narrow to be given
FEWEST_PATIENTS = 5

METHOD = (
    "difference of nonparametric capture curves; limits by square-and-add from the separate Wilson limits "
    "(Newcombe 1998, Zou & Donner 2008)"
)


@dataclass(frozen=True, slots=True, eq=False)
class CurveDifference:
    """Difference in the share captured, first placement minus second.

    Attributes
    ----------
    at_currents : tuple of Estimate
        At the requested currents, as proportions.
    curve : Curve
        Over the currents at which both curves are known.
    highest_shared_ma : float
        Highest current at which both curves are known; infinite when everybody in both groups was captured.
    """

    at_currents: tuple[Estimate, ...]
    curve: Curve
    highest_shared_ma: float


def _highest_known(curve: BootstrapCurve) -> float:
    """Highest current at which the curve is known: unlimited once everybody has been captured."""
    if np.isfinite(curve.intervals[-1, 1]):
        return np.inf
    return highest_seen(curve.thresholds)


def _correlation(one: PointwiseLimits, two: PointwiseLimits, position: int) -> float:
    """Correlation of the two estimates over joint bootstrap replicates; 0 where one of them is constant."""
    a, b = one.replicate_lower[:, position], two.replicate_lower[:, position]
    if a.std() == 0 or b.std() == 0:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def _difference_at(
    one: PointwiseLimits, two: PointwiseLimits, position: int, *, shared_patients: bool, few: bool
) -> tuple[float, float, float, float]:
    """Identified bounds and confidence limits of the difference at one current."""
    rho = _correlation(one, two, position) if shared_patients else 0.0
    if few:
        smallest, largest = one.lower[position] - two.upper[position], one.upper[position] - two.lower[position]
        return float(smallest), float(largest), -1.0, 1.0

    def limits(a: float, b: float) -> tuple[float, float]:
        first = (min(float(one.limit_lower[position]), a), max(float(one.limit_upper[position]), a))
        second = (min(float(two.limit_lower[position]), b), max(float(two.limit_upper[position]), b))
        return difference_from_intervals(a, first, b, second, rho)

    smallest = float(one.lower[position] - two.upper[position])
    largest = float(one.upper[position] - two.lower[position])
    low = limits(float(one.lower[position]), float(two.upper[position]))[0]
    high = limits(float(one.upper[position]), float(two.lower[position]))[1]
    return smallest, largest, low, high


def curve_difference(
    one: BootstrapCurve,
    two: BootstrapCurve,
    *,
    direction: str,
    currents_ma: Sequence[float],
    level: float,
) -> CurveDifference:
    """Difference in capture probability between two groups, with limits.

    Parameters
    ----------
    one, two : BootstrapCurve
        The difference is ``one - two``.  When they were resampled together because they share patients, the
        correlation of their replicates narrows the limits.
    direction : str
        The difference in words.
    currents_ma : sequence of float
        Where it is wanted, in mA; currents at which one of the curves is not known are dropped.
    level : float
        Confidence level.
    """
    patients = (one.thresholds.patient, two.thresholds.patient)
    shared = bool(np.intersect1d(*patients).size)
    few = min(one.thresholds.n_patients, two.thresholds.n_patients) < FEWEST_PATIENTS
    top = min(_highest_known(one), _highest_known(two))
    edges = np.concatenate((one.intervals.ravel(), two.intervals.ravel(), [top], currents_ma))
    edges = np.unique(edges[np.isfinite(edges) & (edges > 0) & (edges <= top)])
    wanted = np.array([c for c in currents_ma if c <= top], dtype=float)

    at_edges = pointwise_limits(one, edges, level), pointwise_limits(two, edges, level)
    rows = np.array(
        [_difference_at(at_edges[0], at_edges[1], i, shared_patients=shared, few=few) for i in range(edges.size)]
    )
    smallest_curve, largest_curve, low_curve, high_curve = rows.T
    band = Curve(
        f"difference in share captured, {direction}",
        edges,
        smallest_curve,
        largest_curve,
        low_curve,
        high_curve,
        level,
        METHOD,
    )
    at_wanted = pointwise_limits(one, wanted, level), pointwise_limits(two, wanted, level)
    estimates = []
    for i, current in enumerate(wanted):
        smallest, largest, low, high = _difference_at(at_wanted[0], at_wanted[1], i, shared_patients=shared, few=few)
        settled = largest - smallest < 1e-9
        estimates.append(
            Estimate(
                f"difference in share captured at {current:g} mA", smallest if settled else None, low, high, level,
                "proportion", "score", np.union1d(*patients).size, METHOD, direction,
                reason="" if settled else "the data only bound the difference at this current",
                identified=(smallest, largest),
            )
        )  # fmt: skip
    return CurveDifference(tuple(estimates), band, top)
