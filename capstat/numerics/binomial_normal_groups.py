"""Groups of studies in the binomial-normal model: leaving one out, and a test between subgroups."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit

from capstat.numerics.binomial_normal import pool_proportions
from capstat.numerics.binomial_normal_checks import checked_counts, checked_level
from capstat.numerics.binomial_normal_fit import Studies, common_tau, maximum
from capstat.numerics.binomial_normal_record import NO_INTERIOR
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.numerics.binomial_normal_record import PooledProportion

__all__ = ["FEWEST_STUDIES_PER_GROUP", "Subgroup", "SubgroupTest", "compare_subgroups", "leave_one_out"]

FEWEST_STUDIES_PER_GROUP: Final = 2


def leave_one_out(events: Any, totals: Any, *, level: float = 0.95) -> tuple[PooledProportion, ...]:
    """Pool again without each study in turn; the i-th result leaves the i-th study out.

    Raises
    ------
    NotEstimableError
        With fewer than three studies.
    UsageError
        As :func:`capstat.numerics.binomial_normal.pool_proportions`.
    """
    studies = checked_counts(events, totals)
    k = studies.events.size
    if k < 3:
        raise NotEstimableError("Leaving one of two studies out leaves nothing to pool.")
    return tuple(
        pool_proportions(np.delete(studies.events, i), np.delete(studies.totals, i), level=level) for i in range(k)
    )


@dataclass(frozen=True, slots=True)
class Subgroup:
    """One group of studies by itself.

    Attributes
    ----------
    name : str
        As given.
    pooled : PooledProportion
        With a tau of its own.
    share_common_tau : float
        Share in the median study of the group when all groups have one tau.
    """

    name: str
    pooled: PooledProportion
    share_common_tau: float


@dataclass(frozen=True, slots=True)
class SubgroupTest:
    """Likelihood-ratio test of equal ``mu`` in all groups, tau being common.

    Attributes
    ----------
    groups : tuple of Subgroup
        In the order of their first study.
    tau : float
        Standard deviation between studies of one group.
    statistic : float
        Twice the gain in log-likelihood.
    df : int
        Groups less one.
    p_chi_square : float
        By the chi-square distribution; too small with few studies.
    p_value : float
        By F with (df, k - groups) degrees of freedom of ``(exp(statistic/k) - 1) (k - groups)/df``, exact for normal
        values without error of their own.
    """

    groups: tuple[Subgroup, ...]
    tau: float
    statistic: float
    df: int
    p_chi_square: float
    p_value: float


def compare_subgroups(events: Any, totals: Any, groups: Sequence[str], *, level: float = 0.95) -> SubgroupTest:
    """Pool the studies of each group, and test whether the groups differ.

    Groups are as the studies happened to be: a difference between them is an association among studies.

    Raises
    ------
    UsageError
        When there is not one group for each study, or fewer than two groups.
    NotEstimableError
        When a group has fewer than two studies, or no study has both events and non-events.
    """
    studies, level = checked_counts(events, totals), checked_level(level)
    k = studies.events.size
    if len(groups) != k:
        raise UsageError(f"groups needs one name for each study: {k}, not {len(groups)}.")
    codes, names = pd.factorize(np.asarray([str(group) for group in groups]))
    count = len(names)
    if count < 2:
        raise UsageError("A test between groups needs at least two groups.")
    sizes = np.bincount(codes)
    if sizes.min() < FEWEST_STUDIES_PER_GROUP:
        small = names[int(sizes.argmin())]
        raise NotEstimableError(f"The group {small} has fewer than {FEWEST_STUDIES_PER_GROUP} studies.")
    if ((studies.events == 0) | (studies.events == studies.totals)).all():
        raise NotEstimableError(NO_INTERIOR[0].upper() + NO_INTERIOR[1:] + ".")
    parts = [Studies(studies.events[codes == code], studies.totals[codes == code]) for code in range(count)]
    tau, mus, value = common_tau(parts)
    statistic = max(0.0, 2 * (value - maximum(studies).slopes.value))
    df = count - 1
    ratio = float(np.expm1(statistic / k)) * (k - count) / df
    return SubgroupTest(
        groups=tuple(
            Subgroup(str(name), pool_proportions(part.events, part.totals, level=level), float(expit(mu)))
            for name, part, mu in zip(names, parts, mus, strict=True)
        ),
        tau=tau,
        statistic=statistic,
        df=df,
        p_chi_square=float(stats.chi2.sf(statistic, df)),
        p_value=float(stats.f.sf(ratio, df, k - count)),
    )
