"""One Bayesian line: the interval of a contrast combined with a prior."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.placement.contrast_words import contrast_is_ratio, contrasted_names
from capstat.results import UsageError

if TYPE_CHECKING:
    from capstat.results import Estimate

__all__ = ["Posterior", "posterior_probability"]

# a value further than this share of the half-width from the middle of its interval is worth a word
ASYMMETRY = 0.1


@dataclass(frozen=True, slots=True)
class Posterior:
    """Probability, given the interval and a prior, that the first placement needs so much less.

    Attributes
    ----------
    quantity : str
        The event in words.
    threshold : float
        Bound asked about, on the scale of the estimate: a ratio, or a difference (negative: the first less).
    probability : float or None
        Posterior probability; ``None`` with ``reason``.
    prior, likelihood : str
        What was assumed.
    notes : tuple of str
        What a reader must know before using the number.
    reason : str
        Why there is no probability; empty when there is one.
    """

    quantity: str
    threshold: float
    probability: float | None
    prior: str
    likelihood: str
    notes: tuple[str, ...] = ()
    reason: str = ""


def _location_and_error(
    estimate: Estimate, degrees_of_freedom: float | None, *, ratio: bool
) -> tuple[float, float, tuple[str, ...]] | None:
    """Centre and standard error read from an interval, on the scale where it is about normal."""
    if estimate.value is None or estimate.lower is None or estimate.upper is None:
        return None
    with np.errstate(divide="ignore", invalid="ignore"):
        ends = np.array([estimate.lower, estimate.value, estimate.upper])
        low, centre, high = (float(end) for end in (np.log(ends) if ratio else ends))
    half = (high - low) / 2
    if not (np.isfinite(half) and np.isfinite(centre) and half > 0):
        return None
    tail = 0.5 + estimate.level / 2
    quantile = stats.norm.ppf(tail) if degrees_of_freedom is None else stats.t.ppf(tail, degrees_of_freedom)
    lopsided = abs(centre - (low + high) / 2) > ASYMMETRY * half
    notes = (
        ("the interval is not symmetric about its value, so a normal curve only approximates it",) if lopsided else ()
    )
    return centre, half / float(quantile), notes


def _prior_words(prior_sd: float | None, *, ratio: bool) -> str:
    scale = "the log ratio" if ratio else "the difference in mA"
    if prior_sd is None:
        return f"flat on {scale}: before the data, every value is as likely as any other"
    if ratio:
        within = float(np.exp(stats.norm.ppf(0.975) * prior_sd))
        return (
            f"sceptical: normal on {scale} about no difference, standard deviation {prior_sd:g}; before the data, "
            f"the ratio lies between {1 / within:.2f} and {within:.2f} with probability 95 %"
        )
    return f"sceptical: normal on {scale} about no difference, standard deviation {prior_sd:g} mA"


def _check_question(at_least: float, degrees_of_freedom: float | None, prior_sd: float | None, *, ratio: bool) -> None:
    if not np.isfinite(at_least) or (ratio and at_least <= 0):
        raise UsageError(f"'At least' needs {'a ratio above 0' if ratio else 'a number of mA'}, not {at_least:g}.")
    if prior_sd is not None and not (np.isfinite(prior_sd) and prior_sd > 0):
        raise UsageError(f"The standard deviation of a prior is a number above 0, not {prior_sd:g}.")
    if prior_sd is not None and degrees_of_freedom is not None:
        raise UsageError("A normal prior is combined with a normal likelihood only; leave the degrees of freedom out.")
    if degrees_of_freedom is not None and not degrees_of_freedom > 0:
        raise UsageError(f"Degrees of freedom are a number above 0, not {degrees_of_freedom:g}.")


def posterior_probability(
    estimate: Estimate,
    *,
    at_least: float,
    degrees_of_freedom: float | None = None,
    prior_sd: float | None = None,
) -> Posterior:
    """Probability that the first placement needs at least so much less current than the second.

    A Bayesian reading of an interval that was made without a prior (Spiegelhalter, Freedman & Parmar 1994, from
    memory): the interval stands for a normal likelihood with standard error ``(upper - lower) / (2 q)`` on its own
    scale (log for a ratio), q the normal quantile.  With ``degrees_of_freedom`` it stands for a t likelihood, which
    under a flat prior gives the t distribution about the estimate.

    Parameters
    ----------
    estimate : Estimate
        Ratio of thresholds (first relative to second) or difference in mA (first minus second).
    at_least : float
        For a difference, mA: the first needs at least so many mA less.  For a ratio, the ratio: the first needs at
        most ``at_least`` times as much, 0.9 for at least a tenth less.
    degrees_of_freedom : float, optional
        Of the t interval that the estimate carries; normal when omitted.
    prior_sd : float, optional
        Standard deviation of a normal prior about no difference, on the log scale for a ratio and in mA for a
        difference; flat when omitted.

    Returns
    -------
    Posterior
        Without a probability, and with the reason, when the estimate has no value or an open limit.

    Raises
    ------
    UsageError
        When the question or the prior makes no sense, or a prior is to be combined with a t likelihood.
    """
    ratio = contrast_is_ratio(estimate)
    _check_question(at_least, degrees_of_freedom, prior_sd, ratio=ratio)
    one, two = contrasted_names(estimate)
    event = (
        f"{one} needs at most {at_least:g} times the current of {two}"
        if ratio
        else f"{one} needs at least {at_least:g} mA less than {two}"
    )
    threshold = at_least if ratio else -at_least
    prior = _prior_words(prior_sd, ratio=ratio)
    shape = "normal" if degrees_of_freedom is None else f"t with {degrees_of_freedom:g} degrees of freedom"
    likelihood = f"{shape}, read from the {100 * estimate.level:g} % interval{' of the log ratio' if ratio else ''}"
    read = _location_and_error(estimate, degrees_of_freedom, ratio=ratio)
    if read is None:
        why = estimate.reason or "the interval is not bounded by two finite, different limits"
        return Posterior(event, threshold, None, prior, likelihood, reason=why)
    centre, error, notes = read
    if prior_sd is not None:
        shrink = prior_sd**2 / (prior_sd**2 + error**2)
        centre, error = shrink * centre, float(np.sqrt(shrink)) * error
    standardised = ((np.log(threshold) if ratio else threshold) - centre) / error
    curve = stats.norm if degrees_of_freedom is None else stats.t(degrees_of_freedom)
    return Posterior(event, threshold, float(curve.cdf(standardised)), prior, likelihood, notes)
