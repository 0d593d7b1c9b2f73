"""The published crossover of pad placements, reanalysed from its summary so that it can stand beside other studies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

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
    effect = StudyEffect(
        arm=arm.arm, other=arm.compared_with, label=arm.short_citation, measure="ratio", value=found.log_ratio,
        se=found.log_ratio_sd, n=found.ratio.n, method=f"reanalysis from the published summary: {found.ratio.method}",
        assumptions=found.ratio.notes,
    )  # fmt: skip
    return Reanalysis(found, effect)
