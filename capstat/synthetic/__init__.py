"""Invented studies with known truth, made with the ramps of `capstat.protocol`."""

from capstat.synthetic.bedside_signs import SIGN_TRUTH, SignTruth
from capstat.synthetic.course import Course, add_course
from capstat.synthetic.course_truth import COURSE_TRUTH, CourseTruth
from capstat.synthetic.crossover import simulate_crossover
from capstat.synthetic.export import clean_files, messy_files
from capstat.synthetic.judgement import JUDGEMENT_TRUTH, JudgementTruth, first_claims
from capstat.synthetic.registry import simulate_registry
from capstat.synthetic.repeated_checks import (
    REPEATED_CHECKS_TRUTH,
    RepeatedChecksTruth,
    simulate_repeated_checks,
)
from capstat.synthetic.scenario import CROSSOVER_TRUTH, REGISTRY_TRUTH, ScenarioTruth, SyntheticStudy
from capstat.synthetic.simulate import Thresholds, simulate_steps

__all__ = [
    "COURSE_TRUTH",
    "CROSSOVER_TRUTH",
    "JUDGEMENT_TRUTH",
    "REGISTRY_TRUTH",
    "REPEATED_CHECKS_TRUTH",
    "SIGN_TRUTH",
    "Course",
    "CourseTruth",
    "JudgementTruth",
    "RepeatedChecksTruth",
    "ScenarioTruth",
    "SignTruth",
    "SyntheticStudy",
    "Thresholds",
    "add_course",
    "clean_files",
    "first_claims",
    "messy_files",
    "simulate_crossover",
    "simulate_registry",
    "simulate_repeated_checks",
    "simulate_steps",
]
