"""Scores of interval-censored thresholds from the pooled nonparametric estimate, and their sums for patients.

An attempt's score is positive when its capture came at a lower current than expected.  Finkelstein (1986, Biometrics
42:845), Sun (1996, Stat Med 15:1387), Fay & Shaw (2010, J Stat Softw 36(2)).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import xlogy

from capstat.distributions.npmle import innermost_intervals, maximise_on_support
from capstat.numerics.allocations import TIE
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = [
    "SCORES",
    "Pooled",
    "ScoredPatients",
    "favoured",
    "group_labels",
    "interval_scores",
    "pooled_estimate",
    "score_patients",
]

SCORES = ("proportional hazards (Finkelstein)", "log-rank (Sun)", "proportional odds (Wilcoxon)")

MASS_TOLERANCE = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Pooled:
    """Pooled estimate: masses, survival before and after each support interval, and the runs of the cells."""

    mass: NDArray[np.float64]
    survival: NDArray[np.float64]
    hazard: NDArray[np.float64]
    first: NDArray[np.intp]
    last: NDArray[np.intp]
    cell: NDArray[np.intp]


def pooled_estimate(thresholds: CensoredThresholds) -> Pooled:
    """Nonparametric estimate of all attempts together, without the support intervals that carry no mass."""
    cells = thresholds.cells()
    support = innermost_intervals(cells.lower_ma, cells.upper_ma)
    mass, _, _ = maximise_on_support(support, cells.count)
    carries = mass > MASS_TOLERANCE
    mass = mass[carries] / mass[carries].sum()
    # intervals without mass change no score, and have no hazard to speak of
    before = np.concatenate(([0], np.cumsum(carries)))
    # summed from the top, so that nobody is left after the last interval and nearly nobody before it is kept apart
    survival = np.concatenate((np.cumsum(mass[::-1])[::-1], [0.0]))
    return Pooled(
        mass, survival, mass / survival[:-1], before[support.first], before[support.last + 1] - 1, cells.index
    )


def interval_scores(pooled: Pooled) -> NDArray[np.float64]:
    """Scores of every attempt, shape (n, 3), in the order of ``SCORES``.

    With S the survival before (left) and after (right) an attempt's interval: [S_L log S_L - S_R log S_R]/(S_L - S_R);
    1 less the expected cumulative hazard; S_L + S_R - 1.
    """
    left, right = pooled.survival[pooled.first], pooled.survival[pooled.last + 1]
    hazards = (xlogy(left, left) - xlogy(right, right)) / (left - right)
    total = np.cumsum(pooled.hazard)
    at, end = total[pooled.first], total[pooled.last]
    # expected hazard after the first interval: sum of (S_before - S_R)/(S_L - S_R) times the hazard of each
    beyond = (pooled.survival[pooled.first + 1] - right - right * (end - at)) / (left - right)
    return np.column_stack((hazards, 1 - at - beyond, left + right - 1))[pooled.cell]


def group_labels(thresholds: CensoredThresholds, groups: ArrayLike | None) -> NDArray[np.str_]:
    """Group of every attempt, shape (n,): the placement when ``groups`` is ``None``.

    Raises
    ------
    UsageError
        When the labels do not fit, or attempts have weights.
    NotEstimableError
        Without attempts.
    """
    labels = thresholds.placement if groups is None else np.asarray(groups).astype(np.str_)
    if labels.shape != (len(thresholds),):
        raise UsageError(f"There are {labels.size} group labels for {len(thresholds)} attempts.")
    if np.any(thresholds.weight != 1):
        raise UsageError("A score test counts every attempt once; leave the weights out.")
    if len(thresholds) == 0:
        raise NotEstimableError("There are no attempts with a usable threshold interval.")
    return labels


@dataclass(frozen=True, slots=True, eq=False)
class ScoredPatients:
    """Patients by group and by score: ``table`` counts them, shape (groups, patterns); scores (patterns, k)."""

    names: tuple[str, ...]
    scores: NDArray[np.float64]
    table: NDArray[np.intp]


def score_patients(
    thresholds: CensoredThresholds, labels: NDArray[np.str_], scores: NDArray[np.float64]
) -> ScoredPatients:
    """Add up the scores of every patient, shape (n, k) for attempts, and count patients by score and group.

    Raises
    ------
    NotEstimableError
        When there is one group only, when a patient has attempts in several groups, or when all scores are equal.
    """
    names, group = np.unique(labels, return_inverse=True)
    if names.size < 2:
        raise NotEstimableError(f"All attempts belong to one group, {names[0]}, so there is nothing to compare.")
    patient, _ = pd.factorize(thresholds.patient)
    per_patient = pd.DataFrame({"patient": patient, "group": group}).drop_duplicates()
    twice = int(per_patient["patient"].duplicated().sum())
    if twice:
        raise NotEstimableError(
            f"{twice} patients have attempts in more than one group; a score test compares different patients, so "
            "compare within patients or keep the first attempt of each."
        )
    sums = np.column_stack([np.bincount(patient, weights=column) for column in scores.T]).astype(np.float64)
    # each patient counts once, so the sums of patients are centred, as their mean is zero but for rounding
    sums -= sums.mean(axis=0)
    of = np.zeros(sums.shape[0], dtype=np.intp)
    of[per_patient["patient"].to_numpy()] = per_patient["group"].to_numpy()
    # patients with equal scores are interchangeable; 1e-11 is far below the tolerance for ties
    _, shown, pattern = np.unique(np.round(sums, 11) + 0.0, axis=0, return_index=True, return_inverse=True)
    table = np.zeros((names.size, shown.size), dtype=np.intp)
    np.add.at(table, (of, pattern.ravel()), 1)
    if np.ptp(sums[shown], axis=0).max() < TIE:
        raise NotEstimableError("All patients have the same score, so the data cannot show a difference.")
    return ScoredPatients(tuple(str(name) for name in names), sums[shown], table)


def favoured(names: Sequence[str], sums: Sequence[float]) -> str:
    """Say which groups captured early, from the sums of their scores."""
    lower = [name for name, value in zip(names, sums, strict=True) if value > TIE]
    if not lower:
        return "no group captured at lower currents than expected if the groups were alike"
    return f"{' and '.join(lower)} captured at lower currents than expected if the groups were alike"
