"""Reading an interval against a margin: superiority, non-inferiority and equivalence."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

import numpy as np

from capstat.placement.contrast_words import contrast_is_ratio, contrasted_names
from capstat.results import UsageError

if TYPE_CHECKING:
    from capstat.results import Estimate

__all__ = ["Claim", "Decision", "decide"]


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
    ratio = contrast_is_ratio(estimate)
    _check_margin(claim, margin, ratio=ratio)
    one_sided = (1 - estimate.level) / 2
    names = contrasted_names(estimate)
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
