"""Mean and standard deviation from what papers print in place of them.

Three patterns of printed quantiles are known in the literature: the range with the median (S1), five numbers (S2) and
the quartiles with the median (S3).  Every mean and SD but Hozo's is a weighted sum of the five numbers, so that their
errors follow from those of normal order statistics, see :mod:`capstat.numerics.from_quantiles_error`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from scipy.special import ndtri

from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "FEWEST_FOR_SKEWNESS",
    "LognormalMoments",
    "Pattern",
    "QuantileSummary",
    "SkewnessTest",
    "hozo_mean",
    "hozo_sd",
    "lognormal_from_moments",
    "luo_mean",
    "luo_weights",
    "skewness_test",
    "wan_mean",
    "wan_sd",
    "wan_sd_weights",
]

Pattern = Literal["range", "five numbers", "quartiles"]

FEWEST_FOR_SKEWNESS: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantileSummary:
    """What was printed of a sample: the median with the range, the quartiles, or both.

    Attributes
    ----------
    n : int
        Size of the sample, at least 2.
    median : float
        Sample median.
    minimum, maximum : float or None
        Range; both or neither.
    q1, q3 : float or None
        Quartiles; both or neither.

    Raises
    ------
    UsageError
        When the sample is too small, a number is not finite, half of a pair is missing, there is neither pair, or the
        numbers are out of order.
    """

    n: int
    median: float
    minimum: float | None = None
    q1: float | None = None
    q3: float | None = None
    maximum: float | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be a summary of one sample."""
        if self.n < 2:
            raise UsageError(f"n is {self.n}; a spread needs at least 2 observations.")
        for low, high, name in ((self.minimum, self.maximum, "range"), (self.q1, self.q3, "quartiles")):
            if (low is None) != (high is None):
                raise UsageError(f"Only one end of the {name} was given; both are needed.")
        given = [x for x in (self.minimum, self.q1, self.median, self.q3, self.maximum) if x is not None]
        if len(given) == 1:
            raise UsageError("Neither the range nor the quartiles were given.")
        if not np.isfinite(given).all():
            raise UsageError("minimum, q1, median, q3 and maximum must be finite numbers.")
        if given != sorted(given):
            shown = ", ".join(f"{x:g}" for x in given)
            raise UsageError(f"minimum, q1, median, q3 and maximum must not fall; they are {shown}.")

    @property
    def pattern(self) -> Pattern:
        """Which of the five numbers were given."""
        if self.q1 is None:
            return "range"
        return "quartiles" if self.minimum is None else "five numbers"

    @property
    def five(self) -> NDArray[np.float64]:
        """Minimum, q1, median, q3, maximum, shape (5,); 0 where none was given, which then has no weight."""
        numbers = (self.minimum, self.q1, self.median, self.q3, self.maximum)
        return np.array([0.0 if x is None else x for x in numbers])


def _range_width(n: int) -> float:
    """Expected range of n standard normal observations (Blom's approximation, as in Wan 2014)."""
    return 2 * float(ndtri((n - 0.375) / (n + 0.25)))


def _quartile_width(n: int) -> float:
    """Expected distance of their quartiles (Wan 2014)."""
    return 2 * float(ndtri((0.75 * n - 0.125) / (n + 0.25)))


def luo_weights(pattern: Pattern, n: int) -> NDArray[np.float64]:
    """Weights of minimum, q1, median, q3 and maximum in Luo's mean, shape (5,), sum 1.

    Luo, Wan, Liu & Tong (2018, Stat Methods Med Res 27:1785): S1 eq. 7, S2 eq. 15, S3 eq. 11 (numbers of the equations
    and weights as in the source of R's metafor 4).
    """
    ends, quartiles = 0.0, 0.0
    if pattern == "range":
        ends = 4 / (4 + n**0.75)
    elif pattern == "quartiles":
        quartiles = 0.7 + 0.39 / n
    else:
        ends, quartiles = 2.2 / (2.2 + n**0.75), 0.7 - 0.72 / n**0.55
    return np.array([ends / 2, quartiles / 2, 1 - ends - quartiles, quartiles / 2, ends / 2])


