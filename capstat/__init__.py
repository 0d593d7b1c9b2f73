"""capstat: capture thresholds of transcutaneous pacing as censored data, and what follows from them.

Research and education only; not a medical device and not bedside guidance.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from capstat.analysis import (
        AnalysisOptions,
        LiteratureQuestion,
        OutcomeQuestion,
        RampQuestion,
        StudyAnalysis,
        analyse_evidence,
        analyse_outcomes,
        analyse_ramps,
        analyse_study,
        describe_local,
        evidence_brief,
    )
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
        GAMMA,
        GENERALISED_GAMMA,
        LOGLOGISTIC,
        LOGNORMAL,
        WEIBULL,
        Covariates,
        Spline,
        averaged_capture_currents,
        bootstrap_capture_currents,
        compare_families,
        estimate_never_captured,
        fit_covariate_model,
        fit_npmle,
        fit_parametric,
        fit_regression,
        follow_up,
        goodness_of_fit,
        likelihood_ratio_currents,
        likelihood_ratio_curve,
        profile_capture_current,
        quantile_pairs,
        shortcut_estimates,
        standardised_curves,
        standardised_difference,
        summarise_capture,
    )
    from capstat.outcomes import (
        Awaited,
        Origin,
        capture_kept,
        compare_outcome,
        derive_episodes,
        immortal_comparison,
        occupation,
        survival_course,
        time_regression,
        time_to_capture,
    )
    from capstat.placement import (
        ANTERIOR_LATERAL,
        ANTERIOR_POSTERIOR,
        Claim,
        compare_placements,
        decide,
        grouped_by,
        imputed_ratio,
        modifier_analysis,
        observational_analysis,
        paired_capture,
        paired_ratio,
        paired_tests,
        posterior_probability,
        score_tests,
        subgroup_forest,
        unpaired_ratio,
    )
    from capstat.protocol import RampPolicy, law_of_model, policy_consequences, read_policies
    from capstat.report import write_report
    from capstat.results import Curve, Estimate, NotEstimableError
    from capstat.synthesis import (
        EvidenceQuestion,
        ReportedArm,
        ReportedCrossover,
        check_ranges,
        gather,
        pool_evidence,
        published_evidence,
        read_evidence,
        reconstruct_arm,
        reconstruct_crossover,
    )
    from capstat.synthetic import simulate_crossover, simulate_registry
    from capstat.thresholds import (
        ADJUDICATED_CAPTURE,
        AS_RECORDED_CAPTURE,
        ELECTRICAL_CAPTURE,
        MECHANICAL_CAPTURE,
        CensoredThresholds,
        NonMonotoneRule,
        derive_thresholds,
        widen_for_tolerance,
    )

# Where each public name lives.  Modules are loaded when a name is first used, so that start-up is quick.
_HOMES = {
    "capstat.analysis": (
        "AnalysisOptions", "LiteratureQuestion", "OutcomeQuestion", "RampQuestion", "StudyAnalysis", "analyse_evidence",
        "analyse_outcomes", "analyse_ramps", "analyse_study", "describe_local", "evidence_brief",
    ),
    "capstat.attempts": ("Finding", "Study", "StudyError", "check_study", "read_study", "study_from_frames"),
    "capstat.distributions": (
        "FAMILIES", "GAMMA", "GENERALISED_GAMMA", "LOGLOGISTIC", "LOGNORMAL", "WEIBULL", "Covariates", "Spline",
        "averaged_capture_currents", "bootstrap_capture_currents", "compare_families", "estimate_never_captured",
        "fit_covariate_model", "fit_npmle", "fit_parametric", "fit_regression", "follow_up", "goodness_of_fit",
        "likelihood_ratio_currents", "likelihood_ratio_curve", "profile_capture_current", "quantile_pairs",
        "shortcut_estimates", "standardised_curves", "standardised_difference",
        "summarise_capture",
    ),
    "capstat.outcomes": (
        "Awaited", "Origin", "capture_kept", "compare_outcome", "derive_episodes", "immortal_comparison", "occupation",
        "survival_course", "time_regression", "time_to_capture",
    ),
    "capstat.placement": (
        "ANTERIOR_LATERAL", "ANTERIOR_POSTERIOR", "Claim", "compare_placements", "decide", "grouped_by",
        "imputed_ratio", "modifier_analysis", "observational_analysis", "paired_capture", "paired_ratio",
        "paired_tests", "posterior_probability", "score_tests", "subgroup_forest", "unpaired_ratio",
    ),
    "capstat.protocol": ("RampPolicy", "law_of_model", "policy_consequences", "read_policies"),
    "capstat.report": ("write_report",),
    "capstat.results": ("Curve", "Estimate", "NotEstimableError"),
    "capstat.synthesis": (
        "EvidenceQuestion", "ReportedArm", "ReportedCrossover", "check_ranges", "gather", "pool_evidence",
        "published_evidence", "read_evidence", "reconstruct_arm", "reconstruct_crossover",
    ),
    "capstat.synthetic": ("simulate_crossover", "simulate_registry"),
    "capstat.thresholds": (
        "ADJUDICATED_CAPTURE", "AS_RECORDED_CAPTURE", "ELECTRICAL_CAPTURE", "MECHANICAL_CAPTURE",
        "CensoredThresholds", "NonMonotoneRule", "derive_thresholds", "widen_for_tolerance",
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
    "GAMMA",
    "GENERALISED_GAMMA",
    "LOGLOGISTIC",
    "LOGNORMAL",
    "MECHANICAL_CAPTURE",
    "WEIBULL",
    "AnalysisOptions",
    "Awaited",
    "CensoredThresholds",
    "Claim",
    "Covariates",
    "Curve",
    "Estimate",
    "EvidenceQuestion",
    "Finding",
    "LiteratureQuestion",
    "NonMonotoneRule",
    "NotEstimableError",
    "Origin",
    "OutcomeQuestion",
    "RampPolicy",
    "RampQuestion",
    "ReportedArm",
    "ReportedCrossover",
    "Spline",
    "Study",
    "StudyAnalysis",
    "StudyError",
    "analyse_evidence",
    "analyse_outcomes",
    "analyse_ramps",
    "analyse_study",
    "averaged_capture_currents",
    "bootstrap_capture_currents",
    "capture_kept",
    "check_ranges",
    "check_study",
    "compare_families",
    "compare_outcome",
    "compare_placements",
    "decide",
    "derive_episodes",
    "derive_thresholds",
    "describe_local",
    "estimate_never_captured",
    "evidence_brief",
    "fit_covariate_model",
    "fit_npmle",
    "fit_parametric",
    "fit_regression",
    "follow_up",
    "gather",
    "goodness_of_fit",
    "grouped_by",
    "immortal_comparison",
    "imputed_ratio",
    "law_of_model",
    "likelihood_ratio_currents",
    "likelihood_ratio_curve",
    "modifier_analysis",
    "observational_analysis",
    "occupation",
    "paired_capture",
    "paired_ratio",
    "paired_tests",
    "policy_consequences",
    "pool_evidence",
    "posterior_probability",
    "profile_capture_current",
    "published_evidence",
    "quantile_pairs",
    "read_evidence",
    "read_policies",
    "read_study",
    "reconstruct_arm",
    "reconstruct_crossover",
    "score_tests",
    "shortcut_estimates",
    "simulate_crossover",
    "simulate_registry",
    "standardised_curves",
    "standardised_difference",
    "study_from_frames",
    "subgroup_forest",
    "summarise_capture",
    "survival_course",
    "time_regression",
    "time_to_capture",
    "unpaired_ratio",
    "widen_for_tolerance",
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
