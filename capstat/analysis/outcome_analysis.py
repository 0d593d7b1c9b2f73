"""Time to capture, capture kept or lost, and outcome: which estimators are called with what, in which order."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from capstat.analysis.outcome_question import OUTCOMES
from capstat.distributions.covariates import PLACEMENT, Covariates
from capstat.outcomes.episodes import Awaited, derive_episodes, first_attempts
from capstat.outcomes.immortal import immortal_comparison
from capstat.outcomes.immortal_course import survival_course
from capstat.outcomes.kept import capture_kept
from capstat.outcomes.kept_groups import group_names
from capstat.outcomes.outcome_compare import compare_outcome
from capstat.outcomes.outcome_data import OutcomeData
from capstat.outcomes.states import occupation
from capstat.outcomes.time_groups import group_by_column, group_by_ramp_speed
from capstat.outcomes.time_regression import time_regression
from capstat.outcomes.time_standardised import standardised_capture
from capstat.outcomes.time_to_capture import time_to_capture
from capstat.placement.observational.confounders import DEFAULT_CONFOUNDERS, usable_confounders
from capstat.results import NotEstimableError
from capstat.thresholds import ELECTRICAL_CAPTURE, MECHANICAL_CAPTURE

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import TypeVar

    from capstat.analysis.outcome_question import OutcomeQuestion
    from capstat.analysis.study_analysis import AnalysisOptions
    from capstat.attempts import Study
    from capstat.outcomes.episodes import Episodes
    from capstat.outcomes.immortal import ImmortalComparison
    from capstat.outcomes.kept import CaptureKept
    from capstat.outcomes.outcome_compare import OutcomeComparison
    from capstat.outcomes.states import StateOccupation
    from capstat.outcomes.time_groups import Grouping
    from capstat.outcomes.time_regression import TimeRegression
    from capstat.outcomes.time_standardised import StandardisedCapture
    from capstat.outcomes.time_to_capture import TimeToCapture
    from capstat.thresholds import CaptureDefinition

    T = TypeVar("T")

__all__ = ["OutcomeAnalysis", "analyse_outcomes"]

# of the first so many minutes mean times are told
MEAN_OF_FIRST_MIN = 10.0
SETTING = "setting"


@dataclass(frozen=True, slots=True, eq=False)
class OutcomeAnalysis:
    """Results on time and outcome; every part that cannot be had is ``None`` with a reason.

    Attributes
    ----------
    question : OutcomeQuestion
        What was asked.
    first, minus : str
        Groups that are compared.
    randomised : bool
        Whether every compared patient's placement was decided by lot.
    confounders : tuple of str
        What adjusted results are adjusted for.
    dropped : tuple of (str, str)
        Declared confounders that cannot be used, with the reason.
    waits : tuple of TimeToCapture
        First electrical, first mechanical, sustained mechanical capture where recorded, by the groups asked for; the
        last is the one that the rest is about.
    other_waits : tuple of TimeToCapture
        The last one by setting and by speed of the ramp, where these vary.
    regression : TimeRegression or None
        Of the last one.
    standardised : StandardisedCapture or None
        Of the last one.
    kept : CaptureKept or None
        After first capture.
    states : StateOccupation or None
        Where patients are over time.
    immortal : ImmortalComparison or None
        Death after capture against without it, by methods that are wrong and right about time.
    outcomes : tuple of OutcomeComparison
        The declared one first.
    reasons : tuple of (str, str)
        Parts that cannot be had, and why.
    level : float
        Confidence level.
    seed : int
        Seed of every bootstrap.
    """

    question: OutcomeQuestion
    first: str
    minus: str
    randomised: bool
    confounders: tuple[str, ...]
    dropped: tuple[tuple[str, str], ...]
    waits: tuple[TimeToCapture, ...]
    other_waits: tuple[TimeToCapture, ...]
    regression: TimeRegression | None
    standardised: StandardisedCapture | None
    kept: CaptureKept | None
    states: StateOccupation | None
    immortal: ImmortalComparison | None
    outcomes: tuple[OutcomeComparison, ...]
    reasons: tuple[tuple[str, str], ...]
    level: float
    seed: int


class _Parts:
    """Collects why parts cannot be had."""

    __slots__ = ("reasons",)

    def __init__(self) -> None:
        self.reasons: list[tuple[str, str]] = []

    def get(self, part: str, make: Callable[[], T]) -> T | None:
        try:
            return make()
        except NotEstimableError as error:
            self.reasons.append((part, str(error)))
            return None


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """What every part needs: choices, and the compared groups of a column (``None`` where nothing can be compared)."""

    options: AnalysisOptions
    question: OutcomeQuestion
    pair: tuple[str, str] | None
    confounders: tuple[str, ...]

    @property
    def level(self) -> float:
        return self.options.level

    @property
    def seed(self) -> int:
        return self.options.seed


def _awaited(leading: CaptureDefinition, sustained_s: float) -> tuple[Awaited, ...]:
    kinds: tuple[CaptureDefinition, ...] = (ELECTRICAL_CAPTURE, MECHANICAL_CAPTURE)
    if leading not in kinds:
        kinds = (leading,)
    elif leading is ELECTRICAL_CAPTURE:
        kinds = (ELECTRICAL_CAPTURE,)
    return (*(Awaited(kind) for kind in kinds), Awaited(kinds[-1], sustained_s))


def _values(table: pd.DataFrame, by: str) -> pd.Series[Any]:
    """Names of the groups; yes and no in words, ``None`` where unknown."""
    return pd.Series(group_names(table, by), dtype=object)


def _with_groups(episodes: Episodes, by: str, pair: tuple[str, str]) -> tuple[Episodes, tuple[str, str]]:
    """Put the groups in the place of the placement, for models that compare placements, and name the compared two.

    Yes and no are named after their column: by themselves they would be read as a covariate without levels.
    """
    if by == PLACEMENT:
        return episodes, pair
    values = _values(episodes.table, by)
    if set(pair) == {"yes", "no"}:
        values = values.map(lambda value: f"{by}: {value}", na_action="ignore")
        pair = (f"{by}: {pair[0]}", f"{by}: {pair[1]}")
    return replace(episodes, table=episodes.table.assign(**{PLACEMENT: values})), pair


def _groups(table: pd.DataFrame, by: str, wanted: tuple[str | None, str | None]) -> tuple[str, str]:
    """Which two values are compared: those asked for, else yes against no, else the two most frequent."""
    counts = _values(table, by).dropna().astype(str).value_counts()
    for value in wanted:
        if value is not None and value not in counts.index:
            raise NotEstimableError(f"No patient has '{value}' in {by}.")
    if wanted[0] is not None and wanted[1] is not None:
        return wanted[0], wanted[1]
    if set(counts.index) == {"yes", "no"}:
        return "yes", "no"
    ranked = [str(name) for name in sorted(counts.index, key=lambda name: (-int(counts[name]), str(name)))]
    if len(ranked) < 2:
        raise NotEstimableError(f"All patients are alike in {by}, or it is not recorded.")
    left = [name for name in ranked if name not in wanted]
    first = wanted[0] if wanted[0] is not None else left.pop(0)
    return first, wanted[1] if wanted[1] is not None else left.pop(0)


def _randomised(table: pd.DataFrame, by: str, pair: tuple[str, str] | None) -> bool:
    if by != PLACEMENT or pair is None:
        return False
    compared = table[PLACEMENT].astype(object).isin(pair)
    return bool((table.loc[compared, "assignment"] == "randomised").all())


def analyse_outcomes(
    study: Study,
    options: AnalysisOptions,
    question: OutcomeQuestion,
    leading: CaptureDefinition,
    *,
    pair: tuple[str | None, str | None],
) -> OutcomeAnalysis | None:
    """Analyse time to capture, its loss, and outcome; ``None`` when a study records neither times nor outcomes.

    Parameters
    ----------
    study : Study
        Checked records.
    options : AnalysisOptions
        Level, seed and declared confounders.
    question : OutcomeQuestion
        What is asked.
    leading : CaptureDefinition
        The study's leading definition of capture.
    pair : tuple of str or None
        Values of ``question.by`` that are compared; the two most frequent ones when ``None``.

    Raises
    ------
    UsageError
        When the groups or a confounder do not exist, or a confounder is settled with or after the pads.
    NotEstimableError
        When times are recorded but no patient has one from the origin asked for, and no outcome is recorded.
    """
    outcomes = any(study.patients[name].notna().any() for name in OUTCOMES)
    timed = study.attempts["pacing_start_s"].notna().any() or study.steps["time_s"].notna().any()
    if not outcomes and not timed:
        return None
    parts = _Parts()
    waiting = tuple(
        episodes
        for awaited in _awaited(leading, question.sustained_s)
        if (episodes := parts.get(f"time to {awaited.name}", partial(derive_episodes, study, awaited, question.origin)))
        is not None
    )
    if not waiting and not outcomes:
        raise NotEstimableError(" ".join(dict.fromkeys(why for _, why in parts.reasons)))
    # outcomes are of everybody, whether or not their pacing was timed
    everybody = first_attempts(study)
    compared = parts.get("comparison", partial(_groups, everybody, question.by, pair))
    wanted = DEFAULT_CONFOUNDERS if options.adjust_for is None else options.adjust_for
    confounders, dropped = usable_confounders(everybody, [name for name in wanted if name != question.by])
    asked = _Asked(options, question, compared, confounders)
    followed = _followed(study, waiting, asked, parts) if waiting else _NOT_FOLLOWED
    compared_outcomes = _outcomes(everybody, asked, parts)
    return OutcomeAnalysis(
        question,
        *(compared or ("", "")),
        randomised=_randomised(everybody, question.by, compared),
        confounders=confounders,
        dropped=dropped,
        waits=followed.waits,
        other_waits=followed.other_waits,
        regression=followed.regression,
        standardised=followed.standardised,
        kept=followed.kept,
        states=followed.states,
        immortal=followed.immortal,
        outcomes=compared_outcomes,
        reasons=tuple(parts.reasons),
        level=options.level,
        seed=options.seed,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Followed:
    """The parts that need times."""

    waits: tuple[TimeToCapture, ...] = ()
    other_waits: tuple[TimeToCapture, ...] = ()
    regression: TimeRegression | None = None
    standardised: StandardisedCapture | None = None
    kept: CaptureKept | None = None
    states: StateOccupation | None = None
    immortal: ImmortalComparison | None = None


_NOT_FOLLOWED = _Followed()


def _followed(study: Study, waiting: tuple[Episodes, ...], asked: _Asked, parts: _Parts) -> _Followed:
    question, last = asked.question, waiting[-1]
    if asked.pair is not None and not set(asked.pair) <= set(_values(last.table, question.by)):
        parts.reasons.append(
            ("comparison of times", "One of the groups has no patient whose time to capture is known.")
        )
        asked = replace(asked, pair=None)
    # capture is kept or lost from its first moment on, whatever its length
    first = waiting[-2] if len(waiting) > 1 and last.awaited.sustained_s is not None else last
    regression, standardised = _models(last, asked, parts)
    grouped = PLACEMENT if asked.pair is None else question.by
    kept = partial(capture_kept, first, by=grouped, pair=asked.pair, level=asked.level)
    states = partial(occupation, first, question.horizon_min, level=asked.level)
    return _Followed(
        _waits(waiting, asked, parts),
        _other_waits(study, last, asked, parts),
        regression,
        standardised,
        parts.get("capture kept or lost", kept),
        parts.get("where patients are over time", states),
        parts.get("death after capture", partial(_immortal, last, asked)),
    )


def _models(
    episodes: Episodes, asked: _Asked, parts: _Parts
) -> tuple[TimeRegression | None, StandardisedCapture | None]:
    if asked.pair is None:
        return None, None
    grouped, (first, minus) = _with_groups(episodes, asked.question.by, asked.pair)
    covariates = Covariates(asked.confounders)
    if not asked.confounders:
        parts.reasons.append(("standardised time to capture", "There is no confounder to standardise over."))
    return (
        parts.get(
            "regression of time to capture",
            partial(time_regression, grouped, covariates=covariates, first=first, minus=minus, level=asked.level),
        ),
        None
        if not asked.confounders
        else parts.get(
            "standardised time to capture",
            partial(
                standardised_capture, grouped, covariates=covariates, first=first, minus=minus,
                times_min=asked.question.minutes, level=asked.level, seed=asked.seed,
            ),
        ),
    )  # fmt: skip


def _pair_first(grouping: Grouping, pair: tuple[str, str]) -> Grouping:
    """The compared groups first, in their order: all differences then point the same way."""
    labels = (*pair, *(label for label in grouping.labels if label not in pair))
    place = np.array([labels.index(label) for label in grouping.labels])
    return replace(grouping, labels=labels, code=np.where(grouping.code >= 0, place[grouping.code], -1))


def _described(episodes: Episodes, grouping: Grouping | None, asked: _Asked) -> TimeToCapture:
    return time_to_capture(
        episodes, by=grouping, times_min=asked.question.minutes, tau_min=MEAN_OF_FIRST_MIN, level=asked.level
    )


def _waits(waiting: tuple[Episodes, ...], asked: _Asked, parts: _Parts) -> tuple[TimeToCapture, ...]:
    found = []
    for episodes in waiting:
        grouping = None
        if asked.pair is not None:
            grouping = group_by_column(episodes, asked.question.by)
            if set(asked.pair) <= set(grouping.labels):
                grouping = _pair_first(grouping, asked.pair)
        found.append(
            parts.get(f"time to {episodes.awaited.name}", partial(_described, episodes, grouping, asked))
        )  # fmt: skip
    return tuple(one for one in found if one is not None)


def _by_setting(episodes: Episodes, asked: _Asked) -> TimeToCapture:
    return _described(episodes, group_by_column(episodes, SETTING), asked)


def _by_speed(study: Study, episodes: Episodes, asked: _Asked) -> TimeToCapture:
    return _described(episodes, group_by_ramp_speed(study, episodes), asked)


def _other_waits(study: Study, episodes: Episodes, asked: _Asked, parts: _Parts) -> tuple[TimeToCapture, ...]:
    found = [parts.get("time by speed of the ramp", partial(_by_speed, study, episodes, asked))]
    known = episodes.table[SETTING].dropna()
    if asked.question.by != SETTING and len(known[known != "unknown"].unique()) > 1:
        found.insert(0, parts.get("time by setting", partial(_by_setting, episodes, asked)))
    return tuple(one for one in found if one is not None)


def _immortal(episodes: Episodes, asked: _Asked) -> ImmortalComparison:
    return immortal_comparison(
        survival_course(episodes, asked.confounders), landmarks_min=asked.question.within_min,
        horizon_min=asked.question.horizon_min, level=asked.level, replicates=asked.question.replicates,
        seed=asked.seed,
    )  # fmt: skip


def _outcomes(table: pd.DataFrame, asked: _Asked, parts: _Parts) -> tuple[OutcomeComparison, ...]:
    """Every recorded outcome, the declared one first."""
    declared = asked.question.declared
    recorded = [name for name in OUTCOMES if table[name].notna().any()]
    if declared and declared not in recorded:
        parts.reasons.append((declared, f"The declared outcome {declared} is recorded for nobody."))
    if not recorded:
        parts.reasons.append(("outcome", f"No outcome is recorded; there is a place for: {', '.join(OUTCOMES)}."))
    if asked.pair is None:
        return ()
    found = (
        parts.get(name, partial(_outcome, table, name, asked.pair, asked))
        for name in sorted(recorded, key=lambda name: name != declared)
    )
    return tuple(one for one in found if one is not None)


def _outcome(table: pd.DataFrame, name: str, pair: tuple[str, str], asked: _Asked) -> OutcomeComparison:
    by, question = asked.question.by, asked.question
    value = np.asarray(table[name].astype("Float64").to_numpy(dtype=float, na_value=np.nan), dtype=np.float64)
    data = OutcomeData(
        name, value, _values(table, by).to_numpy(dtype=object), *pair, np.arange(len(table)), table,
        _randomised(table, by, pair),
    )  # fmt: skip
    return compare_outcome(
        data, confounders=asked.confounders, declared=name == question.declared, level=asked.level,
        replicates=question.replicates, seed=asked.seed,
    )  # fmt: skip
