"""The figure of the local study beside published and trade ranges."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.report.figures.published_ranges import (
    LocalShare,
    LocalThreshold,
    PublishedShares,
    RangeBar,
    RangesPlot,
    StudyMark,
    ranges_picture,
)
from capstat.report.wording import bounds_text, counted, interval_text, percent

if TYPE_CHECKING:
    from capstat.report.figures.canvas import Picture
    from capstat.results import Estimate
    from capstat.synthesis.published_ranges import PublishedRange
    from capstat.synthesis.range_check import GroupCheck, RangeCheck

__all__ = ["figure_of_ranges"]


def _bar(found: PublishedRange) -> RangeBar:
    marks = tuple(StudyMark(value=record.value, n=record.n) for record in found.records if record.value is not None)
    size = "" if found.n is None else f"{len(found.records)} records, n = {found.n}"
    if not found.records:
        return RangeBar(label=found.name, kind="trade", lower=found.lower, upper=found.upper)
    return RangeBar(
        label=found.name, kind="centres" if found.quantity == "centre" else "extremes", lower=found.lower,
        upper=found.upper, text=size, marks=marks,
    )  # fmt: skip


def _middle(estimate: Estimate) -> float | None:
    """The value, or the middle of the values that the data cannot tell apart."""
    if estimate.value is not None or estimate.identified is None:
        return estimate.value
    low, high = estimate.identified
    return (low + high) / 2 if high < float("inf") else None


def _threshold(group: GroupCheck) -> LocalThreshold:
    median = group.median
    return LocalThreshold(
        label=group.label, median=_middle(median), lower=median.lower, upper=median.upper,
        tenth=_middle(group.tenth), ninetieth=_middle(group.ninetieth),
        text=f"{bounds_text(median)}, {counted(group.patients, 'patient')}",
    )  # fmt: skip


def figure_of_ranges(check: RangeCheck) -> Picture | None:
    """Published and trade ranges above, local thresholds below; ``None`` without a local group or a published range."""
    bars = tuple(_bar(found) for found in check.published if found.unit == "mA" and "ceiling" not in found.name)
    if not bars or not check.groups:
        return None
    used = {position.name for group in check.groups for position in group.shares}
    shares: list[PublishedShares | LocalShare] = [
        PublishedShares(
            label=found.name, text=f"{counted(len(found.records), 'record')}",
            marks=tuple(StudyMark(value=100 * r.value, n=r.n) for r in found.records if r.value is not None),
        )
        for found in check.published
        if found.name in used
    ]  # fmt: skip
    for group in check.groups:
        share = None if group.share is None else group.share.estimate
        if (
            shares
            and share is not None
            and share.value is not None
            and share.lower is not None
            and share.upper is not None
        ):
            shares.append(
                LocalShare(
                    label=group.label, percent=100 * share.value, lower=100 * share.lower, upper=100 * share.upper,
                    text=f"{percent(share.value)} % ({interval_text(share)})",
                )
            )  # fmt: skip
    return ranges_picture(
        RangesPlot(
            name="range_check", title=f"Your own records beside published ranges, {check.capture} capture",
            caption="A quality alarm and not a test: nothing passes or fails.",
            alternative="Bars of published and trade ranges of capture thresholds, with the local medians below.",
            bars=bars, thresholds=tuple(_threshold(group) for group in check.groups), shares=tuple(shares),
            level=check.level,
        )
    )  # fmt: skip
