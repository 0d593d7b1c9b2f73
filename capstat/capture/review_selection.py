"""Were ramps reviewed because of what was read after the claim?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.thresholds import step_judgements

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts import Study
    from capstat.capture.judged_ramps import JudgedRamps
    from capstat.thresholds import CaptureDefinition

__all__ = ["review_by_contradiction"]

SMALL_P = 0.05


def _contradicted(study: Study, claim: CaptureDefinition, ramps: JudgedRamps) -> NDArray[np.bool_]:
    """Ramps in which a setting at or above the claimed one was judged not to capture."""
    lowest = np.full(len(study.attempts), np.inf)
    of_claim = ramps.attempt_row[ramps.ramp[ramps.claimed]]
    np.minimum.at(lowest, of_claim, ramps.current_ma[ramps.claimed])
    row = study.steps["attempt_row"].to_numpy(dtype=np.intp)
    refused = step_judgements(study.steps, claim, len(study.attempts)) == 0
    against = refused & (study.steps["current_ma"].to_numpy(dtype=float) >= lowest[row])
    found = np.zeros(len(study.attempts), dtype=bool)
    found[row[against]] = True
    return np.asarray(found[ramps.attempt_row])


def review_by_contradiction(study: Study, claim: CaptureDefinition, ramps: JudgedRamps) -> str:
    """Say whether claims that were contradicted later were reviewed more, or less, often than others.

    The errors of judgement are estimated as if which settings the reference judged hung on nothing that came after the
    claim.  Fisher's exact test of contradicted by reviewed ramps; a difference speaks against that, no difference does
    not prove it.

    Returns
    -------
    str
        One sentence; empty where the two kinds of ramps were reviewed alike (p of 0.05 or more).
    """
    claimed = np.zeros(len(ramps), dtype=bool)
    claimed[ramps.ramp[ramps.claimed]] = True
    reviewed = np.zeros(len(ramps), dtype=bool)
    reviewed[ramps.ramp[ramps.truth >= 0]] = True
    contradicted = _contradicted(study, claim, ramps)
    kinds = (contradicted, ~contradicted)
    table = np.array([[int((claimed & kind & which).sum()) for which in (reviewed, ~reviewed)] for kind in kinds])
    if table.sum(axis=1).min() == 0 or float(stats.fisher_exact(table).pvalue) >= SMALL_P:
        return ""
    contradicted_share, other_share = 100 * table[:, 0] / table.sum(axis=1)
    return (
        f"Claims that a later reading contradicted were reviewed in {contradicted_share:.0f} % of ramps, others in "
        f"{other_share:.0f} %: review hung on what came after the claim, so that the errors, and all that is corrected "
        "by them, may be off."
    )
