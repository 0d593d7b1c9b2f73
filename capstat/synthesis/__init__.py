"""Published studies as data: what they report, what that means as an effect, and what they say together."""

from capstat.numerics.from_quantiles import (
    QuantileSummary,
    hozo_mean,
    hozo_sd,
    luo_mean,
    skewness_test,
    wan_mean,
    wan_sd,
)
from capstat.synthesis.beside import place_local, update_local
from capstat.synthesis.evidence_file import EvidenceError, join_evidence, published_evidence, read_evidence
from capstat.synthesis.judgements_file import JudgementsError, read_judgements
from capstat.synthesis.moderators import moderators_of
from capstat.synthesis.pooled import pool_evidence
from capstat.synthesis.questions import EvidenceQuestion, gather, questions_of
from capstat.synthesis.range_check import check_ranges, suppress_ranges
from capstat.synthesis.reconstruction import crossover_variants, reconstruct_crossover
from capstat.synthesis.reconstruction_arm import never_captured_variants, reconstruct_arm
from capstat.synthesis.recorded_crossover import recorded_crossover
from capstat.synthesis.reported import ReportedArm
from capstat.synthesis.reported_crossover import ReportedCounts, ReportedCrossover, published_crossover_2022
from capstat.synthesis.study_arm import EvidenceTable, StudyArm
from capstat.synthesis.study_effect import MEASURES, StudyEffect

__all__ = [
    "MEASURES",
    "EvidenceError",
    "EvidenceQuestion",
    "EvidenceTable",
    "JudgementsError",
    "QuantileSummary",
    "ReportedArm",
    "ReportedCounts",
    "ReportedCrossover",
    "StudyArm",
    "StudyEffect",
    "check_ranges",
    "crossover_variants",
    "gather",
    "hozo_mean",
    "hozo_sd",
    "join_evidence",
    "luo_mean",
    "moderators_of",
    "never_captured_variants",
    "place_local",
    "pool_evidence",
    "published_crossover_2022",
    "published_evidence",
    "questions_of",
    "read_evidence",
    "read_judgements",
    "reconstruct_arm",
    "reconstruct_crossover",
    "recorded_crossover",
    "skewness_test",
    "suppress_ranges",
    "update_local",
    "wan_mean",
    "wan_sd",
]
