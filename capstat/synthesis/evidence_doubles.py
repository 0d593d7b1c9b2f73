"""The same people counted twice: codes, records and studies that are there more than once."""

from __future__ import annotations

from collections import defaultdict
from itertools import combinations
from typing import TYPE_CHECKING, Final

from capstat.attempts.vocabulary import word_key
from capstat.synthesis.evidence_fields import EVIDENCE_FIELDS
from capstat.synthesis.evidence_rule import CURRENTS, Complaint, Record
from capstat.synthesis.evidence_rules_origin import FIGURES

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence

    from capstat.attempts.findings import FindingLog
    from capstat.synthesis.study_arm import StudyArm

    _Keys = Callable[[StudyArm], Iterable[Hashable]]

__all__ = ["check_doubles"]

_MAY_DIFFER: Final = frozenset({"arm", "citation", "derived", "notes", "overlaps", "compared_with"})
_SAME: Final = tuple(field.name for field in EVIDENCE_FIELDS if field.name not in _MAY_DIFFER)
_SAYS_SO: Final = "If some people are the same, name the other record in overlaps; both are then never pooled together."


def check_doubles(records: Sequence[Record], log: FindingLog) -> None:
    """Keep what may count people twice.

    - A code is the code of one record only (``duplicate-code``).
    - Two records of one study do not say the same under two codes (``duplicate-record``).
    - Two records under different study codes, or from different files, with one DOI or PubMed number, one placement,
      one definition of capture and one statistic are the same study (``duplicate-study``), unless one of them names
      the other in ``overlaps`` or may not be pooled at all.
    - Records of different files with one DOI or PubMed number, or with one first author and year where a number
      is missing, may be (``possible-duplicate``, a warning).  So may two studies of one file with one citation or
      number; of each such pair of studies one is told.
    """
    for _, same in _grouped(records, lambda arm: [arm.arm]):
        for record in same[1:]:
            complaint = Complaint(
                "arm", f"is also the code of {_place(same[0].arm)}", "Give every record its own code."
            )
            record.complain(log, "error", "duplicate-code", complaint)
    told: set[tuple[int, int]] = set()
    records = [record for record in records if not record.bad]  # what was not understood may be the difference
    for first, second in _pairs(records, _content):
        complaint = Complaint("arm", f"says the same as {_name(first.arm)}", "Delete one of the two.")
        _tell(first, second, "duplicate-record", complaint, log, told)
    for first, second in _pairs(records, _numbers):
        if _counted_twice(first.arm, second.arm):
            complaint = Complaint("arm", f"is a duplicate study: {_name(first.arm)} has the same statistic", _SAYS_SO)
            _tell(first, second, "duplicate-study", complaint, log, told)
    for first, second in _pairs(records, _names):
        if _perhaps_the_same(first.arm, second.arm):
            complaint = Complaint("arm", f"may be the study of {_name(first.arm)}", _SAYS_SO)
            _tell(first, second, "possible-duplicate", complaint, log, told)
    _two_reports(records, log, told)


def _two_reports(records: Sequence[Record], log: FindingLog, told: set[tuple[int, int]]) -> None:
    """Warn of studies of one file that may be two reports of one study."""
    declared = {_studies(a.arm, b.arm) for a, b in combinations(records, 2) if _linked(a.arm, b.arm)}
    seen: set[Hashable] = set()
    for first, second in _pairs(records, _names):
        one, other = first.arm, second.arm
        studies = _studies(one, other)
        # where some overlap is declared, only what would still be counted twice is left to tell
        settled = studies in declared and not _statistics(one) & _statistics(other)
        if studies not in seen and not settled and _other_report(one, other):
            seen.add(studies)
            complaint = Complaint("arm", f"may be a second report of the study of {_name(one)}", _SAYS_SO)
            _tell(first, second, "possible-duplicate", complaint, log, told)


