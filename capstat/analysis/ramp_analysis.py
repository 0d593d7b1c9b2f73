"""What ramp policies would do to patients like those of a study."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from capstat.analysis.ramp_as_read import PoliciesAsRead, policies_as_read
from capstat.analysis.ramp_laws import PairLaws, group_laws, law_of_pair, pair_laws, steps_of_group
from capstat.analysis.ramp_margins import DriftAnalysis, PolicyMargins, analyse_drift, policy_margins
from capstat.analysis.ramp_reposition import RepositionAnalysis, analyse_reposition
from capstat.numerics.proportions import wilson
from capstat.placement import first_attempt_of_each_patient, grouped_by, paired_by_design
from capstat.protocol.compare_policies import compare_policies
from capstat.protocol.consequences import mean_consequences, policy_consequences
from capstat.protocol.moved_pads import consequences_with_move, mean_consequences_with_move
from capstat.protocol.policy_file import example_policies
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import CAPTURE_DEFINITIONS, derive_thresholds

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.analysis.corrected_analysis import CorrectedAnalysis
    from capstat.analysis.ramp_laws import GroupLaws
    from capstat.analysis.ramp_question import RampQuestion
    from capstat.analysis.study_analysis import AnalysisOptions
    from capstat.attempts import Study
    from capstat.protocol import RampPolicy
    from capstat.protocol.compare_policies import PolicyComparison
    from capstat.protocol.consequences import MeanConsequences, PolicyConsequences
    from capstat.protocol.paired_law import PairedLaw
    from capstat.results import Estimate
    from capstat.thresholds import CaptureDefinition, CensoredThresholds

__all__ = ["RampAnalysis", "RampGroup", "RampPart", "analyse_ramps"]


@dataclass(frozen=True, slots=True, eq=False)
class RampGroup:
    """Policies applied to the thresholds of one group.

    Attributes
    ----------
    label : str
        The group.
    n_patients : int
        Patients.
    laws : GroupLaws or None
        Distribution of their thresholds; ``None`` where none could be estimated.
    reason : str
        Why not; empty otherwise.
    policies : tuple of PolicyConsequences
        What each policy does, under the model.
    without_model : tuple of PolicyConsequences
        The same from the estimate without a model; without moving the pads.
    misjudged : tuple of PolicyConsequences
        The same as ``policies`` with errors of judgement; empty where none were given.
    comparison : PolicyComparison or None
        The policies beside each other.
    margins : tuple of PolicyMargins
        What margins are worth after each policy; one entry for each assumed drift where none was estimated.
    notes : tuple of str
        What was taken for granted.
    highest_tried_ma : float
        Highest current tried in the group, in mA; beyond it a model speaks alone.
    """

    label: str
    n_patients: int
    laws: GroupLaws | None
    reason: str
    policies: tuple[PolicyConsequences, ...] = ()
    without_model: tuple[PolicyConsequences, ...] = ()
    misjudged: tuple[PolicyConsequences, ...] = ()
    comparison: PolicyComparison | None = None
    margins: tuple[PolicyMargins, ...] = ()
    notes: tuple[str, ...] = ()
    highest_tried_ma: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class RampPart:
    """Policies that look for one kind of capture.

    Attributes
    ----------
    capture : CaptureDefinition
        What counts as capture.
    selection : str
        Which attempts describe the thresholds, in words.
    policies : tuple of RampPolicy
        The policies.
    groups : tuple of RampGroup
        One for each group.
    drift : DriftAnalysis
        How thresholds change within a patient.
    reposition : RepositionAnalysis
        More current, or other pads?
    """

    capture: CaptureDefinition
    selection: str
    policies: tuple[RampPolicy, ...]
    groups: tuple[RampGroup, ...]
    drift: DriftAnalysis
    reposition: RepositionAnalysis


@dataclass(frozen=True, slots=True, eq=False)
class RampAnalysis:
    """What ramp policies would do.

    Attributes
    ----------
    question : RampQuestion
        Choices made.
    examples : bool
        Whether the policies are the examples that come with capstat.
    parts : tuple of RampPart
        One for each kind of capture that policies look for, the leading one of the study first.
    as_read : PoliciesAsRead or None
        The policies where capture is judged as in the study; ``None`` where nothing shows how often that is wrong.
    not_as_read : str
        Why there is no such result; empty where it was not asked for.
    """

    question: RampQuestion
    examples: bool
    parts: tuple[RampPart, ...]
    as_read: PoliciesAsRead | None = None
    not_as_read: str = ""


def analyse_ramps(
    study: Study,
    options: AnalysisOptions,
    question: RampQuestion,
    leading: CaptureDefinition,
    corrected: CorrectedAnalysis | None = None,
) -> RampAnalysis:
    """Work out what ramp policies would do to patients like those of a study.

    Parameters
    ----------
    study : Study
        Checked records.
    options : AnalysisOptions
        Placements, rule for ramps that contradict themselves, confidence level and seed.
    question : RampQuestion
        Policies and what is asked of them.
    leading : CaptureDefinition
        What capture means in policies that do not say so.
    corrected : CorrectedAnalysis, optional
        Thresholds under misjudgement, with the errors of judgement that the study showed.

    Raises
    ------
    UsageError
        When two policies have the same name, or the grouping column cannot be used.
    NotEstimableError
        When capture as a policy means it was assessed in no attempt.
    """
    policies = question.policies or example_policies()
    names = [policy.name for policy in policies]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise UsageError(f"Two policies have the name '{twice[0]}'; every policy needs one of its own.")
    by_name = {capture.name: capture for capture in CAPTURE_DEFINITIONS}
    wanted: dict[CaptureDefinition, list[RampPolicy]] = {}
    for policy in policies:
        if policy.capture is not None and policy.capture not in by_name:
            raise UsageError(
                f"'{policy.name}' looks for '{policy.capture}' capture; accepted are {', '.join(by_name)}."
            )
        wanted.setdefault(by_name[policy.capture] if policy.capture else leading, []).append(policy)
    parts = [
        _part(study, options, question, capture, tuple(chosen))
        for capture, chosen in sorted(wanted.items(), key=lambda item: item[0] is not leading)
    ]
    read = policies_as_read(corrected, policies, question, level=options.level, seed=options.seed)
    as_read, why_not = (None, read) if isinstance(read, str) else (read, "")
    return RampAnalysis(question, not question.policies, tuple(parts), as_read, why_not)


def _part(
    study: Study, options: AnalysisOptions, question: RampQuestion, capture: CaptureDefinition,
    policies: tuple[RampPolicy, ...],
) -> RampPart:  # fmt: skip
    thresholds = derive_thresholds(study, capture=capture, rule=options.rule)
    if len(thresholds) == 0:
        raise NotEstimableError(f"No attempt was assessed for {capture.name} capture, which a policy looks for.")
    paired = paired_by_design(thresholds, options.first, options.minus)
    used = thresholds if paired else first_attempt_of_each_patient(thresholds)
    whole = paired or len(used) == len(thresholds)
    selection = "all attempts with a usable threshold" if whole else "the first attempt of each patient"
    drift = analyse_drift(study, capture, draws=question.draws, level=options.level, seed=options.seed)
    pairs = pair_laws(
        thresholds, used, options.first, options.minus, draws=question.draws, seed=options.seed
    )  # fmt: skip
    grouped = used if question.by == "placement" else grouped_by(used, question.by)
    in_order = [name for name in (options.first, options.minus) if name in grouped.placements]
    labels = (*in_order, *(name for name in grouped.placements if name not in in_order))
    groups = tuple(
        _group(grouped.for_placement(label), label, policies, pairs, drift, options, question) for label in labels
    )
    return RampPart(
        capture, selection, policies, groups, drift, analyse_reposition(pairs, policies[0], options, question)
    )  # fmt: skip


def _group(
    thresholds: CensoredThresholds, label: str, policies: Sequence[RampPolicy], pairs: PairLaws, drift: DriftAnalysis,
    options: AnalysisOptions, question: RampQuestion,
) -> RampGroup:  # fmt: skip
    steps = steps_of_group(thresholds, label, seed=options.seed)
    without = tuple(
        policy_consequences(
            replace(policy, at_maximum=None), steps, discomfort_ma=question.discomfort_ma, level=options.level
        )
        for policy in policies
    )
    highest = _highest_tried(thresholds)
    try:
        laws = group_laws(thresholds, label, draws=question.draws, seed=options.seed)
    except NotEstimableError as error:
        return RampGroup(
            label, thresholds.n_patients, None, str(error), without_model=without, highest_tried_ma=highest
        )  # fmt: skip
    notes: list[str] = []
    joint = [_pair_of(policy, label, laws.n_patients, pairs, question, notes) for policy in policies]
    known = next((pair for pair in joint if pair is not None), None)
    if known is not None:
        # one law for all policies of the group, so that they can be compared draw by draw
        laws = replace(laws, model=law_of_pair(known), model_name=_PAIRED)
    applied = [
        _Applied(policy if pair is not None else replace(policy, at_maximum=None), laws, pair)
        for policy, pair in zip(policies, joint, strict=True)
    ]
    found = tuple(
        _with_bounds_beyond(one.consequences(question, options.level), plain, highest)
        for one, plain in zip(applied, without, strict=True)
    )
    if_higher = [one.means_if_higher(question) for one in applied]
    margins: list[PolicyMargins] = []
    for policy in policies:
        try:
            margins += policy_margins(policy, laws.model, drift, question, level=options.level)
        except NotEstimableError as error:
            notes.append(str(error))
    misjudged: tuple[PolicyConsequences, ...] = ()
    if question.errors is not None:
        misjudged = tuple(one.consequences(question, options.level, misjudged=True) for one in applied)
    comparison = compare_policies(
        found, if_higher, factor=question.factor, weights=question.weights, level=options.level
    )
    return RampGroup(
        label, laws.n_patients, laws, "", found, without, misjudged, comparison, tuple(margins),
        tuple(dict.fromkeys(notes)), highest,
    )  # fmt: skip


def _with_bounds_beyond(model: PolicyConsequences, plain: PolicyConsequences, highest: float) -> PolicyConsequences:
    """Widen limits of the share not captured to the bounds without a model, where nobody tried such currents.

    Beyond the highest current tried the shape of a model decides, and no bootstrap carries that: with two kinds of
    patient its limits held the truth in none of 60 simulated studies of 200 (DEVELOPERS.md).
    """
    if model.policy.at_maximum is not None or model.policy.maximum_ma <= highest:
        return model
    return replace(
        model,
        not_captured=_reaching(model.not_captured, plain.not_captured),
        gave_up=_reaching(model.gave_up, plain.gave_up),
    )


def _reaching(share: Estimate, plain: Estimate) -> Estimate:
    bounds = plain.identified if plain.value is None else (plain.value, plain.value)
    if share.lower is None or share.upper is None or bounds is None:
        return share
    low, high = (float(wilson(bound * share.n, share.n, share.level)[side]) for side, bound in enumerate(bounds))
    notes = (*share.notes, BEYOND)
    return replace(share, lower=min(share.lower, low), upper=max(share.upper, high), notes=notes)


def _highest_tried(thresholds: CensoredThresholds) -> float:
    upper = thresholds.upper_ma[np.isfinite(thresholds.upper_ma)]
    return float(max(thresholds.lower_ma.max(), upper.max(initial=0.0)))


BEYOND = (
    "the policy goes beyond the highest current tried: limits reach to the bounds that hold without a model, and the "
    "value rests on the shape of the model"
)
_PAIRED = "lognormal (two placements of one patient)"


def _pair_of(
    policy: RampPolicy, label: str, n: int, pairs: PairLaws, question: RampQuestion, notes: list[str]
) -> PairedLaw | None:
    """Law of two placements for a policy that moves the pads; ``None``, and a note, where it stops at its maximum."""
    move = policy.at_maximum
    if move is None:
        return None
    if question.by != "placement":
        notes.append(f"'{policy.name}' moves the pads, which needs groups by placement: it stops at the maximum here.")
        return None
    if move.placement == label:
        notes.append(f"'{policy.name}' moves the pads to {label}, where they are: it stops at the maximum here.")
        return None
    pair = pairs.between(label, move.placement, question.correlation)
    if pair is not None and pair.is_assumed:
        # the thresholds with the present placement are those of the group
        pair = replace(pair, n_patients=n)
    if pair is None:
        why = f" ({pairs.reason})" if pairs.reason else ""
        notes.append(
            f"'{policy.name}' moves the pads to {move.placement}; what that does after a failure with {label} is not "
            f"known here{why}: it stops at the maximum."
        )
    elif pair.is_assumed:
        notes.append(
            f"'{policy.name}' moves the pads to {move.placement}: all policies rest on lognormal thresholds here; no "
            f"patients had both placements by design, so the correlation of their two thresholds is assumed to be "
            f"{question.correlation:g}, and whom no current captures with the better placement to be captured with "
            "neither."
        )
    else:
        notes.append(
            f"'{policy.name}' moves the pads to {move.placement}: all policies rest on the lognormal thresholds of "
            "patients with both placements here."
        )
    return pair


@dataclass(frozen=True, slots=True, eq=False)
class _Applied:
    """A policy with the law that it is applied to: one placement, or two where the pads are moved."""

    policy: RampPolicy
    laws: GroupLaws
    pair: PairedLaw | None

    def consequences(self, question: RampQuestion, level: float, *, misjudged: bool = False) -> PolicyConsequences:
        errors = question.errors if misjudged else None
        if self.pair is not None:
            return consequences_with_move(
                self.policy, self.pair, discomfort_ma=question.discomfort_ma, errors=errors, level=level
            )
        return policy_consequences(
            self.policy, self.laws.model, discomfort_ma=question.discomfort_ma, errors=errors, level=level
        )

    def means_if_higher(self, question: RampQuestion) -> MeanConsequences:
        if self.pair is not None:
            return mean_consequences_with_move(
                self.policy, self.pair.scaled(question.factor), discomfort_ma=question.discomfort_ma
            )
        return mean_consequences(
            self.policy, self.laws.model.scaled(question.factor), discomfort_ma=question.discomfort_ma
        )
