"""Ranges that published studies span, and the two of the trade, each with the records that it rests on.

A range from a few small studies shows where thresholds have been seen.  It is not a norm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from capstat.numerics.proportions import wilson
from capstat.synthesis.evidence_words import MECHANICAL_DEFINITIONS, URGENCY

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from capstat.synthesis.study_arm import EvidenceTable, StudyArm

__all__ = [
    "CENTRES",
    "EXTREMES",
    "SHARE_KINDS",
    "TRADE",
    "LeftOut",
    "PublishedRange",
    "PublishedRanges",
    "RangeRecord",
    "published_ranges",
]

Quantity = Literal["threshold", "centre", "share"]

EXTREMES: Final = "published thresholds"
CENTRES: Final = "published centres"
TRADE: Final = ("trade range 40 to 80 mA", "trade range 60 to 90 mA")
CEILING: Final = "device ceiling"

SHARE_KINDS: Final[dict[str, frozenset[str]]] = {
    "mechanical": MECHANICAL_DEFINITIONS,
    "electrical": frozenset({"ecg-response", "share-of-beats", "electrical-undescribed"}),
    "adjudicated": frozenset({"qrs-and-t", "sustained", "intracardiac"}),
    "as-recorded": frozenset({"as-claimed", "undescribed"}),
}
"""Published definitions of capture that ask the same as each definition of a local study: whether blood was moved, what
was seen at the bedside, what a recording showed afterwards, and what was called capture without a criterion."""


@dataclass(frozen=True, slots=True)
class RangeRecord:
    """What one record adds to a range.

    Attributes
    ----------
    arm, label, citation : str
        Code of the record, short and full citation.
    placement, urgency, capture_definition : str
        As in the record; ``capture_definition`` is empty where none was named.
    n : int or None
        Patients (episodes, trials) behind the number; ``None`` where the publication does not say.
    value : float or None
        Mean or median in mA, or share from 0 to 1; ``None`` for a lowest and highest threshold.
    lower, upper : float
        Lowest and highest threshold; the centre twice; Wilson limits of a share.
    statistic : str
        What was reported.
    own : bool
        Whether the user added the record.
    """

    arm: str
    label: str
    citation: str
    placement: str
    urgency: str
    capture_definition: str
    n: int | None
    value: float | None
    lower: float
    upper: float
    statistic: str
    own: bool


@dataclass(frozen=True, slots=True)
class PublishedRange:
    """A range to hold a local study against.

    Attributes
    ----------
    name : str
        Its name, unique in a set of ranges.
    quantity : {"threshold", "centre", "share"}
        Thresholds of single patients; means and medians of studies; shares captured.
    lower, upper : float
        Ends, both inclusive.
    unit : str
        ``"mA"`` or ``"proportion"``.
    source : str
        Where it comes from, in words.
    records : tuple of RangeRecord
        What it rests on; empty for a range of the trade and the legal ceiling.
    n : int or None
        Patients in the records, those in several records counted once; ``None`` where unknown.
    kind, urgency : str
        For shares, the local definition of capture that they compare with, and why the patients were paced.
    """

    name: str
    quantity: Quantity
    lower: float
    upper: float
    unit: str
    source: str
    records: tuple[RangeRecord, ...] = ()
    n: int | None = None
    kind: str = ""
    urgency: str = ""

    def holds(self, placement: str) -> bool:
        """Whether some record behind the range is of that placement."""
        return any(record.placement == placement for record in self.records)


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A current (or, in a record without one, a share) that is in no range, and why."""

    arm: str
    label: str
    what: Literal["current", "share"]
    reason: str
    placement: str


@dataclass(frozen=True, slots=True)
class PublishedRanges:
    """All ranges, and what the records of adults hold that is in none of them.

    Attributes
    ----------
    ranges : tuple of PublishedRange
        Extremes and centres of thresholds (where there are records), the two of the trade, the ceiling, then shares.
    left_out : tuple of LeftOut
        What was not used, in the order of the evidence table; a record whose current was not used may give a share.
    """

    ranges: tuple[PublishedRange, ...]
    left_out: tuple[LeftOut, ...]

    def named(self, name: str) -> PublishedRange | None:
        """The range of that name, or ``None``."""
        return next((found for found in self.ranges if found.name == name), None)

    def of_kind(self, capture: str) -> tuple[PublishedRange, ...]:
        """Ranges of shares that ask for the same kind of capture as the local definition ``capture``."""
        return tuple(found for found in self.ranges if found.quantity == "share" and found.kind == capture)


FIXED_RANGES: Final = (
    PublishedRange(TRADE[0], "threshold", 40.0, 80.0, "mA", "common practice, no source"),
    PublishedRange(TRADE[1], "threshold", 60.0, 90.0, "mA", "common practice, no source"),
    PublishedRange(CEILING, "threshold", 0.0, 200.0, "mA", "legal limit of the output, US 21 CFR 870.5550"),
)


def published_ranges(evidence: EvidenceTable, *, level: float = 0.95) -> PublishedRanges:
    """Read the ranges from an evidence table.

    Thresholds are those of adults whose current is the lowest that captured.  Left out are applied currents, records
    that may not be pooled, and centres in which a number stands for "not captured" while somebody in the statistic was
    not captured or it is not known that all were: such a mean is no mean of thresholds.  Shares captured are grouped
    by what counted as capture (``SHARE_KINDS``) and by why the patients were paced.

    Parameters
    ----------
    evidence : EvidenceTable
        Published records; a user's own are read like any other.
    level : float
        Confidence level of the limits of a share.

    Returns
    -------
    PublishedRanges
    """
    paced = [arm for arm in evidence if arm.paced and arm.age_group != "children"]
    ranges = [*_current_ranges([arm for arm in paced if not _unusable(arm)]), *FIXED_RANGES]
    ranges += _share_ranges([arm for arm in paced if not arm.not_pooled], level)
    left_out = [
        LeftOut(arm.arm, arm.short_citation, "current" if _has_current(arm) else "share", reason, arm.placement)
        for arm in paced
        if (reason := _why_left_out(arm))
    ]
    return PublishedRanges(tuple(ranges), tuple(left_out))