def _tell(
    first: Record, second: Record, rule: str, complaint: Complaint, log: FindingLog, told: set[tuple[int, int]]
) -> None:
    """Keep a complaint about the second of a pair of which nothing was said yet."""
    pair = (id(first), id(second))
    if pair not in told and first.arm.arm != second.arm.arm:
        told.add(pair)
        second.complain(log, "warning" if rule == "possible-duplicate" else "error", rule, complaint)


def _grouped(records: Sequence[Record], keys: _Keys) -> Iterator[tuple[Hashable, list[Record]]]:
    groups: dict[Hashable, list[Record]] = defaultdict(list)
    for record in records:
        for key in keys(record.arm):
            if key:
                groups[key].append(record)
    yield from groups.items()


def _pairs(records: Sequence[Record], keys: _Keys) -> Iterator[tuple[Record, Record]]:
    for _, same in _grouped(records, keys):
        yield from combinations(same, 2)


def _content(arm: StudyArm) -> Iterator[Hashable]:
    if _says_something(arm):
        yield tuple(getattr(arm, name) for name in _SAME)


def _numbers(arm: StudyArm) -> Iterator[Hashable]:
    if arm.doi:
        yield arm.doi.lower()
    if arm.pmid is not None:
        yield arm.pmid


def _names(arm: StudyArm) -> Iterator[Hashable]:
    yield from _numbers(arm)
    yield word_key(arm.short_citation) if arm.citation else ""
    yield _citation(arm)


def _citation(arm: StudyArm) -> str:
    return "".join(arm.citation.casefold().split())


def _studies(first: StudyArm, second: StudyArm) -> Hashable:
    """Two studies and their files, whatever their order."""
    return frozenset(((first.source, first.study), (second.source, second.study)))


def _statistics(arm: StudyArm) -> set[Hashable]:
    """Return what an arm reports: kind, placement, and definition or outcome."""
    found: set[Hashable] = set()
    capture = (arm.placement, arm.capture_definition)
    if arm.current_means == "threshold" and any(getattr(arm, name) is not None for name in CURRENTS):
        found.add(("threshold", *capture))
    found |= {(name, *capture) for name in ("n_captured", "difference_ma", "ratio") if getattr(arm, name) is not None}
    if arm.outcome_events is not None:
        found.add(("outcome", arm.placement, arm.paced, word_key(arm.outcome)))
    return found


def _linked(first: StudyArm, second: StudyArm) -> bool:
    return second.arm in (*first.overlaps, first.compared_with) or first.arm in (*second.overlaps, second.compared_with)


def _counted_twice(first: StudyArm, second: StudyArm) -> bool:
    return (
        (first.study != second.study or first.source != second.source)
        and not (first.not_pooled or second.not_pooled or _linked(first, second))
        and bool(_statistics(first) & _statistics(second))
    )


def _perhaps_the_same(first: StudyArm, second: StudyArm) -> bool:
    if first.source == second.source or _linked(first, second):
        return False
    if first.not_pooled or second.not_pooled or not (_says_something(first) and _says_something(second)):
        return False
    numbers, others = set(_numbers(first)), set(_numbers(second))
    return bool(numbers & others) or not (numbers and others)


def _other_report(first: StudyArm, second: StudyArm) -> bool:
    if first.source != second.source or first.study == second.study or _linked(first, second):
        return False
    if first.not_pooled or second.not_pooled or not (_says_something(first) and _says_something(second)):
        return False
    same_citation = bool(first.citation) and _citation(first) == _citation(second)
    return same_citation or bool(set(_numbers(first)) & set(_numbers(second)))


def _says_something(arm: StudyArm) -> bool:
    return any(getattr(arm, name) is not None for name in FIGURES)


def _name(arm: StudyArm) -> str:
    return f'"{arm.arm}" ({_place(arm)})'


def _place(arm: StudyArm) -> str:
    return arm.source if arm.row is None else f"{arm.source}, row {arm.row}"
