"""What the margin of a policy is worth: the chance that capture is lost after it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from capstat.protocol.courses import courses_of
from capstat.protocol.expectation import Bounds, estimate_of
from capstat.protocol.policy_parts import NO_MARGIN
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.protocol.loss import MaximumRise
    from capstat.protocol.policy import RampPolicy
    from capstat.protocol.policy_parts import Margin
    from capstat.protocol.threshold_law import ContinuousLaw
    from capstat.results import Estimate

__all__ = ["MarginUnderPolicy", "loss_after_policy", "margin_needed_after_policy", "margins_after_policy"]

# ends of the parts into which each step is divided, as shares of it: finer towards its upper end, where small rises
# already lose capture
PARTS = 1 - np.linspace(1, 0, 33) ** 3
# margins tried, in percent of the current found
LARGEST_PERCENT, PERCENT_STEP = 100.0, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class MarginUnderPolicy:
    """One margin after the search of a policy.

    Attributes
    ----------
    margin : Margin
        What is added.
    mean_final_ma : Estimate
        Mean current that is left on, of those captured, in mA.
    loss : tuple of Estimate
        Chance that capture is lost at some time within each of the times asked for, of those captured.
    """

    margin: Margin
    mean_final_ma: Estimate
    loss: tuple[Estimate, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Captured:
    """Parts of the steps with a threshold that the search finds: current found, threshold, probability of each draw.

    ``said`` marks the draws that are kept.
    """

    found_ma: NDArray[np.float64]
    threshold_ma: NDArray[np.float64]
    share: NDArray[np.float64]
    said: NDArray[np.bool_]

    def mean(self, chance: NDArray[np.float64]) -> NDArray[np.float64]:
        """Mean chance: draws of drift and of thresholds side by side, a single row standing for all."""
        if min(chance.shape[0], self.said.size) == 1:
            return np.asarray((chance * self.share).sum(axis=1))
        kept = min(chance.shape[0], self.said.size)
        said = self.said[:kept]
        return np.asarray((chance[:kept][said] * self.share[: said.sum()]).sum(axis=1))

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know of the draws."""
        return () if self.said.all() else ("draws under which nobody is captured are left out",)


def _captured(policy: RampPolicy, law: ContinuousLaw) -> _Captured:
    """Divide every step; judgements are never wrong here, so that a cell has one course."""
    courses = courses_of(replace(policy, margin=NO_MARGIN, at_maximum=None))
    kept = courses.captured
    low = np.concatenate(([0.0], courses.edges_ma))[courses.cell[kept]]
    high = courses.threshold_ma[kept]
    # the first cell is open below: half of its end is far below any threshold
    low = np.where(low == 0, high / 2, low)
    ends = low[:, None] + (high - low)[:, None] * PARTS
    share = law.share_captured(ends.ravel()).reshape(law.draws + 1, *ends.shape)
    mass = np.diff(share, axis=2)
    # what lies below half of the first setting belongs to its lowest part
    first = np.flatnonzero(courses.cell[kept] == 0)
    mass[:, first, 0] += share[:, first, 0]
    total = mass.sum(axis=(1, 2))
    if not total[0] > 0:
        raise NotEstimableError(f"The policy '{policy.name}' captures nobody, so there is nothing to lose.")
    middle = np.sqrt(ends[:, 1:] * ends[:, :-1])
    found = np.broadcast_to(courses.accepted_ma[kept][:, None], middle.shape)
    # a draw under which nobody is captured says nothing of those captured
    said = total > 0
    share = mass.reshape(law.draws + 1, -1)[said] / total[said, None]
    return _Captured(found.ravel(), middle.ravel(), share, said)


def loss_after_policy(
    policy: RampPolicy, law: ContinuousLaw, rise: MaximumRise, *, minutes: Sequence[float], level: float = 0.95
) -> tuple[Estimate, ...]:
    """Chance that capture is lost after a policy, among those it captures; see :func:`margins_after_policy`."""
    return margins_after_policy(policy, law, rise, (policy.margin,), minutes=minutes, level=level)[0].loss