def wan_sd_weights(pattern: Pattern, n: int) -> NDArray[np.float64]:
    """Weights of minimum, q1, median, q3 and maximum in Wan's standard deviation, shape (5,), sum 0.

    Wan, Wang, Liu & Tong (2014, BMC Med Res Methodol 14:135), with normal quantiles in place of the printed tables:
    range and quartile distance are divided by what they are expected to be with SD 1; with both, the two are averaged.
    """
    from_range = np.array([-1.0, 0.0, 0.0, 0.0, 1.0]) / _range_width(n)
    from_quartiles = np.array([0.0, -1.0, 0.0, 1.0, 0.0]) / _quartile_width(n)
    if pattern == "range":
        return from_range
    return from_quartiles if pattern == "quartiles" else (from_range + from_quartiles) / 2


def luo_mean(summary: QuantileSummary) -> float:
    """Mean of a normal sample (Luo 2018), see :func:`luo_weights`."""
    return float(luo_weights(summary.pattern, summary.n) @ summary.five)


def wan_sd(summary: QuantileSummary) -> float:
    """Standard deviation of a normal sample (Wan 2014), see :func:`wan_sd_weights`."""
    return float(wan_sd_weights(summary.pattern, summary.n) @ summary.five)


def wan_mean(summary: QuantileSummary) -> float:
    """Mean with fixed weights (Wan 2014): (a + 2m + b)/4, (a + 2q1 + 2m + 2q3 + b)/8 or (q1 + m + q3)/3."""
    weights = {"range": (1, 0, 2, 0, 1), "five numbers": (1, 2, 2, 2, 1), "quartiles": (0, 1, 1, 1, 0)}
    chosen = np.array(weights[summary.pattern], dtype=float)
    return float(chosen @ summary.five / chosen.sum())


def _ends_for_hozo(summary: QuantileSummary) -> tuple[float, float]:
    if summary.minimum is None or summary.maximum is None:
        raise UsageError("Hozo's rules need the minimum and the maximum.")
    return summary.minimum, summary.maximum


def hozo_mean(summary: QuantileSummary) -> float:
    """Mean by the rule of Hozo, Djulbegovic & Hozo (2005): (a + 2m + b)/4 up to 25 observations, above them the median.

    Raises
    ------
    UsageError
        When the range was not given.
    """
    low, high = _ends_for_hozo(summary)
    return (low + 2 * summary.median + high) / 4 if summary.n <= 25 else summary.median


def hozo_sd(summary: QuantileSummary) -> float:
    """Standard deviation by the rule of Hozo, Djulbegovic & Hozo (2005, BMC Med Res Methodol 5:13).

    A formula with the median up to 15 observations, a quarter of the range up to 70, a sixth above.  The rule jumps at
    15 and 70; :func:`wan_sd` does not.

    Raises
    ------
    UsageError
        When the range was not given.
    """
    low, high = _ends_for_hozo(summary)
    if summary.n <= 15:
        return float(np.sqrt(((low - 2 * summary.median + high) ** 2 / 4 + (high - low) ** 2) / 12))
    return (high - low) / (4 if summary.n <= 70 else 6)


@dataclass(frozen=True, slots=True)
class SkewnessTest:
    """A test whether printed quantiles are too lopsided for a normal sample.

    Attributes
    ----------
    statistic : float
        Distance of the ends' midpoint from the median, as a share of half their distance (the larger of two, scaled,
        for five numbers).
    critical : float
        Value from which symmetry is rejected at the 5 % level.
    rejected : bool
        Whether it is.
    """

    statistic: float
    critical: float
    rejected: bool


def _lopsided(low: float | None, middle: float, high: float | None, name: str) -> float:
    if low is None or high is None:
        return 0.0
    if not high > low:
        raise NotEstimableError(f"Both ends of the {name} are {low:g}, so that skewness cannot be judged.")
    return abs(low + high - 2 * middle) / (high - low)


