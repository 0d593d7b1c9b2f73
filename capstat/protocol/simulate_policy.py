"""Policies carried out on simulated patients: the check of the finite sums, written without them.

A chunk of patients is paced setting by setting, everybody with a threshold of their own; nothing of the list of courses
is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.families import GAMMA, GENERALISED_GAMMA, LOGLOGISTIC, LOGNORMAL, WEIBULL
from capstat.protocol.policy_parts import SAME_MA, Direction
from capstat.results import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from capstat.capture import JudgementErrors
    from capstat.protocol.policy import RampPolicy
    from capstat.protocol.threshold_law import ModelLaw

__all__ = ["SimulatedConsequences", "draw_thresholds", "simulate_policy"]

# patients at once: what is known of them stays in the processor's cache
CHUNK = 1 << 15
N_QUANTITIES = 9


@dataclass(frozen=True, slots=True)
class SimulatedConsequences:
    """Means over simulated patients; each pair holds a mean and its Monte Carlo standard error.

    Attributes
    ----------
    n, seed : int
        Patients and seed.
    not_captured, gave_up, stopped_at_false_capture : tuple of float
        Shares, as in :class:`capstat.protocol.consequences.PolicyConsequences`.
    search_s, without_output_s : tuple of float
        Seconds.
    pulses_before_capture, pulses_above_discomfort : tuple of float
        Pulses.
    final_ma : tuple of float
        Current that is left on, 0 where the search gave up, in mA.
    excess_ma : tuple of float
        Final current less the threshold where it captures, 0 elsewhere, in mA.
    """

    n: int
    seed: int
    not_captured: tuple[float, float]
    gave_up: tuple[float, float]
    stopped_at_false_capture: tuple[float, float]
    search_s: tuple[float, float]
    without_output_s: tuple[float, float]
    pulses_before_capture: tuple[float, float]
    pulses_above_discomfort: tuple[float, float]
    final_ma: tuple[float, float]
    excess_ma: tuple[float, float]


def draw_thresholds(law: ModelLaw, n: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw thresholds (mA) from the estimate of a law; infinite for those whom no current captures.

    The generators are numpy's: standard normal, logistic, Gumbel and gamma variates.
    """
    scale, family = float(np.exp(law.ancillary[0, 0])), law.family
    if family is LOGNORMAL:
        residual = scale * rng.standard_normal(n)
    elif family is LOGLOGISTIC:
        residual = rng.logistic(0.0, scale, n)
    elif family is WEIBULL:
        residual = scale * np.log(rng.standard_exponential(n))
    elif family in (GAMMA, GENERALISED_GAMMA):
        shape = scale if family is GAMMA else float(law.ancillary[0, 1])
        residual = scale * (
            rng.standard_normal(n) if shape == 0 else np.log(rng.standard_gamma(shape**-2, n) * shape**2) / shape
        )
    else:
        raise UsageError(f"There is no generator for the family {family.name}.")
    threshold = np.exp(law.location[0] + residual)
    share = float(law.capturable[0])
    if share < 1:
        threshold[rng.random(n) >= share] = np.inf
    return np.asarray(threshold)


