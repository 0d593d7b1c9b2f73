"""What a ramp policy does to patients with given thresholds: time to capture, pulses, final current, chance of none.

Nothing is simulated: a policy can take finitely many courses, each with its times and currents, and what follows is a
sum over them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.proportions import wilson
from capstat.protocol.courses import courses_of
from capstat.protocol.expectation import ROUNDING, Bounds, Expectation, estimate_of
from capstat.results import Curve, Estimate, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture import JudgementErrors
    from capstat.protocol.courses import Courses
    from capstat.protocol.policy import RampPolicy
    from capstat.protocol.threshold_law import ThresholdLaw

__all__ = ["MeanConsequences", "PolicyConsequences", "mean_consequences", "policy_consequences"]

WITHIN_S = (30.0, 60.0, 120.0)
NOT_REACHED = "not reached: fewer are captured at all"


@dataclass(frozen=True, slots=True, eq=False)
class MeanConsequences:
    """What policies are compared by, for the estimate and every draw.

    Attributes
    ----------
    not_captured : Bounds
        Share of patients whom the current that is left on, if any, does not capture.
    without_output_s : Bounds
        Mean time up to the end of the search in which pulses did not capture, in s.
    pulses_before_capture : Bounds
        Mean pulses before the first that captures; all of the search where none does.
    pulses_above_discomfort : Bounds
        Mean pulses of the search at currents above the level of discomfort.
    final_ma : Bounds
        Mean current that is left on, 0 where the search gave up, in mA.
    """

    not_captured: Bounds
    without_output_s: Bounds
    pulses_before_capture: Bounds
    pulses_above_discomfort: Bounds
    final_ma: Bounds


@dataclass(frozen=True, slots=True, eq=False)
class PolicyConsequences:
    """What a policy does to patients whose thresholds follow a law.

    Attributes
    ----------
    policy : RampPolicy
        The policy.
    group : str
        Whose thresholds.
    discomfort_ma : float
        Currents above this level are counted as uncomfortable.
    means : MeanConsequences
        What policies are compared by, with draws.
    not_captured, gave_up, missed : Estimate
        Share not captured at the end; share in whom the search gave up; share in whom it did although one captured.
    stopped_at_false_capture, left_at_false_capture : Estimate
        Share in whom the search stopped at a setting that does not capture; share in whom the margin did not mend it.
    captured_within : tuple of Estimate
        Share with capture at some setting within 30, 60 and 120 s of the first pulse.
    time_to_capture : tuple of Estimate
        Time to capture of half and of nine in ten of all patients, in s.
    search_s, without_output_s : Estimate
        Mean duration of the search, and of the part in which pulses did not capture, in s.
    pulses_before_capture, pulses_above_discomfort, any_above_discomfort : Estimate
        Mean pulses before capture; mean pulses above the level of discomfort; share with any.
    final_ma : tuple of Estimate
        Final current that half, and nine in ten, of those in whom the search ended with capture do not exceed, in mA.
    final_above_discomfort : Estimate
        Share who are left on a current above the level of discomfort.
    excess_ma, excess_percent : Estimate
        Mean of the final current less the threshold, of those captured at the end, in mA; the same as a share of their
        mean threshold.
    curve : Curve
        Share with capture by time (s) from the first pulse.
    """

    policy: RampPolicy
    group: str
    discomfort_ma: float
    means: MeanConsequences
    not_captured: Estimate
    gave_up: Estimate
    missed: Estimate
    stopped_at_false_capture: Estimate
    left_at_false_capture: Estimate
    captured_within: tuple[Estimate, ...]
    time_to_capture: tuple[Estimate, ...]
    search_s: Estimate
    without_output_s: Estimate
    pulses_before_capture: Estimate
    pulses_above_discomfort: Estimate
    any_above_discomfort: Estimate
    final_ma: tuple[Estimate, ...]
    final_above_discomfort: Estimate
    excess_ma: Estimate
    excess_percent: Estimate
    curve: Curve

    @property
    def estimates(self) -> tuple[Estimate, ...]:
        """All of them, in the order of a table."""
        return (
            self.not_captured, self.gave_up, self.missed, self.stopped_at_false_capture, self.left_at_false_capture,
            *self.captured_within, *self.time_to_capture, self.search_s, self.without_output_s,
            self.pulses_before_capture, self.pulses_above_discomfort, self.any_above_discomfort, *self.final_ma,
            self.final_above_discomfort, self.excess_ma, self.excess_percent,
        )  # fmt: skip


def checked_discomfort(discomfort_ma: float) -> float:
    """Refuse a level that is no current."""
    if not 0 <= discomfort_ma < np.inf:
        raise UsageError(f"The level of discomfort is a current of at least 0 mA, not {discomfort_ma:g}.")
    return discomfort_ma


def _pulses_above(courses: Courses, policy: RampPolicy, discomfort_ma: float) -> NDArray[np.float64]:
    return np.asarray(courses.exposure_s[:, courses.edges_ma > discomfort_ma].sum(axis=1) * policy.rate_ppm / 60)


def means_of(found: Expectation, policy: RampPolicy, discomfort_ma: float) -> MeanConsequences:
    """Means of a law applied to courses."""
    courses, per_second = found.courses, policy.rate_ppm / 60
    return MeanConsequences(
        not_captured=found.mean(~courses.captured),
        without_output_s=found.mean(courses.without_output_s),
        pulses_before_capture=found.mean(courses.paced_before_s * per_second),
        pulses_above_discomfort=found.mean(_pulses_above(courses, policy, discomfort_ma)),
        final_ma=found.mean(np.nan_to_num(courses.final_ma)),
    )


def mean_consequences(
    policy: RampPolicy, law: ThresholdLaw, *, discomfort_ma: float, errors: JudgementErrors | None = None
) -> MeanConsequences:
    """Work out the means by which policies are compared; see :func:`policy_consequences`.

    What is done at the maximum is not part of it.
    """
    courses = courses_of(policy, errors)
    return means_of(Expectation(courses, law.pieces(courses.edges_ma)), policy, checked_discomfort(discomfort_ma))


def policy_consequences(
    policy: RampPolicy,
    law: ThresholdLaw,
    *,
    discomfort_ma: float,
    errors: JudgementErrors | None = None,
    level: float = 0.95,
) -> PolicyConsequences:
    """Work out what a policy does to patients whose thresholds follow a law.

    The first pulse is time 0.  A setting that captures does so from its first pulse on.  What is done when the maximum
    does not capture is not part of it (:func:`capstat.protocol.moved_pads.consequences_with_move`).

    Parameters
    ----------
    policy : RampPolicy
        The policy.
    law : ThresholdLaw
        Distribution of thresholds, with draws of its uncertainty.
    discomfort_ma : float
        Currents above this level (mA) are counted as uncomfortable.
    errors : JudgementErrors, optional
        How often a judgement of one setting is wrong; never when omitted.
    level : float
        Confidence level of the limits, which are percentiles of the draws.

    Raises
    ------
    UsageError
        When the level of discomfort is no current, or judgements would be no better than chance at some setting.

    Notes
    -----
    Limits are percentiles of the draws; those of the share not captured are at least as wide as Wilson's limits of a
    counted share: percentiles alone held the truth in 52 to 78 % of simulated studies (DEVELOPERS.md).
    Pulses are the time multiplied by the rate: settings are not changed in step with pulses.  Where the law is known on
    intervals only, results are bounds over every place that mass can have inside them.
    """
    courses = courses_of(policy, errors)
    found = Expectation(courses, law.pieces(courses.edges_ma))
    return consequences_of(
        found, policy, law.label, law.n_patients, law.method, checked_discomfort(discomfort_ma), level,
        excess=_excess(found, law),
    )  # fmt: skip


def _excess(found: Expectation, law: ThresholdLaw) -> tuple[Bounds, Bounds] | str:
    """Mean excess of the final current over the threshold of those captured at the end (mA, as a share), or why not."""
    courses = found.courses
    within = law.mean_within(courses.edges_ma)
    if within is None:
        return "the threshold inside a step is not known without a model"
    kept = courses.captured
    share = found.mean(kept).lower
    if not share[0] > ROUNDING:
        return "nobody is captured"
    # a draw under which nobody is captured says nothing of those captured
    said = share > ROUNDING
    # in a cell every course has the same mean threshold; weights are the courses that end with capture
    weight = np.bincount(courses.cell, courses.probability * kept, minlength=courses.n_cells)[:-1]
    final = found.mean(np.where(kept, np.nan_to_num(courses.final_ma), 0.0)).lower[said] / share[said]
    threshold = (within[said] @ weight) / share[said]
    return Bounds(final - threshold, final - threshold), Bounds(final / threshold - 1, final / threshold - 1)


def consequences_of(
    found: Expectation, policy: RampPolicy, group: str, n: int, method: str, discomfort_ma: float, level: float,
    *, excess: tuple[Bounds, Bounds] | str,
) -> PolicyConsequences:  # fmt: skip
    """Results of a law applied to courses."""
    courses, means = found.courses, means_of(found, policy, discomfort_ma)
    tell = partial(estimate_of, level=level, n=n, method=f"{method}; finite sum over the courses of the policy")
    share = partial(tell, unit="proportion")
    gave_up, false = np.isnan(courses.accepted_ma), courses.stopped_at_false_capture
    above = _pulses_above(courses, policy, discomfort_ma)
    ends_with_claim = found.mean(~gave_up)
    # those without a final current come last, so that a quantile of the others is one of all
    final = np.where(gave_up, np.inf, courses.final_ma)

    def final_quantile(of_those: float) -> Bounds:
        parts = [
            _quantile_of_some(found, final, of_those * bound)
            for bound in (ends_with_claim.lower, ends_with_claim.upper)
        ]
        return Bounds(np.minimum(parts[0].lower, parts[1].lower), np.maximum(parts[0].upper, parts[1].upper))

    limit = f"above {discomfort_ma:g} mA"
    excess_words = (
        ("mean of the final current less the threshold", "mA"),
        ("mean excess of the final current, as a share of the mean threshold", "proportion"),
    )
    excess_ma, excess_percent = (
        tell(excess[k], *excess_words[k])
        if not isinstance(excess, str)
        else Estimate(
            excess_words[k][0], None, None, None, level, excess_words[k][1], "identity", n, method, reason=excess
        )
        for k in (0, 1)
    )
    return PolicyConsequences(
        policy=policy,
        group=group,
        discomfort_ma=discomfort_ma,
        means=means,
        not_captured=_at_least_wilson(share(means.not_captured, "share not captured at the end")),
        gave_up=_at_least_wilson(share(found.mean(gave_up), "share in whom the search gave up")),
        missed=share(
            found.mean(gave_up & np.isfinite(courses.first_capture_s)),
            "share in whom the search gave up although a setting captured",
        ),
        stopped_at_false_capture=share(found.mean(false), "share in whom the search stopped at a false capture"),
        left_at_false_capture=share(
            found.mean(false & ~courses.captured), "share left at a false capture after the margin was added"
        ),
        captured_within=tuple(
            share(found.mean(courses.first_capture_s <= seconds + ROUNDING), f"share captured within {seconds:g} s")
            for seconds in WITHIN_S
        ),
        time_to_capture=tuple(
            tell(
                found.quantile(courses.first_capture_s, of_all),
                f"time to capture of {100 * of_all:g} % of patients", "s", missing=NOT_REACHED,
            )
            for of_all in (0.5, 0.9)
        ),
        search_s=tell(found.mean(courses.end_s), "mean duration of the search", "s"),
        without_output_s=tell(means.without_output_s, "mean time without output", "s"),
        pulses_before_capture=tell(means.pulses_before_capture, "mean pulses before capture", "pulses"),
        pulses_above_discomfort=tell(
            means.pulses_above_discomfort, f"mean pulses {limit} during the search", "pulses"
        ),
        any_above_discomfort=share(found.mean(above > 0), f"share with pulses {limit} during the search"),
        final_ma=tuple(
            tell(
                final_quantile(of_those), f"final current that {100 * of_those:g} % do not exceed", "mA",
                missing="nobody is left on a current",
            )
            for of_those in (0.5, 0.9)
        ),
        final_above_discomfort=share(
            found.mean(np.nan_to_num(courses.final_ma) > discomfort_ma), f"share left on a current {limit}"
        ),
        excess_ma=excess_ma,
        excess_percent=excess_percent,
        curve=_time_curve(found, policy, level, method),
    )  # fmt: skip


def _at_least_wilson(share: Estimate) -> Estimate:
    """Widen limits to those of a counted share: so few patients say no more, whatever the shape of a model says."""
    if share.value is None or share.lower is None or share.upper is None or not share.n:
        return share
    low, high = wilson(share.value * share.n, share.n, share.level)
    return replace(
        share, lower=min(share.lower, float(low)), upper=max(share.upper, float(high)),
        method=f"{share.method}; at least as wide as Wilson's limits of a counted share",
    )  # fmt: skip


def _quantile_of_some(found: Expectation, value: NDArray[np.float64], share: NDArray[np.float64]) -> Bounds:
    """Quantile at a share that differs between draws."""
    distinct, low, high = found.distribution(value)
    at = [np.minimum((p < share[:, None] - ROUNDING).sum(axis=1), distinct.size - 1) for p in (high, low)]
    # of nobody there is no quantile
    return Bounds(*(np.where(share > ROUNDING, distinct[position], np.inf) for position in at))


def _time_curve(found: Expectation, policy: RampPolicy, level: float, method: str) -> Curve:
    times, low, high = found.distribution(found.courses.first_capture_s)
    finite = np.isfinite(times)
    times, low, high = times[finite], low[:, finite], high[:, finite]
    tails = (0.5 - level / 2, 0.5 + level / 2)
    drawn = low.shape[0] > 1
    return Curve(
        f"share with capture by time, {policy.name}", times, low[0], high[0],
        np.quantile(low[1:], tails[0], axis=0) if drawn else low[0],
        np.quantile(high[1:], tails[1], axis=0) if drawn else high[0],
        level, method,
    )  # fmt: skip
