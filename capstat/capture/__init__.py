"""Whether what was called capture was capture, and thresholds when it was not."""

from capstat.capture.accuracy import SignAccuracy, assess_sign
from capstat.capture.agreement import Agreement, agreement_of_columns, assess_agreement
from capstat.capture.before_after import BeforeAfter, compare_before_after
from capstat.capture.claim_groups import JudgedVersusNot, judged_versus_not
from capstat.capture.claimed_currents import ClaimedCurrents, compare_claimed_currents
from capstat.capture.claims import Claims, read_claims
from capstat.capture.corrected import CorrectedCapture, correct_thresholds
from capstat.capture.corrected_parametric import CorrectedFit, fit_corrected
from capstat.capture.differential import (
    DifferentialMisjudgement,
    differential_misjudgement,
    ratio_with_own_errors,
)
from capstat.capture.estimated_errors import ErrorModel
from capstat.capture.false_capture import FalseCaptureAudit, audit_counts, audit_false_capture
from capstat.capture.judged_ramps import JudgedRamps, read_judged_ramps
from capstat.capture.judgement_errors import JudgementErrors
from capstat.capture.latent_dependence import (
    DependencePoint,
    DependentPair,
    dependence_sensitivity,
    fit_with_dependent_pair,
)
from capstat.capture.latent_signs import LatentSigns, fit_signs
from capstat.capture.review_selection import review_by_contradiction
from capstat.capture.roc import ContinuousSignAccuracy, assess_continuous_sign
from capstat.capture.run_chart import FalseCaptureChart, false_capture_chart
from capstat.capture.sensitivity_surface import SurfacePoint, sensitivity_surface
from capstat.capture.signs import REFERENCES, SIGNS, Sign, SignRecord, combine_signs, read_sign
from capstat.capture.two_by_two import TwoByTwo, accuracy_from_counts
from capstat.capture.verification import VerificationCorrection, correct_for_verification
from capstat.capture.verification_by_signs import correct_for_verification_by_signs

__all__ = [
    "REFERENCES",
    "SIGNS",
    "Agreement",
    "BeforeAfter",
    "ClaimedCurrents",
    "Claims",
    "ContinuousSignAccuracy",
    "CorrectedCapture",
    "CorrectedFit",
    "DependencePoint",
    "DependentPair",
    "DifferentialMisjudgement",
    "ErrorModel",
    "FalseCaptureAudit",
    "FalseCaptureChart",
    "JudgedRamps",
    "JudgedVersusNot",
    "JudgementErrors",
    "LatentSigns",
    "Sign",
    "SignAccuracy",
    "SignRecord",
    "SurfacePoint",
    "TwoByTwo",
    "VerificationCorrection",
    "accuracy_from_counts",
    "agreement_of_columns",
    "assess_agreement",
    "assess_continuous_sign",
    "assess_sign",
    "audit_counts",
    "audit_false_capture",
    "combine_signs",
    "compare_before_after",
    "compare_claimed_currents",
    "correct_for_verification",
    "correct_for_verification_by_signs",
    "correct_thresholds",
    "dependence_sensitivity",
    "differential_misjudgement",
    "false_capture_chart",
    "fit_corrected",
    "fit_signs",
    "fit_with_dependent_pair",
    "judged_versus_not",
    "ratio_with_own_errors",
    "read_claims",
    "read_judged_ramps",
    "read_sign",
    "review_by_contradiction",
    "sensitivity_surface",
]
