"""capstat: capture thresholds of transcutaneous pacing as censored data, and what follows from them.

Research and education only; not a medical device and not bedside guidance.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from capstat.analysis import AnalysisOptions, StudyAnalysis, analyse_study
    from capstat.attempts import (
        Finding,
        Study,
        StudyError,
        check_study,
        read_study,
        study_from_frames,
    )
    from capstat.distributions import (
        FAMILIES,
        LOGLOGISTIC,
        LOGNORMAL,
        WEIBULL,
        bootstrap_capture_currents,
        fit_npmle,
        fit_parametric,
        fit_regression,
        summarise_capture,
    )
    from capstat.placement import (
        ANTERIOR_LATERAL,
        ANTERIOR_POSTERIOR,
        compare_placements,
        paired_capture,
        paired_ratio,
        unpaired_ratio,
    )
    from capstat.protocol import RampPolicy, simulate_crossover, simulate_registry
    from capstat.report import write_report
    from capstat.results import Curve, Estimate, NotEstimableError
    from capstat.thresholds import (
        ADJUDICATED_CAPTURE,
        AS_RECORDED_CAPTURE,
        ELECTRICAL_CAPTURE,
        MECHANICAL_CAPTURE,
        CensoredThresholds,
        NonMonotoneRule,
        derive_thresholds,
    )

# Where each public name lives.  Modules are loaded when a name is first used, so that start-up is quick.
_HOMES = {
    "capstat.analysis": ("AnalysisOptions", "StudyAnalysis", "analyse_study"),
    "capstat.attempts": ("Finding", "Study", "StudyError", "check_study", "read_study", "study_from_frames"),
    "capstat.distributions": (
        "FAMILIES", "LOGLOGISTIC", "LOGNORMAL", "WEIBULL", "bootstrap_capture_currents", "fit_npmle",
        "fit_parametric", "fit_regression", "summarise_capture",
    ),
    "capstat.placement": (
        "ANTERIOR_LATERAL", "ANTERIOR_POSTERIOR", "compare_placements", "paired_capture", "paired_ratio",
        "unpaired_ratio",
    ),
    "capstat.protocol": ("RampPolicy", "simulate_crossover", "simulate_registry"),
    "capstat.report": ("write_report",),
    "capstat.results": ("Curve", "Estimate", "NotEstimableError"),
    "capstat.thresholds": (
        "ADJUDICATED_CAPTURE", "AS_RECORDED_CAPTURE", "ELECTRICAL_CAPTURE", "MECHANICAL_CAPTURE",
        "CensoredThresholds", "NonMonotoneRule", "derive_thresholds",
    ),
}  # fmt: skip
_MODULE_OF = {name: module for module, names in _HOMES.items() for name in names}

__all__ = [
    "ADJUDICATED_CAPTURE",
    "ANTERIOR_LATERAL",
    "ANTERIOR_POSTERIOR",
    "AS_RECORDED_CAPTURE",
    "ELECTRICAL_CAPTURE",
    "FAMILIES",
    "LOGLOGISTIC",
    "LOGNORMAL",
    "MECHANICAL_CAPTURE",
    "WEIBULL",
    "AnalysisOptions",
    "CensoredThresholds",
    "Curve",
    "Estimate",
    "Finding",
    "NonMonotoneRule",
    "NotEstimableError",
    "RampPolicy",
    "Study",
    "StudyAnalysis",
    "StudyError",
    "analyse_study",
    "bootstrap_capture_currents",
    "check_study",
    "compare_placements",
    "derive_thresholds",
    "fit_npmle",
    "fit_parametric",
    "fit_regression",
    "paired_capture",
    "paired_ratio",
    "read_study",
    "simulate_crossover",
    "simulate_registry",
    "study_from_frames",
    "summarise_capture",
    "unpaired_ratio",
    "write_report",
]


def __getattr__(name: str) -> Any:
    """Load a public name from its module at first use."""
    if name not in _MODULE_OF:
        raise AttributeError(f"module 'capstat' has no attribute '{name}'")
    value = getattr(import_module(_MODULE_OF[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names."""
    return sorted(__all__)
