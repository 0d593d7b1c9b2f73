"""Score tests of interval-censored thresholds between groups of different patients, without a model.

Every attempt gets a score from the pooled nonparametric estimate: positive when its capture came at a lower
current than expected.  The groups' sums are judged against all ways of allocating the patients to the groups.
Finkelstein (1986, Biometrics 42:845), Sun (1996, Stat Med 15:1387), Fay & Shaw (2010, J Stat Softw 36(2)).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from capstat.numerics.allocations import TIE, drawn_allocations, every_allocation, root_chi_square
from capstat.placement.interval_scores import (
    SCORES,
    favoured,
    group_labels,
    interval_scores,
    pooled_estimate,
    score_patients,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["SCORES", "ScoreTest", "compare_settings", "score_tests"]

# settings differ clearly when some share differs by this much between groups and the table is not due to chance
CLEAR_DIFFERENCE = 0.1

METHOD = (
    "scores from the pooled nonparametric maximum likelihood estimate, permutation variance (Finkelstein 1986; Sun "
    "1996; Fay & Shaw 2010); two-sided by absolute value: the share of allocations of patients whose statistic is at "
    "least as large in size"
)


@dataclass(frozen=True, slots=True)
class ScoreTest:
    """A test of no difference in capture thresholds between groups.

    Attributes
    ----------
    name : str
        Which scores: the alternative for which the test is most powerful.
    statistic : float
        With two groups Z of the first, positive when it captured at lower currents than expected; with more
        groups chi-square.  The score form gives chi-square throughout.
    statistic_name : str
        ``"Z"`` or ``"chi-square"``.
    df : int
        Degrees of freedom of the chi-square (of Z squared): groups less one.
    p_asymptotic : float
        Two-sided p-value by the normal or chi-square distribution.
    p_permutation : float or None
        Two-sided permutation p-value; ``None`` for the score form.
    exact : bool
        Whether ``p_permutation`` is over all allocations rather than over drawn ones.
    permutations : int
        Allocations drawn, ``m`` in (b + 1)/(m + 1); when exact, the distinct tables that stand for all allocations.
    seed : int or None
        Seed of the drawn allocations; ``None`` when nothing was drawn.
    direction : str
        In words, which groups captured at lower currents than expected.
    groups : tuple of str
        The groups, sorted.
    group_sizes : tuple of int
        Patients in each.
    group_sums : tuple of float
        Sum of the scores in each; together zero.
    n : int
        Patients.
    notes : tuple of str
        What a reader must know before using the p-value.
    method : str
        Test by its name in the literature.
    """

    name: str
    statistic: float
    statistic_name: str
    df: int
    p_asymptotic: float
    p_permutation: float | None
    exact: bool
    permutations: int
    seed: int | None
    direction: str
    groups: tuple[str, ...]
    group_sizes: tuple[int, ...]
    group_sums: tuple[float, ...]
    n: int
    notes: tuple[str, ...]
    method: str


def compare_settings(thresholds: CensoredThresholds, groups: ArrayLike | None = None) -> tuple[str, ...]:
    """Say in words where the settings of the ramps differ between groups, or that this could not be checked.

    Permutation assumes that patients of all groups could have had the same ramps.  Settings differ clearly when the
    share of attempts with some setting differs between two groups by 10 percentage points or more and Pearson's
    chi-square test of the table gives p < 0.05; attempts without the setting count as a setting of their own.

    Parameters
    ----------
    thresholds : CensoredThresholds
        With ``max_output_ma`` and ``step_ma`` among the covariates, where recorded.
    groups : array-like of str, shape (n,), optional
        Group of every attempt; the placement when omitted.
    """
    labels = group_labels(thresholds, groups)
    columns = (("max_output_ma", "highest currents"), ("step_ma", "steps of current"))
    notes = (_setting_note(thresholds.covariates, labels, column, words) for column, words in columns)
    return tuple(note for note in notes if note)


def _setting_note(covariates: pd.DataFrame, labels: NDArray[np.str_], column: str, words: str) -> str:
    recorded = np.full(labels.size, np.nan)
    if column in covariates:
        recorded = covariates[column].to_numpy(dtype=float, na_value=np.nan)
    if np.isnan(recorded).all():
        return f"{words} ({column}) were not recorded, so it was not checked that the groups' ramps are alike"
    table = pd.crosstab(np.array(["not recorded" if np.isnan(v) else f"{v:g} mA" for v in recorded]), labels)
    shares = table / table.sum()
    apart = (shares.max(axis=1) - shares.min(axis=1)).to_numpy()
    if apart.max() < CLEAR_DIFFERENCE or stats.chi2_contingency(table, correction=False).pvalue >= 0.05:
        return ""
    most = int(apart.argmax())
    listed = ", ".join(f"{100 * share:.0f} % of {name}" for name, share in shares.iloc[most].items())
    return (
        f"{words} ({column}) differ between the groups: {shares.index[most]} in {listed} attempts; a permutation test "
        "also responds to such a difference, so prefer the score form or a regression"
    )


def score_tests(
    thresholds: CensoredThresholds, groups: ArrayLike | None = None, *, permutations: int = 10_000, seed: int
) -> tuple[ScoreTest, ...]:
    """Test whether capture thresholds are alike in two or more groups of different patients.

    Three weightings of the same comparison, each best against its own alternative: proportional hazards
    (Finkelstein's score), the log-rank test (Sun's score; differences at all currents alike) and proportional odds
    (Wilcoxon; more weight on low currents).  Choose one before seeing the results.

    The scores of a patient's attempts are added up and patients are permuted, so several attempts in a patient are
    allowed for.  All allocations of patients to groups are enumerated when there are at most 200,000 distinct tables
    of patients by score and group; otherwise ``permutations`` allocations are drawn, the same for all three scores,
    and the p-value is (b + 1)/(m + 1).  Two-sided p-values are by absolute value: allocations whose statistic is
    at least as large in size count, whichever group it favours.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts of all groups, without weights.
    groups : array-like of str, shape (n,), optional
        Group of every attempt; the placement when omitted.
    permutations : int
        Allocations to draw when they cannot all be enumerated.
    seed : int
        Seed of the draws; recorded in the result.

    Returns
    -------
    tuple of ScoreTest
        In the order of ``SCORES``.

    Raises
    ------
    NotEstimableError
        When there is one group only, when a patient has attempts in several groups, or when all scores are equal.
    UsageError
        When attempts have weights, or labels do not fit.

    Examples
    --------
    >>> from capstat import CensoredThresholds
    >>> some = CensoredThresholds.from_bounds([40, 45, 60, 65], [45, 50, 65, 70], placement=["a", "a", "b", "b"])
    >>> [round(test.p_permutation, 3) for test in score_tests(some, seed=1)]
    [0.333, 0.333, 0.333]
    """
    labels = group_labels(thresholds, groups)
    units = score_patients(thresholds, labels, interval_scores(pooled_estimate(thresholds)))
    counts, sizes = units.table.sum(axis=0), units.table.sum(axis=1)
    observed_sums = units.table @ units.scores
    observed = root_chi_square(observed_sums, sizes, units.scores, counts)
    every = every_allocation(units.scores, counts, sizes)
    if every is not None:
        size = root_chi_square(every[0], sizes, units.scores, counts)
        p_permutation = np.minimum((size >= observed[:, None] - TIE) @ every[1], 1.0)
        made = every[1].size
    else:
        drawn = drawn_allocations(units.scores, counts, sizes, permutations, seed)
        size = root_chi_square(drawn, sizes, units.scores, counts)
        p_permutation = ((size >= observed[:, None] - TIE).sum(axis=1) + 1) / (permutations + 1)
        made = permutations
    notes = compare_settings(thresholds, labels)
    if thresholds.clustered:
        notes = ("the scores of a patient's attempts are added up, and patients are permuted", *notes)
    df = sizes.size - 1
    tests = []
    for i, name in enumerate(SCORES):
        sums = tuple(float(value) for value in observed_sums[:, i])
        root = float(observed[i])
        tests.append(
            ScoreTest(
                name, float(np.copysign(root, sums[0])) if df == 1 else root**2, "Z" if df == 1 else "chi-square", df,
                float(stats.chi2.sf(root**2, df)), float(p_permutation[i]), every is not None, made,
                None if every is not None else seed, favoured(units.names, sums), units.names,
                tuple(int(size) for size in sizes), sums, int(sizes.sum()), notes, METHOD,
            )
        )  # fmt: skip
    return tuple(tests)
