"""Two groups with their curves, and what all contrasts of the two share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.npmle import bounds_at
from capstat.results import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.distributions.bootstrap import BootstrapCurve
    from capstat.numerics.mover import Bounded

__all__ = ["GroupPair", "replicate_correlation"]

# below this many patients in a group limits from a bootstrap of each group are too narrow to be given
FEWEST_PATIENTS = 5
TOO_FEW = f"a group has fewer than {FEWEST_PATIENTS} patients, too few for limits"


def replicate_correlation(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """Correlation over joint replicates; 0 where one of them is constant."""
    if np.ptp(a) < 1e-12 or np.ptp(b) < 1e-12:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


@dataclass(frozen=True, slots=True, eq=False)
class GroupPair:
    """Curves of two groups from one bootstrap, their names, and the confidence level of their contrasts."""

    one: BootstrapCurve
    two: BootstrapCurve
    first: str
    minus: str
    level: float

    @property
    def n(self) -> int:
        return int(np.union1d(self.one.thresholds.patient, self.two.thresholds.patient).size)

    @property
    def few(self) -> bool:
        return min(self.one.thresholds.n_patients, self.two.thresholds.n_patients) < FEWEST_PATIENTS

    @property
    def shared(self) -> bool:
        return bool(np.intersect1d(self.one.thresholds.patient, self.two.thresholds.patient).size)

    def rho_of_shares(self, at_one: float, at_two: float) -> float:
        """Correlation of the two shares captured, each at a current of its own group (mA)."""
        if not self.shared:
            return 0.0
        one, _ = bounds_at(self.one.intervals, self.one.masses, np.array(at_one))
        two, _ = bounds_at(self.two.intervals, self.two.masses, np.array(at_two))
        return replicate_correlation(one, two)

    def estimate(
        self, quantity: str, value: float | None, found: Bounded, *, unit: str, scale: str, method: str, reason: str,
        notes: tuple[str, ...] = (), limits: bool = True,
    ) -> Estimate:  # fmt: skip
        given = limits and not self.few
        joined = "relative to" if unit == "ratio" else "minus"
        return Estimate(
            quantity, value, found.limit_low if given else None, found.limit_high if given else None, self.level, unit,
            scale, self.n, method, f"{self.first} {joined} {self.minus}",
            (*notes, TOO_FEW) if self.few else notes, "" if value is not None else reason,
            (found.low, found.high) if found.low < np.inf else None,
        )  # fmt: skip