def skewness_test(summary: QuantileSummary) -> SkewnessTest:
    """Test of skewness from printed quantiles, 5 % level.

    Shi, Luo, Wan et al. (2023, Stat Methods Med Res 32:1338, doi 10.1177/09622802231172043); statistics and critical
    values were read in the source of R's metafor 4, not in the paper.  With quartiles at positions 1 + (n - 1)/4 and
    1 + 3(n - 1)/4 at most 5.1 % of 40,000 to 100,000 normal samples of each of 15 sizes from 5 to 400 were rejected;
    from quartiles alone far fewer at some sizes (0.5 % at 6, 1.5 % at 10), and skewness is then seldom seen: in 5 % of
    samples of 10, 23 % of 30 and 66 % of 100 whose logarithms are standard normal.

    Raises
    ------
    NotEstimableError
        With fewer than five observations, for which there are no critical values, and where both ends are equal.
    """
    n = summary.n
    if n < FEWEST_FOR_SKEWNESS:
        raise NotEstimableError(f"A test of skewness needs at least {FEWEST_FOR_SKEWNESS} observations; there are {n}.")
    range_part = _lopsided(summary.minimum, summary.median, summary.maximum, "range")
    quartile_part = _lopsided(summary.q1, summary.median, summary.q3, "quartiles")
    root = float(np.sqrt(n))
    if summary.pattern == "range":
        statistic, critical = range_part, 1 / float(np.log(n + 9)) + 2.5 / (n + 1)
    elif summary.pattern == "quartiles":
        statistic, critical = quartile_part, 2.65 / root - 6 / n**2
    else:
        statistic = max(2.65 * float(np.log(0.6 * n)) / root * range_part, quartile_part)
        critical = 3 / root - 40 / n**3
    return SkewnessTest(statistic, critical, statistic >= critical)


@dataclass(frozen=True, slots=True)
class LognormalMoments:
    """Parameters of a lognormal sample from its mean and SD.

    Attributes
    ----------
    mu, sigma : float
        Mean and standard deviation of the logarithms.
    se_mu : float
        Standard error of ``mu``.
    degrees : float
        Degrees of freedom that the estimate of ``sigma`` is worth.
    """

    mu: float
    sigma: float
    se_mu: float
    degrees: float


def lognormal_from_moments(mean: float, sd: float, n: int) -> LognormalMoments:
    r"""Mean and SD of the logarithms from mean and SD, with errors by the delta method.

    ``mu = log m - log(1 + cv^2)/2`` and ``sigma^2 = log(1 + cv^2)`` (Higgins, White & Anzures-Cabrera 2008, Stat Med
    27:6072, doi 10.1002/sim.3427; its method 1, from memory).  Both are functions of the first two sample moments A and
    B, ``mu = 2 log A - log(B)/2`` and ``sigma^2 = log B - 2 log A``.  With ``w = 1 + cv^2 = exp(sigma^2)`` the moments
    of a lognormal law give ``n var(log A) = w - 1``, ``n var(log B) = w^4 - 1`` and ``n cov = w^2 - 1``, hence

        n var(mu) = 4(w - 1) - 2(w^2 - 1) + (w^4 - 1)/4,
        n var(sigma^2) = (w^4 - 1) + 4(w - 1) - 4(w^2 - 1).

    For small ``sigma`` these are ``sigma^2`` and ``2 sigma^4``, as from the logarithms themselves.  The degrees of
    freedom match the variance of ``sigma^2`` to that of a scaled chi-square variable, n - 1 of them when ``sigma`` is
    small.

    Raises
    ------
    UsageError
        When mean or SD is not above 0, or there are fewer than 2 observations.
    """
    if not (mean > 0 and sd > 0 and np.isfinite(mean) and np.isfinite(sd)):
        raise UsageError(f"Mean and SD must be finite and above 0; they are {mean:g} and {sd:g}.")
    if n < 2:
        raise UsageError(f"n is {n}; a spread needs at least 2 observations.")
    e = (sd / mean) ** 2
    s2 = float(np.log1p(e))
    # polynomials in e = w - 1: the formulas above lose all digits for small cv
    var_mu = e * (1 + e * (-0.5 + e * (1 + e / 4)))
    var_s2 = e**2 * (2 + e * (4 + e))
    degrees = (n - 1) * 2 * s2**2 / var_s2
    return LognormalMoments(float(np.log(mean)) - s2 / 2, float(np.sqrt(s2)), float(np.sqrt(var_mu / n)), degrees)
