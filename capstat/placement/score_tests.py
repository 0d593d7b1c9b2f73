"""Score tests of interval-censored thresholds between groups of different patients, without a model.

Every attempt gets a score from the pooled nonparametric estimate: positive when its capture came at a lower
current than expected.  The groups' sums are judged against all ways of allocating the patients to the groups.
Finkelstein (1986, Biometrics 42:845), Sun (1996, Stat Med 15:1387), Fay & Shaw (2010, J Stat Softw 36(2)).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import gammaln, xlogy

from capstat.distributions.npmle import innermost_intervals, maximise_on_support
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["SCORES", "ScoreTest", "compare_settings", "score_form_test", "score_tests"]

SCORES = ("proportional hazards (Finkelstein)", "log-rank (Sun)", "proportional odds (Wilcoxon)")

# up to this many distinct tables of patients by score and group are enumerated
ENUMERATED = 200_000
# the masses are solved to 1e-10, so sums that are equal in truth may differ by a little more than rounding
TIE = 1e-9
MASS_TOLERANCE = 1e-12
# settings differ clearly when some share differs by this much between groups and the table is not due to chance
CLEAR_DIFFERENCE = 0.1

METHOD = (
    "scores from the pooled nonparametric maximum likelihood estimate, permutation variance (Finkelstein 1986; Sun "
    "1996; Fay & Shaw 2010); two-sided by absolute value: the share of allocations of patients whose statistic is at "
    "least as large in size"
)
SCORE_FORM_METHOD = (
    "score test of the discrete logistic hazards model with the observed information, masses profiled out "
    "(Sun 1996; Fay & Shaw 2010); needs no permutation and so no equal ramps, but settings fixed in advance"
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


@dataclass(frozen=True, slots=True, eq=False)
class _Pooled:
    """Pooled estimate: masses, survival before and after each support interval, and the runs of the cells."""

    mass: NDArray[np.float64]
    survival: NDArray[np.float64]
    hazard: NDArray[np.float64]
    first: NDArray[np.intp]
    last: NDArray[np.intp]
    cell: NDArray[np.intp]


def _pooled(thresholds: CensoredThresholds) -> _Pooled:
    cells = thresholds.cells()
    support = innermost_intervals(cells.lower_ma, cells.upper_ma)
    mass, _, _ = maximise_on_support(support, cells.count)
    carries = mass > MASS_TOLERANCE
    mass = mass[carries] / mass[carries].sum()
    # intervals without mass change no score, and have no hazard to speak of
    before = np.concatenate(([0], np.cumsum(carries)))
    # summed from the top, so that nobody is left after the last interval and nearly nobody before it is kept apart
    survival = np.concatenate((np.cumsum(mass[::-1])[::-1], [0.0]))
    return _Pooled(
        mass, survival, mass / survival[:-1], before[support.first], before[support.last + 1] - 1, cells.index
    )


def _scores(pooled: _Pooled) -> NDArray[np.float64]:
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


def _labels(thresholds: CensoredThresholds, groups: ArrayLike | None) -> NDArray[np.str_]:
    labels = thresholds.placement if groups is None else np.asarray(groups).astype(np.str_)
    if labels.shape != (len(thresholds),):
        raise UsageError(f"There are {labels.size} group labels for {len(thresholds)} attempts.")
    if np.any(thresholds.weight != 1):
        raise UsageError("A score test counts every attempt once; leave the weights out.")
    if len(thresholds) == 0:
        raise NotEstimableError("There are no attempts with a usable threshold interval.")
    return labels


@dataclass(frozen=True, slots=True, eq=False)
class _Units:
    """Patients by group and by score: ``table`` counts them, shape (groups, patterns)."""

    names: tuple[str, ...]
    scores: NDArray[np.float64]
    table: NDArray[np.intp]


def _units(thresholds: CensoredThresholds, labels: NDArray[np.str_], scores: NDArray[np.float64]) -> _Units:
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
    return _Units(tuple(str(name) for name in names), sums[shown], table)


def _statistics(
    sums: NDArray[np.float64], sizes: NDArray[np.intp], scores: NDArray[np.float64], counts: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Root of the chi-square for sums of shape (groups, scores, ...); with two groups the absolute Z."""
    variance = counts @ scores**2 / (counts.sum() - 1)
    spread = np.einsum("gs...,g->s...", sums**2, 1 / sizes)
    return np.asarray(np.sqrt(spread / variance.reshape(-1, *[1] * (spread.ndim - 1))))


