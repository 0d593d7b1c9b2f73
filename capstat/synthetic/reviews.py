"""What later reviewers of the recorded strips say about capture in an invented study."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from capstat.synthetic.judgement import JudgementTruth

__all__ = ["add_reviews"]


def add_reviews(
    steps: pd.DataFrame,
    electrical: NDArray[np.bool_],
    reviewed: NDArray[np.bool_],
    truth: JudgementTruth,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Add what reviewers of the strips say: the first is never wrong, the second now and then.

    Parameters
    ----------
    steps : pandas.DataFrame
        Simulated steps, those of an attempt together.
    electrical : ndarray of bool, shape (steps,)
        True electrical capture.
    reviewed : ndarray of bool, shape (attempts,)
        Whether the strips of an attempt are reviewed, in the order in which attempts appear among the steps.
    truth : JudgementTruth
        Parameters.
    rng : numpy.random.Generator
        Generator of the draws.

    Returns
    -------
    pandas.DataFrame
        A copy with ``adjudicated_capture`` and ``second_review_capture``, blank where nobody reviewed.
    """
    row = steps["attempt_id"].factorize()[0]
    twice = reviewed & (rng.random(reviewed.size) < truth.second_reviewed)
    errs = rng.random(len(steps)) < truth.second_reviewer_error
    return steps.assign(
        adjudicated_capture=_answers(reviewed[row], electrical),
        second_review_capture=_answers(twice[row], electrical ^ errs),
    )


def _answers(reviewed: NDArray[np.bool_], captured: NDArray[np.bool_]) -> NDArray[np.str_]:
    return np.where(reviewed, np.where(captured, "yes", "no"), "")
