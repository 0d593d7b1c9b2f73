"""Share of false captures by group."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

from capstat.report.confirmation_words import both, claim_words, reference_words
from capstat.report.figures.canvas import COLOURS, new_axes, render
from capstat.report.figures.rows import draw_share, set_rows
from capstat.report.wording import p_text, percent

if TYPE_CHECKING:
    from capstat.analysis import FalseCaptureAnalysis
    from capstat.capture.false_capture import FalseCaptureGroup
    from capstat.report.figures.canvas import Picture

__all__ = ["false_capture_groups_picture"]


def _groupings(found: FalseCaptureAnalysis) -> list[tuple[str, list[FalseCaptureGroup]]]:
    """Groupings that divide the judged claims: a single group is the overall row again."""
    by_grouping = [(name, list(rows)) for name, rows in groupby(found.audit.groups, key=lambda row: row.grouping)]
    return [(name, rows) for name, rows in by_grouping if sum(row.judged > 0 for row in rows) > 1]


def _counts(row: FalseCaptureGroup) -> str:
    return f"{row.false} of {row.judged}" if row.judged else "none judged"


def false_capture_groups_picture(found: FalseCaptureAnalysis) -> Picture | None:
    """Forest of the shares by group, all claims on top; ``None`` when no claims were grouped."""
    audit, groupings = found.audit, _groupings(found)
    if audit.share.value is None or not groupings:
        return None
    p_values = {test.grouping: p_text(test.adjusted_p_value) for test in audit.tests}
    count = 1 + sum(1 + len(rows) for _, rows in groupings)
    figure, (axis,) = new_axes(1.5 + 0.31 * count)
    axis.axvline(100 * audit.share.value, color="black", linewidth=0.9, linestyle=":", zorder=1)
    labels = [f"all judged claims ({audit.false} of {audit.judged})"]
    bold = [True]
    draw_share(axis, audit.share, 0.0, "D", COLOURS[2], size=7.0)
    for name, rows in groupings:
        p = p_values.get(name, "")
        labels.append(f"by {name}, {p}" if p else f"by {name}")
        bold.append(True)
        for row in rows:
            height = -float(len(labels))
            labels.append(f"{row.label} ({_counts(row)})")
            bold.append(False)
            draw_share(axis, row.share, height, "s", COLOURS[0], size=5.0)
    set_rows(axis, [-float(k) for k in range(count)], labels)
    axis.set(
        xlim=(0, 100), xticks=range(0, 101, 20), xlabel="judged claims that were false, %",
        title=f"False {claim_words(found.claim)} by group",
    )  # fmt: skip
    for label, heavy in zip(axis.get_yticklabels(), bold, strict=True):
        label.set_fontweight("bold" if heavy else "normal")
        label.set_fontsize(9)
    level = f"{100 * audit.share.level:g} %"
    return render(
        figure,
        "false_capture_groups",
        f"In brackets: claims that {reference_words(found.reference)} did not uphold, of those that it judged. Bars: {level} "
        "confidence limits; dotted: all judged claims. p: that false captures are equally frequent in all groups, adjusted for "
        "the number of groupings. Groups came about by themselves and overlap, so a difference shows association only. Wide bars "
        "say that little is known, not that a group is like the others.",
        " ".join(
            [
                f"Forest of the share of false captures: all judged claims {both(audit.share)}.",
                *(
                    f"{name}, {row.label}: {_counts(row)}"
                    + ("." if row.share.value is None else f", {percent(row.share.value)} %.")
                    for name, rows in groupings
                    for row in rows
                ),
            ]
        ),
    )
