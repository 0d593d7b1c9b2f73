"""The published crossover of pad placements, reanalysed from its summary so that it can stand beside other studies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.synthesis.recorded_crossover import CROSSOVER_ARM, recorded_crossover
from capstat.synthesis.study_effect import StudyEffect

if TYPE_CHECKING:
    from capstat.synthesis.recorded_crossover import RecordedCrossover
    from capstat.synthesis.study_arm import EvidenceTable

__all__ = ["Reanalysis", "reanalyse"]


@dataclass(frozen=True, slots=True, eq=False)
class Reanalysis:
    """The published crossover from its summary.

    Attributes
    ----------
    crossover : RecordedCrossover
        What its summary implies for thresholds.
    effect : StudyEffect
        Its ratio, for pooling.
    """

    crossover: RecordedCrossover
    effect: StudyEffect


def reanalyse(table: EvidenceTable, *, level: float) -> Reanalysis | None:
    """The recorded reanalysis where the shipped records hold that study; ``None`` otherwise.

    Raises
    ------
    UsageError
        When the level is beyond the recorded quantiles.
    """
    arm = next((arm for arm in table if arm.arm == CROSSOVER_ARM and arm.provenance == "verified"), None)
    if arm is None:
        return None
    found = recorded_crossover(level)
    ratio = found.ratio
    if ratio.value is None or ratio.lower is None or ratio.upper is None:
        return None
    effect = StudyEffect(
        arm=arm.arm, other=arm.compared_with, label=arm.short_citation, measure="ratio",
        value=float(np.log(ratio.value)),
        # from the limits: the posterior is skewed, and its standard deviation hangs on a few draws far out
        se=float(np.log(ratio.upper / ratio.lower) / (2 * stats.norm.ppf(0.5 + level / 2))), n=ratio.n, told=ratio,
        method=f"reanalysis from the published summary: {ratio.method}", assumptions=ratio.notes,
    )  # fmt: skip
    return Reanalysis(found, effect)
