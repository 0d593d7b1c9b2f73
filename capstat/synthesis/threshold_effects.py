"""From what one arm reports to the logarithm of its median capture threshold.

Thresholds are taken as lognormal: they are above 0 and skewed to the right, and a ratio means the same at every
current.  Every conversion states what it rests on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import ndtri

from capstat.numerics.from_quantiles import (
    QuantileSummary,
    lognormal_from_moments,
    luo_mean,
    skewness_test,
    wan_sd,
    wan_sd_weights,
)
from capstat.numerics.from_quantiles_error import mean_standard_error, median_standard_error, sd_degrees
from capstat.results import NotEstimableError, UsageError
from capstat.synthesis.count_effects import check_poolable, definition_sentence
from capstat.synthesis.study_effect import StudyEffect

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capstat.numerics.from_quantiles import Pattern
    from capstat.synthesis.study_arm import StudyArm

__all__ = [
    "ThresholdSummary",
    "borrowed_log_sd",
    "threshold_effect",
]

LOGNORMAL: Final = "Thresholds are taken as lognormal."
LOPSIDED: Final = (
    "The logarithms of the printed quantiles are lopsided (test of skewness, Shi 2023, 5 % level): the lognormal law "
    "is in doubt."
)


@dataclass(frozen=True, slots=True)
class ThresholdSummary:
    """The median threshold of one arm, and the spread of its thresholds.

    Attributes
    ----------
    effect : StudyEffect
        Logarithm of the median threshold in mA.
    log_sd : float
        Standard deviation of the log thresholds.
    log_sd_degrees : float or None
        Degrees of freedom that it is worth (n - 1 for the SD of the logarithms themselves); ``None`` when assumed.
        A single arm's limits take the t quantile with these; the standard error takes the SD as known.
    """

    effect: StudyEffect
    log_sd: float
    log_sd_degrees: float | None


@dataclass(frozen=True, slots=True)
class _Converted:
    """Location and spread of the log thresholds, with the words for how they came about."""

    mu: float
    se: float
    log_sd: float
    degrees: float | None
    method: str
    assumptions: tuple[str, ...] = ()


BORROWED_WORDS = (
    "No spread was reported: the SD of the logarithms, {:.3f}, is assumed and taken as known; if the spreads of studies"
    " vary by a quarter, 95 % limits hold in 92 %."
)


def _currents(arm: StudyArm) -> dict[str, float]:
    named = {
        "mean": arm.mean_ma, "median": arm.median_ma, "lower quartile": arm.q1_ma, "upper quartile": arm.q3_ma,
        "lowest current": arm.minimum_ma, "highest current": arm.maximum_ma,
    }  # fmt: skip
    return {name: value for name, value in named.items() if value is not None}


def _check_currents(arm: StudyArm) -> None:
    """Refuse currents that are no thresholds of everybody in the statistic."""
    check_poolable(arm)
    currents = _currents(arm)
    if not arm.paced:
        raise NotEstimableError(f"{arm.arm}: a control that was not paced has no threshold.")
    if arm.mean_ma is None and arm.median_ma is None:
        raise NotEstimableError(f"{arm.arm}: no mean or median threshold was reported.")
    if arm.current_means == "applied":
        raise NotEstimableError(f"{arm.arm}: applied current is not a threshold.")
    if arm.current_means != "threshold":
        raise NotEstimableError(f"{arm.arm}: current_means does not say that its currents are thresholds.")
    if arm.non_capture == "imputed":
        statistic = "median" if arm.mean_ma is None else "mean"
        number = "a number" if arm.imputed_as_ma is None else f"{arm.imputed_as_ma:g} mA"
        raise NotEstimableError(
            f"{arm.arm}: the {statistic} has {number} in place of 'not captured'; see the reanalysis from summaries."
        )
    for name, value in currents.items():
        if value <= 0:
            raise NotEstimableError(f"{arm.arm}: its {name} is {value:g} mA, which has no logarithm.")
        if arm.max_output_ma is not None and value > arm.max_output_ma:
            raise NotEstimableError(
                f"{arm.arm}: its {name} of {value:g} mA is above the highest output, {arm.max_output_ma:g} mA."
            )


def _patients(arm: StudyArm) -> int:
    """Patients in the statistic: as reported, or as follows from how non-capture was handled."""
    n = arm.n_current
    if n is None and arm.counted == "patients":
        if arm.non_capture == "none":
            n = arm.n if arm.n is not None else arm.n_captured
        elif arm.non_capture == "left-out":
            n = arm.n_captured
    if n is None:
        raise NotEstimableError(f"{arm.arm}: how many patients the statistic is of was not reported (n_current).")
    if n < 2:
        raise NotEstimableError(f"{arm.arm}: the statistic is of {n}, and a spread needs at least 2 patients.")
    return n


def _spread_pattern(arm: StudyArm) -> Pattern | None:
    """Which pairs of quantiles can give a spread; the range is not known where thresholds are censored."""
    has_range = arm.minimum_ma is not None and arm.maximum_ma is not None and arm.non_capture != "censored"
    has_quartiles = arm.q1_ma is not None and arm.q3_ma is not None
    if has_range:
        return "five numbers" if has_quartiles else "range"
    return "quartiles" if has_quartiles else None


_PLACES: Final[dict[Pattern, list[int]]] = {"range": [0, 4], "quartiles": [1, 3], "five numbers": [0, 1, 3, 4]}


def _ends(arm: StudyArm, pattern: Pattern) -> list[float]:
    """Currents that give the spread, in mA, checked for order and for not being all alike."""
    five = (arm.minimum_ma, arm.q1_ma, None, arm.q3_ma, arm.maximum_ma)
    ends = [value for i, value in enumerate(five) if value is not None and i in _PLACES[pattern]]
    if ends != sorted(ends):
        raise UsageError("minimum, q1, q3 and maximum must not fall.")
    if ends[0] == ends[-1]:
        raise UsageError("its quantiles are all alike, so that there is no spread.")
    return ends


def _log(value: float | None) -> float | None:
    return None if value is None else float(np.log(value))


def _from_moments(mean: float, sd: float, n: int) -> _Converted:
    found = lognormal_from_moments(mean, sd, n)
    return _Converted(
        found.mu, found.se_mu, found.sigma, found.degrees,
        "lognormal median from mean and SD (Higgins 2008, method 1, from memory), standard error by the delta method",
    )  # fmt: skip


def _skewness(logs: QuantileSummary) -> tuple[str, ...]:
    try:
        found = skewness_test(logs)
    except NotEstimableError:
        return ("Skewness of the logarithms could not be tested.",)
    return (LOPSIDED,) if found.rejected else ()


def _from_quantiles(arm: StudyArm, median: float, pattern: Pattern, n: int) -> _Converted:
    """Luo's mean and Wan's SD of the logarithms: the quantiles of logarithms are the logarithms of quantiles."""
    _ends(arm, pattern)
    ends, quartiles = pattern != "quartiles", pattern != "range"
    logs = QuantileSummary(
        n=n,
        median=float(np.log(median)),
        minimum=_log(arm.minimum_ma) if ends else None,
        maximum=_log(arm.maximum_ma) if ends else None,
        q1=_log(arm.q1_ma) if quartiles else None,
        q3=_log(arm.q3_ma) if quartiles else None,
    )
    sd = wan_sd(logs)
    words = {"range": "range", "quartiles": "quartiles", "five numbers": "quartiles and range"}[pattern]
    return _Converted(
        luo_mean(logs), mean_standard_error(pattern, n, sd), sd, sd_degrees(pattern, n),
        f"mean (Luo 2018) and SD (Wan 2014) of the logarithms from median, {words}; standard error from normal order "
        "statistics",
        _skewness(logs),
    )  # fmt: skip


def _from_mean_and_spread(arm: StudyArm, mean: float, pattern: Pattern, n: int) -> _Converted:
    """SD of the logarithms from their range or quartiles, and the mean lowered to the lognormal median.

    The errors of the mean and of the spread are added as if independent; they go together (a high extreme raises both),
    which makes the standard error slightly too large.
    """
    ends = _ends(arm, pattern)
    if pattern != "quartiles" and not ends[0] <= mean <= ends[-1]:
        raise UsageError(f"its mean of {mean:g} mA lies outside its range.")
    logs = np.zeros(5)
    logs[_PLACES[pattern]] = np.log(ends)
    sd = float(wan_sd_weights(pattern, n) @ logs)
    degrees = sd_degrees(pattern, n)
    variance = float(np.expm1(sd**2)) / n + sd**4 / (2 * degrees)
    # an SD that is right on average has a square that is too large on average, by about 1/(2 degrees)
    square = sd**2 / (1 + 1 / (2 * degrees))
    return _Converted(
        float(np.log(mean)) - square / 2, float(np.sqrt(variance)), sd, degrees,
        "lognormal median from the mean, with the SD of the logarithms (Wan 2014) from their "
        f"{'quartiles and range' if pattern == 'five numbers' else pattern}; standard error by the delta method",
    )  # fmt: skip


def _with_assumed_spread(arm: StudyArm, log_sd: float, n: int) -> _Converted:
    if arm.median_ma is not None:
        mu, se, what = float(np.log(arm.median_ma)), median_standard_error(n, log_sd), "median"
    else:
        mu = float(np.log(arm.mean_ma or np.nan)) - log_sd**2 / 2
        se, what = float(np.sqrt(np.expm1(log_sd**2) / n)), "mean"
    return _Converted(
        mu, se, log_sd, None, f"{what} with an assumed SD of the logarithms",
        (BORROWED_WORDS.format(log_sd),),
    )  # fmt: skip


def _convert(arm: StudyArm, n: int, assumed: float | None) -> _Converted:
    pattern = _spread_pattern(arm)
    if arm.mean_ma is not None and arm.sd_ma is not None:
        return _from_moments(arm.mean_ma, arm.sd_ma, n)
    if arm.median_ma is not None and pattern is not None:
        return _from_quantiles(arm, arm.median_ma, pattern, n)
    if arm.mean_ma is not None and pattern is not None:
        return _from_mean_and_spread(arm, arm.mean_ma, pattern, n)
    if assumed is None:
        half = any(x is not None for x in (arm.minimum_ma, arm.q1_ma, arm.q3_ma, arm.maximum_ma))
        raise UsageError("no spread was reported" + (" that can be used." if half else "."))
    return _with_assumed_spread(arm, assumed, n)


def _those_left_out(arm: StudyArm, log_sd: float) -> tuple[str, ...]:
    """What the value says of all patients, when only those captured are in it."""
    if arm.non_capture == "none":
        return ()
    if arm.non_capture == "censored":
        return ("'Not captured' was analysed as above the highest current.",)
    first = "Only patients who were captured are in it"
    if arm.non_capture != "left-out":
        first = "How 'not captured' entered was not said; it is taken as of those captured only"
    if arm.n is None or arm.n_captured is None or arm.counted != "patients":
        return (f"{first}: too low for all patients, by how much is not known.",)
    others = arm.n - arm.n_captured
    if others <= 0:
        return ()
    if 2 * arm.n_captured <= arm.n:
        return (f"{first}: with {others} of {arm.n} not captured the median of all may lie above the highest current.",)
    rise = float(np.expm1(log_sd * ndtri(arm.n / (2 * arm.n_captured))))
    size = f"by about {100 * rise:.1f} % if the {others} of {arm.n} not captured need more current than they"
    return (f"{first}: too low for all patients, {size}.",)


def threshold_effect(arm: StudyArm, *, borrowed_log_sd: float | None = None) -> ThresholdSummary:
    """Logarithm of the median capture threshold of one arm, with its standard error and the spread of the logarithms.

    The first of these that was reported is used: mean and SD; median with quartiles, range or both (on the log scale);
    mean with quartiles or range; mean or median with an assumed spread.

    Parameters
    ----------
    arm : StudyArm
        The record.
    borrowed_log_sd : float, optional
        Standard deviation of log thresholds to be assumed where no spread was reported, see :func:`borrowed_log_sd`.

    Raises
    ------
    NotEstimableError
        When the record may not be pooled, has no threshold, offers applied current, holds a number in place of "not
        captured", does not say of how many patients it is, lies above the highest output, or has no spread and none is
        assumed; one sentence names the record.
    UsageError
        When the assumed spread is not above 0.
    """
    if borrowed_log_sd is not None and not (borrowed_log_sd > 0 and np.isfinite(borrowed_log_sd)):
        raise UsageError(f"borrowed_log_sd must be finite and above 0; it is {borrowed_log_sd:g}.")
    _check_currents(arm)
    n = _patients(arm)
    try:
        found = _convert(arm, n, borrowed_log_sd)
    except UsageError as problem:
        raise NotEstimableError(f"{arm.arm}: {problem}") from None
    effect = StudyEffect(
        arm=arm.arm,
        label=arm.short_citation,
        measure="threshold",
        n=n,
        method=found.method,
        value=found.mu,
        se=found.se,
        assumptions=(
            LOGNORMAL,
            *found.assumptions,
            *_those_left_out(arm, found.log_sd),
            definition_sentence(arm),
        ),
        inflation=found.se**2 * n / found.log_sd**2,
    )
    return ThresholdSummary(effect, found.log_sd, found.degrees)


def borrowed_log_sd(summaries: Iterable[ThresholdSummary]) -> float:
    """Pooled standard deviation of log thresholds of other arms, weighted by n - 1; assumed ones are left out.

    Raises
    ------
    NotEstimableError
        When no arm has a spread of its own.
    """
    own = [(found.effect.n - 1, found.log_sd) for found in summaries if found.log_sd_degrees is not None]
    if not own:
        raise NotEstimableError("No arm has a spread of its own that could be borrowed.")
    return float(np.sqrt(sum(weight * sd**2 for weight, sd in own) / sum(weight for weight, _ in own)))
