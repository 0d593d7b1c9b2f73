"""From ramps to thresholds: what one pacing attempt says about one threshold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.attempts import attempt_covariates
from capstat.thresholds.censored import CensoredThresholds, Derivation, Ending
from capstat.thresholds.definition import AS_RECORDED_CAPTURE, CaptureDefinition, NonMonotoneRule

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts import Study

__all__ = ["derive_thresholds", "first_attempts", "step_judgements"]

COVARIATE_COLUMNS = (
    "attempt_order", "study_month", "setting", "assignment", "max_output_ma", "step_ma", "pulse_width_ms", "rate_ppm",
    "pacing_mode", "rhythm", "arrest", "conscious", "sedation",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Bounds:
    """Bounds per attempt of the study; NaN where there are none."""

    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    non_monotone: NDArray[np.bool_]


def step_judgements(steps: pd.DataFrame, capture: CaptureDefinition, n_attempts: int) -> NDArray[np.int8]:
    """Return 1 (captured), 0 (did not) or -1 (not assessed) for each step.

    "No electrical capture" settles mechanical capture only in an attempt in which mechanical capture was looked at,
    or which never captured electrically.  In an attempt that did capture and was never looked at, the last
    electrical failure would censor the threshold just below where it lies.
    """
    if capture.step_column is None:
        return np.full(len(steps), -1, dtype=np.int8)
    judged = np.asarray(steps[capture.step_column].astype("Int8").fillna(-1), dtype=np.int8)
    if not capture.implied_by_electrical_loss or not (judged >= 0).any():
        return judged
    electrical = steps["electrical_capture"].astype("Int8").fillna(-1).to_numpy(dtype=np.int8)
    row = steps["attempt_row"].to_numpy()
    looked_at, captured = np.zeros(n_attempts, dtype=bool), np.zeros(n_attempts, dtype=bool)
    looked_at[row[judged >= 0]] = True
    captured[row[electrical == 1]] = True
    settled = (judged < 0) & (electrical == 0) & (looked_at | ~captured)[row]
    return np.asarray(np.where(settled, np.int8(0), judged), dtype=np.int8)


def _from_steps(study: Study, capture: CaptureDefinition, rule: NonMonotoneRule) -> _Bounds:
    n = len(study.attempts)
    judged = step_judgements(study.steps, capture, n)
    current = study.steps["current_ma"].to_numpy(dtype=float)
    known = (judged >= 0) & np.isfinite(current)
    row = study.steps["attempt_row"].to_numpy()[known]
    current, captured = current[known], judged[known] == 1

    highest_failure = np.full(n, -np.inf)
    np.maximum.at(highest_failure, row[~captured], current[~captured])
    contradicted = captured & (current <= highest_failure[row])
    non_monotone = np.zeros(n, dtype=bool)
    non_monotone[row[contradicted]] = True

    if rule is NonMonotoneRule.FIRST:
        position = np.arange(row.size)
        first = np.full(n, row.size, dtype=np.intp)
        np.minimum.at(first, row[captured], position[captured])
        upper = np.full(n, np.inf)
        has_capture = first < row.size
        upper[has_capture] = current[first[has_capture]]
        counts = ~captured & (position < first[row]) & (current < upper[row])
        lower = np.full(n, -np.inf)
        np.maximum.at(lower, row[counts], current[counts])
    else:
        sustained = captured & ~contradicted
        upper = np.full(n, np.inf)
        np.minimum.at(upper, row[sustained], current[sustained])
        lower = highest_failure

    assessed = np.zeros(n, dtype=bool)
    assessed[row] = True
    lower = np.where(assessed, np.maximum(lower, 0.0), np.nan)
    return _Bounds(lower, np.where(assessed, upper, np.nan), non_monotone)


def _from_summary(study: Study, capture: CaptureDefinition) -> _Bounds:
    attempts = study.attempts
    lower = attempts["highest_no_capture_ma"].to_numpy(dtype=float)
    upper = attempts["lowest_capture_ma"].to_numpy(dtype=float)
    criterion = attempts["capture_criterion"].astype(object).fillna("").astype(str)
    usable = criterion.isin(capture.criteria).to_numpy() & ~(np.isnan(lower) & np.isnan(upper))
    lower = np.where(usable, np.nan_to_num(lower, nan=0.0), np.nan)
    upper = np.where(usable, np.where(np.isnan(upper), np.inf, upper), np.nan)
    return _Bounds(lower, upper, np.zeros(len(attempts), dtype=bool))


def _ending(upper: float, lower: float, maximum: float) -> Ending:
    if np.isfinite(upper):
        return Ending.CAPTURED
    if np.isnan(maximum):
        return Ending.UNKNOWN
    return Ending.MAXIMUM_REACHED if lower >= maximum else Ending.STOPPED_EARLY


def first_attempts(attempts: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether an attempt is its patient's first among all, usable or not; by recorded order, else as listed."""
    order = np.nan_to_num(attempts["attempt_order"].to_numpy(dtype=float), nan=np.inf)
    ranked = attempts["patient_id"].iloc[np.argsort(order, kind="stable")]
    first = np.zeros(len(attempts), dtype=bool)
    first[ranked.drop_duplicates().index] = True
    return first