def _has_current(arm: StudyArm) -> bool:
    return any(value is not None for value in (arm.mean_ma, arm.median_ma, arm.minimum_ma, arm.maximum_ma))


def _unusable(arm: StudyArm) -> str:
    """Why the currents of a record are not thresholds of adults that may be put beside others; empty when they are."""
    if arm.not_pooled:
        return arm.not_pooled
    if arm.current_means != "threshold":
        return "an applied current, which is not a threshold"
    if arm.age_group != "adults":
        return "not known to be adults only"
    return ""


def _made_up(arm: StudyArm) -> bool:
    """Whether some number in the statistic may stand for "not captured"."""
    everybody = arm.n_captured is not None and arm.n_captured == _in_statistic(arm)
    return arm.non_capture == "imputed" and not everybody


def _why_left_out(arm: StudyArm) -> str:
    if _has_current(arm):
        if reason := _unusable(arm):
            return reason
        if _made_up(arm):
            number = "" if arm.imputed_as_ma is None else f" ({arm.imputed_as_ma:g} mA)"
            return f"a number{number} may stand for 'not captured' in its centre"
    return arm.not_pooled if arm.n_captured is not None else ""


def _record(
    arm: StudyArm, n: int | None, value: float | None, lower: float, upper: float, statistic: str
) -> RangeRecord:
    return RangeRecord(
        arm.arm, arm.short_citation, arm.citation, arm.placement, arm.urgency, arm.capture_definition, n, value, lower,
        upper, statistic, arm.provenance == "own",
    )  # fmt: skip


def _in_statistic(arm: StudyArm) -> int | None:
    return arm.n if arm.n_current is None else arm.n_current


def _current_ranges(arms: Sequence[StudyArm]) -> list[PublishedRange]:
    extremes, centres = [], []
    for arm in arms:
        n = _in_statistic(arm)
        # a single end counts: the lowest threshold was seen whether or not the highest was printed
        ends = [end for end in (arm.minimum_ma, arm.maximum_ma) if end is not None]
        if ends:
            extremes.append(_record(arm, n, None, min(ends), max(ends), "lowest and highest threshold"))
        # a median resists the patients at either end; the mean is used where there is none
        for centre, word in ((arm.median_ma, "median"), (arm.mean_ma, "mean")):
            if centre is not None and not _made_up(arm):
                centres.append(_record(arm, n, centre, centre, centre, word))
                break
    return [
        PublishedRange(
            name, quantity, min(r.lower for r in records), max(r.upper for r in records), "mA", source, tuple(records),
            _patients(arms, records),
        )
        for name, quantity, records, source in _described(extremes, centres)
        if records
    ]  # fmt: skip


def _described(
    extremes: list[RangeRecord], centres: list[RangeRecord]
) -> tuple[tuple[str, Quantity, list[RangeRecord], str], ...]:
    return (
        (EXTREMES, "threshold", extremes, "lowest and highest captured threshold in published studies of adults"),
        (CENTRES, "centre", centres, "means and medians of thresholds in published studies of adults"),
    )


def _share_ranges(arms: Sequence[StudyArm], level: float) -> list[PublishedRange]:
    counted = [arm for arm in arms if arm.n and arm.n_captured is not None and arm.capture_definition]
    found = []
    for kind, definitions in SHARE_KINDS.items():
        for urgency in URGENCY.values:
            group = [a for a in counted if a.capture_definition in definitions and a.urgency == urgency]
            records = tuple(_share_record(arm, level) for arm in group)
            if records:
                shares = [record.value for record in records if record.value is not None]
                found.append(
                    PublishedRange(
                        f"share captured, {kind}, {urgency}", "share", min(shares), max(shares), "proportion",
                        "shares captured in published studies", records, _patients(group, records), kind, urgency,
                    )
                )  # fmt: skip
    return found


def _share_record(arm: StudyArm, level: float) -> RangeRecord:
    total, captured = arm.n or 0, arm.n_captured or 0
    lower, upper = wilson(captured, total, level)
    words = f"{captured} of {total}" + ("" if arm.counted == "patients" else f" {arm.counted}")
    return _record(arm, total, captured / total, lower, upper, words)


def _patients(arms: Sequence[StudyArm], records: Sequence[RangeRecord]) -> int | None:
    """Patients behind the records: of records that share people only the largest counts."""
    sizes = {record.arm: record.n for record in records}
    root = _united({arm.arm: arm.overlaps for arm in arms if arm.arm in sizes})
    largest: dict[str, int] = {}
    for code, n in sizes.items():
        if n is not None:
            largest[root(code)] = max(n, largest.get(root(code), 0))
    return sum(largest.values()) if largest else None


def _united(overlaps: dict[str, tuple[str, ...]]) -> Callable[[str], str]:
    """Return a function that names the group of records, linked by overlaps, to which a record belongs."""
    group = {code: code for code in overlaps}
    for code, others in overlaps.items():
        for other in others:
            if other in group:
                old, new = group[other], group[code]
                group.update({member: new for member, name in group.items() if name == old})
    return group.__getitem__
