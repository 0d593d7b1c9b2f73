"""Every table on time to capture and outcome, in the order of the page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.report.outcome_immortal_tables import immortal_table
from capstat.report.outcome_kept_tables import kept_table, states_table
from capstat.report.outcome_regression_tables import regression_tables
from capstat.report.outcome_risk_tables import risk_tables
from capstat.report.outcome_time_tables import time_tables

if TYPE_CHECKING:
    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.report.table import Table

__all__ = ["outcome_tables"]


def outcome_tables(found: OutcomeAnalysis) -> tuple[Table, ...]:
    """Return the tables of what could be had; small counts are taken out of ``found`` beforehand (`suppress_outcomes`)."""
    tables = [*time_tables(found), *regression_tables(found)]
    if found.kept is not None:
        tables.append(kept_table(found.kept))
    if found.states is not None:
        tables.append(states_table(found.states))
    if found.immortal is not None:
        tables.append(immortal_table(found.immortal))
    return (*tables, *risk_tables(found))