def _compositions(count: int, parts: int) -> NDArray[np.intp]:
    """All ways of sharing ``count`` alike patients among groups, shape (ways, parts): bars among stars."""
    bars = np.array(list(combinations(range(count + parts - 1), parts - 1)), dtype=np.intp)
    ends = np.column_stack((np.full(len(bars), -1), bars, np.full(len(bars), count + parts - 1)))
    return np.asarray(np.diff(ends, axis=1) - 1)


def _too_many(counts: NDArray[np.intp], size: int) -> bool:
    """Whether more than ``ENUMERATED`` tables put ``size`` of the patients into one group and the rest elsewhere."""
    ways = np.zeros(size + 1)
    ways[0] = 1
    remaining = int(counts.sum())
    for count in counts:
        total = np.concatenate((np.zeros(count + 1), np.cumsum(ways)))
        ways = np.minimum(total[count + 1 :] - total[: size + 1], 1e9)
        remaining -= int(count)
        # what can still be completed never becomes less
        if ways[max(0, size - remaining) :].max() > ENUMERATED:
            return True
    return False


def _every_allocation(
    scores: NDArray[np.float64], counts: NDArray[np.intp], sizes: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Sums of scores, shape (groups, scores, T), and probability of every table of pattern by group.

    ``None`` when there are too many.  Every partial table can be completed, so the number never falls from one
    pattern to the next and the search may stop as soon as it is too large; with two groups it is known beforehand.
    """
    if any(_too_many(counts, int(size)) for size in sizes[1:]):
        return None
    placed = np.zeros((1, sizes.size), dtype=np.intp)
    sums = np.zeros((1, sizes.size, scores.shape[1]))
    log_ways = np.zeros(1)
    for score, count in zip(scores, counts, strict=True):
        if comb(int(count) + sizes.size - 1, sizes.size - 1) > ENUMERATED:
            return None
        ways = _compositions(int(count), sizes.size)
        ways = ways[(ways <= sizes).all(axis=1)]
        block = max(1, ENUMERATED // len(placed))
        kept: list[NDArray[np.intp]] = []
        for start in range(0, len(ways), block):
            fits = (placed[:, None] + ways[None, start : start + block] <= sizes).all(axis=2)
            found = np.argwhere(fits)
            found[:, 1] += start
            kept.append(found)
            if sum(map(len, kept)) > ENUMERATED:
                return None
        old, new = np.concatenate(kept).T
        placed = placed[old] + ways[new]
        sums = sums[old] + ways[new][:, :, None] * score
        log_ways = log_ways[old] - gammaln(ways[new] + 1).sum(axis=1)
    fixed = gammaln(counts + 1).sum() + gammaln(sizes + 1).sum() - gammaln(counts.sum() + 1)
    return np.moveaxis(sums, 0, -1), np.exp(log_ways + fixed)


def _drawn_allocations(
    scores: NDArray[np.float64], counts: NDArray[np.intp], sizes: NDArray[np.intp], draws: int, seed: int
) -> NDArray[np.float64]:
    """Sums of scores, shape (groups, scores, draws), of random allocations.

    Patients with equal scores are interchangeable: how many of them fall into a group is hypergeometric, so the
    cost depends on the number of different scores and not on that of patients.
    """
    rng = np.random.default_rng(seed)
    free = np.repeat(sizes[:, None], draws, axis=1)
    sums = np.zeros((sizes.size, scores.shape[1], draws))
    for score, count in zip(scores, counts, strict=True):
        left = np.full(draws, count)
        for group in range(sizes.size):
            others = free[group + 1 :].sum(axis=0)
            if group == sizes.size - 1:
                taken = left.copy()
            elif count == 1:
                taken = left * (rng.random(draws) * (free[group] + others) < free[group])
            else:
                taken = rng.hypergeometric(free[group], others, left)
            sums[group] += score[:, None] * taken
            free[group] -= taken
            left -= taken
    return sums


def _direction(names: Sequence[str], sums: Sequence[float]) -> str:
    lower = [name for name, value in zip(names, sums, strict=True) if value > TIE]
    if not lower:
        return "no group captured at lower currents than expected if the groups were alike"
    return f"{' and '.join(lower)} captured at lower currents than expected if the groups were alike"


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
    labels = _labels(thresholds, groups)
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
    labels = _labels(thresholds, groups)
    units = _units(thresholds, labels, _scores(_pooled(thresholds)))
    counts, sizes = units.table.sum(axis=0), units.table.sum(axis=1)
    observed_sums = units.table @ units.scores
    observed = _statistics(observed_sums, sizes, units.scores, counts)
    every = _every_allocation(units.scores, counts, sizes)
    if every is not None:
        size = _statistics(every[0], sizes, units.scores, counts)
        p_permutation = np.minimum((size >= observed[:, None] - TIE) @ every[1], 1.0)
        made = every[1].size
    else:
        drawn = _drawn_allocations(units.scores, counts, sizes, permutations, seed)
        size = _statistics(drawn, sizes, units.scores, counts)
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
                None if every is not None else seed, _direction(units.names, sums), units.names,
                tuple(int(size) for size in sizes), sums, int(sizes.sum()), notes, METHOD,
            )
        )  # fmt: skip
    return tuple(tests)


def _curvature(pooled: _Pooled, weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Second derivatives of the log-likelihood in the logits of the hazards, shape (k - 1, k - 1).

    ``weights`` are those of the attempts.  A support interval has log probability log h_j + sum of
    log(1 - h_l) before it; the last hazard is 1 and no parameter.
    """
    k = pooled.mass.size
    hazard = pooled.hazard[:-1]
    slope = np.eye(k)[:, :-1] - np.tri(k)[:, :-1] * hazard
    size = np.bincount(pooled.cell, weights=weights, minlength=pooled.first.size)
    columns = np.arange(k)
    inside = (pooled.first[:, None] <= columns) & (columns <= pooled.last[:, None])
    share = inside * pooled.mass
    share /= share.sum(axis=1, keepdims=True)
    expected = share @ slope
    mixed = size @ share
    at_risk = np.cumsum(mixed[::-1])[::-1][:-1]
    return np.asarray(
        slope.T @ (mixed[:, None] * slope)
        - expected.T @ (size[:, None] * expected)
        - np.diag(at_risk * hazard * (1 - hazard))
    )


def score_form_test(thresholds: CensoredThresholds, groups: ArrayLike | None = None) -> ScoreTest:
    """Log-rank test (Sun's scores) with the variance of the likelihood instead of that of permutations.

    For groups whose ramps differ, where permutation is not justified.  The reference is the chi-square distribution
    alone; it rests on currents fixed in advance and on many attempts for each support interval.

    Parameters
    ----------
    thresholds : CensoredThresholds
        One attempt of each patient, without weights.
    groups : array-like of str, shape (n,), optional
        Group of every attempt; the placement when omitted.

    Raises
    ------
    NotEstimableError
        When a patient has several attempts, which the likelihood would take for independent ones, or when the data
        cannot tell the groups apart.
    """
    labels = _labels(thresholds, groups)
    if thresholds.clustered:
        raise NotEstimableError("The score form takes attempts as independent, but some patients have several.")
    pooled = _pooled(thresholds)
    units = _units(thresholds, labels, _scores(pooled)[:, [1]])
    sums = (units.table @ units.scores)[:, 0]
    each = [_curvature(pooled, (labels == name).astype(float)) for name in units.names]
    nuisance = -np.sum(each, axis=0)
    cross = np.array([-matrix.sum(axis=0) for matrix in each[1:]])
    information = np.diag(cross.sum(axis=1)) - cross @ np.linalg.solve(nuisance, cross.T)
    if np.linalg.eigvalsh(information).min() < 1e-9:
        raise NotEstimableError(
            "The attempts of some group say nothing about thresholds, so groups cannot be compared."
        )
    statistic = float(sums[1:] @ np.linalg.solve(information, sums[1:]))
    df = sums.size - 1
    whole = tuple(float(value) for value in sums)
    sizes = tuple(int(size) for size in units.table.sum(axis=1))
    return ScoreTest(
        SCORES[1], statistic, "chi-square", df, float(stats.chi2.sf(statistic, df)), None, False, 0, None,
        _direction(units.names, whole), units.names, sizes, whole, sum(sizes), (), SCORE_FORM_METHOD,
    )  # fmt: skip
