"""The best latent class fit to a table of signs, what it rests on, and fits to resampled patients."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.capture.patient_bootstrap import draw_patients
from capstat.numerics.latent_checks import LocalIdentification, deviance, simulated_deviances
from capstat.numerics.latent_class import best_fit, fit_replicates
from capstat.numerics.latent_climb import TOLERANCE
from capstat.results import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.latent_table import SignTable
    from capstat.numerics.latent_model import ClassFit
    from capstat.numerics.latent_patterns import PatternTable

__all__ = ["STARTS", "PatternFit", "best_pattern_fit", "fit_test", "identified_words"]

STARTS: Final = 60
REPLICATE_STARTS: Final = 3


@dataclass(frozen=True, slots=True, eq=False)
class PatternFit:
    """The best fit to the patterns of a table of signs, and fits to resampled patients.

    Attributes
    ----------
    table : PatternTable
        Distinct patterns.
    weights : ndarray, shape (k,)
        Rows with each.
    fit : ClassFit
        B = 1; the second class is capture.
    reached : int
        Starts that reached it.
    draws : ClassFit
        The replicates that converged; B = 0 when there is one patient.
    failed : int
        Replicates left out: not converged, or a group without rows.
    """

    table: PatternTable
    weights: NDArray[np.float64]
    fit: ClassFit
    reached: int
    draws: ClassFit
    failed: int


def _labelled(table: PatternTable, fit: ClassFit) -> ClassFit:
    """Make the class with more answers of yes the second one (sum of Youden's indices above 0)."""
    items = range(table.answers.shape[1])
    youden = np.sum([fit.item(table, i)[:, 1] - fit.item(table, i)[:, 0] for i in items], axis=0)
    return fit.relabelled(youden < 0)


def best_pattern_fit(
    signs: SignTable, table: PatternTable, index: NDArray[np.intp], replicates: int, seed: int
) -> PatternFit:
    """Fit one model and resample patients.

    Parameters
    ----------
    signs : SignTable
        Steps and their patients.
    table : PatternTable
        Their distinct patterns.
    index : ndarray of int, shape (n,)
        Pattern of every step.
    replicates, seed : int
        Bootstrap replicates, and the seed of starts and draws.
    """
    rng = np.random.default_rng([seed, 0])
    weights = np.bincount(index).astype(float)
    fit, reached = best_fit(table, weights, STARTS, rng)
    fit = _labelled(table, fit)
    if signs.patients < 2:
        return PatternFit(table, weights, fit, reached, fit.take(np.zeros(0, dtype=np.intp)), 0)
    contents = np.zeros((signs.patients, len(weights)))
    np.add.at(contents, (signs.patient, index), 1.0)
    drawn = draw_patients(signs.patients, replicates, seed) @ contents
    full = np.all([drawn[:, table.group == g].sum(axis=1) > 0 for g in range(table.groups)], axis=0)
    draws = _labelled(table, fit_replicates(table, drawn[full], fit, REPLICATE_STARTS, rng))
    good = np.flatnonzero(draws.gap <= 100 * TOLERANCE)
    return PatternFit(table, weights, fit, reached, draws.take(good), replicates - good.size)


def identified_words(parameters: int, facts: int, local: LocalIdentification) -> str:
    """Say in one or two sentences whether the parameters can be told, and the model tested."""
    if parameters > facts:
        counts = "more parameters than facts, so they cannot all be told."
    elif parameters == facts:
        counts = "just identified, so the fit of the model cannot be tested."
    else:
        counts = "the surplus tests the fit of the model."
    return (
        f"{parameters} parameters from {facts} free proportions: {counts} At the estimate {local.rank} of "
        f"{local.interior} parameters inside their range move the patterns independently "
        f"(condition {local.condition:.2g})."
    )


def fit_test(found: PatternFit, signs: SignTable, spare: int, level: float, replicates: int, seed: int) -> Estimate:
    """G^2 against free tables; ``spare`` are the facts beyond the parameters."""
    method = "likelihood ratio against free tables, parametric bootstrap with independent rows"
    estimate = Estimate(
        "misfit of the latent class model (G^2)", None, None, None, level, "", "identity", signs.patients, method,
        reason="The model has as many parameters as the data have free proportions, so its fit cannot be tested.",
    )  # fmt: skip
    if spare <= 0:
        return estimate
    own = float(deviance(found.table, found.weights[None], found.fit)[0])
    rng = np.random.default_rng([seed, 1])
    null = simulated_deviances(found.table, found.weights, found.fit, replicates, rng)
    p = (1 + int((null >= own - 1e-9).sum())) / (1 + replicates)
    notes: tuple[str, ...] = (f"{spare} degrees of freedom.",)
    if signs.patients < len(signs.values):
        repeated = "it is too small where a sign errs on step after step of the same patient."
        notes += (f"The p-value takes the answers of one patient as independent given capture; {repeated}",)
    return replace(estimate, value=own, p_value=p, notes=notes, reason="")
