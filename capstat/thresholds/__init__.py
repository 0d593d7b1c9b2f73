"""Thresholds that are known only to lie between two currents."""

from capstat.thresholds.censored import Cells, CensoredThresholds, Censoring, Derivation, Ending
from capstat.thresholds.definition import (
    ADJUDICATED_CAPTURE,
    AS_RECORDED_CAPTURE,
    CAPTURE_DEFINITIONS,
    ELECTRICAL_CAPTURE,
    MECHANICAL_CAPTURE,
    CaptureDefinition,
    NonMonotoneRule,
)
from capstat.thresholds.ramp import derive_thresholds, first_attempts, step_judgements
from capstat.thresholds.tolerance import widen_for_tolerance

__all__ = [
    "ADJUDICATED_CAPTURE",
    "AS_RECORDED_CAPTURE",
    "CAPTURE_DEFINITIONS",
    "ELECTRICAL_CAPTURE",
    "MECHANICAL_CAPTURE",
    "CaptureDefinition",
    "Cells",
    "CensoredThresholds",
    "Censoring",
    "Derivation",
    "Ending",
    "NonMonotoneRule",
    "derive_thresholds",
    "first_attempts",
    "step_judgements",
    "widen_for_tolerance",
]
