"""The record of a pooled proportion, and the sentences that say why something cannot be had."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["ALL_EVENTS", "HEADLINE_WORDS", "NO_EVENTS", "NO_INTERIOR", "Limits", "PooledProportion"]

Limits = tuple[float, float]

ALL_EVENTS: Final = "in every study every observation was an event: the estimate is infinite on the logit scale"
NO_EVENTS: Final = "no study had an event: the estimate is infinite on the logit scale"
NO_INTERIOR: Final = (
    "every study is at 0 or at 100 %, and both occur: the likelihood rises without end with the spread between studies"
)
TOO_FEW_FOR_A_LIMIT: Final = (
    "with so few studies at one end and an unknown spread, any share of the median study is compatible with the data"
)
TOO_FEW_TO_PREDICT: Final = "a prediction interval needs at least three studies"
EXACT_WORDS: Final = "exact one-sided limit, the largest over tau"
HEADLINE_WORDS: Final = "profile likelihood over tau with the small-sample drop"


@dataclass(frozen=True, slots=True)
class PooledProportion:
    """Several proportions pooled by the binomial-normal model.

    Two shares are given and they differ.  The *share in the median study*, ``expit(mu)``, is exceeded by the true
    shares of half of all studies.  The *mean share*, ``E[expit(mu + tau Z)]``, is what an observation from a study
    chosen at random has; it lies nearer to one half, the more so the larger tau is.  Shares are between 0 and 1.

    Attributes
    ----------
    k : int
        Studies.
    level : float
        Confidence level.
    share : float or None
        Share in the median study; exactly 1 (or 0) when every (no) observation was an event; ``None`` with ``reason``
        otherwise.
    lower, upper : float or None
        The headline limits of ``share``, those named by ``headline``; an end can be known where ``share`` is at the
        other.
    headline : str
        Which limits they are, in words.
    profile : tuple of float or None
        Profile-likelihood limits of ``share`` over tau with the chi-square quantile.
    profile_small_sample : tuple of float or None
        The same with the drop that is exact for k normal values, see :mod:`capstat.numerics.small_sample`.
    wald : tuple of float or None
        ``expit(mu -+ t_{k-1} se)``.
    reason : str
        Why there is no share, no spread or no limit; empty when all can be had.
    mu, se : float or None
        Mean of the logits, and its standard error from the observed information (at tau = 0 with tau taken as known).
    tau : float or None
        Standard deviation of the logits between studies.
    tau_limits : tuple of float or None
        Profile-likelihood limits; the lower one is 0 when tau = 0 lies inside, the upper one infinite when it is open.
    log_likelihood, log_likelihood_no_spread : float
        Largest log-likelihood, and the largest with tau = 0; binomial coefficients included.
    spread_statistic, spread_p : float or None
        Likelihood-ratio test of tau = 0, compared with equal parts of 0 and chi-square with 1 degree of freedom (Self &
        Liang 1987, from memory); rough with few studies.
    mean_share : float or None
        ``E[expit(mu + tau Z)]``.
    mean_limits : tuple of float or None
        Its limits: delta method on the logit scale with ``t_{k-1}``.
    common_share : float
        All events over all totals: the pooled share if no study differed from another.
    common_limits : tuple of float
        Clopper-Pearson limits of ``common_share``.
    prediction : tuple of float or None
        Interval for the true share of a new study, ``expit(mu -+ t_{k-2} sqrt(tau^2 + se^2))`` (convention of Higgins,
        Thompson & Spiegelhalter 2009, J R Stat Soc A 172:137).
    prediction_reason : str
        Why there is none.
    """

    k: int
    level: float
    share: float | None
    lower: float | None
    upper: float | None
    headline: str
    profile: Limits | None
    profile_small_sample: Limits | None
    wald: Limits | None
    reason: str
    mu: float | None
    se: float | None
    tau: float | None
    tau_limits: Limits | None
    log_likelihood: float
    log_likelihood_no_spread: float
    spread_statistic: float | None
    spread_p: float | None
    mean_share: float | None
    mean_limits: Limits | None
    common_share: float
    common_limits: Limits
    prediction: Limits | None
    prediction_reason: str
