"""More current, or other pads: the question at a current without capture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.protocol.reposition import RepositionCurve, assumed_range, reposition_or_go_on
from capstat.protocol.reposition_times import RampTiming
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from capstat.analysis.ramp_laws import PairLaws
    from capstat.analysis.ramp_question import RampQuestion
    from capstat.analysis.study_analysis import AnalysisOptions
    from capstat.protocol import RampPolicy

__all__ = ["RepositionAnalysis", "analyse_reposition"]

# currents without capture that are looked at, up to the last mA below the highest
LOWEST_MA, APART_MA = 20.0, 5.0


@dataclass(frozen=True, slots=True, eq=False)
class RepositionAnalysis:
    """Going on against moving the pads, from either placement.

    Attributes
    ----------
    curves : tuple of tuple of RepositionCurve
        For each present placement one curve where the correlation was estimated, else one for each assumed correlation.
    reason : str
        Why there is none; empty otherwise.
    """

    curves: tuple[tuple[RepositionCurve, ...], ...]
    reason: str


def analyse_reposition(
    pairs: PairLaws, policy: RampPolicy, options: AnalysisOptions, question: RampQuestion
) -> RepositionAnalysis:
    """Compare going on with moving the pads, with the steps and times of one policy."""
    if pairs.reason:
        return RepositionAnalysis((), pairs.reason)
    highest = policy.maximum_ma
    step, begin = policy.step_at(policy.start_ma), min(policy.start_ma, highest)
    timing = RampTiming(step, policy.seconds_per_step, question.move_s, begin)
    currents = np.union1d(np.arange(LOWEST_MA, highest, APART_MA), highest - np.arange(1.0, APART_MA))
    currents = currents[(currents >= LOWEST_MA) & (currents < highest)]
    if not currents.size:
        return RepositionAnalysis((), f"the first policy ends at {highest:g} mA, so that there is nothing to go on to")
    found: list[tuple[RepositionCurve, ...]] = []
    reasons: list[str] = []
    for here in (options.first, options.minus):
        try:
            if pairs.estimated is not None:
                found.append(
                    (
                        reposition_or_go_on(
                            pairs.estimated, here, currents, highest, highest, options.level, timing=timing
                        ),
                    )
                )
            elif pairs.marginals is not None:
                found.append(
                    assumed_range(
                        *pairs.marginals, here, currents, highest, highest, options.level, timing=timing,
                        source="two different groups of patients",
                    )
                )  # fmt: skip
        except NotEstimableError as error:
            reasons.append(str(error))
    return RepositionAnalysis(tuple(found), "" if found else " ".join(reasons))
