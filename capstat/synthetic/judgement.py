"""How the bedside judges capture in an invented study: true settings missed, untrue ones claimed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from capstat.protocol.policy import RampPolicy

__all__ = [
    "JUDGEMENT_TRUTH",
    "JudgementTruth",
    "false_claim_probability",
    "false_first_claims",
    "first_claims",
]

MIDDLE_MA = 60.0


@dataclass(frozen=True, slots=True)
class JudgementTruth:
    """Parameters of bedside judgement and of the references against which it is checked.

    Attributes
    ----------
    sensitivity : float
        Probability that the screen is read as captured at a setting that captures electrically.
    false_claim_60_ma : float
        Probability that a setting of 60 mA that does not capture is read as captured, before the training.
    log_odds_per_10_ma : float
        Rise of the log odds of a false claim for each 10 mA, because the artefact grows with the current.
    training_month : int
        First study month after the training.
    odds_ratio_after_training : float
        Odds of a false claim from that month on, relative to before.
    months : int
        Length of the study; each patient has a month from 1 to this one, all equally likely.
    second_reviewed : float
        Share of reviewed attempts that a second reviewer sees.
    second_reviewer_error : float
        Probability that the second reviewer errs at a setting; the first never does.
    sources : tuple of (str, str)
        Where each number comes from.
    """

    sensitivity: float
    false_claim_60_ma: float
    log_odds_per_10_ma: float
    training_month: int
    odds_ratio_after_training: float
    months: int
    second_reviewed: float
    second_reviewer_error: float
    sources: tuple[tuple[str, str], ...]


JUDGEMENT_TRUTH = JudgementTruth(
    sensitivity=0.97,
    false_claim_60_ma=0.02,
    log_odds_per_10_ma=0.20,
    training_month=13,
    odds_ratio_after_training=0.4,
    months=24,
    second_reviewed=0.6,
    second_reviewer_error=0.04,
    sources=(
        ("false_claim_60_ma, log_odds_per_10_ma", ("invented: about one first claim in five is false before the "
         "training; in the one published series 19 of 23 claimed captures were false "
         "(doi:10.1080/10903127.2024.2321287), so these crews judge far better than those")),
        ("sensitivity", "invented"),
        ("training_month, odds_ratio_after_training, months", "invented"),
        ("second_reviewed, second_reviewer_error", "invented"),
    ),
)  # fmt: skip


def false_claim_probability(
    truth: JudgementTruth, current_ma: NDArray[np.float64], study_month: NDArray[np.int_]
) -> NDArray[np.float64]:
    """Probability of reading capture from the screen where there is none.

    Parameters
    ----------
    truth : JudgementTruth
        Parameters.
    current_ma, study_month : ndarray, of shapes that broadcast
        Settings in mA, and the months in which they were tried.

    Returns
    -------
    ndarray
        One probability for each setting.
    """
    trained = study_month >= truth.training_month
    log_odds = special.logit(truth.false_claim_60_ma) + truth.log_odds_per_10_ma * (current_ma - MIDDLE_MA) / 10
    return np.asarray(special.expit(log_odds + np.log(truth.odds_ratio_after_training) * trained))


def first_claims(
    electrical_ma: NDArray[np.float64],
    policies: Sequence[RampPolicy],
    study_month: NDArray[np.int_],
    *,
    truth: JudgementTruth = JUDGEMENT_TRUTH,
    seed: int | np.random.Generator,
) -> NDArray[np.float64]:
    """Draw the setting of each ramp at which capture is first claimed.

    Every rising setting is judged by itself until the first claim; what comes after the claim is the business of
    `simulate_steps`.

    Parameters
    ----------
    electrical_ma : ndarray, shape (n,)
        True electrical thresholds in mA; infinite for a patient who cannot be captured.
    policies : sequence of RampPolicy
        One for each attempt.
    study_month : ndarray of int, shape (n,)
        Month of each attempt.
    truth : JudgementTruth
        Parameters.
    seed : int or numpy.random.Generator
        Seed of the draws, or a generator to go on with.

    Returns
    -------
    ndarray, shape (n,)
        First claimed setting in mA; infinite where the ramp reaches the device maximum without a claim.
    """
    rng = np.random.default_rng(seed)
    rising = [policy.rising_settings() for policy in policies]
    # missing settings of the shorter ramps are never claimed
    settings = np.full((len(rising), max(map(len, rising), default=0)), np.nan)
    for row, currents in zip(settings, rising, strict=True):
        row[: len(currents)] = currents
    captured = settings >= electrical_ma[:, None]
    untrue = false_claim_probability(truth, settings, study_month[:, None])
    claimed = rng.random(settings.shape) < np.where(captured, truth.sensitivity, untrue)
    return np.asarray(np.where(claimed, settings, np.inf).min(axis=1, initial=np.inf))


def false_first_claims(
    truth: JudgementTruth,
    attempts: pd.DataFrame,
    steps: pd.DataFrame,
    captured: NDArray[np.bool_],
) -> dict[str, Any]:
    """Count the first claims of capture that were false, before and after the training.

    Parameters
    ----------
    truth : JudgementTruth
        Parameters.
    attempts, steps : pandas.DataFrame
        Simulated tables with ``study_month`` and ``electrical_capture``.
    captured : ndarray of bool, shape (steps,)
        Whether each step truly captured electrically.

    Returns
    -------
    dict
        For each period ``first_claims``, ``false`` (attempts) and ``share_false``, None without claims.
    """
    claimed = steps.assign(false=~captured)[steps["electrical_capture"] == "yes"].drop_duplicates("attempt_id")
    months = claimed["attempt_id"].map(attempts.set_index("attempt_id")["study_month"])
    trained = (months >= truth.training_month).to_numpy(dtype=bool)
    false = claimed["false"].to_numpy(dtype=bool)
    counts = {}
    for period, members in (("before training", ~trained), ("after training", trained)):
        n, untrue = int(members.sum()), int(false[members].sum())
        counts[period] = {"first_claims": n, "false": untrue, "share_false": round(untrue / n, 4) if n else None}
    return counts
