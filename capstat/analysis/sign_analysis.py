"""Which sign of capture to trust, and how far: against a reference, and without one."""

from __future__ import annotations

import contextlib
import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.analysis.confirmation_question import REFERENCE_COLUMNS
from capstat.capture import (
    SIGNS,
    agreement_of_columns,
    assess_continuous_sign,
    assess_sign,
    combine_signs,
    correct_for_verification,
    correct_for_verification_by_signs,
    dependence_sensitivity,
    fit_signs,
    read_sign,
)
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.attempts import Study
    from capstat.capture import (
        Agreement,
        ContinuousSignAccuracy,
        DependencePoint,
        LatentSigns,
        Sign,
        SignAccuracy,
        SignRecord,
        VerificationCorrection,
    )

__all__ = ["LatentAnalysis", "ReferenceAnalysis", "SignAnalysis", "analyse_signs"]

# conclusions rather than signs: they are audited, not tested as signs
CONCLUSIONS = frozenset({"electrical_capture", "mechanical_capture"})
# steps with both sign and reference from which a table is worth showing
FEWEST_STEPS = 10
# steps from which signs without a reference, or rules of several signs, are looked at
FEWEST_FOR_MODEL = 30
PULSES = ("femoral_pulse", "carotid_pulse")


@dataclass(frozen=True, slots=True)
class ReferenceAnalysis:
    """Signs against one reference.

    Attributes
    ----------
    reference : str
        Column.
    signs : tuple of SignAccuracy
        Single signs, then rules of two ("both seen").
    verification : tuple of (str, VerificationCorrection)
        For each sign with steps that the reference did not judge, the correction for it.
    continuous : tuple of ContinuousSignAccuracy
        Signs that are numbers.
    """

    reference: str
    signs: tuple[SignAccuracy, ...]
    verification: tuple[tuple[str, VerificationCorrection], ...]
    continuous: tuple[ContinuousSignAccuracy, ...]


@dataclass(frozen=True, slots=True)
class LatentAnalysis:
    """Signs without a reference.

    Attributes
    ----------
    labels : tuple of str
        Names of the signs in a sentence, as in ``model.names``.
    model : LatentSigns
        Two latent classes.
    pair : tuple of str
        The two signs whose dependence is assumed in ``dependence``.
    dependence : tuple of DependencePoint
        The answer under assumed correlations of that pair.
    """

    labels: tuple[str, ...]
    model: LatentSigns
    pair: tuple[str, str]
    dependence: tuple[DependencePoint, ...]


@dataclass(frozen=True, slots=True)
class SignAnalysis:
    """All about signs.

    Attributes
    ----------
    references : tuple of ReferenceAnalysis
        One for each reference that judged enough steps.
    agreement : Agreement or None
        Between two reviewers of strips.
    latent : LatentAnalysis or None
        Without a reference.
    not_latent : str
        Why there is none; empty when there is one.
    left_out : tuple of str
        Why a sign that was recorded is not assessed.
    """

    references: tuple[ReferenceAnalysis, ...]
    agreement: Agreement | None
    latent: LatentAnalysis | None
    not_latent: str
    left_out: tuple[str, ...]


def _enough(record: SignRecord, fewest: int) -> bool:
    return int(record.both.sum()) >= fewest


def _never_absent(study: Study, sign: Sign) -> bool:
    """Whether only what was seen was written down: an empty cell is then no observation, and nothing can be said."""
    column = study.steps[sign.name]
    return not sign.continuous and bool(column.notna().any()) and not bool((column == False).any())  # noqa: E712


def _against(study: Study, reference: str, level: float, replicates: int, seed: int) -> ReferenceAnalysis | None:
    names = [
        sign
        for sign in SIGNS
        if sign.name not in CONCLUSIONS and sign.name != reference and not _never_absent(study, sign)
    ]
    records = [read_sign(study, sign.name, reference) for sign in names]
    binary = [r for r in records if not r.continuous and _enough(r, FEWEST_STEPS)]
    rules = [combine_signs(pair, "all") for pair in itertools.combinations(binary, 2)]
    shown = [*binary, *(rule for rule in rules if _enough(rule, FEWEST_FOR_MODEL))]
    continuous = []
    for record in records:
        if record.continuous and _enough(record, FEWEST_FOR_MODEL):
            try:
                continuous.append(assess_continuous_sign(record, level, replicates, seed))
            except NotEstimableError:
                continue  # the reference gave one answer only
    if not shown and not continuous:
        return None
    partial = [record for record in shown if (~np.isnan(record.value) & np.isnan(record.reference)).any()]
    corrected = tuple(zip((r.label for r in partial), _corrected(study, partial, level, replicates, seed), strict=True))
    return ReferenceAnalysis(
        reference, tuple(assess_sign(record, level) for record in shown), corrected, tuple(continuous)
    )


