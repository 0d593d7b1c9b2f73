"""What is asked of the published studies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capstat.results import UsageError
from capstat.synthesis.moderators import check_moderators
from capstat.synthesis.study_effect import MEASURES

if TYPE_CHECKING:
    from capstat.synthesis.judgements import CertaintyJudgement
    from capstat.synthesis.study_arm import EvidenceTable
    from capstat.synthesis.study_effect import Measure

__all__ = ["LiteratureQuestion"]


@dataclass(frozen=True, slots=True)
class LiteratureQuestion:
    """What is asked of the published studies.

    Attributes
    ----------
    table : EvidenceTable or None
        The studies; the shipped ones when ``None``.
    measures : tuple of str
        What is pooled (`capstat.synthesis.MEASURES`).
    where : tuple of (str, tuple of str)
        Columns of the evidence table and the values that count.
    by : tuple of str or None
        Columns whose values are pooled apart, in place of the usual ones.
    borrow_spread : bool
        Whether thresholds reported without a spread are given the pooled spread of the others (an assumption).
    subgroups, regress : str
        Column by which each pooled question is split, and column that it is regressed on; empty for neither.
    weight : float
        How much the literature counts as a prior for the local study, in (0, 1]; an assumption.
    judgements : tuple of CertaintyJudgement
        The user's judgements of certainty, for the brief.

    Raises
    ------
    UsageError
        When a measure is unknown, the weight is not in (0, 1], or studies cannot be compared by a column.
    """

    table: EvidenceTable | None = None
    measures: tuple[Measure, ...] = ("threshold", "capture", "ratio", "capture-ratio", "outcome")
    where: tuple[tuple[str, tuple[str, ...]], ...] = ()
    by: tuple[str, ...] | None = None
    borrow_spread: bool = False
    subgroups: str = ""
    regress: str = ""
    weight: float = 0.5
    judgements: tuple[CertaintyJudgement, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what cannot be asked."""
        unknown = [measure for measure in self.measures if measure not in MEASURES]
        if unknown:
            raise UsageError(f"There is no measure {unknown[0]!r}; accepted are {', '.join(MEASURES)}.")
        if not 0 < self.weight <= 1:
            raise UsageError(f"The weight of the literature lies above 0 and up to 1, not at {self.weight:g}.")
        check_moderators(by=self.subgroups, on=self.regress)
