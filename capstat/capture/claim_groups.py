"""Groups of claimed captures, and whether the claims that the reference judged look like the others."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.results import UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.claims import Claims

__all__ = ["GROUPINGS", "JudgedGroup", "JudgedVersusNot", "group_claims", "judged_versus_not"]

GROUPINGS: Final = ("current", "placement", "setting", "body mass index", "cardiac arrest")
_CURRENT_EDGES: Final = (60.0, 80.0, 100.0, 120.0, 140.0, 160.0, 180.0, 200.0)  # 200 mA: no device gives more
_BMI_EDGES: Final = (25.0, 30.0)  # overweight and obesity, World Health Organization (from memory)


def _current_bands() -> tuple[str, ...]:
    edges = _CURRENT_EDGES
    return (
        f"up to {edges[0]:g} mA",
        *(f"above {a:g} up to {b:g} mA" for a, b in itertools.pairwise(edges)),
    )


def group_claims(claims: Claims, grouping: str) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    """Put the claims into the groups of one grouping.

    Returns
    -------
    labels : tuple of str
        Groups that occur, in their natural order; ``"not recorded"`` last.
    group : ndarray of int, shape (n,)
        Index into ``labels``.

    Raises
    ------
    UsageError
        When the grouping is not one of ``GROUPINGS``.
    """
    if grouping not in GROUPINGS:
        raise UsageError(f"Claims cannot be grouped by '{grouping}'; accepted are: {', '.join(GROUPINGS)}.")
    if grouping in {"placement", "setting"}:
        words = claims.placement if grouping == "placement" else claims.setting
        names = sorted(set(words) - {"unknown"})
        codes = np.array([names.index(word) if word != "unknown" else len(names) for word in words], dtype=np.intp)
    else:
        if grouping == "current":
            values, names = claims.current_ma, list(_current_bands())
            codes = np.searchsorted(_CURRENT_EDGES, values, side="left")  # a current on an edge belongs below it
        elif grouping == "body mass index":
            values, names = claims.body_mass_index, ["below 25 kg/m²", "25 to below 30 kg/m²", "30 kg/m² and above"]
            # 76.8 kg at 1.6 m is 30 kg/m² but for rounding
            codes = np.searchsorted(_BMI_EDGES, np.round(values, 6), side="right")
        else:
            values, names = claims.arrest, ["not in cardiac arrest", "in cardiac arrest"]
            codes = np.nan_to_num(values).astype(np.intp)
        codes = np.where(np.isnan(values), len(names), codes)
    present, group = np.unique(codes, return_inverse=True)
    return tuple((*names, "not recorded")[code] for code in present), np.asarray(group, dtype=np.intp)


@dataclass(frozen=True, slots=True)
class JudgedGroup:
    """How many claims of one group the reference judged."""

    grouping: str
    label: str
    claims: int
    judged: int


@dataclass(frozen=True, slots=True)
class JudgedVersusNot:
    """Whether the judged claims look like the others.

    Attributes
    ----------
    claims, judged : int
        Claims, and those that the reference judged.
    median_judged_ma, median_not_judged_ma : float or None
        Median current of the claims, mA; ``None`` without claims of that kind.
    rows : tuple of JudgedGroup
        Counts for every group of every grouping.
    sentence : str
        What a reader must know.
    """

    claims: int
    judged: int
    median_judged_ma: float | None
    median_not_judged_ma: float | None
    rows: tuple[JudgedGroup, ...]
    sentence: str


def judged_versus_not(claims: Claims) -> JudgedVersusNot:
    """Compare the claims that the reference judged with those that it did not.

    Only described: a test that finds no difference would not show that the judged claims are a fair sample.
    """
    judged = claims.is_judged
    rows = []
    for grouping in GROUPINGS:
        labels, group = group_claims(claims, grouping)
        rows += [
            JudgedGroup(grouping, label, int((group == g).sum()), int((judged & (group == g)).sum()))
            for g, label in enumerate(labels)
        ]
    medians = [float(np.median(claims.current_ma[part])) if part.any() else None for part in (judged, ~judged)]
    sentence = f"The reference judged {claims.judged} of {claims.claimed} claimed captures"
    if claims.judged == claims.claimed:
        sentence += ", which is all of them."
    else:
        sentence += "; if claims were chosen for review because they looked doubtful, or because a strip was kept, "
        sentence += "the share of false captures among the others may differ."
    return JudgedVersusNot(claims.claimed, claims.judged, medians[0], medians[1], tuple(rows), sentence)
