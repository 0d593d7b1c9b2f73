"""Rules about records that point to each other: comparisons and overlaps."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Final

from capstat.attempts.vocabulary import word_key
from capstat.synthesis.evidence_rule import Complaint, Record, shown

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Sequence

    from capstat.attempts.findings import FindingLog, Severity
    from capstat.synthesis.study_arm import StudyArm

__all__ = ["LINK_RULES", "LinkRule", "check_links"]

LinkRule = tuple[str, "Severity", "Callable[[StudyArm, StudyArm], Iterator[Complaint]]"]
"""Name, severity, and what finds the problems of an arm and the arm that it is compared with."""

_NO_RECORD: Final = "names no record"


def check_links(records: Sequence[Record], elsewhere: Collection[str], log: FindingLog, *, complete: bool) -> None:
    """Keep what is wrong between records that name each other.

    Parameters
    ----------
    records : sequence of Record
        Everything that is used together.
    elsewhere : collection of str
        Codes that ``overlaps`` may name besides: a shared person does no harm where the other record is not used.
    log : FindingLog
        Takes the findings.
    complete : bool
        Whether every code is known; otherwise a code that is not found may be in what could not be read.
    """
    by_code = {record.arm.arm: record for record in reversed(records) if record.arm.arm}
    for record in records:
        arm = record.arm
        for code in arm.overlaps:
            if complete and code not in by_code and code not in elsewhere:
                remedy = f'There is no record "{code}"; name others by the codes in their column arm.'
                record.complain(log, "error", "overlaps-unknown", Complaint("overlaps", _NO_RECORD, remedy))
        if not arm.compared_with:
            continue
        other = by_code.get(arm.compared_with)
        if other is None and complete:
            complaint = Complaint("compared_with", _NO_RECORD, "Both arms of a comparison must be in the files.")
            record.complain(log, "error", "compared-with-unknown", complaint)
        elif other is not None and other is not record:
            for name, severity, find in LINK_RULES:
                for complaint in find(arm, other.arm):
                    record.complain(log, severity, name, complaint)


def _other_outcome(arm: StudyArm, other: StudyArm) -> Iterator[Complaint]:
    if arm.outcome and other.outcome and word_key(arm.outcome) != word_key(other.outcome):
        yield Complaint(
            "outcome",
            f'is not the outcome of {other.arm}, "{other.outcome}"',
            "Write the same words in both arms, or leave compared_with empty.",
        )


def _contradiction(arm: StudyArm, other: StudyArm) -> Iterator[Complaint]:
    if other.compared_with != arm.arm:
        return
    if arm.difference_ma is not None and other.difference_ma is not None:
        gap = abs(arm.difference_ma + other.difference_ma)
        if gap > _rounding(arm.difference_ma, other.difference_ma):
            yield Complaint(
                "difference_ma",
                f"contradicts {other.arm}, which names this arm with a difference of {shown(other.difference_ma)}",
                "The other way round a difference has the other sign; give it in one of the two arms only.",
            )
    if arm.ratio is not None and other.ratio is not None:
        gap = abs(arm.ratio * other.ratio - 1)
        if gap > _half_unit(arm.ratio) * other.ratio + _half_unit(other.ratio) * arm.ratio + 1e-3:
            yield Complaint(
                "ratio",
                f"contradicts {other.arm}, which names this arm with a ratio of {shown(other.ratio)}",
                "The other way round a ratio is 1 divided by it; give it in one of the two arms only.",
            )


def _not_of_means(arm: StudyArm, other: StudyArm) -> Iterator[Complaint]:
    difference, mean, other_mean = arm.difference_ma, arm.mean_ma, other.mean_ma
    if difference is None or mean is None or other_mean is None:
        return
    expected = mean - other_mean
    if abs(difference - expected) > _rounding(difference, mean, other_mean):
        yield Complaint(
            "difference_ma",
            f"is not the difference of the two means, {shown(round(expected, 6))}",
            "Check the sign and the numbers; it is right where the means are of other patients than the difference.",
        )


def _rounding(*printed: float) -> float:
    # plus a hair, because decimal fractions are not exact
    return sum(map(_half_unit, printed)) + 1e-9


def _half_unit(printed: float) -> float:
    """Return half a unit of the last printed place, by how much a rounded number may be off."""
    exponent = Decimal(shown(printed)).as_tuple().exponent
    return 0.5 * 10.0 ** min(int(exponent), 0)


LINK_RULES: Final[tuple[LinkRule, ...]] = (
    ("outcome-words-differ", "error", _other_outcome),
    ("contradicting-comparisons", "error", _contradiction),
    ("difference-not-of-means", "warning", _not_of_means),
)
"""Rules about an arm and the arm that it is compared with; the tests break each of them."""
