"""What two published shortcuts would have said, shown beside the estimates that need no imputation.

Neither is an estimate to be used.  Both take the first current that captured as the threshold.  They differ in what
they do with attempts that never captured: one records "maximum + 1 mA", the other leaves them out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from capstat.results import Estimate
from capstat.thresholds import Ending

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["ShortcutEstimates", "ShortcutSummary", "highest_output", "shortcut_estimates"]

FIRST_CAPTURE = (
    "the first current that captured is taken as the threshold, which lies below it, by up to one step or, where the "
    "first setting captured, by an unknown amount: too high"
)
RECORDED = (
    "non-capture is recorded as maximum + 1 mA although the threshold may be anywhere above the highest current tested "
    "or not exist: too low for these, and the result depends on the device"
)
DROPPED = "attempts without capture, those with the highest thresholds, are left out, which pulls it down"
SPREAD_RECORDED = "all attempts without capture get nearly the same value, so the true spread among them is lost"
SPREAD_DROPPED = "the upper tail is cut off, so the spread is too small"
MEDIAN_RECORDED = "the median is that of the settings, on the device's steps"


@dataclass(frozen=True, slots=True)
class ShortcutSummary:
    """What one shortcut says.

    Attributes
    ----------
    mean : Estimate
        Mean in mA with the plain t interval.
    standard_deviation, median : Estimate
        In mA, without limits.
    nine_in_ten : Estimate
        Current for nine in ten patients as a reader works it out from mean and standard deviation: mean + 1.28 SD.
    affected : Estimate
        Share of all attempts whose value was made up or that were left out.
    """

    mean: Estimate
    standard_deviation: Estimate
    median: Estimate
    nine_in_ten: Estimate
    affected: Estimate


@dataclass(frozen=True, slots=True)
class ShortcutEstimates:
    """The two shortcuts.

    Attributes
    ----------
    maximum_plus_one : ShortcutSummary
        Non-capture recorded as maximum + 1 mA.
    dropped : ShortcutSummary
        Attempts without capture left out.
    """

    maximum_plus_one: ShortcutSummary
    dropped: ShortcutSummary


def highest_output(thresholds: CensoredThresholds) -> NDArray[np.float64]:
    """Highest output of each attempt's device (mA) where recorded, else the highest current it was tested at."""
    if "max_output_ma" not in thresholds.covariates:
        return thresholds.lower_ma
    recorded = thresholds.covariates["max_output_ma"].to_numpy(dtype=float, na_value=np.nan)
    return np.where(np.isnan(recorded), thresholds.lower_ma, recorded)


def _summary(
    value: NDArray[np.float64],
    n_patients: int,
    affected: Estimate,
    level: float,
    practice: str,
    notes: tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]],
) -> ShortcutSummary:
    n = value.size
    few = "no attempt captured" if n == 0 else "one value has no spread"

    def said(what: str, at: float | None, reach: float | None, why: tuple[str, ...], how: str) -> Estimate:
        lower, upper = (None, None) if at is None or reach is None else (at - reach, at + reach)
        return Estimate(
            f"{what} of thresholds, {practice}", at, lower, upper, level, "mA", "identity", n_patients, how,
            notes=why, reason=few if at is None else "",
        )  # fmt: skip

    mean = float(value.mean()) if n else None
    spread = float(value.std(ddof=1)) if n > 1 else None
    tail = None if mean is None or spread is None else mean + float(stats.norm.ppf(0.9)) * spread
    reach = None if spread is None else float(stats.t.ppf(0.5 + level / 2, n - 1)) * spread / n**0.5
    return ShortcutSummary(
        said("mean", mean, reach, notes[0], f"{practice}; t interval of the mean"),
        said("standard deviation", spread, None, notes[1], practice),
        said("median", float(np.median(value)) if n else None, None, notes[2], practice),
        said("current for 90 % from mean and SD", tail, None, notes[1], f"{practice}; mean + 1.28 SD"),
        affected,
    )


def shortcut_estimates(thresholds: CensoredThresholds, level: float = 0.95) -> ShortcutEstimates:
    """Mean, standard deviation and median of thresholds by two shortcuts found in publications.

    An attempt with capture has its first capturing current as its value.  One without has "maximum + 1 mA" under the
    first shortcut, where the maximum is ``covariates["max_output_ma"]`` or, where that is not recorded, the highest
    current tested in the attempt; it is left out under the second.

    An attempt that stopped below the maximum has no value that anybody would defend.  Whoever records "maximum + 1 mA"
    for non-capture does so for these too, so they are counted in like that here; a note says how many there are.

    Weights and the belonging of attempts to patients are ignored, as the shortcuts ignore them.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts.
    level : float
        Confidence level of the t intervals.
    """
    missed = np.isinf(thresholds.upper_ma)
    stopped = int(sum(thresholds.ending[i] is Ending.STOPPED_EARLY for i in np.flatnonzero(missed)))
    recorded = np.where(missed, highest_output(thresholds) + 1, thresholds.upper_ma)
    common = ("several attempts in a patient are taken as independent: the interval is too narrow",)
    common = (FIRST_CAPTURE, *(common if thresholds.clustered else ()))
    early = (f"{stopped} attempts stopped below the maximum and got its value all the same",) if stopped else ()
    captured_patients = int(pd.unique(thresholds.patient[~missed]).size)

    def share(what: str) -> Estimate:
        n = len(thresholds)
        at = float(missed.mean()) if n else None
        reason = "" if n else "there are no attempts"
        return Estimate(
            f"share of attempts {what}", at, None, None, level, "proportion", "identity", thresholds.n_patients,
            "observed share", reason=reason,
        )  # fmt: skip

    return ShortcutEstimates(
        _summary(
            recorded, thresholds.n_patients, share("recorded as maximum + 1 mA"), level,
            "non-capture recorded as maximum + 1 mA",
            ((*common, RECORDED, *early), (SPREAD_RECORDED, *early), (FIRST_CAPTURE, MEDIAN_RECORDED, *early)),
        ),
        _summary(
            thresholds.upper_ma[~missed], captured_patients, share("left out"), level,
            "attempts without capture left out",
            ((*common, DROPPED), (SPREAD_DROPPED,), (FIRST_CAPTURE, DROPPED)),
        ),
    )  # fmt: skip
