"""Currents recorded as capturing: claims that were false beside claims that were upheld."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.capture.false_capture import check_level
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.claims import Claims

__all__ = ["ClaimedCurrents", "compare_claimed_currents"]

DIRECTION = "false minus upheld"
LIMITS = "percentile limits from patients resampled with all their claims"
BELIEF = "a false claim tells where the ramp was believed to have captured; it is not a threshold"
FEWEST = 5
"""Patients of either kind below which resampling gives no limits; common practice, no source."""


@dataclass(frozen=True, slots=True)
class ClaimedCurrents:
    """Currents at which capture was claimed.

    Attributes
    ----------
    false_median, upheld_median : Estimate
        Median current of either kind of claim, mA.
    difference_of_medians : Estimate
        False minus upheld, mA.
    shift : Estimate
        Hodges-Lehmann estimate: median of all differences of a false and an upheld claim, mA; with the
        Mann-Whitney p-value where every patient has one judged claim.
    ratio : Estimate
        Ratio of geometric means, false over upheld.
    """

    false_median: Estimate
    upheld_median: Estimate
    difference_of_medians: Estimate
    shift: Estimate
    ratio: Estimate


def _weighted_median(ordered: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    """Median of increasing values that occur ``weight`` times each; the mean of the two middle ones if they differ."""
    below = np.cumsum(weight)
    half = below[-1] / 2
    ends = np.searchsorted(below, half, side="left"), np.searchsorted(below, half, side="right")
    return float((ordered[ends[0]] + ordered[ends[1]]) / 2)


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """Counts of claims by patient, kind and distinct current."""

    currents: NDArray[np.float64]  # (k,) increasing
    logs: NDArray[np.float64]  # (k,); 0 for 0 mA, where the ratio is refused
    counts: NDArray[np.float64]  # (patients, 2, k); kind 0 is false, 1 upheld
    differences: NDArray[np.float64]  # (k * k,) increasing
    order: NDArray[np.intp]  # (k * k,)

    def quantities(self, weight: NDArray[np.float64]) -> tuple[float, ...] | None:
        """Medians, their difference, the shift and the log ratio; ``None`` where a kind is absent."""
        false, upheld = np.tensordot(weight, self.counts, axes=1)
        if not (false.any() and upheld.any()):
            return None
        medians = [_weighted_median(self.currents, kind) for kind in (false, upheld)]
        shift = _weighted_median(self.differences, np.outer(false, upheld).ravel()[self.order])
        logs = [float(np.average(self.logs, weights=kind)) for kind in (false, upheld)]
        return *medians, medians[0] - medians[1], shift, logs[0] - logs[1]


def _tabulate(patient: NDArray[np.intp], kind: NDArray[np.intp], current: NDArray[np.float64]) -> _Table:
    currents, at = np.unique(current, return_inverse=True)
    patients, code = np.unique(patient, return_inverse=True)
    counts = np.zeros((patients.size, 2, currents.size))
    np.add.at(counts, (code, kind, at), 1.0)
    differences = np.subtract.outer(currents, currents).ravel()
    order = np.argsort(differences, kind="stable")
    logs = np.log(currents, where=currents > 0, out=np.zeros_like(currents))
    return _Table(currents, logs, counts, differences[order], order)


def _resampled(table: _Table, replicates: int, rng: np.random.Generator) -> tuple[NDArray[np.float64], int]:
    """Quantities in resamples, shape (used, 5), and how many resamples lacked one kind."""
    n = table.counts.shape[0]
    drawn = (table.quantities(rng.multinomial(n, np.full(n, 1 / n)).astype(float)) for _ in range(replicates))
    found = [values for values in drawn if values is not None]
    return np.array(found), replicates - len(found)


def compare_claimed_currents(
    claims: Claims, level: float = 0.95, *, replicates: int = 2000, seed: int
) -> ClaimedCurrents:
    """Compare the currents of false claims with those of upheld ones.

    Hodges & Lehmann (1963) for the shift, Mann & Whitney (1947) for its p-value; limits by the percentile bootstrap
    over patients (Efron & Tibshirani 1993), all from memory.

    Parameters
    ----------
    claims : Claims
        From :func:`capstat.capture.claims.read_claims`.
    level : float
        Confidence level.
    replicates : int
        Resamples.
    seed : int
        Of the resamples.

    Raises
    ------
    UsageError
        When the level is not between 0 and 1.
    NotEstimableError
        When no judged claim was false, or none was upheld.
    """
    check_level(level)
    rows = claims.is_judged
    if not 0 < claims.false < claims.judged:
        lacking = "false" if claims.false == 0 else "upheld"
        raise NotEstimableError(
            f"Currents of false and upheld claims cannot be compared: no judged claim was {lacking}."
        )
    patient, current = claims.patient[rows], claims.current_ma[rows]
    kind = claims.upheld[rows].astype(np.intp)
    table = _tabulate(patient, kind, current)
    values = table.quantities(np.ones(table.counts.shape[0]))
    assert values is not None  # noqa: S101 - both kinds occur
    of_kind = [int(np.unique(patient[kind == k]).size) for k in (0, 1)]
    notes: tuple[str, ...] = (BELIEF,)
    low: list[float | None] = [None] * 5
    high = low
    if min(of_kind) >= FEWEST:
        sample, without = _resampled(table, replicates, np.random.default_rng(seed))
        low, high = np.quantile(sample, [(1 - level) / 2, (1 + level) / 2], axis=0).tolist()
        if without:
            notes += (f"{without} of {replicates} resamples lacked one kind of claim and were left out",)
    else:
        notes += (f"no limits: one kind of claim comes from {min(of_kind)} patients, fewer than {FEWEST}",)
    estimates = [
        Estimate(quantity, value, lower, upper, level, "mA", "identity", n, f"{method}; {LIMITS}", direction, notes)
        for value, lower, upper, (quantity, n, method, direction) in zip(
            values[:4], low[:4], high[:4], _labels(of_kind, int(np.unique(patient).size)), strict=True
        )
    ]
    return ClaimedCurrents(
        false_median=estimates[0],
        upheld_median=estimates[1],
        difference_of_medians=estimates[2],
        shift=_with_test(estimates[3], current[kind == 0], current[kind == 1], repeated=claims.repeats(rows)),
        ratio=_ratio(estimates[3], values[4], low[4], high[4], positive=bool((current > 0).all())),
    )


def _labels(of_kind: list[int], both: int) -> list[tuple[str, int, str, str]]:
    return [
        ("median current of false claims", of_kind[0], "median", ""),
        ("median current of upheld claims", of_kind[1], "median", ""),
        ("difference of median claimed currents", both, "difference of medians", DIRECTION),
        ("shift of claimed currents", both, "Hodges-Lehmann", DIRECTION),
    ]


def _with_test(shift: Estimate, false: NDArray[np.float64], upheld: NDArray[np.float64], *, repeated: bool) -> Estimate:
    if repeated:
        note = "no Mann-Whitney test: some patients have several judged claims, which are not independent"
        return replace(shift, notes=(*shift.notes, note))
    p_value = float(stats.mannwhitneyu(false, upheld, method="auto").pvalue)
    return replace(shift, p_value=p_value, method=f"{shift.method}; p-value by Mann-Whitney")


def _ratio(shift: Estimate, log_ratio: float, lower: float | None, upper: float | None, *, positive: bool) -> Estimate:
    method = f"ratio of geometric means; {LIMITS}"
    common = replace(
        shift, quantity="ratio of claimed currents", unit="ratio", scale="log", direction="false over upheld",
        method=method,
    )  # fmt: skip
    if not positive:
        return replace(common, value=None, lower=None, upper=None, reason="a claim at 0 mA has no logarithm")
    ends = [None if end is None else float(np.exp(end)) for end in (lower, upper)]
    return replace(common, value=float(np.exp(log_ratio)), lower=ends[0], upper=ends[1])
