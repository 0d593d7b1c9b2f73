"""Capture currents over a range of errors of judgement: the answer if judgement were so good or so bad."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.capture.corrected_npmle import fit_misjudged
from capstat.capture.judgement_errors import JudgementErrors
from capstat.capture.judgement_table import tabulate_ramps
from capstat.results import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.capture.judged_ramps import JudgedRamps

__all__ = ["SurfacePoint", "sensitivity_surface"]

SENSITIVITIES = (1.0, 0.95, 0.9, 0.8)
SPECIFICITIES = (1.0, 0.99, 0.98, 0.96, 0.94, 0.9, 0.8)


@dataclass(frozen=True, slots=True)
class SurfacePoint:
    """Corrected capture currents under one pair of errors.

    Attributes
    ----------
    sensitivity, specificity : float
        Taken as known, the same at all currents.
    currents_ma : tuple of ((float, float) or None)
        Interval (lower, upper] in mA that holds the current for each fraction; ``None`` where it is not reached.
    log_likelihood : float or None
        Maximum under this pair, less the largest of all pairs; ``None`` when there is no estimate.
    reason : str
        Why there is none; empty when there is one.
    """

    sensitivity: float
    specificity: float
    currents_ma: tuple[tuple[float, float] | None, ...]
    log_likelihood: float | None
    reason: str


def sensitivity_surface(
    ramps: JudgedRamps,
    *,
    fractions: Sequence[float],
    sensitivities: Sequence[float] = SENSITIVITIES,
    specificities: Sequence[float] = SPECIFICITIES,
) -> tuple[SurfacePoint, ...]:
    """Correct the thresholds under every pair of sensitivity and specificity.

    Without a reference neither can be estimated, because many pairs explain the judgements about equally well; the
    likelihood only tells which pairs they speak against.  So the answer is shown under all of them.

    Parameters
    ----------
    ramps : JudgedRamps
        Ramps; the judgements alone are used, since a reference would contradict some of the pairs.
    fractions : sequence of float
        Capture currents wanted, as shares.
    sensitivities, specificities : sequence of float
        Values to go through, the specificity being the same at every current.

    Returns
    -------
    tuple of SurfacePoint
        Sensitivity by sensitivity.
    """
    table, n_patients = tabulate_ramps(ramps.without_reference()), ramps.n_patients
    found: list[tuple[float, float, tuple[tuple[float, float] | None, ...], float | None, str]] = []
    for sensitivity in sensitivities:
        for specificity in specificities:
            try:
                fit = fit_misjudged(table, JudgementErrors(sensitivity, specificity), n_patients)
            except UsageError as error:
                found.append((sensitivity, specificity, (None,) * len(fractions), None, str(error)))
                continue
            currents = tuple(fit.capture_current(fraction) for fraction in fractions)
            found.append((sensitivity, specificity, currents, fit.log_likelihood, ""))
    best = np.max([value for *_, value, _ in found if value is not None], initial=-np.inf)
    return tuple(
        SurfacePoint(se, sp, currents, None if value is None else float(value - best), reason)
        for se, sp, currents, value, reason in found
    )