def margins_after_policy(
    policy: RampPolicy,
    law: ContinuousLaw,
    rise: MaximumRise,
    margins: Sequence[Margin],
    *,
    minutes: Sequence[float],
    level: float = 0.95,
) -> tuple[MarginUnderPolicy, ...]:
    """Chance that capture is lost with each of several margins after the search of a policy.

    A search finds a current up to a step above the threshold, and a margin is rounded to what the device can be set to;
    both count.  Draws of the thresholds and of the drift vary together, independently; the
    smaller number of draws counts.

    Parameters
    ----------
    policy : RampPolicy
        Its own margin is replaced; judgements are taken to be right, and the pads are not moved.
    law : ModelLaw or SelectedLaw
        Thresholds at the time of capture.
    rise : MaximumRise
        How far a threshold rises within some time.
    margins : sequence of Margin
        What is added.
    minutes : sequence of float
        Times from capture.
    level : float
        Confidence level; limits are percentiles of the draws.

    Raises
    ------
    NotEstimableError
        When the policy captures nobody.
    """
    captured = _captured(policy, law)
    n = min(law.n_patients, rise.law.n) if rise.law.n else law.n_patients
    method = f"{law.method}; {rise.law.source}"
    rows = []
    for margin in margins:
        with_it = replace(policy, margin=margin)
        final = np.array([with_it.with_margin(float(current)) for current in captured.found_ma])
        log_margin = np.log(final / captured.threshold_ma)
        loss = []
        for time in minutes:
            chance = captured.mean(rise.exceeds(log_margin, time))
            loss.append(
                estimate_of(
                    Bounds(chance, chance),
                    f"chance that capture is lost within {time:g} minutes with {margin.words}",
                    "proportion",
                    level=level,
                    n=n,
                    method=method,
                    notes=(*rise.law.notes, *captured.notes),
                )
            )
        mean = captured.share @ final
        words = f"mean current left on with {margin.words}"
        rows.append(
            MarginUnderPolicy(
                margin, estimate_of(Bounds(mean, mean), words, "mA", level=level, n=n, method=law.method), tuple(loss)
            )
        )
    return tuple(rows)


def margin_needed_after_policy(
    policy: RampPolicy,
    law: ContinuousLaw,
    rise: MaximumRise,
    *,
    minutes: float = 30.0,
    at_most: float = 0.05,
    level: float = 0.95,
) -> Estimate:
    """Smallest margin, in percent of the current found, with which at most a share of those captured lose it again.

    Not rounded to what a device can be set to, and not cut at the maximum of the policy.

    Parameters
    ----------
    policy, law, rise, level
        As in :func:`margins_after_policy`.
    minutes : float
        Time from capture.
    at_most : float
        Largest chance of loss.

    Raises
    ------
    NotEstimableError
        As in :func:`margins_after_policy`.
    UsageError
        When the chance is none.
    """
    if not 0 < at_most < 1:
        raise UsageError(f"The largest chance of loss (at_most) lies between 0 and 1, not at {at_most:g}.")
    captured = _captured(policy, law)
    room = np.log(captured.found_ma / captured.threshold_ma)
    needed = np.full(captured.mean(rise.exceeds(room, minutes)).size, np.inf)
    percents = np.arange(0.0, LARGEST_PERCENT + PERCENT_STEP / 2, PERCENT_STEP)
    before = np.full(needed.size, np.nan)
    for k, percent in enumerate(percents):
        chance = captured.mean(rise.exceeds(room + np.log1p(percent / 100), minutes))
        newly = np.isinf(needed) & (chance <= at_most)
        # between two margins that were tried the chance falls nearly on a line
        part = np.zeros(needed.size)
        if k:
            with np.errstate(divide="ignore", invalid="ignore"):
                part = (before - at_most) / (before - chance)
        needed = np.where(newly, percents[k - 1] + part * PERCENT_STEP if k else 0.0, needed)
        if np.isfinite(needed).all():
            break
        before = chance
    n = min(law.n_patients, rise.law.n) if rise.law.n else law.n_patients
    return estimate_of(
        Bounds(needed, needed),
        f"margin above the current found for at most {100 * at_most:g} % loss within {minutes:g} minutes", "%",
        level=level, n=n, method=f"{law.method}; {rise.law.source}", missing=f"more than {LARGEST_PERCENT:g} %",
        notes=(*rise.law.notes, *captured.notes),
    )  # fmt: skip
