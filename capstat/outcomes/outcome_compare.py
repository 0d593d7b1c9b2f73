"""Everything about one outcome of two groups: as it is, modelled, standardised, weighted."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from capstat.outcomes import outcome_adjusted
from capstat.outcomes.outcome_adjusted import standardise_model
from capstat.outcomes.outcome_contrast import AdjustedContrast, no_contrast
from capstat.outcomes.outcome_data import CompleteOutcome, OutcomeData, complete_outcome
from capstat.outcomes.outcome_models import OutcomeModel, fit_outcome_model
from capstat.outcomes.outcome_risks import EventsPerVariable, OutcomeRisks, events_per_variable, outcome_risks
from capstat.outcomes.outcome_weighted import balance_rows, fit_group_score, weighted_contrasts
from capstat.placement.observational.evalue import EValue, e_value_of_risk_ratio
from capstat.results import Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.placement.observational.balance import BalanceRow

__all__ = ["OutcomeComparison", "compare_outcome"]

NO_CONFOUNDERS = "no confounders were declared"
ROLES: dict[bool, Literal["declared", "exploratory"]] = {True: "declared", False: "exploratory"}


@dataclass(frozen=True, slots=True)
class OutcomeComparison:
    """One outcome of two groups.

    Attributes
    ----------
    outcome : str
        Its name.
    direction : str
        Who is compared with whom.
    role : {"declared", "exploratory"}
        Whether the outcome was declared as the one to compare before the data were seen.
    randomised : bool
        Whether the groups were drawn by lot; otherwise nothing here is an effect.
    risks : OutcomeRisks
        Unadjusted, with counts and missing outcomes by group.
    confounders : tuple of str
        What the rest is adjusted for.
    n_complete : int
        Patients with the outcome and all of them.
    missing : tuple of (str, int)
        For each confounder, patients with the outcome who lack it.
    firth : tuple of Estimate
        Odds ratios of the logistic model, the group first; empty with a ``firth_reason``.
    firth_reason : str
        Why there is no model; empty when there is one.
    standardised, inverse_probability, overlap : AdjustedContrast
        Three ways to adjust; each estimate has a value or a reason.
    balance : tuple of BalanceRow
        Of the confounders before and after weighting; empty without weights.
    e_value : EValue or None
        Of the standardised ratio; ``None`` in a randomised comparison.
    events_per_variable : EventsPerVariable or None
        Of the logistic model; ``None`` without one.
    notes : tuple of str
        What a reader must know.
    """

    outcome: str
    direction: str
    role: Literal["declared", "exploratory"]
    randomised: bool
    risks: OutcomeRisks
    confounders: tuple[str, ...]
    n_complete: int
    missing: tuple[tuple[str, int], ...]
    firth: tuple[Estimate, ...]
    firth_reason: str
    standardised: AdjustedContrast
    inverse_probability: AdjustedContrast
    overlap: AdjustedContrast
    balance: tuple[BalanceRow, ...]
    e_value: EValue | None
    events_per_variable: EventsPerVariable | None
    notes: tuple[str, ...]


def compare_outcome(
    data: OutcomeData,
    *,
    confounders: Sequence[str] = (),
    declared: bool,
    level: float = 0.95,
    replicates: int = 400,
    seed: int,
) -> OutcomeComparison:
    """Compare an outcome of two groups in every way that the data allow.

    Unadjusted risks use everybody whose outcome is known; whatever is adjusted uses those who have all confounders too.
    The logistic model is always Firth's.  Without confounders the exact odds ratio in ``risks`` stands beside it.

    Parameters
    ----------
    data : OutcomeData
        Patients.
    confounders : sequence of str
        Columns of the covariates, settled before the groups were; main effects only.
    declared : bool
        Whether the outcome was declared before the data were seen.
    level : float
        Confidence level.
    replicates, seed : int
        Of the bootstrap of the weighted risks; replicates 2 or more.

    Raises
    ------
    UsageError
        When a confounder does not exist, is settled only with or after the pads, or is the outcome; or with fewer than
        2 replicates.
    NotEstimableError
        When the outcome is recorded for nobody.
    """
    if replicates < 2:
        raise UsageError(f"A bootstrap needs 2 replicates or more, not {replicates}.")
    complete = complete_outcome(data, confounders)
    risks = outcome_risks(data, level)
    n = complete.value.size
    model, per_variable, reason = None, None, ""
    try:
        model = fit_outcome_model(data, complete, level)
        per_variable = events_per_variable(int(complete.value.sum()), n, model.design.shape[1] - 1)
    except NotEstimableError as error:
        reason = str(error)
    standardised = _standardised(data, complete, model, reason, level)
    weighted, balance = _weighted(data, complete, level, replicates, seed)
    return OutcomeComparison(
        outcome=data.outcome,
        direction=f"{data.first} minus {data.minus}",
        role=ROLES[declared],
        randomised=data.randomised,
        risks=risks,
        confounders=complete.confounders,
        n_complete=n,
        missing=complete.missing,
        firth=() if model is None else model.rows,
        firth_reason=reason,
        standardised=standardised,
        inverse_probability=weighted[0],
        overlap=weighted[1],
        balance=balance,
        e_value=None if data.randomised else _e_value(standardised.ratio),
        events_per_variable=per_variable,
        notes=_notes(data, complete, declared, per_variable),
    )


def _standardised(
    data: OutcomeData, complete: CompleteOutcome, model: OutcomeModel | None, reason: str, level: float
) -> AdjustedContrast:
    if model is None or not complete.confounders:
        why = reason if complete.confounders else NO_CONFOUNDERS
        return no_contrast(data, outcome_adjusted.METHOD, level, complete.value.size, why)
    return standardise_model(data, model, level)


def _weighted(
    data: OutcomeData, complete: CompleteOutcome, level: float, replicates: int, seed: int
) -> tuple[tuple[AdjustedContrast, AdjustedContrast], tuple[BalanceRow, ...]]:
    def none(why: str) -> tuple[AdjustedContrast, AdjustedContrast]:
        n = complete.value.size
        return (
            no_contrast(data, "inverse-probability weights", level, n, why),
            no_contrast(data, "overlap weights", level, n, why),
        )

    if not complete.confounders:
        return none(NO_CONFOUNDERS), ()
    try:
        score = fit_group_score(complete)
    except NotEstimableError as error:
        return none(str(error)), ()
    found = weighted_contrasts(data, complete, score, level=level, replicates=replicates, seed=seed)
    return found, balance_rows(score, complete.is_first)


def _e_value(ratio: Estimate) -> EValue:
    """E-value in the words of an outcome; the shared sentence speaks of placements and capture."""
    found = e_value_of_risk_ratio(ratio)
    return dataclasses.replace(
        found, meaning=found.meaning.replace("both placement and capture", "both the group and the outcome")
    )


def _notes(
    data: OutcomeData, complete: CompleteOutcome, declared: bool, per_variable: EventsPerVariable | None
) -> tuple[str, ...]:
    notes = []
    if not data.randomised:
        notes.append("The groups were not drawn by lot: a difference may come from whatever else they differ in.")
    if not declared:
        notes.append(
            "Exploratory: this outcome was not declared beforehand, and nothing is corrected for looking at several."
        )
    lost = complete.n_known - complete.value.size
    if lost:
        notes.append(
            f"{lost} of {complete.n_known} patients with the outcome lack a confounder; adjustment uses the rest."
        )
    if per_variable is not None and per_variable.note:
        notes.append(per_variable.note)
    return tuple(notes)
