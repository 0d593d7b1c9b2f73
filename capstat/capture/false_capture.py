"""Share of claimed captures that the reference does not uphold, overall and by group."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from statsmodels.stats.multitest import multipletests

from capstat.capture.claim_groups import GROUPINGS, group_claims
from capstat.capture.share_tests import compare_shares
from capstat.numerics.clustered import clustered_proportion
from capstat.numerics.proportions import clopper_pearson, wilson
from capstat.results import Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.claims import Claims

__all__ = [
    "FalseCaptureAudit",
    "FalseCaptureGroup",
    "GroupTest",
    "audit_counts",
    "audit_false_capture",
    "check_level",
    "false_share",
]

QUANTITY = "share of claimed captures that were false"
EXACT_METHOD = "proportion with the Clopper-Pearson interval (Clopper & Pearson 1934)"
WILSON_METHOD = "proportion with the Wilson score interval (Wilson 1927)"
CLUSTERED_METHOD = (
    "proportion with Wilson limits at the effective sample size of claims that cluster in patients (Korn & Graubard "
    "1998, from memory)"
)


@dataclass(frozen=True, slots=True)
class FalseCaptureGroup:
    """False captures in one group.

    Attributes
    ----------
    grouping, label : str
        What the claims were grouped by, and the group.
    claims, judged, false : int
        Claimed captures, those judged by the reference, and those among them that it did not uphold.
    share : Estimate
        ``false / judged``, from 0 to 1.
    """

    grouping: str
    label: str
    claims: int
    judged: int
    false: int
    share: Estimate


@dataclass(frozen=True, slots=True)
class GroupTest:
    """Test that false captures are equally frequent in all groups of one grouping.

    Attributes
    ----------
    grouping : str
        What the claims were grouped by.
    p_value, adjusted_p_value : float or None
        Two-sided, and by Holm's method over the groupings that have one; ``None`` with a ``reason``.
    method, reason : str
        Test by its name; why there is none.
    """

    grouping: str
    p_value: float | None
    adjusted_p_value: float | None
    method: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class FalseCaptureAudit:
    """How often claimed capture was false.

    Attributes
    ----------
    judged, false : int
        Claims that the reference judged, and those that it did not uphold.
    share : Estimate
        Of the judged claims, from 0 to 1; limits allow for several claims of a patient.
    exact : Estimate
        The same share with Clopper-Pearson limits; without limits and value where a patient has several claims.
    groups : tuple of FalseCaptureGroup
        By current, placement, setting, body mass index and cardiac arrest.
    tests : tuple of GroupTest
        One for each grouping.
    """

    judged: int
    false: int
    share: Estimate
    exact: Estimate
    groups: tuple[FalseCaptureGroup, ...]
    tests: tuple[GroupTest, ...]


def check_level(level: float) -> None:
    """Refuse a confidence level that is no share, such as 95."""
    if not 0 < level < 1:
        raise UsageError(f"The confidence level must lie between 0 and 1, not be {level:g}.")


def _end_notes(false: int, judged: int, units: int, level: float) -> tuple[str, ...]:
    """What to say when every claim went the same way; ``units`` are the independent observations."""
    if 0 < false < judged:
        return ()
    what = "no judged claim was false" if false == 0 else "every judged claim was false"
    # (1 - p)^n = 0.05 gives p = 1 - 0.05^(1/n), which is near 3/n (Hanley & Lippman-Hand 1983, from memory)
    bound = 100 * min(1.0, -np.log(0.05) / units)
    rare = "false captures" if false == 0 else "upheld captures"
    note = (
        f"{what}; the {100 * level:g} % limit on the other side is what the number of claims allows, and by the rule "
        f"of three {rare} are fewer than {bound:.0f} % with 95 % confidence (one-sided)"
    )
    return (note,)


def false_share(claims: Claims, rows: NDArray[np.bool_], level: float, quantity: str = QUANTITY) -> Estimate:
    """Share of false captures among the judged claims that ``rows`` (boolean, shape (n,)) selects."""
    rows = rows & claims.is_judged
    judged = int(rows.sum())
    if not judged:
        reason = "no claim was judged by the reference"
        return Estimate(quantity, None, None, None, level, "proportion", "score", 0, WILSON_METHOD, reason=reason)
    found = clustered_proportion(claims.is_false[rows], claims.patient[rows], level)
    repeated = found.clusters < found.n
    notes = _end_notes(int(claims.is_false[rows].sum()), judged, found.clusters, level)
    if repeated:
        notes = (f"{judged} judged claims of {found.clusters} patients", *notes)
    return Estimate(
        quantity, found.value, found.lower, found.upper, level, "proportion", "score", found.clusters,
        CLUSTERED_METHOD if repeated else WILSON_METHOD, notes=notes,
    )  # fmt: skip


def _exact(claims: Claims, level: float) -> Estimate:
    rows = claims.is_judged
    if claims.repeats(rows):
        return Estimate(
            QUANTITY, None, None, None, level, "proportion", "exact", claims.patients(rows), EXACT_METHOD,
            reason="some patients have several judged claims, which are not independent of each other",
        )  # fmt: skip
    return audit_counts(claims.false, claims.judged, level)[1]


def audit_counts(false: int, judged: int, level: float = 0.95) -> tuple[Estimate, Estimate]:
    """Share of false captures from published counts, every claim of another patient.

    Kimbrell et al. (2024, Prehosp Emerg Care, doi:10.1080/10903127.2024.2321287): 19 of 23 claims were false, 82.6 %.

    Returns
    -------
    wilson, exact : Estimate
        The same share with Wilson and with Clopper-Pearson limits.

    Raises
    ------
    UsageError
        When there are no claims, more false ones than claims, or the level is not between 0 and 1.
    """
    check_level(level)
    if judged < 1 or not 0 <= false <= judged:
        raise UsageError(f"{false} false of {judged} judged claims is no share; at least one claim must be judged.")
    notes = _end_notes(false, judged, judged, level)
    score, tails = (interval(false, judged, level) for interval in (wilson, clopper_pearson))
    value = false / judged
    return (
        Estimate(QUANTITY, value, *score, level, "proportion", "score", judged, WILSON_METHOD, notes=notes),
        Estimate(QUANTITY, value, *tails, level, "proportion", "exact", judged, EXACT_METHOD, notes=notes),
    )


def _groups(claims: Claims, grouping: str, level: float) -> list[FalseCaptureGroup]:
    labels, group = group_claims(claims, grouping)
    found = []
    for g, label in enumerate(labels):
        rows = group == g
        judged, false = int((rows & claims.is_judged).sum()), int((rows & claims.is_false).sum())
        share = false_share(claims, rows, level, f"{QUANTITY}, {grouping} {label}")
        found.append(FalseCaptureGroup(grouping, label, int(rows.sum()), judged, false, share))
    return found


def _tests(claims: Claims, seed: int) -> tuple[GroupTest, ...]:
    found = []
    for grouping in GROUPINGS:
        labels, group = group_claims(claims, grouping)
        known = np.where(np.array(labels, dtype=object)[group] == "not recorded", -1, group)
        found.append((grouping, *compare_shares(claims, known, seed=seed)))
    tested = [p_value for _, p_value, _, _ in found if p_value is not None]
    adjusted = iter(multipletests(tested, method="holm")[1] if tested else ())
    return tuple(
        GroupTest(grouping, p_value, None if p_value is None else float(next(adjusted)), method, reason)
        for grouping, p_value, method, reason in found
    )


def audit_false_capture(claims: Claims, level: float = 0.95, *, seed: int) -> FalseCaptureAudit:
    """Audit claimed captures: the share that was false, overall and by group, with tests across groups.

    Groups are described, not adjusted for each other.  Claims in a group "not recorded" are shown and not tested.

    Parameters
    ----------
    claims : Claims
        From :func:`capstat.capture.claims.read_claims`.
    level : float
        Confidence level.
    seed : int
        For the tests against random tables.

    Raises
    ------
    UsageError
        When the level is not between 0 and 1.
    NotEstimableError
        When no claim was judged.
    """
    check_level(level)
    if not claims.judged:
        raise NotEstimableError(f"There is no share of false captures: none of {claims.claimed} claims was judged.")
    share = false_share(claims, claims.is_judged, level)
    groups = tuple(group for grouping in GROUPINGS for group in _groups(claims, grouping, level))
    return FalseCaptureAudit(
        claims.judged, int(claims.is_false.sum()), share, _exact(claims, level), groups, _tests(claims, seed)
    )
