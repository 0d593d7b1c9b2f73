"""Thresholds of one group, reconstructed from a printed mean and SD in which no capture was entered as a number."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from capstat.results import NotEstimableError
from capstat.synthesis.reconstructed import ASSUMED, NeverCaptured, ReconstructedArm, posterior_estimate, reading_notes
from capstat.synthesis.reconstruction_convergence import worst_convergence
from capstat.synthesis.reconstruction_setting import FOR_ONE_GROUP, draw_arm

if TYPE_CHECKING:
    from capstat.synthesis.reconstruction_setting import Effort
    from capstat.synthesis.reported import ReportedArm

__all__ = ["never_captured_variants", "reconstruct_arm"]


def reconstruct_arm(
    reported: ReportedArm, *, seed: int, level: float = 0.95, effort: Effort = FOR_ONE_GROUP
) -> ReconstructedArm:  # fmt: skip
    """Median threshold and spread behind a printed mean and SD.

    Thresholds are taken to be lognormal; a ramp records the first setting at or above them, or the imputed number above
    the maximum.  The posterior is that of the law (prior flat in the log median, 1 / sigma^2) given only that the
    recorded currents give the printed numbers after rounding; patients left out of the mean enter as above the maximum.
    Where the number captured was not reported, every number that the mean allows is reached.

    Parameters
    ----------
    reported : ReportedArm
        What was printed.
    seed : int
        Seed of the Markov chains.
    level : float
        Of the limits.
    effort : Effort
        How long to sample.

    Raises
    ------
    NotEstimableError
        When fewer than 2 patients were captured, or no recorded currents give the printed numbers.
    """
    if reported.n_captured is not None and reported.n_captured < 2:
        raise NotEstimableError(
            f"{reported.n_captured} patients captured: the spread has no estimate from fewer than 2."
        )
    drawn = draw_arm(reported, 0, effort, seed)
    mean, sd = drawn.mean[:, 0], np.sqrt(drawn.covariance[:, 0, 0])
    judged = worst_convergence(mean, np.log(sd))
    notes = reading_notes("lognormal", judged)
    captured = special.ndtr((np.log(reported.maximum_ma) - mean) / sd)
    n = reported.n
    return ReconstructedArm(
        posterior_estimate("median capture threshold", np.exp(mean), level=level, unit="mA", n=n, notes=notes),
        posterior_estimate("geometric SD", np.exp(sd), level=level, unit="ratio", n=n, notes=notes),
        posterior_estimate(
            f"share captured at {reported.maximum_ma:g} mA", captured, level=level, unit="proportion", n=n,
            scale="identity", notes=notes[1:],
        ),
        float(mean.mean()), float(mean.std()), reported, reported.possible_imputed, judged,
    )  # fmt: skip


def never_captured_variants(
    reported: ReportedArm,
    *,
    seed: int,
    shares: tuple[float, ...] = (0.0, 0.05, 0.1),
    level: float = 0.95,
    effort: Effort = FOR_ONE_GROUP,
) -> tuple[NeverCaptured, ...]:
    """Median of the patients who can be captured, if assumed shares of all can never be.

    Raises
    ------
    NotEstimableError
        When the number captured was not reported; see also :func:`reconstruct_arm`.
    """
    if reported.n_captured is None:
        raise NotEstimableError("Without the number captured a share never captured cannot be taken off.")
    not_captured = reported.n - reported.n_captured
    found = []
    for share in shares:
        n_never = min(round(share * reported.n), not_captured)
        mean = draw_arm(reported, n_never, effort, seed).mean[:, 0]
        notes = (ASSUMED.format("lognormal"), f"{n_never} of {reported.n} assumed never captured at any current")
        median = posterior_estimate(
            "median capture threshold of those who can be captured", np.exp(mean), level=level, unit="mA",
            n=reported.n - n_never, notes=notes,
        )  # fmt: skip
        found.append(NeverCaptured(share, n_never, median))
    return tuple(found)
