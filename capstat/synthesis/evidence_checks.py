"""Everything that is checked of records once their cells are understood."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capstat.synthesis.evidence_doubles import check_doubles
from capstat.synthesis.evidence_links import check_links
from capstat.synthesis.evidence_rules_counts import COUNT_RULES
from capstat.synthesis.evidence_rules_currents import COMPARISON_RULES, CURRENT_RULES
from capstat.synthesis.evidence_rules_origin import ORIGIN_RULES

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from capstat.attempts.findings import FindingLog
    from capstat.synthesis.evidence_rule import Record

__all__ = ["ARM_RULES", "check_each", "check_together"]

ARM_RULES: Final = (*COUNT_RULES, *CURRENT_RULES, *COMPARISON_RULES, *ORIGIN_RULES)
"""Rules that a record keeps or breaks by itself."""


def check_each(records: Sequence[Record], log: FindingLog) -> None:
    """Keep in ``log`` what is wrong inside each record."""
    for record in records:
        for rule in ARM_RULES:
            rule.check(record, log)


def check_together(
    records: Sequence[Record], elsewhere: Collection[str], log: FindingLog, *, complete: bool = True
) -> None:
    """Keep in ``log`` what is wrong between records; parameters as for `check_links`."""
    check_links(records, elsewhere, log, complete=complete)
    check_doubles(records, log)
