"""How the ratio of thresholds depends on what it is adjusted for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.covariate_model import fit_covariate_model
from capstat.distributions.covariates import PLACEMENT, Covariates
from capstat.distributions.families import LOGNORMAL
from capstat.placement.observational.confounders import complete_pair
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.thresholds import CensoredThresholds

__all__ = ["AdjustmentRow", "AdjustmentSets", "ratio_by_adjustment_set"]


@dataclass(frozen=True, slots=True)
class AdjustmentRow:
    """The ratio with one set of confounders.

    Attributes
    ----------
    label : str
        The set in words.
    adjusted_for : tuple of str
        The set.
    ratio : Estimate
        Ratio of thresholds, first relative to second placement.
    residual_sd : float or None
        Standard deviation of log threshold given placement and the set; ``None`` without an estimate.
    """

    label: str
    adjusted_for: tuple[str, ...]
    ratio: Estimate
    residual_sd: float | None


@dataclass(frozen=True, slots=True)
class AdjustmentSets:
    """The ratio with every set, all on the same attempts.

    Attributes
    ----------
    rows : tuple of AdjustmentRow
        Unadjusted first, then each confounder alone, all, and all but one; a set that occurs twice is shown once.
    n_complete, n_total : int
        Attempts with all confounders, on which every row rests, and all attempts with either placement.
    n_patients : int
        Patients with these attempts.
    """

    rows: tuple[AdjustmentRow, ...]
    n_complete: int
    n_total: int
    n_patients: int

    @property
    def fully_adjusted(self) -> AdjustmentRow:
        """The row with all confounders."""
        return max(self.rows, key=lambda row: len(row.adjusted_for))


def _sets(confounders: tuple[str, ...]) -> list[tuple[str, tuple[str, ...]]]:
    everything: list[tuple[str, tuple[str, ...]]] = [("unadjusted", ())]
    everything += [(f"{name} alone", (name,)) for name in confounders]
    everything.append(("all confounders", confounders))
    everything += [(f"all but {name}", tuple(c for c in confounders if c != name)) for name in confounders]
    shown: dict[tuple[str, ...], str] = {}
    for label, names in everything:
        shown.setdefault(names, label)
    return [(label, names) for names, label in shown.items()]


def _row(
    used: CensoredThresholds, direction: str, minus: str, label: str, names: tuple[str, ...], level: float
) -> AdjustmentRow:
    quantity = "ratio of capture thresholds"
    try:
        model = fit_covariate_model(
            used, Covariates((PLACEMENT, *names), reference=((PLACEMENT, minus),)), family=LOGNORMAL
        )
    except NotEstimableError as error:
        ratio = Estimate(
            quantity, None, None, None, level, "ratio", "log", used.n_patients,
            f"{LOGNORMAL.name} accelerated threshold model", direction, reason=str(error),
        )  # fmt: skip
        return AdjustmentRow(label, names, ratio, None)
    fit = model.regression
    ratio = fit.ratio(fit.names[1], level=level, quantity=quantity, direction=direction)
    return AdjustmentRow(label, names, ratio, float(np.exp(fit.log_sigma)))


def ratio_by_adjustment_set(
    thresholds: CensoredThresholds, first: str, minus: str, confounders: Sequence[str], *, level: float = 0.95
) -> AdjustmentSets:
    """Ratio of thresholds unadjusted, adjusted for each confounder alone, for all, and for all but one.

    All rows use the attempts that have all confounders, so that they differ by adjustment only.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts; other placements are ignored.
    first, minus : str
        The ratio is ``first / minus``.
    confounders : sequence of str
        Covariates settled before the pads are placed.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        When a confounder does not exist or is settled only with or after the placement.
    NotEstimableError
        When no attempt with one of the placements has all confounders.
    """
    pair = complete_pair(thresholds, first, minus, confounders)
    used, direction = pair.thresholds, f"{first} relative to {minus}"
    rows = tuple(_row(used, direction, minus, label, names, level) for label, names in _sets(pair.confounders))
    return AdjustmentSets(rows, len(used), pair.n_total, used.n_patients)
