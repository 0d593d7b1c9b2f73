"""A local study beside published ranges: what lies outside, and how far.  A quality alarm: nothing passes or fails."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd

from capstat.distributions.bootstrap import bootstrap_curves
from capstat.distributions.invert import capture_current
from capstat.distributions.limits import METHOD, pointwise_limits
from capstat.distributions.npmle import fit_npmle
from capstat.numerics.clustered import clustered_proportion
from capstat.results import Curve, Estimate, NotEstimableError, UsageError
from capstat.synthesis.published_ranges import CENTRES, LeftOut, PublishedRange, published_ranges
from capstat.synthesis.range_reasons import RangeReason, Side, attempt_numbers, likely_reasons, suppress_reason
from capstat.thresholds import Ending

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from capstat.attempts import Study
    from capstat.synthesis.published_ranges import PublishedRanges
    from capstat.synthesis.study_arm import EvidenceTable
    from capstat.thresholds import CensoredThresholds

__all__ = [
    "EVERYTHING",
    "MUCH_MA",
    "UNUSUAL_ABOVE_MA",
    "UNUSUAL_BELOW_MA",
    "FirstSetting",
    "GroupCheck",
    "LocalShare",
    "MedianPosition",
    "Position",
    "RangeCheck",
    "RangeCounts",
    "SharePosition",
    "UnusualThreshold",
    "check_ranges",
    "count_in_range",
    "suppress_ranges",
]

Position = Literal["below", "inside", "above", "cannot be told"]

EVERYTHING: Final = "all placements"
"""Label of the group that holds every attempt."""
UNUSUAL_BELOW_MA: Final = 25.0
"""Published captured thresholds of adults run from 30 to 110 mA; below this a captured one deserves a second look."""
UNUSUAL_ABOVE_MA: Final = 140.0
"""The highest current of the published comparison of placements; nobody has published a captured threshold above it."""
MUCH_MA: Final = 10.0
"""One step of the coarsest usual ramp: a median that is nearer to the range than this may differ only by how ramps were
stepped, however many patients there are."""
LATERAL: Final = "anterior-lateral"
EXPECTED_ABOVE: Final = "expected above: no record is of anterior-lateral pads"
NO_NORM: Final = "Published ranges come from few small studies and are no norm."
WITHHELD: Final = "The study has fewer patients than may be shown, so what it shows is withheld."
FRACTIONS: Final = (0.1, 0.5, 0.9)
REPLICATES: Final = 200
MOST_CELLS: Final = 500
"""Different intervals up to which the bootstrap is quick; devices of one grid give a few dozen."""


@dataclass(frozen=True, slots=True)
class RangeCounts:
    """Where single thresholds lie against one range; they are intervals, so some cannot be placed.

    Attributes
    ----------
    below, inside, above : int
        Attempts whose threshold certainly lies there.
    undecided : int
        The rest: their interval straddles an end of the range, or is open.
    possibly_below, possibly_inside, possibly_above : int
        Attempts whose threshold may lie there, with those that certainly do.
    fewest_patients : int
        Patients of the smallest set of attempts that the counts tell apart.
    """

    below: int
    inside: int
    above: int
    undecided: int
    possibly_below: int
    possibly_inside: int
    possibly_above: int
    fewest_patients: int


@dataclass(frozen=True, slots=True)
class MedianPosition:
    """A local median against one range of currents.

    Attributes
    ----------
    name : str
        The range.
    position : {"below", "inside", "above", "cannot be told"}
        Below and above: so are the confidence limits.  Inside: the whole interval that holds the median is, and the
        limits reach beyond one end of the range at most.
    distance_ma, distance_percent : float or None
        From the nearer end of the range to the lowest tested current known to capture half, negative below it, 0
        inside; the second in percent of that end.  ``None`` without a median.
    distance_lower_ma, distance_upper_ma : float or None
        The same distance of the confidence limits.
    counts : RangeCounts or None
        Single thresholds; ``None`` for a range of centres, and where they are withheld.
    remark : str
        That the group is expected to lie above, where all of it has anterior-lateral pads and no record has.
    """

    name: str
    position: Position
    distance_ma: float | None
    distance_percent: float | None
    distance_lower_ma: float | None
    distance_upper_ma: float | None
    counts: RangeCounts | None
    remark: str = ""


@dataclass(frozen=True, slots=True)
class SharePosition:
    """A local share captured against published ones of the same kind of capture.

    Attributes
    ----------
    name : str
        The range.
    position : {"below", "inside", "above", "cannot be told"}
        Below and above: the limits are, and the share lies beyond the limits of every published share too.  Inside: the
        share is, whatever its limits.
    distance : float
        From the nearer end to the share, as a proportion; negative below, 0 inside.
    """

    name: str
    position: Position
    distance: float


@dataclass(frozen=True, slots=True)
class LocalShare:
    """How many were captured, counted as published series count.

    Attributes
    ----------
    estimate : Estimate
        Share of attempts that were captured up to the highest current of each; limits allow for several attempts of a
        patient.
    captured, attempts, stopped_early : int
        Attempts with capture, all, and those without that stopped below the maximum.
    fewest_patients : int
        Patients of the smallest set of attempts that these counts tell apart.
    """

    estimate: Estimate
    captured: int
    attempts: int
    stopped_early: int
    fewest_patients: int


@dataclass(frozen=True, slots=True)
class GroupCheck:
    """One placement, or all of them.

    Attributes
    ----------
    label : str
        The group.
    attempts, patients : int
        How many.
    median : Estimate
        Current that captures half, in mA.
    tenth, ninetieth : Estimate
        Currents that capture 10 and 90 %, in mA.
    medians : tuple of MedianPosition
        One for each range of currents.
    share : LocalShare or None
        ``None`` where withheld.
    shares : tuple of SharePosition
        One for each published range of the same kind of capture.
    """

    label: str
    attempts: int
    patients: int
    median: Estimate
    tenth: Estimate
    ninetieth: Estimate
    medians: tuple[MedianPosition, ...]
    share: LocalShare | None
    shares: tuple[SharePosition, ...]

    def against(self, name: str) -> MedianPosition | None:
        """Position of the median against the range of that name, or ``None``."""
        return next((found for found in self.medians if found.name == name), None)


@dataclass(frozen=True, slots=True)
class UnusualThreshold:
    """A captured threshold certainly below ``UNUSUAL_BELOW_MA`` or above ``UNUSUAL_ABOVE_MA``.

    ``row`` is that of the attempts file as a spreadsheet shows it, ``None`` without the study; ``side`` is ``"under"``
    or ``"over"``; the threshold lies above ``lower_ma`` and at or below ``upper_ma``.
    """

    row: int | None
    side: Literal["under", "over"]
    placement: str
    lower_ma: float
    upper_ma: float


@dataclass(frozen=True, slots=True)
class FirstSetting:
    """Attempts that captured at once, where they are half of all or more: their median lies at or below it.

    ``captured`` of ``attempts`` did; both are ``None`` where withheld.  ``patients`` have such an attempt,
    ``other_patients`` one of the others.
    """

    captured: int | None
    attempts: int | None
    patients: int | None
    other_patients: int | None


@dataclass(frozen=True, slots=True)
class RangeCheck:
    """A local study beside published ranges, under one definition of capture.

    Attributes
    ----------
    capture : str
        Local definition of capture.
    level : float
        Confidence level.
    published : tuple of PublishedRange
        The ranges.
    left_out : tuple of LeftOut
        Published currents and shares in no range.
    groups : tuple of GroupCheck
        All placements first, then each of several.
    position : {"below", "inside", "above", "cannot be told"}
        Median of all attempts against published centres.
    much : bool
        Whether that median lies more than ``MUCH_MA`` outside.
    leaning : {"", "below", "above"}
        Where the position cannot be told because the limits reach into the range (but not beyond it), although the
        median itself lies more than ``MUCH_MA`` outside: the side.
    first_setting : FirstSetting or None
        ``None`` where fewer than half of the attempts captured at once.
    unusual : tuple of UnusualThreshold
        Single captured thresholds worth a second look; empty where withheld.
    n_under, n_over : int or None
        How many there are on either side; ``None`` where withheld.
    reasons : tuple of RangeReason
        Possibilities in their order; empty when nothing lies outside, as far as can be told.
    notes : tuple of str
        What a reader must know.
    """

    capture: str
    level: float
    published: tuple[PublishedRange, ...]
    left_out: tuple[LeftOut, ...]
    groups: tuple[GroupCheck, ...]
    position: Position
    much: bool
    leaning: Literal["", "below", "above"]
    first_setting: FirstSetting | None
    unusual: tuple[UnusualThreshold, ...]
    n_under: int | None
    n_over: int | None
    reasons: tuple[RangeReason, ...]
    notes: tuple[str, ...] = ()


def check_ranges(
    thresholds: CensoredThresholds,
    evidence: EvidenceTable,
    *,
    study: Study | None = None,
    level: float = 0.95,
    seed: int = 1,
) -> RangeCheck:
    """Hold the thresholds and the share captured of a local study against published ranges.

    The median is the nonparametric maximum likelihood estimate (Turnbull 1976), its limits those of
    :func:`capstat.distributions.summarise_capture`.  Its value is the lowest tested current known to capture half, as
    published thresholds are currents that captured.  Published shares of patients in cardiac arrest are compared only
    where most of the attempts for which it was recorded began in arrest.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Under one definition of capture.
    evidence : EvidenceTable
        Published records.
    study : Study, optional
        The tables that the thresholds were derived from: rows of the attempts file, audits of claims, delays.
    level : float
        Confidence level.
    seed : int
        Seed of the bootstrap of patients.

    Raises
    ------
    UsageError
        When the level is not between 0 and 1.
    NotEstimableError
        When there are no thresholds.
    """
    if not 0 < level < 1:
        raise UsageError(f"The confidence level must lie between 0 and 1, not be {level:g}.")
    if not len(thresholds):
        raise NotEstimableError("There are no attempts with a usable threshold interval.")
    published = published_ranges(evidence, level=level)
    placements = thresholds.placements
    shares = published.of_kind(thresholds.capture)
    if not _mostly_arrest(thresholds, study):
        shares = tuple(found for found in shares if found.urgency != "arrest")
    groups = [_check_group(EVERYTHING, thresholds, published, shares, level, seed)]
    if len(placements) > 1:
        groups += [_check_group(p, thresholds.for_placement(p), published, shares, level, seed) for p in placements]
    centre = groups[0].against(CENTRES)
    position: Position = "cannot be told" if centre is None else centre.position
    leaning = _leaning(groups[0].median, centre, published.named(CENTRES), thresholds)
    distance = None if centre is None else _beyond(centre)
    unusual = _unusual(thresholds, study)
    return RangeCheck(
        capture=thresholds.capture,
        level=level,
        published=published.ranges,
        left_out=published.left_out,
        groups=tuple(groups),
        position=position,
        much=position in ("below", "above") and distance is not None and distance > MUCH_MA,
        leaning=leaning,
        first_setting=_first_setting(thresholds),
        unusual=unusual,
        n_under=sum(found.side == "under" for found in unusual),
        n_over=sum(found.side == "over" for found in unusual),
        reasons=tuple(
            reason
            for side in _sides(leaning or position, groups[0])
            for reason in likely_reasons(side, thresholds, study, published.named(CENTRES), evidence)
        ),
        notes=_notes(thresholds, published, shares),
    )


def _mostly_arrest(thresholds: CensoredThresholds, study: Study | None) -> bool:
    """Whether most attempts for which it was recorded began in cardiac arrest."""
    arrest = attempt_numbers(thresholds, study, "arrest")
    return bool(2 * (arrest == 1).sum() > np.isfinite(arrest).sum())


def _leaning(
    median: Estimate, centre: MedianPosition | None, centres: PublishedRange | None, thresholds: CensoredThresholds
) -> Literal["", "below", "above"]:
    """Side on which a median lies whose limits reach into the range, where it lies far enough outside."""
    if centre is None or centres is None or centre.position != "cannot be told":
        return ""
    # limits that hold the whole range tell nothing
    may_be_below = median.upper is not None and median.upper <= centres.upper
    may_be_above = median.lower is not None and median.lower >= centres.lower
    if median.value is None:
        # fewer than half were captured at the highest current that tells anything
        edges = np.concatenate((thresholds.lower_ma, thresholds.upper_ma[np.isfinite(thresholds.upper_ma)]))
        return "above" if may_be_above and edges.max() - centres.upper > MUCH_MA else ""
    if centre.distance_ma is None or abs(centre.distance_ma) <= MUCH_MA:
        return ""
    if centre.distance_ma < 0:
        return "below" if may_be_below else ""
    # the value is the upper end of the interval that holds the median: all of it must lie above
    above = median.identified is not None and median.identified[0] >= centres.upper
    return "above" if above and may_be_above else ""


def _first_setting(thresholds: CensoredThresholds) -> FirstSetting | None:
    first = (thresholds.lower_ma == 0) & np.isfinite(thresholds.upper_ma) & (thresholds.upper_ma > 0)
    if 2 * first.sum() < first.size:
        return None
    patients, others = (int(pd.unique(thresholds.patient[rows]).size) for rows in (first, ~first))
    return FirstSetting(int(first.sum()), first.size, patients, others)


def _beyond(found: MedianPosition) -> float | None:
    """How far a median lies outside; without a median, the distance of its nearer limit, which is the least."""
    distance = found.distance_ma if found.distance_ma is not None else found.distance_lower_ma
    return None if distance is None else abs(distance)


def _sides(position: Position, everything: GroupCheck) -> list[Side]:
    sides: list[Side] = []
    if position in ("below", "above"):
        sides.append("low" if position == "below" else "high")
    shares = {found.position for found in everything.shares}
    # outside every published range of this kind: a lower share than elective patients had is no surprise in arrest
    if shares == {"below"}:
        sides.append("captured less often")
    if shares == {"above"}:
        sides.append("captured more often")
    return sides


def _notes(
    thresholds: CensoredThresholds, published: PublishedRanges, shares: tuple[PublishedRange, ...]
) -> tuple[str, ...]:
    notes = [NO_NORM]
    placements, centres = thresholds.placements, published.named(CENTRES)
    if len(placements) == 1:
        count = "the only attempt has" if len(thresholds) == 1 else f"all {len(thresholds)} attempts have"
        pads = "pads whose placement is not known" if placements[0] == "unknown" else f"{placements[0]} pads"
        notes.append(f"{count[:1].upper()}{count[1:]} {pads}.")
    if centres is None:
        notes.append("The evidence table holds no mean or median threshold of adults.")
    elif LATERAL in placements and not centres.holds(LATERAL):
        notes.append(_no_lateral(published))
    of_kind = published.of_kind(thresholds.capture)
    if not of_kind:
        notes.append(f"No published share captured asks for {thresholds.capture} capture.")
    if len(shares) < len(of_kind):
        notes.append(
            "Published shares of patients in cardiac arrest are left out: they are compared only with attempts most of "
            "which are recorded as in arrest, and these are not."
        )
    if "age_years" in thresholds.covariates:
        young = int((thresholds.covariates["age_years"].to_numpy(dtype=float) < 18).sum())
        if young:
            notes.append("Some attempts are in patients under 18; the published thresholds are of adults.")
    return tuple(notes)


def _no_lateral(published: PublishedRanges) -> str:
    left = [one for one in published.left_out if one.what == "current" and one.placement == LATERAL]
    named = "; ".join(f"{one.label} is left out because {one.reason}" for one in left)
    return (
        f"No record behind published means and medians is of anterior-lateral pads{f' ({named})' if named else ''}: "
        "thresholds with such pads are expected to lie above ranges that rest on other or unknown placements."
    )


def _check_group(
    label: str, thresholds: CensoredThresholds, published: PublishedRanges, shares: tuple[PublishedRange, ...],
    level: float, seed: int,
) -> GroupCheck:  # fmt: skip
    tenth, median, ninetieth = _currents(thresholds, level, seed)
    share = _share(thresholds, level)
    return GroupCheck(
        label, len(thresholds), thresholds.n_patients, median, tenth, ninetieth,
        tuple(_median_position(median, thresholds, found) for found in published.ranges if found.unit == "mA"),
        share,
        tuple(_share_position(share.estimate, found) for found in shares),
    )  # fmt: skip


def _currents(thresholds: CensoredThresholds, level: float, seed: int) -> tuple[Estimate, ...]:
    """Currents that capture `FRACTIONS` of the patients, without a model."""
    if thresholds.cells().count.size > MOST_CELLS:
        words = f"more than {MOST_CELLS} different intervals: they were widened to a grid"
        found = _currents(_on_a_grid(thresholds), level, seed)
        return tuple(replace(one, notes=(*one.notes, words)) for one in found)
    (curve,) = bootstrap_curves([thresholds], replicates=REPLICATES, seed=seed)
    edges = np.unique(curve.intervals[np.isfinite(curve.intervals) & (curve.intervals > 0)])
    if not edges.size:
        return tuple(
            Estimate(
                f"current that captures {100 * fraction:g} % of patients", None, None, None, level, "mA", "current",
                thresholds.n_patients, METHOD, reason="at no current is it known whether it captures",
            )
            for fraction in FRACTIONS
        )  # fmt: skip
    limits = pointwise_limits(curve, edges, level)
    shown = Curve(
        "share captured", edges, limits.lower, limits.upper, limits.limit_lower, limits.limit_upper, level, METHOD
    )
    fit = fit_npmle(thresholds)
    return tuple(capture_current(fit, shown, fraction) for fraction in FRACTIONS)


def _on_a_grid(thresholds: CensoredThresholds) -> CensoredThresholds:
    """Widen every interval to whole mA or, where that leaves too many different ones, to multiples of 2, 4, ... mA."""
    size = 1.0
    while True:
        lower = size * np.floor(thresholds.lower_ma / size)
        upper = size * np.ceil(thresholds.upper_ma / size)
        # an exact value on the grid keeps an interval that holds it
        lower = np.where(lower == upper, lower - size, lower)
        wider = replace(thresholds, lower_ma=lower, upper_ma=upper)
        if wider.cells().count.size <= MOST_CELLS:
            return wider
        size *= 2


def _gap(value: float, found: PublishedRange) -> float:
    """Distance from the nearer end of a range, negative below it and 0 inside."""
    return value - found.upper if value > found.upper else min(value - found.lower, 0.0)


def _median_position(median: Estimate, thresholds: CensoredThresholds, found: PublishedRange) -> MedianPosition:
    distance = None if median.value is None else _gap(median.value, found)
    percent = None
    if distance is not None:
        end = found.upper if distance > 0 else found.lower
        # only the lower end of the ceiling is 0, and nothing lies below it
        percent = 100 * distance / end if distance else 0.0
    return MedianPosition(
        found.name,
        _place_median(median, found),
        distance,
        percent,
        None if median.lower is None else _gap(median.lower, found),
        None if median.upper is None else _gap(median.upper, found),
        count_in_range(thresholds, found.lower, found.upper) if found.quantity == "threshold" else None,
        EXPECTED_ABOVE if thresholds.placements == (LATERAL,) and found.records and not found.holds(LATERAL) else "",
    )


def _place_median(median: Estimate, found: PublishedRange) -> Position:
    if median.lower is None or median.upper is None:
        return "cannot be told"
    if median.upper < found.lower:
        return "below"
    # the median lies above its lower limit, which is the edge before the lowest current that could be enough
    if median.lower >= found.upper:
        return "above"
    if median.identified is not None:
        low, high = median.identified
        held = median.lower >= found.lower or median.upper <= found.upper
        if low >= found.lower and high <= found.upper and held:
            return "inside"
    return "cannot be told"


def count_in_range(thresholds: CensoredThresholds, lower_ma: float, upper_ma: float) -> RangeCounts:
    """Place intervals (lower, upper] against a range with both ends included.

    A threshold in (60, 65] lies inside 40 to 80 mA; one in (75, 85] or below the first setting cannot be placed; one
    that was not reached at 140 mA lies above.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts.
    lower_ma, upper_ma : float
        The range, in mA.
    """
    low, high = thresholds.lower_ma, thresholds.upper_ma
    exact = low == high
    may = np.column_stack(
        (
            low < lower_ma,
            (high >= lower_ma) & ((low < upper_ma) | (exact & (low == upper_ma))),
            high > upper_ma,
        )
    )
    surely = may & (may.sum(axis=1) == 1)[:, None]
    pattern = may @ np.array([1, 2, 4])
    below, inside, above = (int(n) for n in surely.sum(axis=0))
    maybe_below, maybe_inside, maybe_above = (int(n) for n in may.sum(axis=0))
    return RangeCounts(
        below, inside, above, len(thresholds) - below - inside - above, maybe_below, maybe_inside, maybe_above,
        _fewest(thresholds.patient, (pattern == p for p in range(1, 8))),
    )  # fmt: skip


def _fewest(patient: NDArray[np.intp], sets: Iterable[NDArray[np.bool_]]) -> int:
    """Patients of the smallest set that is not empty."""
    return min(int(pd.unique(patient[rows]).size) for rows in sets if rows.any())


def _share(thresholds: CensoredThresholds, level: float) -> LocalShare:
    captured = np.isfinite(thresholds.upper_ma)
    early = np.asarray(thresholds.ending == Ending.STOPPED_EARLY, dtype=bool)
    found = clustered_proportion(captured, thresholds.patient, level)
    notes: tuple[str, ...] = ()
    stopped = int(early.sum())
    if stopped:
        most = (captured.sum() + stopped) / captured.size
        notes = (
            (
                "attempts that stopped below the maximum count as not captured, as in published series; had all of "
                f"them gone on and been captured, the share would be {100 * most:.0f} %"
            ),
        )
    estimate = Estimate(
        "share captured up to the highest current tried", found.value, found.lower, found.upper, level, "proportion",
        "score", found.clusters,
        "proportion with Wilson limits, at the effective sample size where patients have several attempts", notes=notes,
    )  # fmt: skip
    fewest = _fewest(thresholds.patient, (captured, early, ~captured & ~early))
    return LocalShare(estimate, int(captured.sum()), captured.size, stopped, fewest)


def _share_position(share: Estimate, found: PublishedRange) -> SharePosition:
    value, low, high = share.value or 0.0, share.lower or 0.0, 1.0 if share.upper is None else share.upper
    distance = value - found.upper if value > found.upper else min(value - found.lower, 0.0)
    position: Position = "cannot be told"
    if found.lower <= value <= found.upper:
        position = "inside"
    elif high < found.lower and value < min(record.lower for record in found.records):
        position = "below"
    elif low > found.upper and value > max(record.upper for record in found.records):
        position = "above"
    return SharePosition(found.name, position, distance)


def _unusual(thresholds: CensoredThresholds, study: Study | None) -> tuple[UnusualThreshold, ...]:
    captured = np.isfinite(thresholds.upper_ma)
    under = captured & (thresholds.upper_ma < UNUSUAL_BELOW_MA)
    over = captured & (thresholds.upper_ma > UNUSUAL_ABOVE_MA) & (thresholds.lower_ma >= UNUSUAL_ABOVE_MA)
    rows: NDArray[np.int64] | None = None
    if study is not None and "attempt_row" in thresholds.covariates:
        rows = study.attempt_source_rows[thresholds.covariates["attempt_row"].to_numpy(dtype=np.intp)]
    return tuple(
        UnusualThreshold(
            None if rows is None else int(rows[i]), "under" if under[i] else "over", str(thresholds.placement[i]),
            float(thresholds.lower_ma[i]), float(thresholds.upper_ma[i]),
        )
        for i in np.flatnonzero(under | over)
    )  # fmt: skip


def suppress_ranges(check: RangeCheck, fewest: int) -> RangeCheck:
    """Take out groups and counts of fewer than ``fewest`` patients, and the list of single thresholds.

    The total goes too where a hidden group would follow from it by subtraction, and a count of the total where it is
    hidden in one of the groups.  A median and a share keep their limits.  Of a study that is too small altogether
    nothing is left but the published ranges.

    Parameters
    ----------
    check : RangeCheck
        As computed.
    fewest : int
        Smallest number of patients that may be shown; 1 changes nothing.
    """
    if fewest <= 1:
        return check
    if check.groups and check.groups[0].label == EVERYTHING and check.groups[0].patients < fewest:
        return replace(
            check, groups=(), position="cannot be told", much=False, leaning="", first_setting=None, unusual=(),
            n_under=None, n_over=None, reasons=(), notes=(NO_NORM, WITHHELD),
        )  # fmt: skip
    hidden = [group.patients for group in check.groups if group.patients < fewest]
    shown = [group for group in check.groups if group.patients >= fewest]
    if hidden and (len(hidden) == 1 or sum(hidden) < fewest):
        shown = [group for group in shown if group.label != EVERYTHING]
    few = {
        found.name for group in check.groups for found in group.medians
        if found.counts is not None and found.counts.fewest_patients < fewest
    }  # fmt: skip
    few_shares = any(group.share is not None and group.share.fewest_patients < fewest for group in check.groups)
    groups = tuple(_suppress_group(group, fewest, few, few_shares) for group in shown)
    # each of these is one attempt of one patient; how many there are is safe to say only when there is none
    n_under, n_over = (n if not n else None for n in (check.n_under, check.n_over))
    reasons = tuple(suppress_reason(reason, fewest) for reason in check.reasons)
    first = check.first_setting
    if first is not None and any(n is not None and 0 < n < fewest for n in (first.patients, first.other_patients)):
        first = FirstSetting(None, None, None, None)
    return replace(
        check, groups=groups, first_setting=first, unusual=(), n_under=n_under, n_over=n_over, reasons=reasons
    )


def _suppress_group(group: GroupCheck, fewest: int, few: set[str], few_shares: bool) -> GroupCheck:
    def small(found: MedianPosition) -> bool:
        own = found.counts is not None and found.counts.fewest_patients < fewest
        return own or (group.label == EVERYTHING and found.name in few)

    medians = tuple(replace(found, counts=None) if small(found) else found for found in group.medians)
    own = group.share is not None and group.share.fewest_patients < fewest
    if own or (group.label == EVERYTHING and few_shares):
        return replace(group, medians=medians, share=None, shares=())
    return replace(group, medians=medians)
