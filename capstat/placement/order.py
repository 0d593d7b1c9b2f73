"""Which attempt of a patient came first: one rule for every comparison."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["first_attempt_of_each_patient", "first_attempt_with_each_placement"]


def _in_order(thresholds: CensoredThresholds) -> NDArray[np.intp]:
    """Positions of the attempts by recorded order; attempts without one come last, ties as listed."""
    order = np.zeros(len(thresholds))
    if "attempt_order" in thresholds.covariates:
        order = np.nan_to_num(thresholds.covariates["attempt_order"].to_numpy(dtype=float), nan=np.inf)
    return np.argsort(order, kind="stable")


def first_attempt_of_each_patient(thresholds: CensoredThresholds) -> CensoredThresholds:
    """Keep each patient's first attempt.

    Thresholds derived from a study know which attempt was first among all, usable or not
    (``covariates["first_attempt"]``): a patient whose first attempt cannot be used is left out, because the next one
    was tried for a reason.  Otherwise the first by recorded order, else as listed.
    """
    if "first_attempt" in thresholds.covariates:
        return thresholds.subset(thresholds.covariates["first_attempt"].to_numpy(dtype=bool))
    ranked = pd.Series(thresholds.patient).iloc[_in_order(thresholds)]
    keep = np.zeros(len(thresholds), dtype=bool)
    keep[ranked.drop_duplicates().index] = True
    return thresholds.subset(keep)


def first_attempt_with_each_placement(thresholds: CensoredThresholds) -> CensoredThresholds:
    """Keep the first attempt of every patient with every placement."""
    frame = pd.DataFrame({"patient": thresholds.patient, "placement": thresholds.placement})
    keep = np.zeros(len(thresholds), dtype=bool)
    keep[frame.iloc[_in_order(thresholds)].drop_duplicates().index] = True
    return thresholds.subset(keep)
