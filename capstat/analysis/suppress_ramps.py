"""Small groups taken out of an analysis of ramp policies before anything is written from it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from capstat.analysis.ramp_reposition import RepositionAnalysis

if TYPE_CHECKING:
    from capstat.analysis.ramp_analysis import RampAnalysis, RampGroup, RampPart
    from capstat.analysis.ramp_margins import DriftAnalysis

__all__ = ["suppress_ramps"]

HIDDEN = "there are too few patients to show it, as requested"


def suppress_ramps(found: RampAnalysis, fewest: int) -> RampAnalysis:
    """Remove groups of fewer than ``fewest`` patients, drift of so few, and what rests on a pair with one of them.

    The estimate without a model, whose steps are as high as single patients, is removed everywhere.

    Parameters
    ----------
    found : RampAnalysis
        All results.
    fewest : int
        Smallest number of patients that may be shown; 1 changes nothing.
    """
    if fewest <= 1:
        return found
    as_read = found.as_read if found.as_read is None or found.as_read.n_patients >= fewest else None
    return replace(found, parts=tuple(_part(part, fewest) for part in found.parts), as_read=as_read)


def _part(part: RampPart, fewest: int) -> RampPart:
    groups = tuple(_group(group, fewest) for group in part.groups)
    hidden = any(group.n_patients < fewest for group in part.groups)
    reposition = RepositionAnalysis((), HIDDEN) if hidden else part.reposition
    return replace(part, groups=groups, drift=_drift(part.drift, fewest), reposition=reposition)


def _group(group: RampGroup, fewest: int) -> RampGroup:
    if group.n_patients < fewest:
        return replace(
            group,
            laws=None,
            reason=HIDDEN,
            policies=(),
            without_model=(),
            misjudged=(),
            comparison=None,
            margins=(),
            notes=(),
        )
    return replace(group, without_model=())


def _drift(drift: DriftAnalysis, fewest: int) -> DriftAnalysis:
    out = drift.checks.left_out
    small = any(0 < getattr(out, name) < fewest for name in out.__slots__)
    checks = replace(drift.checks, left_out=type(out)()) if small else drift.checks
    if drift.fits and drift.checks.n_patients < fewest:
        return replace(drift, checks=checks, fits=(), elapsed=(), needed=None, rises=(), trend=None, reasons=(HIDDEN,))
    trend = drift.trend
    if trend is not None and any(0 < count < fewest for count in (trend.higher, trend.lower)):
        trend = None
    return replace(drift, checks=checks, trend=trend)
