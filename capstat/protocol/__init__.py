"""Ramps as a protocol runs them, and invented studies made with them."""

from capstat.protocol.bedside_signs import SIGN_TRUTH, SignTruth
from capstat.protocol.crossover import simulate_crossover
from capstat.protocol.export import clean_files, messy_files
from capstat.protocol.judgement import JUDGEMENT_TRUTH, JudgementTruth, first_claims
from capstat.protocol.policy import RampPolicy
from capstat.protocol.registry import simulate_registry
from capstat.protocol.scenario import CROSSOVER_TRUTH, REGISTRY_TRUTH, ScenarioTruth, SyntheticStudy
from capstat.protocol.simulate import Thresholds, simulate_steps

__all__ = [
    "CROSSOVER_TRUTH",
    "JUDGEMENT_TRUTH",
    "REGISTRY_TRUTH",
    "SIGN_TRUTH",
    "JudgementTruth",
    "RampPolicy",
    "ScenarioTruth",
    "SignTruth",
    "SyntheticStudy",
    "Thresholds",
    "clean_files",
    "first_claims",
    "messy_files",
    "simulate_crossover",
    "simulate_registry",
    "simulate_steps",
]
