"""How often capture was lost with one placement against another: ratio of rates, errors by patient."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import stats

from capstat.numerics.recurrent_ratio import hazard_ratio
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.kept_course import KeptCourse

__all__ = ["loss_rate_ratio"]

METHODS: Final = {
    "total": "Andersen-Gill model, time since first capture (Andersen & Gill 1982, from memory)",
    "gap": "proportional hazards in gap time, since each capture (Prentice, Williams & Peterson 1981, from memory)",
}
ERRORS: Final = (
    "; Efron ties; sandwich errors by patient, residuals corrected by leverage (Mancl & DeRouen 2001, from memory), t "
    "limits with the effective number of patients less 1"
)


def loss_rate_ratio(
    course: KeptCourse, first: NDArray[np.bool_], minus: NDArray[np.bool_], direction: str, clock: str, level: float
) -> Estimate:
    """Ratio of the rates of loss while captured, between two groups of patients.

    Parameters
    ----------
    course : KeptCourse
        Captured patients, ``n`` of them.
    first, minus : ndarray of bool, shape (n,)
        The groups; the ratio is first over minus.
    direction : str
        Who is compared with whom, in words.
    clock : {"total", "gap"}
        Whether time counts from the patient's first capture or anew from each capture.
    level : float
        Confidence level.
    """
    quantity = f"ratio of rates of loss of capture, time since {'first' if clock == 'total' else 'each'} capture"
    method = METHODS[clock] + ERRORS
    inside = (first | minus)[course.person]
    person, lost = course.person[inside], course.lost[inside]
    start, stop = course.start_min[inside], course.stop_min[inside]
    group = first[person]
    n = int((first | minus).sum())
    if not (lost[group].any() and lost[~group].any()):
        without = [name for name, has in (("first", lost[group].any()), ("second", lost[~group].any())) if not has]
        why = f"no loss of capture was seen in the {' and the '.join(without)} group"
        return Estimate(quantity, None, None, None, level, "ratio", "log", n, method, direction, reason=why)
    if clock == "gap":
        start, stop = np.zeros_like(start), stop - start
    try:
        found = hazard_ratio(start, stop, lost, group, person)
    except NotEstimableError as error:
        return Estimate(quantity, None, None, None, level, "ratio", "log", n, method, direction, reason=str(error))
    coefficient, se = found.log_ratio, found.small_sample_se
    df = max(found.effective_clusters - 1, 1.0)
    if se <= 0:
        why = "the losses leave no variation between patients to make limits from"
        return Estimate(quantity, None, None, None, level, "ratio", "log", n, method, direction, reason=why)
    reach = float(stats.t.ppf(0.5 + level / 2, df)) * se
    p_value = float(2 * stats.t.sf(abs(coefficient) / se, df))
    notes = ("describes the groups; who was paced how was not decided by chance unless the study was randomised",)
    return Estimate(
        quantity, float(np.exp(coefficient)), float(np.exp(coefficient - reach)), float(np.exp(coefficient + reach)),
        level, "ratio", "log", n, method, direction, notes=notes, p_value=p_value,
    )  # fmt: skip
