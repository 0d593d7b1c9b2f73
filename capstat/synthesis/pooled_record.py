"""The record of a pooled question; what cannot be had says why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from capstat.numerics.asymmetry import Asymmetry
    from capstat.numerics.funnel import FunnelLimits
    from capstat.results import Estimate
    from capstat.synthesis.questions import EvidenceQuestion, Gathered
    from capstat.synthesis.study_effect import StudyEffect

__all__ = [
    "CaseInfluence",
    "LeftOut",
    "PooledEvidence",
    "PooledStudy",
    "PredictionRange",
]


@dataclass(frozen=True, slots=True)
class PooledStudy:
    """One study among those pooled.

    Attributes
    ----------
    effect : StudyEffect
        On the pooling scale.
    estimate : Estimate
        As it is told, with limits of its own.
    weight_common, weight_random : float or None
        Share of the pooled value (0 to 1); ``None`` where nothing is weighted, as in the binomial-normal model.
    """

    effect: StudyEffect
    estimate: Estimate
    weight_common: float | None
    weight_random: float | None


@dataclass(frozen=True, slots=True)
class PredictionRange:
    """Where the true value of a new study like these may lie, as it is told; ``reason`` says why it is not known."""

    lower: float | None
    upper: float | None
    method: str
    reason: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """The pooled value without one study."""

    label: str
    estimate: Estimate


@dataclass(frozen=True, slots=True)
class CaseInfluence:
    """How much one study moves the pooled value.

    Attributes
    ----------
    label : str
        The study.
    rstudent : float
        Externally standardised residual.
    cook_d, dffits, cov_r, hat : float
        Cook's distance, DFFITS, ratio of variances without and with the study, leverage.
    """

    label: str
    rstudent: float
    cook_d: float
    dffits: float
    cov_r: float
    hat: float


@dataclass(frozen=True, slots=True, eq=False)
class PooledEvidence:
    """What several studies say together.

    Attributes
    ----------
    gathered : Gathered
        The question, the effects, and the records left out with the reason.
    studies : tuple of PooledStudy
        The studies.
    level : float
        Confidence level.
    headline : Estimate or None
        Random-effects mean; ``None`` with ``not_pooled``.
    others : tuple of Estimate
        The same by the common-effect model and by other estimators and limits.
    prediction : PredictionRange or None
        For the true value of a new study.
    heterogeneity : tuple of Estimate
        Standard deviation between studies (on the pooling scale) and, for values with variances, I-squared.
    heterogeneity_test : str
        Cochran's Q, or the likelihood-ratio test, in words.
    heterogeneity_p : float or None
        Its p-value.
    leave_one_out : tuple of LeftOut
        The headline without each study.
    influence : tuple of CaseInfluence
        Case diagnostics; empty for shares and with fewer than three studies.
    asymmetry : Asymmetry or None
        Test of small-study effects.
    not_tested : str
        Why there is no such test; empty when there is.
    funnel : FunnelLimits or None
        Where studies would lie around the pooled value by chance alone, on the pooling scale; ``None`` for shares.
    not_pooled : str
        Why nothing is pooled; empty when it is.
    """

    gathered: Gathered
    studies: tuple[PooledStudy, ...]
    level: float
    headline: Estimate | None = None
    others: tuple[Estimate, ...] = ()
    prediction: PredictionRange | None = None
    heterogeneity: tuple[Estimate, ...] = ()
    heterogeneity_test: str = ""
    heterogeneity_p: float | None = None
    leave_one_out: tuple[LeftOut, ...] = ()
    influence: tuple[CaseInfluence, ...] = ()
    asymmetry: Asymmetry | None = None
    not_tested: str = ""
    funnel: FunnelLimits | None = None
    not_pooled: str = ""

    @property
    def question(self) -> EvidenceQuestion:
        """The question."""
        return self.gathered.question

    @property
    def direction(self) -> str:
        """Who is compared with whom; empty for a measure of one arm."""
        return self.gathered.direction

    @property
    def n(self) -> int:
        """Patients behind the studies."""
        return sum(study.effect.n for study in self.studies)
