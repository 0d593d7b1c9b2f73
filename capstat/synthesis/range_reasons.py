"""Why a local study may lie outside published ranges: possibilities in a fixed order, and what the data say of each.

The order is that of usefulness to somebody who checks a file: mistakes of the record first, then patients and devices
that differ.  A reason that the data speak against is kept and said to be so.  None of them is a diagnosis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd

from capstat.capture.claims import read_claims
from capstat.distributions.npmle import fit_npmle
from capstat.numerics.clustered import clustered_proportion
from capstat.results import NotEstimableError
from capstat.synthesis.published_ranges import SHARE_KINDS, PublishedRange

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from capstat.attempts import Study
    from capstat.synthesis.study_arm import EvidenceTable
    from capstat.thresholds import CensoredThresholds

__all__ = ["EXPLAINS_SHARE", "RangeReason", "Side", "attempt_numbers", "likely_reasons", "suppress_reason"]

Side = Literal["low", "high", "captured less often", "captured more often"]
Verdict = Literal["for", "against", "cannot be told"]

EXPLAINS_SHARE: Final = 0.1
"""A feature of fewer than a tenth of the attempts moves their median by less than ten centiles: it cannot explain a
median outside all published ones by itself (a choice of this project)."""
FEWEST_WITHOUT: Final = 10
"""Attempts without a feature that make a median of theirs worth giving (a choice of this project)."""
HEAVY_KG, OBESE_KG_M2 = 100.0, 30.0
# series of arrests that were paced late began 22 to 59 minutes after the loss of a pulse, on average
LATE_S: Final = 20 * 60.0
SHORT_MS, LONG_MS = 10.0, 40.0
# time constant of heart muscle in dogs (Pearce et al. 1982, PMID 6181474): a weak guide to a chest
TIME_CONSTANT_MS: Final = 2.4
# nobody has published an adult threshold this low; a tenth of the usual currents lies below it
LOWEST_CREDIBLE_MA: Final = 20.0
# selections of energy on defibrillators (common practice, no source)
ENERGIES_J: Final = (2, 3, 5, 6, 7, 8, 9, 10, 15, 20, 30, 50, 70, 75, 100, 120, 125, 150, 170, 175, 200)
LIKE_ENERGIES: Final = 0.9
USUAL_MAXIMUM_MA: Final = 140.0

SMALL_COUNTS = "The counts are too small to be shown."


@dataclass(frozen=True, slots=True)
class RangeReason:
    """One possibility that is worth looking at.

    Attributes
    ----------
    side : str
        What it might explain: thresholds below or above published ones, capture less or more often.
    name : str
        The possibility in a word or two.
    possibility : str
        What it would do, one sentence.
    verdict : {"for", "against", "cannot be told"}
        Whether the study leaves room for it: a tenth of the attempts or more have the feature (and without them the
        study no longer lies outside, where that can be worked out), it cannot explain the finding alone, or nothing
        was recorded.
    observed : str
        What the study itself shows, in sentences.
    in_short : str
        The same in a few words, to stand in brackets behind the name.
    count, total : int or None
        Attempts (claims) with the feature, and those in which it was recorded; ``None`` where nothing is counted.
    patients_with, patients_without : int or None
        Patients behind them.
    """

    side: Side
    name: str
    possibility: str
    verdict: Verdict
    observed: str
    in_short: str
    count: int | None = None
    total: int | None = None
    patients_with: int | None = None
    patients_without: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Case:
    """What the reasons are read from."""

    side: Side
    thresholds: CensoredThresholds
    study: Study | None
    centres: PublishedRange | None
    evidence: EvidenceTable

    def numbers(self, name: str) -> NDArray[np.float64]:
        """As `attempt_numbers`."""
        return attempt_numbers(self.thresholds, self.study, name)


def attempt_numbers(thresholds: CensoredThresholds, study: Study | None, name: str) -> NDArray[np.float64]:
    """Return a recorded number or yes/no (1/0) of every attempt, shape (n,); NaN where there is none."""
    table = thresholds.covariates
    if name in table:
        return _numbers(table[name])
    if study is not None and name in study.attempts and "attempt_row" in table:
        return _numbers(study.attempts[name].iloc[table["attempt_row"].to_numpy(dtype=np.intp)])
    return np.full(len(thresholds), np.nan)


def _numbers(column: pd.Series[float]) -> NDArray[np.float64]:
    return np.asarray(column.astype("Float64").to_numpy(dtype=np.float64, na_value=np.nan))


def likely_reasons(
    side: Side,
    thresholds: CensoredThresholds,
    study: Study | None,
    centres: PublishedRange | None,
    evidence: EvidenceTable,
) -> tuple[RangeReason, ...]:
    """Go through the possibilities for one finding, in their order.

    Parameters
    ----------
    side : str
        What was found.
    thresholds : CensoredThresholds
        The local attempts under one definition of capture.
    study : Study or None
        The tables they were derived from; without it, what only the tables hold cannot be told.
    centres : PublishedRange or None
        Published means and medians.
    evidence : EvidenceTable
        Published records.
    """
    case = _Case(side, thresholds, study, centres, evidence)
    return tuple(reason(case) for reason in _ORDER[side])


def suppress_reason(reason: RangeReason, fewest: int) -> RangeReason:
    """Take the counts out of a reason with 1 to ``fewest - 1`` patients on either side; the verdict stays."""
    if not any(n is not None and 0 < n < fewest for n in (reason.patients_with, reason.patients_without)):
        return reason
    return replace(
        reason, observed=SMALL_COUNTS, in_short="counts too small to be shown", count=None, total=None,
        patients_with=None, patients_without=None,
    )  # fmt: skip


def _counted(
    case: _Case, name: str, possibility: str, has: NDArray[np.bool_], known: NDArray[np.bool_], words: str,
    aside: str = "", *, set_aside: bool = True,
) -> RangeReason:  # fmt: skip
    """A reason that rests on how many attempts have a feature; ``words`` follow "k of m attempts".

    ``set_aside`` asks what the attempts without the feature show.
    """
    count, total = int((has & known).sum()), int(known.sum())
    if not total:
        return RangeReason(
            case.side, name, possibility, "cannot be told", _joined("Not recorded in the file.", aside), "not recorded"
        )
    text = f"{count} of {total} attempts {words}."
    if total < len(case.thresholds):
        text = f"{text[:-1]}; not recorded in {len(case.thresholds) - total}."
    verdict: Verdict = "cannot be told" if 2 * total < len(case.thresholds) else "against"
    if count >= EXPLAINS_SHARE * total:
        still, without = _without(case, has & known) if set_aside else (False, "")
        verdict = "against" if still else "for"
        text = _joined(text, without)
    patients = case.thresholds.patient
    return RangeReason(
        case.side, name, possibility, verdict, _joined(text, aside), f"{count} of {total} attempts", count, total,
        _patients(patients[has & known]), _patients(patients[known & ~has]),
    )  # fmt: skip


def _patients(codes: NDArray[np.intp]) -> int:
    return int(pd.unique(codes).size)


def _joined(*sentences: str) -> str:
    return " ".join(filter(None, sentences))


def _without(case: _Case, has: NDArray[np.bool_]) -> tuple[bool, str]:
    """Whether the attempts without a feature lie outside published centres on the same side, and their median."""
    if case.centres is None or case.side not in ("low", "high") or (~has).sum() < FEWEST_WITHOUT or not has.any():
        return False, ""
    median = fit_npmle(case.thresholds.subset(~has)).capture_current(0.5)
    if median is None:
        return case.side == "high", "Fewer than half of the attempts without it were captured."
    low, high = median
    outside = high < case.centres.lower if case.side == "low" else low >= case.centres.upper
    return outside, f"The median without them lies between {low:g} and {high:g} mA."


def _false_capture(case: _Case) -> RangeReason:
    name = "false capture"
    possibility = "An artefact taken for capture ends the ramp below the true threshold."
    kind = case.thresholds.capture

    def told(verdict: Verdict, observed: str, in_short: str) -> RangeReason:
        return RangeReason(case.side, name, possibility, verdict, observed, in_short)

    if kind == "adjudicated":
        return told("against", "Capture here was confirmed by a reviewer of the recording.", "confirmed by a reviewer")
    if kind == "mechanical":
        return told(
            "cannot be told",
            "Mechanical capture was asked for: an artefact on the screen does not imitate it, a twitching chest may.",
            "mechanical capture was asked for: a twitching chest may imitate it",
        )
    no_reference = "There is no reference in the file.", "no reference in the file: capstat confirm needs one"
    if case.study is None:
        return told("cannot be told", *no_reference)
    for reference in ("adjudicated_capture", "ultrasound", "arterial_line"):
        try:
            claims = read_claims(case.study, reference=reference)
        except NotEstimableError:
            continue
        judged = claims.is_judged
        false, total = claims.is_false, claims.judged
        found = clustered_proportion(false[judged], claims.patient[judged])
        verdict: Verdict = "cannot be told"
        if found.value >= EXPLAINS_SHARE:
            verdict = "for"
        elif found.upper < EXPLAINS_SHARE:
            verdict = "against"
        words = f"A reference ({reference}) did not uphold {claims.false} of {total} claimed captures that it judged."
        return RangeReason(
            case.side, name, possibility, verdict, words,
            f"{claims.false} of {total} judged claims not upheld by {reference}", claims.false, total,
            claims.patients(false), claims.patients(judged & ~false),
        )  # fmt: skip
    return told("cannot be told", *no_reference)


def _unit(case: _Case) -> RangeReason:
    def told(verdict: Verdict, observed: str, in_short: str) -> RangeReason:
        possibility = "Energies in joules, or a tenth of the current, were entered as mA."
        return RangeReason(case.side, "wrong unit", possibility, verdict, observed, in_short)

    currents = _settings(case)
    if not currents.size:
        return told("cannot be told", "No current with capture was recorded.", "no current recorded")
    seen = "Currents above 200 mA are refused when a file is read. "
    if currents.max() <= LOWEST_CREDIBLE_MA:
        return told("for", seen + "No current is above 20 mA.", "no current is above 20 mA")
    different = np.unique(currents)
    energies = float(np.isin(currents, ENERGIES_J).mean())
    gaps = np.unique(np.round(np.diff(different), 6))
    observed = seen + f"Currents run from {different[0]:g} to {different[-1]:g} mA"
    if energies >= LIKE_ENERGIES and gaps.size >= 3:
        observed += f"; {100 * energies:.0f} % of them are usual energies of a defibrillator, in uneven steps."
        return told("for", observed, "currents like the energies of a defibrillator")
    # some of the rows may still be in another unit: even steps refute nothing
    return told("cannot be told", f"{observed}, and do not look like energies.", "nothing odd")


def _settings(case: _Case) -> NDArray[np.float64]:
    """Every current that was tried in these attempts: the settings, or else the ends of the intervals."""
    if case.study is not None and len(case.study.steps) and "attempt_row" in case.thresholds.covariates:
        rows = case.study.steps["attempt_row"].isin(case.thresholds.covariates["attempt_row"])
        currents = case.study.steps.loc[rows, "current_ma"].to_numpy(dtype=float)
    else:
        currents = np.concatenate((case.thresholds.lower_ma, case.thresholds.upper_ma))
    return np.asarray(currents[np.isfinite(currents) & (currents > 0)])


def _definition(case: _Case) -> RangeReason:
    name = "another definition of capture"
    possibility = "A definition that is met earlier or later than the published ones moves every threshold."
    kind = case.thresholds.capture
    records = () if case.centres is None else case.centres.records
    if not records or kind not in SHARE_KINDS:
        words = "There is no published centre to compare."
        return RangeReason(case.side, name, possibility, "cannot be told", words, "no published centre to compare")
    named = [record.capture_definition or "not named" for record in records]
    alike = sum(word in SHARE_KINDS[kind] for word in named)
    listed = ", ".join(f"{word} ({named.count(word)})" for word in dict.fromkeys(named))
    observed = (
        f"Capture here is {kind}; {alike} of {len(records)} published centres ask for the same kind. Published "
        f"definitions: {listed}."
    )
    verdict: Verdict = "against" if 2 * alike > len(records) else "for"
    in_short = f"{alike} of {len(records)} published centres ask for the same kind"
    return RangeReason(case.side, name, possibility, verdict, observed, in_short)


def _pulses(case: _Case, *, long: bool) -> RangeReason:
    width = case.numbers("pulse_width_ms")
    known = np.isfinite(width)
    low, high = (float(width[known].min()), float(width[known].max())) if known.any() else (0.0, 0.0)
    # I(t) = rheobase / (1 - exp(-t / time constant))
    factor = 1 / -np.expm1(-(LONG_MS if long else max(low, 0.1)) / TIME_CONSTANT_MS)
    if long:
        has, words = width > LONG_MS, f"had pulses above {LONG_MS:g} ms (from {low:g} to {high:g} ms)"
        name, possibility = "long pulses", "Longer pulses need less current; published ones were 20 to 40 ms."
        aside = "In dogs almost nothing is gained beyond 10 ms, so this explains little."
    else:
        has, words = width < SHORT_MS, f"had pulses below {SHORT_MS:g} ms (from {low:g} to {high:g} ms)"
        name, possibility = "short pulses", "Short pulses need more current; published ones were 20 to 40 ms."
        aside = ""
        if known.any() and low < SHORT_MS:
            aside = (
                f"By the time constant of heart muscle in dogs, {TIME_CONSTANT_MS:g} ms, the shortest need "
                f"{factor:.2f} times the current of a very long pulse; for a chest that is a weak guide."
            )
    found = _counted(case, name, possibility, has, known, words, aside)
    # whatever the share, the law leaves 0.0 % beyond 40 ms and 2 % beyond 10 ms
    return replace(found, verdict="against") if long and found.total else found


def _high_start(case: _Case) -> RangeReason:
    first = (case.thresholds.lower_ma == 0) & np.isfinite(case.thresholds.upper_ma)
    everyone = np.ones(first.size, dtype=bool)
    # those that did not capture at once have the higher thresholds: a median of theirs would tell nothing
    return _counted(
        case, "a ramp that starts high",
        "Where the first setting captures, the threshold is only known to be no higher than it.",
        first, everyone, "captured at their first setting", set_aside=False,
    )  # fmt: skip


def _lateral_pads(case: _Case) -> RangeReason:
    placement = case.thresholds.placement
    none = case.centres is not None and not case.centres.holds("anterior-lateral")
    nowhere = "No published mean or median here is of such pads." if none else ""
    found = _counted(
        case, "anterior-lateral pads", "They usually capture at higher currents than anterior-posterior ones.",
        placement == "anterior-lateral", placement != "unknown", "had anterior-lateral pads",
        _joined(_published_difference(case.evidence), nowhere),
    )  # fmt: skip
    return replace(found, in_short=f"{found.in_short}, and no published centre is of such pads") if none else found


def _published_difference(evidence: EvidenceTable) -> str:
    arms = {arm.arm: arm for arm in evidence}
    for arm in evidence:
        other = arms.get(arm.compared_with)
        if other is None or arm.difference_ma is None or arm.not_pooled:
            continue
        if {arm.placement, other.placement} == {"anterior-posterior", "anterior-lateral"}:
            more = arm.difference_ma * (1 if arm.placement == "anterior-lateral" else -1)
            pairs = "" if arm.n_pairs is None else f" in {arm.n_pairs} patients"
            return (
                f"Published: a mean {abs(more):g} mA {'higher' if more >= 0 else 'lower'} than with anterior-posterior "
                f"pads{pairs} ({arm.short_citation})."
            )
    return ""


def _weight(case: _Case) -> RangeReason:
    weight, index = case.numbers("weight_kg"), case.numbers("body_mass_index")
    return _counted(
        case, "high body weight", "A wide chest may need more current; published work on it is weak.",
        (weight > HEAVY_KG) | (index >= OBESE_KG_M2), np.isfinite(weight) | np.isfinite(index),
        f"are of patients above {HEAVY_KG:g} kg or with a body mass index of {OBESE_KG_M2:g} kg/m\u00b2 or more",
    )  # fmt: skip


def _arrest(case: _Case) -> RangeReason:
    arrest = case.numbers("arrest")
    return _counted(
        case, "cardiac arrest", "A heart without blood flow may need more current, or not be captured at all.",
        arrest == 1, np.isfinite(arrest), "began in cardiac arrest",
    )  # fmt: skip


def _late(case: _Case) -> RangeReason:
    name, possibility = "late pacing", "Capture becomes harder the longer the heart has gone without oxygen."
    start, onset, arrival = (case.numbers(column) for column in ("pacing_start_s", "onset_s", "arrival_s"))
    known = np.isfinite(start)
    before = np.where(np.isfinite(onset), onset, arrival)
    if np.isfinite(before).any():
        words = f"began more than {LATE_S / 60:g} minutes after onset, or after arrival where onset is not recorded"
        return _counted(case, name, possibility, start - before > LATE_S, np.isfinite(start - before), words)
    # later attempts of a patient begin later whatever the time zero is
    first = known & ~(case.numbers("attempt_order") > 1)
    if first.any() and np.ptp(start[first]) == 0:
        observed = "The time zero of the study is the start of pacing, so no delay was recorded."
        return RangeReason(case.side, name, possibility, "cannot be told", observed, "no delay recorded")
    words = f"began more than {LATE_S / 60:g} minutes after the time zero of the study"
    return _counted(case, name, possibility, start > LATE_S, known, words)


def _set_currents(case: _Case) -> RangeReason:
    """Settings entered as thresholds: only a recorded ramp speaks against it."""
    applied = [
        arm.median_ma for arm in case.evidence
        if arm.paced and arm.age_group != "children" and arm.current_means == "applied" and not arm.not_pooled
        and arm.median_ma is not None
    ]  # fmt: skip
    published = (
        f"Published applied currents have medians of {min(applied):g} to {max(applied):g} mA." if applied else ""
    )
    lower, upper = case.thresholds.lower_ma, case.thresholds.upper_ma
    captured = np.isfinite(upper)
    bare = captured & ((lower == 0) | (lower == upper))
    ramped = np.zeros(lower.size, dtype=bool)
    if case.study is not None and len(case.study.steps) and "attempt_row" in case.thresholds.covariates:
        ramped = case.thresholds.covariates["attempt_row"].isin(case.study.steps["attempt_row"]).to_numpy(dtype=bool)
    shown = (captured & ramped & ~bare).sum() > (1 - EXPLAINS_SHARE) * captured.sum()
    count, total, patients = int(bare.sum()), bare.size, case.thresholds.patient
    words = f"{count} of {total} attempts captured with no lower current named"
    observed = f"{words}."
    if shown:
        observed += " The steps show that lower settings were tried."
    return RangeReason(
        case.side, "currents that were set and not thresholds",
        "A current that was set with a margin, and not the lowest that captured, was entered.",
        "against" if shown else "cannot be told", _joined(observed, published),
        words, count, total, _patients(patients[bare]), _patients(patients[~bare]),
    )  # fmt: skip


def _low_maximum(case: _Case) -> RangeReason:
    top = case.numbers("max_output_ma")
    return _counted(
        case, "a low device maximum", "A ramp that ends early leaves more patients without capture.",
        top < USUAL_MAXIMUM_MA, np.isfinite(top),
        f"had a maximum below {USUAL_MAXIMUM_MA:g} mA, that of the published comparison of placements",
    )  # fmt: skip


def _stopped_early(case: _Case) -> RangeReason:
    top, lower = case.numbers("max_output_ma"), case.thresholds.lower_ma
    with np.errstate(invalid="ignore"):
        stopped = np.isinf(case.thresholds.upper_ma) & (lower < top)
    return _counted(
        case, "ramps stopped early", "An attempt that stops below the maximum counts as not captured.", stopped,
        np.isfinite(top), "stopped below the device maximum without capture",
    )  # fmt: skip


def _long_pulses(case: _Case) -> RangeReason:
    return _pulses(case, long=True)


def _short_pulses(case: _Case) -> RangeReason:
    return _pulses(case, long=False)


_ORDER: Final[dict[Side, tuple[Callable[[_Case], RangeReason], ...]]] = {
    "low": (_false_capture, _unit, _definition, _long_pulses, _high_start),
    "high": (_lateral_pads, _weight, _arrest, _late, _short_pulses, _set_currents),
    "captured less often": (_low_maximum, _stopped_early, _lateral_pads, _weight, _arrest, _late),
    "captured more often": (_false_capture, _definition),
}
