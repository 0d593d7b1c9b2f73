"""What a ramp policy does to patients with given thresholds, and what would follow from another one."""

from capstat.protocol.after_capture import loss_after_policy, margin_needed_after_policy, margins_after_policy
from capstat.protocol.compare_policies import CONSCIOUS, UNCONSCIOUS, Weights, compare_policies
from capstat.protocol.consequences import mean_consequences, policy_consequences
from capstat.protocol.drift import fit_drift
from capstat.protocol.drift_law import DriftLaw, DriftModel
from capstat.protocol.drift_variance import change_by_elapsed
from capstat.protocol.estimated_law import law_of_best, law_of_fit, law_of_model, law_without_model
from capstat.protocol.loss import MaximumRise
from capstat.protocol.margins import assumed_drift, assumed_drift_table, margin_needed, margin_table
from capstat.protocol.moved_pads import consequences_with_move, mean_consequences_with_move
from capstat.protocol.paired_law import MarginalLaw, PairedLaw
from capstat.protocol.policy import RampPolicy
from capstat.protocol.policy_file import PolicyError, example_policies, policy_text, read_policies
from capstat.protocol.policy_parts import NO_MARGIN, Direction, Margin, MarginUnit, Reposition
from capstat.protocol.policy_problems import policy_problems
from capstat.protocol.repeated_checks import RepeatedChecks, repeated_checks
from capstat.protocol.reposition import assumed_range, reposition_or_go_on
from capstat.protocol.reposition_times import RampTiming
from capstat.protocol.simulate_policy import simulate_policy
from capstat.protocol.threshold_law import ModelLaw, StepLaw

__all__ = [
    "CONSCIOUS",
    "NO_MARGIN",
    "UNCONSCIOUS",
    "Direction",
    "DriftLaw",
    "DriftModel",
    "Margin",
    "MarginUnit",
    "MarginalLaw",
    "MaximumRise",
    "ModelLaw",
    "PairedLaw",
    "PolicyError",
    "RampPolicy",
    "RampTiming",
    "RepeatedChecks",
    "Reposition",
    "StepLaw",
    "Weights",
    "assumed_drift",
    "assumed_drift_table",
    "assumed_range",
    "change_by_elapsed",
    "compare_policies",
    "consequences_with_move",
    "example_policies",
    "fit_drift",
    "law_of_best",
    "law_of_fit",
    "law_of_model",
    "law_without_model",
    "loss_after_policy",
    "margin_needed",
    "margin_needed_after_policy",
    "margin_table",
    "margins_after_policy",
    "mean_consequences",
    "mean_consequences_with_move",
    "policy_consequences",
    "policy_problems",
    "policy_text",
    "read_policies",
    "repeated_checks",
    "reposition_or_go_on",
    "simulate_policy",
]
