"""Range checks as sentences and tables: where a study lies beside published ranges, and what is worth looking at."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from capstat.report.confirmation_words import full_sentences
from capstat.report.table import Table, level_text, shown_estimate
from capstat.report.wording import (
    confidence_text,
    counted,
    estimate_text,
    interval_text,
    listed,
    milliampere,
    percent,
    percentage_points,
)
from capstat.synthesis.published_ranges import CENTRES, EXTREMES, TRADE
from capstat.synthesis.range_check import EVERYTHING, UNUSUAL_ABOVE_MA, UNUSUAL_BELOW_MA

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.synthesis.published_ranges import PublishedRange, RangeRecord
    from capstat.synthesis.range_check import GroupCheck, MedianPosition, RangeCheck, RangeCounts
    from capstat.synthesis.range_reasons import RangeReason

__all__ = ["range_sentences", "range_tables"]

WITHHELD = "not shown"
DASH = "\u2013"
# rows of a file that a sentence names
MOST_ROWS = 10
VERDICTS = {
    "for": "worth looking at",
    "against": "cannot explain it alone",
    "cannot be told": "cannot be told from this file",
}
SIDES = {
    "low": "lower thresholds",
    "high": "higher thresholds",
    "captured less often": "captured less often",
    "captured more often": "captured more often",
}


def range_sentences(check: RangeCheck) -> tuple[str, ...]:
    """Return at most six sentences: position, published work, trade ranges, shares, single thresholds, reasons."""
    sentences = (
        _position(check), _published(check), _trade(check), _shares(check), _unusual(check), _reasons(check.reasons),
    )  # fmt: skip
    return tuple(filter(None, sentences))


def range_tables(check: RangeCheck) -> tuple[Table, ...]:
    """Every table of the range check; those without rows are left away."""
    tables = (
        _local_table(check), _share_table(check), _published_table(check), _unusual_table(check), _reason_table(check),
    )  # fmt: skip
    return tuple(table for table in tables if table.rows)


def _range(check: RangeCheck, name: str) -> PublishedRange | None:
    return next((found for found in check.published if found.name == name), None)


def _total(check: RangeCheck) -> GroupCheck | None:
    return next((group for group in check.groups if group.label == EVERYTHING), None)


def _span(lower: float, upper: float, unit: str) -> str:
    low, high = (milliampere(x) if unit == "mA" else percent(x) for x in (lower, upper))
    sign = "mA" if unit == "mA" else "%"
    return f"{low} {sign}" if low == high else f"{low} to {high} {sign}"


def _ends(found: PublishedRange) -> str:
    return _span(found.lower, found.upper, found.unit)


def _size(found: PublishedRange) -> str:
    n = "n not stated" if found.n is None else f"n = {found.n}"
    if found.n is not None and any(record.n is None for record in found.records):
        n = f"n = {found.n} or more"
    own = sum(record.own for record in found.records)
    yours = "" if not own else ", all yours" if own == len(found.records) else f", {own} of them yours"
    if own == len(found.records) == 1:
        yours = ", yours"
    return f"{counted(len(found.records), 'record')}{yours}, {n}"


def _position(check: RangeCheck) -> str:
    return f"{_placed(check)}{_at_once(check)}."


def _at_once(check: RangeCheck) -> str:
    first = check.first_setting
    if first is None:
        return ""
    count = "half or more of the" if first.captured is None else f"{first.captured} of {first.attempts}"
    return (
        f"; {count} attempts captured at their first setting, or name no lower one, and such ramps may tell of false "
        "capture, of a start that is too high or of currents that were set and not thresholds"
    )


def _placed(check: RangeCheck) -> str:
    """Where the median lies, without a full stop."""
    centres, total = _range(check, CENTRES), _total(check)
    subject = f"For {check.capture} capture, the median threshold"
    if not check.groups:
        return f"{subject} is not shown: the study has fewer patients than may be shown"
    if centres is None:
        return f"{subject} cannot be placed: the evidence table holds no published mean or median of adults"
    span = f"published means and medians ({_ends(centres)})"
    median = "" if total is None else f", {_median_words(total)},"
    found = None if total is None else total.against(CENTRES)
    by = "" if found is None else _distance(found)
    if check.leaning:
        patients = "" if total is None else f" ({total.patients})"
        return (
            f"{subject}{median} lies {check.leaning} all {span}{by} as far as can be told: outside, but too few "
            f"patients{patients} to be sure, as its limits reach into that range"
        )
    if check.position == "cannot be told":
        return f"{subject}{median} cannot be placed: with its limits it may lie inside or outside the range of {span}"
    if check.position == "inside":
        return f"{subject}{median} lies inside the range of {span}"
    far = "well " if check.much else ""
    return f"{subject}{median} lies {far}{check.position} all {span}{by}"


def _median_words(group: GroupCheck) -> str:
    median = group.median
    if median.value is None or median.identified is None:
        return estimate_text(median)
    low, high = (milliampere(x) for x in median.identified)
    return f"between {low} and {high} mA ({confidence_text(median)})"


def _distance(found: MedianPosition) -> str:
    if found.distance_ma is None:
        least = found.distance_lower_ma
        return "" if not least else f", by {milliampere(abs(least))} mA or more"
    share = "" if found.distance_percent is None else f" ({abs(found.distance_percent):.0f} % of that end)"
    return f", by {milliampere(abs(found.distance_ma))} mA{share}"


def _published(check: RangeCheck) -> str:
    parts = []
    for name, words in ((CENTRES, "means and medians of"), (EXTREMES, "single captured thresholds of")):
        found = _range(check, name)
        if found is not None:
            parts.append(f"{words} {_ends(found)} ({_size(found)})")
    return f"Published work on adults has {listed(parts)}: few and small studies, so no norm." if parts else ""


def _trade(check: RangeCheck) -> str:
    """Counts against the ranges of the trade, where there is a total to count."""
    total = _total(check)
    parts = []
    for name in TRADE:
        found, position = _range(check, name), None if total is None else total.against(name)
        if found is not None and position is not None and position.counts is not None:
            c = position.counts
            parts.append(f"{c.inside} inside {_ends(found)}, {c.below} below, {c.above} above, {c.undecided} undecided")
    if not parts or total is None:
        return ""
    return (
        f"Of {counted(total.attempts, 'attempt')}, against the ranges of the trade (common practice, no source): "
        f"{'; '.join(parts)}."
    )


def _shares(check: RangeCheck) -> str:
    total = _total(check)
    if total is None or total.share is None or not total.shares:
        return ""
    parts = []
    for found in total.shares:
        published = _range(check, found.name)
        if published is not None:
            where = found.position if found.position == "cannot be told" else f"here {found.position}"
            parts.append(f"{published.urgency} {_ends(published)} ({_size(published)}): {where}")
    return (
        f"Captured up to the highest current tried: {estimate_text(total.share.estimate)}; published shares of the same "
        f"kind of capture: {'; '.join(parts)}."
    )


def _unusual(check: RangeCheck) -> str:
    if not check.n_under and not check.n_over:
        return ""
    parts = []
    for side, count, words in (
        ("under", check.n_under, f"below {UNUSUAL_BELOW_MA:g} mA"),
        ("over", check.n_over, f"above {UNUSUAL_ABOVE_MA:g} mA"),
    ):
        if count:
            rows = [f"{found.row}" for found in check.unusual if found.side == side and found.row is not None]
            parts.append(f"{count} {words}{_row_words(rows)}")
    return f"Captured thresholds that deserve a second look: {listed(parts)}."


def _row_words(rows: list[str]) -> str:
    if not rows:
        return ""
    more = " and more" if len(rows) > MOST_ROWS else ""
    return f" (attempts file, {'row' if len(rows) == 1 else 'rows'} {', '.join(rows[:MOST_ROWS])}{more})"


def _reasons(reasons: Sequence[RangeReason]) -> str:
    """Every possibility that the data do not speak against, with what can be told; the table holds the others too."""
    left: dict[str, str] = {}
    for reason in reasons:
        if reason.verdict != "against":
            left.setdefault(reason.name, f"{reason.name} ({reason.in_short})")
    if left:
        return f"Worth looking at, in this order: {', '.join(left.values())}; these are possibilities, not findings."
    return "None of the usual reasons explains it alone by what was recorded." if reasons else ""


def _count_cells(counts: RangeCounts | None, withheld: bool) -> tuple[str, str, str, str]:
    if counts is None:
        word = WITHHELD if withheld else DASH
        return word, word, word, word
    c = counts
    return (
        _certain(c.below, c.possibly_below), _certain(c.inside, c.possibly_inside), _certain(c.above, c.possibly_above),
        f"{c.undecided}",
    )  # fmt: skip


def _certain(surely: int, possibly: int) -> str:
    return f"{surely}" if surely == possibly else f"{surely} (up to {possibly})"


def _local_table(check: RangeCheck) -> Table:
    rows, data = [], []
    for group in check.groups:
        value, limits = shown_estimate(group.median)
        for found in group.medians:
            published = _range(check, found.name)
            if published is None:
                continue
            cells = _count_cells(found.counts, published.quantity == "threshold")
            far = DASH if found.distance_ma is None else f"{found.distance_ma:+.0f} mA".replace("-", "\u2212")
            far = "0" if found.distance_ma == 0 else far
            position = f"{found.position} ({found.remark})" if found.remark else found.position
            rows.append((group.label, found.name, _ends(published), value, limits, position, far, *cells))
            data.append(_local_data(group, published, found))
    level = f"{100 * check.level:g} % CI"
    notes = (
        (
            "Value of the median: the lowest tested current known to capture half, as published thresholds are currents that "
            "captured. Below and above: so are its limits."
        ),
        "Counts: thresholds that certainly lie there (with those that may); the rest straddle an end or are open.",
        *full_sentences(check.notes),
    )
    return Table(
        "range_check", f"Thresholds beside published ranges, {check.capture} capture",
        ("group", "range", "from", "median", level, "position", "distance", "below", "inside", "above", "undecided"),
        tuple(rows), pd.DataFrame(data), notes,
    )  # fmt: skip


def _local_data(group: GroupCheck, published: PublishedRange, found: MedianPosition) -> dict[str, object]:
    counts = found.counts
    names = ("below", "inside", "above", "undecided", "possibly_below", "possibly_inside", "possibly_above")
    return {
        "group": group.label, "patients": group.patients, "attempts": group.attempts, "range": published.name,
        "range_lower_ma": published.lower, "range_upper_ma": published.upper, "range_n": published.n,
        "median_ma": group.median.value, "lower_ma": group.median.lower, "upper_ma": group.median.upper,
        "position": found.position, "distance_ma": found.distance_ma, "distance_percent": found.distance_percent,
        "distance_lower_ma": found.distance_lower_ma, "distance_upper_ma": found.distance_upper_ma, "remark": found.remark,
        **{name: None if counts is None else getattr(counts, name) for name in names},
    }  # fmt: skip


def _share_table(check: RangeCheck) -> Table:
    rows, data, notes = [], [], []
    for group in check.groups:
        if group.share is None:
            continue
        e = group.share.estimate
        notes += [f"{group.label}: {note}" for note in e.notes]
        for found in group.shares:
            published = _range(check, found.name)
            if published is None:
                continue
            far = "0" if found.distance == 0 else f"{percentage_points(found.distance)} points"
            counts = f"{group.share.captured} of {group.share.attempts}"
            rows.append(
                (
                    group.label, counts, shown_estimate(e)[0], interval_text(e), published.urgency,
                    f"{_ends(published)} ({_size(published)})", found.position, far,
                )
            )  # fmt: skip
            data.append(
                {
                    "group": group.label, "captured": group.share.captured, "attempts": group.share.attempts,
                    "stopped_early": group.share.stopped_early, "share": e.value, "lower": e.lower, "upper": e.upper,
                    "range": published.name, "range_lower": published.lower, "range_upper": published.upper,
                    "range_n": published.n, "position": found.position, "distance": found.distance,
                }
            )  # fmt: skip
    estimates = [group.share.estimate for group in check.groups if group.share is not None]
    level = level_text(estimates[0]) if estimates else ""
    return Table(
        "range_check_shares", f"Share captured beside published shares, {check.capture} capture",
        ("group", "captured", "share", level, "published patients", "published shares", "position", "distance"),
        tuple(rows), pd.DataFrame(data),
        (
            (
                "Below and above: the limits here are, and the share lies beyond the limits of every published share too. Other "
                "patients, devices and definitions may be the reason."
            ),
            *full_sentences(notes),
        ),
    )  # fmt: skip


def _published_table(check: RangeCheck) -> Table:
    kinds = {found.name for group in check.groups for found in group.shares}
    used = [found for found in check.published if found.quantity != "share" or found.name in kinds]
    rows, data = [], []
    for found in used:
        rows.append((found.name, "", _ends(found), "" if found.n is None else f"{found.n}", found.source))
        data.append(_published_data(found, None))
        for record in found.records:
            n = "not stated" if record.n is None else f"{record.n}"
            label = f"{record.label} (yours)" if record.own else record.label
            rows.append(("", label, _record_words(record, found.unit), n, ""))
            data.append(_published_data(found, record))
    notes = [
        "A range from a few small studies shows what has been seen; it is no norm. Patients in several records count once."
    ]
    if check.left_out:
        left = "; ".join(f"{found.label}, {found.what} ({found.reason.rstrip('.')})" for found in check.left_out)
        notes.append(f"Not used in any range: {left}.")
    return Table(
        "published_ranges", "Published ranges and what they rest on", ("range", "record", "reported", "n", "source"),
        tuple(rows), pd.DataFrame(data), tuple(notes),
    )  # fmt: skip


def _record_words(record: RangeRecord, unit: str) -> str:
    pads = "" if record.placement == "unknown" else f", {record.placement}"
    if unit != "mA":
        value = percent(record.value or 0.0)
        limits = _span(record.lower, record.upper, unit)
        return f"{record.statistic}, {value} % ({limits}), {record.capture_definition}{pads}"
    return f"{record.statistic} {_span(record.lower, record.upper, unit)}{pads}"


def _published_data(found: PublishedRange, record: RangeRecord | None) -> dict[str, object]:
    row: dict[str, object] = {"range": found.name, "unit": found.unit}
    if record is None:
        return row | {"lower": found.lower, "upper": found.upper, "n": found.n, "source": found.source}
    return row | {
        "record": record.arm, "value": record.value, "lower": record.lower, "upper": record.upper, "n": record.n,
        "statistic": record.statistic, "placement": record.placement, "urgency": record.urgency,
        "capture_definition": record.capture_definition, "own": record.own, "source": record.citation,
    }  # fmt: skip


def _unusual_table(check: RangeCheck) -> Table:
    rows = [
        (
            "not known" if found.row is None else f"{found.row}",
            found.placement,
            _span(found.lower_ma, found.upper_ma, "mA"),
        )
        for found in check.unusual
    ]
    data = [
        {
            "attempts_file_row": found.row, "side": found.side, "placement": found.placement, "lower_ma": found.lower_ma,
            "upper_ma": found.upper_ma,
        }
        for found in check.unusual
    ]  # fmt: skip
    return Table(
        "unusual_thresholds",
        f"Captured thresholds below {UNUSUAL_BELOW_MA:g} or above {UNUSUAL_ABOVE_MA:g} mA, {check.capture} capture",
        ("row of the attempts file", "placement", "threshold within"), tuple(rows), pd.DataFrame(data),
        ("The header is row 1. Worth a second look; nothing says that they are wrong.",),
    )  # fmt: skip


def _reason_table(check: RangeCheck) -> Table:
    rows = [
        (SIDES[reason.side], reason.name, VERDICTS[reason.verdict], reason.possibility, reason.observed)
        for reason in check.reasons
    ]
    data = [
        {
            "finding": SIDES[reason.side], "possibility": reason.name, "verdict": VERDICTS[reason.verdict],
            "with": reason.count, "recorded_in": reason.total, "observed": reason.observed,
        }
        for reason in check.reasons
    ]  # fmt: skip
    return Table(
        "range_reasons", f"What might explain it, {check.capture} capture",
        ("finding", "possibility", "verdict", "what it would do", "what this study shows"), tuple(rows),
        pd.DataFrame(data), ("In the order in which they are worth looking at. A possibility is not a diagnosis.",),
    )  # fmt: skip
