"""Groups of studies: a pooled value for each, and a test between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import stats

from capstat.numerics.meta_regression import JointTest, fit_regression
from capstat.numerics.random_effects import method_words, pool
from capstat.numerics.weighted_studies import KnappHartung, checked_studies, interval_and_p
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.between_variance import Tau2Method

__all__ = ["FEWEST_STUDIES_PER_GROUP", "GroupEstimate", "Subgroups", "subgroups"]

FEWEST_STUDIES_PER_GROUP = 2


@dataclass(frozen=True, slots=True)
class GroupEstimate:
    """One group: its label, number of studies, pooled value, standard error, limits, and variance between studies."""

    label: str
    k: int
    mu: float
    se: float
    lower: float
    upper: float
    df: float
    tau2: float


@dataclass(frozen=True, slots=True)
class Subgroups:
    """Pooled values of groups of studies.

    Attributes
    ----------
    groups : tuple of GroupEstimate
        In the order of their labels.
    test : JointTest
        That all groups have the same mean.
    shared_tau2 : bool
        Whether one variance between studies was estimated for all groups.
    level : float
        Confidence level.
    method : str
        Model, limits and test.
    """

    groups: tuple[GroupEstimate, ...]
    test: JointTest
    shared_tau2: bool
    level: float
    method: str


def _checked_labels(labels: Any, k: int) -> tuple[list[str], NDArray[np.intp]]:
    values = [str(label) for label in labels]
    if len(values) != k:
        raise UsageError(f"labels need one for each of the {k} studies; there are {len(values)}.")
    names, codes, counts = np.unique(np.array(values), return_inverse=True, return_counts=True)
    if names.size < 2:
        raise UsageError("Subgroups need at least two different labels.")
    if counts.min() < FEWEST_STUDIES_PER_GROUP:
        name = names[np.argmin(counts)]
        raise NotEstimableError(
            f"Each group needs at least {FEWEST_STUDIES_PER_GROUP} studies; the group {name} has {counts.min()}."
        )
    return [str(name) for name in names], codes


def _separate(
    y: NDArray[np.float64],
    v: NDArray[np.float64],
    names: list[str],
    codes: NDArray[np.intp],
    tau2_method: Tau2Method,
    knapp_hartung: KnappHartung,
    level: float,
) -> tuple[tuple[GroupEstimate, ...], JointTest]:
    pooled = [
        pool(y[codes == g], v[codes == g], tau2_method=tau2_method, knapp_hartung=knapp_hartung, level=level)
        for g in range(len(names))
    ]
    groups = tuple(
        GroupEstimate(name, one.k, one.mu, one.se, one.lower, one.upper, one.df, one.tau2)
        for name, one in zip(names, pooled, strict=True)
    )
    means = np.array([one.mu for one in pooled])
    weights = np.array([one.conventional_se for one in pooled]) ** -2.0
    q = float(weights @ (means - weights @ means / weights.sum()) ** 2)
    df = len(names) - 1
    return groups, JointTest(q, df, np.inf, float(stats.chi2.sf(q, df)))


def _shared(
    y: NDArray[np.float64],
    v: NDArray[np.float64],
    names: list[str],
    codes: NDArray[np.intp],
    tau2_method: Tau2Method,
    knapp_hartung: KnappHartung,
    level: float,
) -> tuple[tuple[GroupEstimate, ...], JointTest]:
    # the first group is the intercept, the others differ from it
    others = (codes[:, None] == np.arange(1, len(names))).astype(float)
    design = np.column_stack([np.ones(y.size), others])
    fit = fit_regression(y, v, design, names, tau2_method=tau2_method, knapp_hartung=knapp_hartung, level=level)
    groups = []
    for g, name in enumerate(names):
        row = np.zeros(len(names))
        row[[0, g]] = 1.0
        mu, se = float(row @ fit.coefficients), float(np.sqrt(row @ fit.covariance @ row))
        lower, upper, _ = interval_and_p(mu, se, fit.df, level)
        groups.append(
            GroupEstimate(name, int((codes == g).sum()), mu, se, float(lower), float(upper), fit.df, fit.tau2)
        )
    return tuple(groups), fit.test


def subgroups(
    yi: Any,
    vi: Any,
    labels: Any,
    *,
    tau2_method: Tau2Method,
    shared_tau2: bool,
    knapp_hartung: KnappHartung,
    level: float = 0.95,
) -> Subgroups:
    """Pool each group of studies, and test whether the groups' means differ.

    With one variance between studies for all groups this is a meta-regression on the groups, and the test is by
    chi-square or, with Knapp-Hartung limits, by F.  With a variance for each group the test is Cochran's Q of the
    groups' values with their conventional standard errors; it rejects too often where groups have few studies, whatever
    the limits of the groups.

    Parameters
    ----------
    yi, vi : array-like, shape (k,)
        Estimates and variances.
    labels : sequence, length k
        Group of each study.
    shared_tau2 : bool
        One variance between studies for all groups.
    tau2_method, knapp_hartung, level
        As in :func:`capstat.numerics.random_effects.pool`.

    Raises
    ------
    UsageError
        When an argument is not as described, or there is one group only.
    NotEstimableError
        When a group has a single study.
    """
    y, v = checked_studies(yi, vi)
    names, codes = _checked_labels(labels, y.size)
    route = _shared if shared_tau2 else _separate
    groups, test = route(y, v, names, codes, tau2_method, knapp_hartung, level)
    which = "one variance between studies for all groups" if shared_tau2 else "a variance between studies in each group"
    by = "F test" if np.isfinite(test.df_error) else "chi-square test"
    return Subgroups(
        groups, test, shared_tau2, level, f"{method_words(tau2_method, knapp_hartung)}; {which}; {by} between groups"
    )
