"""How a report was made: versions, choices, seed, and the fingerprint of the input."""

from __future__ import annotations

import platform
from importlib import metadata
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from capstat.analysis import StudyAnalysis

__all__ = ["provenance_of"]

LIBRARIES = ("numpy", "pandas", "scipy", "statsmodels", "formulaic", "seaborn", "matplotlib")


def provenance_of(analysis: StudyAnalysis, suppress_below: int) -> dict[str, str]:
    """Everything that is needed to make the same report again; no time, so that the bytes repeat."""
    options, ramps = analysis.options, analysis.ramps
    return {
        "capstat": metadata.version("capstat"),
        "python": platform.python_version(),
        **{name: metadata.version(name) for name in LIBRARIES},
        "input files": ", ".join(analysis.sources),
        "input fingerprint (SHA-256)": analysis.fingerprint,
        "definitions of capture": ", ".join(c.capture.name for c in analysis.captures) or "none",
        "rule for ramps that contradict themselves": options.rule.value,
        "placements compared": f"{options.first} minus {options.minus}",
        "adjusted for": "declared confounders where recorded"
        if options.adjust_for is None
        else ", ".join(options.adjust_for) or "nothing",
        "covariates of the regression": "those declared beforehand, where recorded"
        if options.covariates is None
        else ", ".join(options.covariates) or "none",
        "capture currents for": ", ".join(f"{100 * share:g} %" for share in options.fractions),
        "shares captured at": "every 20 mA from 40 mA"
        if options.currents_ma is None
        else ", ".join(f"{c:g} mA" for c in options.currents_ma),
        "confidence level": f"{options.level:g}",
        "bootstrap replicates": f"{options.replicates}",
        **(
            {}
            if ramps is None
            else {
                "ramp policies (ramp_policies.toml)": "; ".join(p.name for part in ramps.parts for p in part.policies),
                "currents counted as uncomfortable": f"above {ramps.question.discomfort_ma:g} mA",
                "draws for ramp policies": f"{ramps.question.draws}",
            }
        ),
        **_followed(analysis),
        **(
            {}
            if analysis.evidence is None
            else {
                "published studies": ", ".join(analysis.evidence.table.sources),
                "fingerprint of the published studies (SHA-256)": analysis.evidence.table.fingerprint,
                "weight of the published studies as a prior": f"{analysis.evidence.question.weight:g}",
            }
        ),
        "seed": f"{options.seed}",
        "groups suppressed below": f"{suppress_below} patients" if suppress_below > 1 else "none",
    }


def _followed(analysis: StudyAnalysis) -> dict[str, str]:
    """Choices of time and outcome."""
    found = analysis.outcomes
    if found is None:
        return {}
    question = found.question
    return {
        "time zero": question.origin.value,
        "sustained capture": f"{question.sustained_s:g} s",
        "outcome declared beforehand": question.declared or "none",
        "landmarks": ", ".join(f"{minute:g} min" for minute in question.within_min),
        "horizon of survival in time": f"{question.horizon_min:g} min",
        "bootstrap replicates for outcomes": f"{question.replicates}",
    }
