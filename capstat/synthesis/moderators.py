"""Whether studies of different kinds differ: subgroups, and a regression on a number, only where there are enough."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import compress
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.binomial_normal_groups import compare_subgroups
from capstat.numerics.meta_regression import meta_regression
from capstat.numerics.study_subgroups import subgroups
from capstat.results import Estimate, NotEstimableError, UsageError
from capstat.synthesis.evidence_fields import EVIDENCE_FIELDS
from capstat.synthesis.pooled_values import HEADLINE_LIMITS, HEADLINE_TAU2
from capstat.synthesis.scales import SCALES, natural_estimate

if TYPE_CHECKING:
    from capstat.synthesis.pooled_record import PooledEvidence

__all__ = ["Moderator", "check_moderators", "moderators_of"]

ASSOCIATION = "Studies were not allocated to kinds: a difference between them is an association among studies."


@dataclass(frozen=True, slots=True, eq=False)
class Moderator:
    """One column of the evidence table against the results of the studies.

    Attributes
    ----------
    column : str
        The column.
    rows : tuple of (str, Estimate)
        Value of the column, or ``per unit``, with its estimate.
    test : str
        The test in words.
    p_value : float or None
        Its p-value.
    notes : tuple of str
        What a reader must know.
    reason : str
        Why there is no result; empty when there is one.
    """

    column: str
    rows: tuple[tuple[str, Estimate], ...] = ()
    test: str = ""
    p_value: float | None = None
    notes: tuple[str, ...] = ()
    reason: str = ""


def check_moderators(*, by: str = "", on: str = "") -> None:
    """Refuse columns by which studies cannot be compared.

    Raises
    ------
    UsageError
        When the evidence table has no such column, or the column ``on`` holds no numbers.
    """
    kinds = {field.name: field.kind for field in EVIDENCE_FIELDS}
    for column in filter(None, (by, on)):
        if column not in kinds or kinds[column] == "codes":
            raise UsageError(f"The evidence table has no column '{column}' to compare studies by.")
    if on and kinds[on] not in ("number", "whole"):
        raise UsageError(f"The column {on} holds words; a regression needs a column of numbers.")


def _word(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:.12g}"
    return str(value or "not recorded")


def _informative(pooled: PooledEvidence) -> PooledEvidence:
    """Without studies that say nothing, such as those without an event in either arm."""
    kept = [study.estimate.value is not None for study in pooled.studies]
    return replace(
        pooled,
        studies=tuple(compress(pooled.studies, kept)),
        gathered=replace(pooled.gathered, arms=tuple(compress(pooled.gathered.arms, kept))),
    )


def moderators_of(pooled: PooledEvidence, *, by: str = "", on: str = "") -> tuple[Moderator, ...]:
    """Compare subgroups by the column ``by``, regress on the column ``on``; a reason where there are too few studies.

    Raises
    ------
    UsageError
        When the evidence table has no such column, or the column ``on`` holds no numbers.
    """
    check_moderators(by=by, on=on)
    pooled = _informative(pooled)
    found = []
    if by:
        values = [_word(getattr(arm, by)) for arm in pooled.gathered.arms]
        try:
            found.append(_groups(pooled, by, values))
        except NotEstimableError as error:
            found.append(Moderator(by, reason=str(error)))
    if on:
        numbers = [getattr(arm, on) for arm in pooled.gathered.arms]
        try:
            found.append(_regression(pooled, on, numbers))
        except NotEstimableError as error:
            found.append(Moderator(on, reason=str(error)))
    return tuple(found)


def _groups(pooled: PooledEvidence, by: str, values: list[str]) -> Moderator:
    if len(set(values)) < 2:
        raise NotEstimableError(f"All studies have the same {by}.")
    measure, level = pooled.question.measure, pooled.level
    sizes = [(value, study.effect.n) for value, study in zip(values, pooled.studies, strict=True)]
    patients = {name: sum(n for value, n in sizes if value == name) for name in values}
    if measure == "capture":
        shares = compare_subgroups(
            [s.effect.events for s in pooled.studies], [s.effect.total for s in pooled.studies], values, level=level
        )
        return Moderator(
            by,
            tuple(
                (
                    group.name,
                    Estimate(
                        "share captured in the median study", group.pooled.share, group.pooled.lower,
                        group.pooled.upper, level, "proportion", "logit", patients[group.name],
                        f"binomial-normal model, {group.pooled.headline}",
                        reason="" if group.pooled.share is not None else group.pooled.reason,
                    ),
                )
                for group in shares.groups
            ),
            f"likelihood ratio {shares.statistic:.2f}, read by F with {shares.df} and "
            f"{len(values) - len(shares.groups)} degrees of freedom",
            shares.p_value,
            (ASSOCIATION,),
        )  # fmt: skip
    y, v = _values(pooled)
    found = subgroups(
        y, v, values, tau2_method=HEADLINE_TAU2, shared_tau2=True, knapp_hartung=HEADLINE_LIMITS, level=level
    )
    return Moderator(
        by,
        tuple(
            (
                group.label,
                natural_estimate(
                    measure, group.mu, group.lower, group.upper, level=level, n=patients[group.label],
                    method=found.method, direction=pooled.direction,
                ),
            )
            for group in found.groups
        ),
        f"F = {found.test.statistic:.2f} with {found.test.df} and {found.test.df_error:g} degrees of freedom",
        found.test.p_value,
        (ASSOCIATION,),
    )  # fmt: skip


def _values(pooled: PooledEvidence) -> tuple[np.ndarray, np.ndarray]:
    if any(s.effect.value is None or s.effect.se is None for s in pooled.studies):
        raise NotEstimableError("Not every study has a value with a standard error.")
    y = np.array([s.effect.value for s in pooled.studies], dtype=float)
    return y, np.array([s.effect.se for s in pooled.studies], dtype=float) ** 2


def _regression(pooled: PooledEvidence, on: str, numbers: list[object]) -> Moderator:
    if any(value is None for value in numbers):
        missing = sum(value is None for value in numbers)
        raise NotEstimableError(f"{missing} of {len(numbers)} studies report no {on}.")
    if pooled.question.measure == "capture":
        raise NotEstimableError("Shares captured are not regressed on a column; compare subgroups.")
    measure, level = pooled.question.measure, pooled.level
    y, v = _values(pooled)
    found = meta_regression(
        y, v, np.array(numbers, dtype=float), names=(on,), tau2_method=HEADLINE_TAU2, knapp_hartung=HEADLINE_LIMITS,
        level=level,
    )  # fmt: skip
    log = SCALES[measure].name == "log"
    slope = (float(x[1]) for x in (found.coefficients, found.lower, found.upper))
    value, low, high = (float(np.exp(x)) if log else x for x in slope)
    estimate = Estimate(
        "factor for one unit more" if log else "change for one unit more", value, low, high, level,
        "ratio" if log else SCALES[measure].unit, SCALES[measure].name, pooled.n, found.method,
        direction="per unit", p_value=float(found.p_value[1]),
    )  # fmt: skip
    test = f"F = {found.test.statistic:.2f} with {found.test.df} and {found.test.df_error:g} degrees of freedom"
    return Moderator(on, (("per unit", estimate),), test, found.test.p_value, (ASSOCIATION,))
