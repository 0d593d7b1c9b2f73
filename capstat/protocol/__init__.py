"""Ramps as a protocol runs them, and invented studies made with them."""

from capstat.protocol.export import clean_files, messy_files
from capstat.protocol.policy import RampPolicy
from capstat.protocol.scenario import (
    CROSSOVER_TRUTH,
    REGISTRY_TRUTH,
    ScenarioTruth,
    SyntheticStudy,
    simulate_crossover,
    simulate_registry,
)
from capstat.protocol.simulate import Thresholds, simulate_steps

__all__ = [
    "CROSSOVER_TRUTH",
    "REGISTRY_TRUTH",
    "RampPolicy",
    "ScenarioTruth",
    "SyntheticStudy",
    "Thresholds",
    "clean_files",
    "messy_files",
    "simulate_crossover",
    "simulate_registry",
    "simulate_steps",
]