def _corrected(
    study: Study, partial: Sequence[SignRecord], level: float, replicates: int, seed: int
) -> Sequence[VerificationCorrection]:
    """Corrected by all signs and the reading of the screen; by the sign itself where few steps were verified."""
    if not partial:
        return ()
    # mechanical capture may have been judged by the very reference, so it cannot tell where that is missing
    names = [
        sign.name
        for sign in SIGNS
        if not sign.continuous
        and sign.name not in (partial[0].reference_name, "mechanical_capture")
        and study.steps[sign.name].notna().any()
    ]
    predictors = np.stack([_numbers(study, name) for name in names], axis=1)
    try:
        return correct_for_verification_by_signs(partial, predictors, level, replicates, seed)
    except NotEstimableError:
        return [correct_for_verification(record, level, replicates, seed) for record in partial]


def _numbers(study: Study, name: str) -> NDArray[np.float64]:
    column = study.steps[name].astype("Float64")
    return np.asarray(column.to_numpy(dtype=np.float64, na_value=np.nan), dtype=np.float64)


def _latent(study: Study, level: float, replicates: int, seed: int) -> LatentAnalysis:
    """Two classes from all yes/no signs that were looked for often enough and are not themselves references."""
    used = [
        sign
        for sign in SIGNS
        if not sign.continuous
        and sign.name not in CONCLUSIONS
        and sign.name not in REFERENCE_COLUMNS
        and len(study.steps)
        and study.steps[sign.name].notna().sum() >= FEWEST_FOR_MODEL
        and study.steps[sign.name].nunique() == 2
    ]
    if len(used) < 2:
        raise NotEstimableError(
            f"Fewer than two signs were looked for at {FEWEST_FOR_MODEL} or more settings and gave both answers."
        )
    steps = study.steps
    values = np.stack([_numbers(study, sign.name) for sign in used], axis=1)
    looked = (~np.isnan(values)).any(axis=1)
    row = steps["attempt_row"].to_numpy()[looked]
    patient = study.attempts["patient_id"].to_numpy()[row]
    group = None
    if len(used) == 2:
        group = study.attempts["placement"].astype(object).fillna("unknown").to_numpy()[row]
    names, values = [sign.name for sign in used], values[looked]
    model = fit_signs(values, names, patient, group=group, level=level, replicates=replicates, seed=seed)
    pair = PULSES if set(PULSES) <= set(names) else (names[0], names[1])
    dependence = () if len(used) == 2 else dependence_sensitivity(values, names, patient, pair, seed=seed)
    return LatentAnalysis(tuple(sign.label for sign in used), model, pair, dependence)


def analyse_signs(
    study: Study, references: tuple[str, ...], *, level: float, replicates: int, refits: int, seed: int
) -> SignAnalysis:
    """Hold every sign against every reference, and against each other.

    Parameters
    ----------
    study : Study
        Checked records.
    references : tuple of str
        Columns of the steps.
    level : float
        Confidence level.
    replicates, refits, seed : int
        Bootstrap size, that of what is refitted in each resample, and seed.
    """
    found = (_against(study, reference, level, replicates, seed) for reference in references)
    agreement = None
    with contextlib.suppress(NotEstimableError):  # nothing was read twice
        agreement = agreement_of_columns(study, level=level)
    latent, reason = None, ""
    try:
        latent = _latent(study, level, refits, seed)
    except NotEstimableError as error:
        reason = str(error)
    left_out = tuple(
        f"{sign.label.capitalize()} was never recorded as absent: where a cell is empty nobody knows whether it was "
        "looked for, so it is not assessed"
        for sign in SIGNS
        if sign.name not in CONCLUSIONS and len(study.steps) and _never_absent(study, sign)
    )
    return SignAnalysis(tuple(a for a in found if a is not None), agreement, latent, reason, left_out)
