"""Reading an interval against a margin: superiority, non-inferiority, equivalence, and one Bayesian line."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.results import UsageError

if TYPE_CHECKING:
    from capstat.results import Estimate

__all__ = ["Claim", "Decision", "Posterior", "decide", "posterior_probability"]

# a value further than this share of the half-width from the middle of its interval is worth a word
ASYMMETRY = 0.1


class Claim(Enum):
    """What is claimed for the first placement of a contrast."""

    SUPERIORITY = "superiority"
    NON_INFERIORITY = "non-inferiority"
    EQUIVALENCE = "equivalence"


@dataclass(frozen=True, slots=True)
class Decision:
    """An interval read against a claim.

    Attributes
    ----------
    claim : Claim
        What was asked.
    margin : float or None
        In the unit of the estimate; ``None`` for superiority.
    shown : bool
        Whether the interval shows the claim.  False never means that the opposite is shown.
    one_sided_level : float
        Error of each one-sided test that the interval stands for, ``(1 - level) / 2``.
    words : str
        The reading in plain English.
    """

    claim: Claim
    margin: float | None
    shown: bool
    one_sided_level: float
    words: str


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


def _is_ratio(estimate: Estimate) -> bool:
    if estimate.unit not in {"ratio", "mA"}:
        raise UsageError(
            f"A margin can be read against a ratio of thresholds or a difference in mA, not against "
            f"'{estimate.quantity}' in '{estimate.unit}'."
        )
    return estimate.unit == "ratio"


def _names(estimate: Estimate) -> tuple[str, str]:
    """Names of the first and of the second placement from the direction of the contrast."""
    for word in (" relative to ", " minus "):
        one, found, two = estimate.direction.partition(word)
        if found:
            return one, two
    return "the first placement", "the second placement"


def _check_margin(claim: Claim, margin: float | None, *, ratio: bool) -> None:
    if claim is Claim.SUPERIORITY:
        if margin is not None:
            raise UsageError("Superiority is read against no difference at all and takes no margin.")
        return
    if margin is None:
        example = "a ratio above 1, such as 1.10" if ratio else "a number of mA above 0"
        raise UsageError(f"{claim.value.capitalize()} needs a margin, chosen before the data were seen: {example}.")
    least = 1.0 if ratio else 0.0
    if not (np.isfinite(margin) and margin > least):
        raise UsageError(
            f"The margin of a {'ratio' if ratio else 'difference in mA'} lies above {least:g}, not at {margin:g}."
        )


def _region(claim: Claim, margin: float | None, *, ratio: bool) -> tuple[float, float]:
    """Open range in which the whole interval must lie."""
    if margin is None:
        return -np.inf, 1.0 if ratio else 0.0
    if claim is Claim.NON_INFERIORITY:
        return -np.inf, margin
    return (1 / margin if ratio else -margin), margin


def _claim_words(claim: Claim, margin: float | None, names: tuple[str, str], *, ratio: bool) -> str:
    one, two = names
    if margin is None:
        return f"{one} needs less current than {two}"
    amount = f"{margin:g} times" if ratio else f"{margin:g} mA"
    if claim is Claim.NON_INFERIORITY:
        return (
            f"{one} needs less than {amount} the current of {two}"
            if ratio
            else f"{one} needs less than {amount} more than {two}"
        )
    if ratio:
        return f"the currents that {one} and {two} need are within a factor of {margin:g} of each other"
    return f"the currents that {one} and {two} need are within {amount} of each other"


def _kind_words(*, randomised: bool) -> str:
    if randomised:
        return "The placements were allocated at random, so this speaks of an effect of placement."
    return "The placements were not allocated at random, so this speaks of an association and not of an effect."


def _limit_words(limit: float) -> str:
    return f"{limit:.3g}" if np.isfinite(limit) else "unlimited"


def _reading_words(lower: float, upper: float, names: tuple[str, str], *, shown: bool, ratio: bool) -> str:
    """Say what the interval itself says; needed most where the claim is not shown."""
    none = 1.0 if ratio else 0.0
    one, two = names
    if lower > none:
        return f"The whole interval lies on the side where {one} needs more than {two}."
    if shown:
        return ""
    if upper < none:
        return (
            f"The whole interval lies on the side where {one} needs less than {two}, but not wholly inside the margin."
        )
    return "Not shown is not the same as shown to be false: the interval includes no difference too."


def decide(estimate: Estimate, claim: Claim, *, margin: float | None = None, randomised: bool) -> Decision:
    """Read the interval of a contrast of thresholds against a claim for the first placement.

    Superiority: the whole interval lies below no difference (1, or 0 mA).  Non-inferiority: its upper limit
    lies below the margin.  Equivalence: it lies inside ``(1/margin, margin)`` or ``(-margin, margin)``; this is
    the two one-sided tests of Schuirmann (1987, from memory), each with error ``(1 - level) / 2``.  A limit that
    touches the margin does not show the claim.

    Parameters
    ----------
    estimate : Estimate
        Ratio of thresholds (unit ``"ratio"``, first relative to second) or difference (unit ``"mA"``, first minus
        second).  The limits are enough; the value may be missing.
    claim : Claim
        What is claimed for the first placement.
    margin : float, optional
        Largest difference that would not matter: a ratio above 1 (1.10: at most 10 % more current) or mA above 0.
        Required for non-inferiority and equivalence, refused for superiority.
    randomised : bool
        Whether the placements were allocated at random; decides between "effect" and "association".

    Raises
    ------
    UsageError
        When the margin is missing or on the wrong side, or the estimate is not a contrast of thresholds.
    """
    ratio = _is_ratio(estimate)
    _check_margin(claim, margin, ratio=ratio)
    one_sided = (1 - estimate.level) / 2
    names = _names(estimate)
    claimed = _claim_words(claim, margin, names, ratio=ratio)
    if estimate.lower is None or estimate.upper is None:
        why = estimate.reason.rstrip(".") or "the estimate has no interval"
        words = (
            f"Not shown: that {claimed}. There is no interval to read: {why}. That is not evidence for the opposite."
        )
        return Decision(claim, margin, False, one_sided, words)
    low, high = _region(claim, margin, ratio=ratio)
    shown = bool(low < estimate.lower and estimate.upper < high)
    unit = "" if ratio else " mA"
    interval = (
        f"The {100 * estimate.level:g} % interval of the {'ratio' if ratio else 'difference'} is "
        f"{_limit_words(estimate.lower)} to {_limit_words(estimate.upper)}{unit} "
        f"(one-sided level {100 * one_sided:g} %)."
    )
    verdict = f"{'Shown' if shown else 'Not shown'}: that {claimed}."
    reading = _reading_words(estimate.lower, estimate.upper, names, shown=shown, ratio=ratio)
    parts = (verdict, interval, reading, _kind_words(randomised=randomised))
    return Decision(claim, margin, shown, one_sided, " ".join(part for part in parts if part))


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
    ratio = _is_ratio(estimate)
    _check_question(at_least, degrees_of_freedom, prior_sd, ratio=ratio)
    one, two = _names(estimate)
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