def derive_thresholds(
    study: Study,
    *,
    capture: CaptureDefinition,
    rule: NonMonotoneRule = NonMonotoneRule.SUSTAINED,
) -> CensoredThresholds:
    """Read the capture threshold of every attempt as an interval (lower, upper] in mA.

    Where an attempt has steps at which this kind of capture was assessed, they are used, upward steps and
    step-downs after capture alike (a step-down narrows the interval).  The two summary columns are used when they
    refer to the same kind of capture: alone, or to narrow what the steps say; where the two contradict each other,
    the steps win.

    Parameters
    ----------
    study : Study
        Checked records.
    capture : CaptureDefinition
        What counts as capture; it changes the answer, so there is no default.
    rule : NonMonotoneRule
        How to read a ramp with capture below a current that did not capture.

    Returns
    -------
    CensoredThresholds
        The usable attempts, with the attempt's other fields and the patient's as ``covariates`` (plus
        ``attempt_row``, the position in ``study.attempts``, and ``first_attempt``).  Attempts that cannot be used
        are counted in ``derivation``, never guessed.
    """
    summary = _from_summary(study, capture)
    if len(study.steps) and capture is not AS_RECORDED_CAPTURE:
        steps = _from_steps(study, capture, rule)
    else:
        empty = np.full(len(study.attempts), np.nan)
        steps = _Bounds(empty, empty, np.zeros(len(study.attempts), dtype=bool))
    has_steps, has_summary = ~np.isnan(steps.lower), ~np.isnan(summary.lower)
    # a sparse steps table and the summary columns may each know one side better
    low, high = np.fmax(steps.lower, summary.lower), np.fmin(steps.upper, summary.upper)
    disagreeing = has_steps & has_summary & (low >= high)
    lower = np.where(disagreeing, steps.lower, low)
    upper = np.where(disagreeing, steps.upper, high)
    usable = has_steps | has_summary
    rows = np.flatnonzero(usable)
    attempts = study.attempts
    covariates = pd.concat([attempts[list(COVARIATE_COLUMNS)], attempt_covariates(study)], axis=1)
    covariates.insert(0, "attempt_row", np.arange(len(attempts)))
    covariates.insert(1, "first_attempt", first_attempts(attempts))
    maximum = attempts["max_output_ma"].to_numpy(dtype=float)
    return CensoredThresholds.from_bounds(
        lower[rows],
        upper[rows],
        attempts["patient_id"].to_numpy()[rows],
        attempts["placement"].astype(object).fillna("unknown").astype(str).to_numpy()[rows],
        ending=[_ending(upper[i], lower[i], maximum[i]) for i in rows],
        covariates=covariates.iloc[rows],
        capture=capture.name,
        derivation=Derivation(
            rule=rule.value,
            from_steps=int(has_steps.sum()),
            from_summary=int((has_summary & ~has_steps).sum()),
            non_monotone_rows=tuple(int(row) for row in study.attempt_source_rows[steps.non_monotone & usable]),
            not_assessed=int((~usable).sum()),
            disagreeing=int(disagreeing.sum()),
        ),
    )
