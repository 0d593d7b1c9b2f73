"""Signs of capture without any reference: a latent class model of the signs themselves.

Capture is an unseen class; within captured and within uncaptured steps the signs are taken as independent.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.capture.latent_fit import STARTS, PatternFit, best_pattern_fit, fit_test, identified_words
from capstat.capture.latent_table import SignTable, sign_table
from capstat.capture.patient_bootstrap import percentile_limits
from capstat.numerics.latent_checks import LocalIdentification, count_facts, count_parameters, local_identification
from capstat.numerics.latent_climb import TOLERANCE
from capstat.numerics.latent_patterns import Blocks, tabulate
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["METHOD", "LatentSigns", "fit_signs", "fit_table"]

METHOD: Final = "two latent classes, maximum likelihood, percentile limits over patients"
HARDLY_TOLD_APART: Final = 0.02
"""Condition of the Jacobian below which a note warns: chosen on simulated tables, no source."""

_LABEL = "The class in which the signs say yes more often is taken as capture; no reference says so."
_TWO_SIGNS = (
    "Two signs in one group give 3 proportions for 5 parameters: add a third sign, or groups that share the signs' "
    "accuracy but differ in how often steps capture."
)


@dataclass(frozen=True, slots=True, eq=False)
class LatentSigns:
    """What the signs say about themselves.

    Attributes
    ----------
    groups : tuple of str
        Labels of the groups; one empty label without groups.
    names : tuple of str
        All signs asked for, in the order of ``sensitivity`` and ``specificity``.
    prevalence : tuple of Estimate
        Share of steps with capture, for each group.
    sensitivity, specificity : tuple of Estimate
        Of each sign, the same in all groups; without a value for a sign that was left out.
    parameters, facts : int
        Parameters of the model, and free proportions that the data give.
    identified : str
        What follows from both, and from the rank at the estimate.
    local : LocalIdentification
        Rank and condition at the estimate.
    fit : Estimate
        G^2 against free tables, with the p-value of a parametric bootstrap; no value when it cannot be tested.
    log_likelihood, bic : float
        BIC counts rows.
    gap : float
        Certificate of the maximum: largest derivative in any admissible direction, for one row.
    starts, reached : int
        Starts, and how many of them reached the maximum.
    replicates : int
        Bootstrap replicates that the limits rest on.
    rows, patients : int
        Steps with at least one sign, and their patients.
    notes : tuple of str
        What a reader must know.
    """

    groups: tuple[str, ...]
    names: tuple[str, ...]
    prevalence: tuple[Estimate, ...]
    sensitivity: tuple[Estimate, ...]
    specificity: tuple[Estimate, ...]
    parameters: int
    facts: int
    identified: str
    local: LocalIdentification
    fit: Estimate
    log_likelihood: float
    bic: float
    gap: float
    starts: int
    reached: int
    replicates: int
    rows: int
    patients: int
    notes: tuple[str, ...]


def _estimate(
    quantity: str, value: float, draws: NDArray[np.float64], signs: SignTable, level: float, reason: str
) -> Estimate:
    notes: list[str] = []
    limits = percentile_limits(draws, signs.patients, level) if draws.size else None
    if min(value, 1 - value) < 1e-6:
        notes.append(f"The estimate is on the boundary, {round(value)}; the limit on that side says little.")
        value = float(round(value))
    if limits is not None and limits[1] - limits[0] < 1e-6:
        limits = None
        notes.append("Every replicate gave the same value, so that no limits can be had.")
    elif limits is None:
        notes.append("No limits: too few patients or replicates.")
    lower, upper = limits if limits is not None and not reason else (None, None)
    return Estimate(
        quantity, None if reason else value, lower, upper, level, "proportion", "identity", signs.patients, METHOD,
        notes=() if reason else tuple(notes), reason=reason,
    )  # fmt: skip


def _groups_differ(found: PatternFit, signs: SignTable) -> bool:
    """Whether the shares of some two groups differ by more than their percentile limits (95 %)."""
    shares = found.draws.parts[0][:, :, 1]
    for a in range(shares.shape[1]):
        for b in range(a):
            limits = percentile_limits(shares[:, a] - shares[:, b], signs.patients, 0.95)
            if limits is not None and (limits[0] > 0 or limits[1] < 0):
                return True
    return False


def _notes(signs: SignTable, found: PatternFit, local: LocalIdentification, replicates: int) -> tuple[str, ...]:
    notes = [_LABEL, *signs.notes]
    if found.reached < STARTS / 10:
        notes.append(f"Only {found.reached} of {STARTS} starts reached the maximum; a higher one may exist.")
    if found.fit.gap[0] > TOLERANCE:
        notes.append(f"The maximum is not certain: the slope left is {found.fit.gap[0]:.1g} for one row.")
    if local.condition < HARDLY_TOLD_APART:
        notes.append("Some parameters can hardly be told apart at the estimate; small changes of data move them far.")
    items = range(found.table.answers.shape[1])
    gains = [float(np.diff(found.fit.item(found.table, item)[0])[0]) for item in items]
    against = [signs.names[item] for item, gain in zip(items, gains, strict=True) if gain < 0]
    if against:
        notes.append(f"In the class taken as capture, yes is rarer for: {', '.join(against)}.")
    if len(signs.names) == 2 and len(signs.groups) > 1 and not _groups_differ(found, signs):
        notes.append(
            "The groups' shares of settings with capture do not clearly differ; two signs are told apart by that "
            "difference alone, so that the estimates may be far off."
        )
    if signs.patients < 2:
        notes.append("All steps are of one patient, so that limits cannot be had.")
    elif found.failed:
        notes.append(f"{found.failed} of {replicates} bootstrap replicates gave no fit and were left out.")
    return tuple(notes)


def fit_table(
    signs: SignTable, blocks: Blocks, *, level: float, replicates: int, seed: int
) -> tuple[LatentSigns, PatternFit]:
    """Fit the model with given blocks to a table of signs; the same as :func:`fit_signs` besides.

    Raises
    ------
    NotEstimableError
        When there are more parameters than free proportions or than steps with two or more signs.
    """
    table, index = tabulate(signs.values, signs.group, len(signs.groups), blocks)
    weights = np.bincount(index).astype(float)
    parameters, facts = count_parameters(table), count_facts(table, weights)
    if parameters > facts:
        two = len(signs.names) == 2 and len(signs.groups) == 1
        raise NotEstimableError(
            _TWO_SIGNS if two else f"The signs give {facts} free proportions for {parameters} parameters of the model."
        )
    telling = int((np.isfinite(signs.values).sum(axis=1) >= 2).sum())
    if telling < parameters:
        raise NotEstimableError(
            f"Only {telling} steps have two or more signs; a model with {parameters} parameters needs more."
        )
    found = best_pattern_fit(signs, table, index, replicates, seed)
    local = local_identification(table, weights, found.fit)
    reason = ""
    if local.rank < local.interior:
        reason = "The data cannot tell the parameters apart at the estimate: other values fit exactly as well."
    quantities = [
        _estimate(
            f"steps with capture{', ' + label if label else ''}, latent class",
            float(found.fit.parts[0][0, g, 1]), found.draws.parts[0][:, g, 1], signs, level, reason,
        )
        for g, label in enumerate(signs.groups)
    ]  # fmt: skip
    accuracy: dict[str, list[Estimate]] = {"sensitivity": [], "specificity": []}
    for name in signs.asked:
        for kind, klass in (("sensitivity", 1), ("specificity", 0)):
            quantity = f"{kind} of {name}, latent class"
            if name in signs.left_out:
                value, draws, why = 0.0, np.zeros(0), signs.left_out[name]
            else:
                item, why = signs.names.index(name), reason
                value = float(found.fit.item(table, item)[0, klass])
                draws = found.draws.item(table, item)[:, klass]
                if klass == 0:
                    value, draws = 1 - value, 1 - draws
            accuracy[kind].append(_estimate(quantity, value, draws, signs, level, why))
    rows = len(signs.values)
    height = float(found.fit.log_likelihood[0])
    result = LatentSigns(
        signs.groups, signs.asked, tuple(quantities), tuple(accuracy["sensitivity"]), tuple(accuracy["specificity"]),
        parameters, facts, identified_words(parameters, facts, local), local,
        fit_test(found, signs, facts - parameters, level, replicates, seed),
        height, float(parameters * np.log(rows) - 2 * height), float(found.fit.gap[0]), STARTS, found.reached,
        found.draws.gap.size, rows, signs.patients, _notes(signs, found, local, replicates),
    )  # fmt: skip
    return result, found


def fit_signs(
    values: NDArray[np.float64],
    names: Sequence[str],
    patient: NDArray[np.intp],
    *,
    group: NDArray[np.object_] | None = None,
    level: float = 0.95,
    replicates: int = 200,
    seed: int,
) -> LatentSigns:
    """Sensitivity and specificity of signs, and how often steps captured, from the signs alone.

    Two latent classes with signs independent within each (Lazarsfeld & Henry 1968, from memory); with groups that share
    the accuracy of the signs and differ in prevalence it is the model of Hui & Walter (1980, Biometrics 36:167, from
    memory).  Signs not looked for are missing at random.  That steps of one patient resemble each other leaves the
    estimates of shares alone, and the limits come from resampling whole patients.

    Parameters
    ----------
    values : ndarray, shape (n, signs)
        1 for yes, 0 for no, NaN where the sign was not looked for.
    names : sequence of str
        Names of the signs.
    patient : ndarray, shape (n,)
        Patient of each step.
    group : ndarray, shape (n,), optional
        Group of each step, for example the placement.
    level : float
        Confidence level.
    replicates : int
        Bootstrap replicates, for limits and for the test of fit.
    seed : int
        The same seed gives the same result.

    Raises
    ------
    NotEstimableError
        When the signs give fewer proportions than there are parameters, or there are too few steps.
    UsageError
        When the shapes do not fit, or a value is not 0, 1 or missing.
    """
    signs = sign_table(values, names, patient, group)
    blocks = tuple((item,) for item in range(len(signs.names)))
    return fit_table(signs, blocks, level=level, replicates=replicates, seed=seed)[0]