class _Crew:
    """Patients of a chunk, paced together, and the account of what was done to each."""

    __slots__ = ("_errors", "_limit", "_rng", "above", "first", "last", "missed", "threshold", "tried")

    def __init__(
        self, threshold: NDArray[np.float64], limit: float, errors: JudgementErrors | None, rng: np.random.Generator
    ) -> None:
        self.threshold, self._limit, self._errors, self._rng = threshold, limit, errors, rng
        n = threshold.size
        self.tried, self.missed, self.above = (np.zeros(n, dtype=np.int32) for _ in range(3))
        self.first = np.full(n, -1, dtype=np.int32)
        self.last = np.zeros(n)

    def pace(self, who: NDArray[np.intp], setting: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Pace some of them, each at a setting of their own, for one dwell; return how it was judged."""
        captures = self.threshold[who] <= setting
        new = captures & (self.first[who] < 0)
        self.first[who[new]] = self.tried[who[new]]
        self.tried[who] += 1
        self.last[who] = setting
        self.missed[who[~captures]] += 1
        self.above[who[setting > self._limit]] += 1
        if self._errors is None:
            return np.asarray(captures)
        claim = np.where(captures, self._errors.sensitivity, self._errors.false_claim_probability(setting))
        return np.asarray(self._rng.random(who.size) < claim)


def _up(crew: _Crew, who: NDArray[np.intp], settings: tuple[float, ...], found: NDArray[np.float64]) -> None:
    """Raise the current of these patients through the settings; who captures keeps the setting in ``found``."""
    for setting in settings:
        if not who.size:
            return
        yes = crew.pace(who, np.full(who.size, setting))
        found[who[yes]] = setting
        who = who[~yes]


def _down_and_up(
    crew: _Crew, who: NDArray[np.intp], found: NDArray[np.float64], failed: NDArray[np.float64],
    step: Callable[[NDArray[np.float64]], NDArray[np.float64]], maximum: float,
) -> None:  # fmt: skip
    """Lower the current of these patients until they lose capture, then raise it until they have it again."""
    down = who
    lost = []
    while down.size:
        lower = found[down] - step(found[down])
        possible = lower > failed[down] + SAME_MA
        down, lower = down[possible], lower[possible]
        yes = crew.pace(down, lower)
        found[down[yes]] = lower[yes]
        lost.append(down[~yes])
        down = down[yes]
    up = np.concatenate(lost) if lost else down
    while up.size:
        yes = crew.pace(up, found[up])
        up = up[~yes]
        at_top = found[up] >= maximum - SAME_MA
        found[up[at_top]] = np.nan
        up = up[~at_top]
        found[up] = np.minimum(found[up] + step(found[up]), maximum)


def _bisect(crew: _Crew, everybody: NDArray[np.intp], settings: tuple[float, ...], found: NDArray[np.float64]) -> None:
    grid = np.array(settings)
    low, high = np.full(everybody.size, -1), np.full(everybody.size, grid.size)
    who = everybody
    while who.size:
        middle = (low[who] + high[who]) // 2
        yes = crew.pace(who, grid[middle])
        high[who[yes]], low[who[~yes]] = middle[yes], middle[~yes]
        who = who[high[who] - low[who] > 1]
    has = high < grid.size
    found[has] = grid[high[has]]


def _search(policy: RampPolicy, crew: _Crew) -> NDArray[np.float64]:
    """Carry out the search on everybody; settings that were found to capture, NaN for nobody."""
    n = crew.threshold.size
    everybody, found = np.arange(n), np.full(n, np.nan)
    if policy.direction is Direction.BISECTING:
        _bisect(crew, everybody, policy.rising_settings(), found)
        return found
    if policy.direction is Direction.RISING:
        settings = policy.rising_settings()
        _up(crew, everybody, settings, found)
        if policy.step_down_ma is not None:
            down, who = policy.step_down_ma, np.flatnonzero(~np.isnan(found))
            below = np.array([0.0, *settings])
            failed = np.zeros(n)
            failed[who] = below[np.searchsorted(below, found[who] - SAME_MA) - 1]
            _down_and_up(crew, who, found, failed, lambda x: np.full_like(x, down), policy.maximum_ma)
        return found
    yes = crew.pace(everybody, np.full(n, policy.start_ma))
    found[yes] = policy.start_ma
    _up(crew, np.flatnonzero(~yes), policy.rising_settings()[1:], found)
    step = np.vectorize(policy.step_at, otypes=[float])
    _down_and_up(crew, np.flatnonzero(yes), found, np.zeros(n), step, policy.maximum_ma)
    return found


def _outcomes(
    policy: RampPolicy, threshold: NDArray[np.float64], limit: float, errors: JudgementErrors | None,
    rng: np.random.Generator,
) -> Iterator[NDArray[np.float64]]:  # fmt: skip
    """Each quantity of :class:`SimulatedConsequences`, by patient."""
    crew = _Crew(threshold, limit, errors, rng)
    found = _search(policy, crew)
    claimed = ~np.isnan(found)
    left_on = np.where(claimed, found, 0.0)
    for setting in np.unique(left_on[claimed]):
        left_on[claimed & (found == setting)] = policy.with_margin(float(setting))
    captured = left_on >= threshold
    dwell, per_second = policy.seconds_per_step, policy.rate_ppm / 60
    # a search may end elsewhere than at what it found
    hold = np.where(claimed, np.maximum(policy.hold_s - np.where(crew.last == found, dwell, 0.0), 0.0), 0.0)
    yield (~captured).astype(float)
    yield (~claimed).astype(float)
    yield (claimed & (found < threshold)).astype(float)
    yield np.asarray(dwell * crew.tried + hold, dtype=float)
    yield np.asarray(dwell * crew.missed + np.where(claimed & (found < threshold), hold, 0.0), dtype=float)
    yield np.asarray(np.where(crew.first >= 0, dwell * crew.first, dwell * crew.tried + hold) * per_second, dtype=float)
    yield np.asarray((dwell * crew.above + np.where(claimed & (found > limit), hold, 0.0)) * per_second, dtype=float)
    yield left_on
    yield np.where(captured, left_on - np.where(captured, threshold, 0.0), 0.0)


def simulate_policy(
    policy: RampPolicy,
    law: ModelLaw,
    *,
    discomfort_ma: float,
    errors: JudgementErrors | None = None,
    n: int,
    seed: int,
) -> SimulatedConsequences:
    """Carry out a policy on ``n`` simulated patients with thresholds from the estimate of a law.

    Parameters
    ----------
    policy, law, discomfort_ma, errors
        As in :func:`capstat.protocol.consequences.policy_consequences`.
    n, seed : int
        Patients, and the seed of the generator.

    Raises
    ------
    UsageError
        With fewer than 2 patients.
    """
    if n < 2:
        raise UsageError(f"A simulation needs at least 2 patients, not {n}.")
    rng = np.random.default_rng(seed)
    plain = errors is None and policy.direction is Direction.RISING and policy.step_down_ma is None
    sums, squares = (_counted if plain else _carried_out)(policy, law, discomfort_ma, errors, n, rng)
    mean = sums / n
    error = np.sqrt(np.maximum(squares / n - mean**2, 0.0) / (n - 1))
    pairs = [(float(m), float(e)) for m, e in zip(mean, error, strict=True)]
    return SimulatedConsequences(n, seed, *pairs)


def _carried_out(
    policy: RampPolicy, law: ModelLaw, limit: float, errors: JudgementErrors | None, n: int, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sums and sums of squares of each quantity."""
    sums, squares = np.zeros(N_QUANTITIES), np.zeros(N_QUANTITIES)
    for begin in range(0, n, CHUNK):
        threshold = draw_thresholds(law, min(CHUNK, n - begin), rng)
        for k, values in enumerate(_outcomes(policy, threshold, limit, errors, rng)):
            sums[k] += values.sum()
            squares[k] += values @ values
    return sums, squares


def _counted(
    policy: RampPolicy, law: ModelLaw, limit: float, _: JudgementErrors | None, n: int, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The same for a plain rising ramp: patients are counted by the setting that captures first.

    Who captures at the same setting differs in the excess only, which needs the sum of thresholds and of their squares.
    """
    settings = np.array(policy.rising_settings())
    k = settings.size
    count, total, total_squared = np.zeros(k + 1), np.zeros(k + 1), np.zeros(k + 1)
    for begin in range(0, n, CHUNK):
        threshold = draw_thresholds(law, min(CHUNK, n - begin), rng)
        at = np.searchsorted(settings, threshold)
        threshold[at == k] = 0.0
        count += np.bincount(at, minlength=k + 1)
        total += np.bincount(at, threshold, minlength=k + 1)
        total_squared += np.bincount(at, threshold * threshold, minlength=k + 1)
    representative = np.append(settings, np.inf)
    values = np.array(list(_outcomes(policy, representative, limit, None, rng)))
    sums, squares = values @ count, values**2 @ count
    left_on = values[-2]
    sums[-1] = left_on[:-1] @ count[:-1] - total[:-1].sum()
    squares[-1] = left_on[:-1] ** 2 @ count[:-1] - 2 * left_on[:-1] @ total[:-1] + total_squared[:-1].sum()
    return sums, squares
