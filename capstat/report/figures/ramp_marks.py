"""What the figures of ramps share: numbered policies, and number labels that do not lie on one another."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matplotlib.lines import Line2D

from capstat.analysis import ALL_PLACEMENTS
from capstat.report.figures.canvas import COLOURS
from capstat.report.ramp_words import group_words
from capstat.report.wording import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from capstat.analysis.ramp_analysis import RampGroup, RampPart

__all__ = [
    "CAUTION",
    "MOST_POLICIES",
    "Numbered",
    "draw_numbered",
    "group_name",
    "left_out_words",
    "named_policies",
    "policy_key",
    "shown_groups",
]

MOST_POLICIES = 8
CAUTION = "Nothing here is a recommendation."
# height of a number, in points
HIGH = 12.0
# where a number may stand beside its point, in points, in the order in which places are tried
PLACES = tuple(
    (far * x, far * y) for far in (7, 10, 16, 24) for x, y in ((1, 1), (-1, 1), (1, -1), (-1, -1), (0, 1.2), (0, -1.2))
)


def shown_groups(part: RampPart) -> tuple[RampGroup, ...]:
    """Groups with results, no more than can be told apart."""
    return tuple(group for group in part.groups if group.policies)[: len(COLOURS)]


def group_name(group: RampGroup, by: str) -> str:
    """Name of a group with its patients; ``by`` is the column that groups."""
    return f"{group_words(group.label or ALL_PLACEMENTS, by)}, {counted(group.n_patients, 'patient')}"


def named_policies(part: RampPart) -> tuple[str, ...]:
    """Numbered names of the policies that are drawn: ``1: 10 mA every 5 s``."""
    return tuple(f"{k}: {policy.name}" for k, policy in enumerate(part.policies[:MOST_POLICIES], start=1))


def left_out_words(part: RampPart) -> str:
    """Say that policies were left out; empty where none was."""
    total = len(part.policies)
    return f" Only the first {MOST_POLICIES} of {total} policies are drawn." if total > MOST_POLICIES else ""


def policy_key(figure: Figure, part: RampPart, handles: Sequence[Line2D] = (), *, extra: Sequence[Line2D] = ()) -> None:
    """Numbers and names below the figure, with the line of each where there is one, and further marks first."""
    names = [textwrap.fill(name, 56, subsequent_indent="    ") for name in named_policies(part)]
    shown = [*extra, *(handles or [Line2D([], [], linestyle="none") for _ in names])]
    figure.legend(
        shown, [*(str(line.get_label()) for line in extra), *names], loc="outside lower center", ncols=2,
        frameon=False, fontsize=8, handlelength=2.6 if handles or extra else 0.0, columnspacing=1.6,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Numbered:
    """A point with its number.

    Attributes
    ----------
    x, y : float
        Where it is, in data units.
    text : str
        The number, or several.
    filled : bool
        Black rather than hollow.
    note : str
        Small words after the number.
    """

    x: float
    y: float
    text: str
    filled: bool
    note: str = ""


def draw_numbered(axis: Axes, points: Sequence[Numbered]) -> None:
    """Draw points, each with its number beside it where it touches neither a point nor another number.

    Parameters
    ----------
    axis : Axes
        With its final limits, laid out.
    points : sequence of Numbered
        In the order of their importance.
    """
    box, point_size = axis.get_window_extent(), axis.figure.dpi / 72
    panel = (box.width / point_size, box.height / point_size)
    (left, right), (bottom, top) = axis.get_xlim(), axis.get_ylim()
    at = [((p.x - left) / (right - left) * panel[0], (p.y - bottom) / (top - bottom) * panel[1]) for p in points]
    # centre and half width of what must not be touched
    taken = [(x, y, 4.0) for x, y in at]
    for point, (x, y) in zip(points, at, strict=True):
        axis.plot(
            [point.x], [point.y], marker="o", markersize=7, color="black",
            markerfacecolor="black" if point.filled else "white", markeredgewidth=1.2, zorder=5,
        )  # fmt: skip
        words = f"{point.text} ({point.note})" if point.note else point.text
        half = 2.9 * len(words) + 1.0
        places = [(dx + (half if dx > 0 else -half if dx < 0 else 0.0), dy) for dx, dy in PLACES]

        def touches(place: tuple[float, float], x: float = x, y: float = y, half: float = half) -> bool:
            u, v = x + place[0], y + place[1]
            inside = half < u < panel[0] - half and 5 < v < panel[1] - 5
            return not inside or any(abs(u - a) < half + w and abs(v - b) < HIGH for a, b, w in taken)

        offset = next((place for place in places if not touches(place)), places[0])
        taken.append((x + offset[0], y + offset[1], half))
        axis.annotate(
            words, (point.x, point.y), xytext=offset, textcoords="offset points", ha="center", va="center", fontsize=8,
            fontweight="bold", zorder=6,
            arrowprops={"arrowstyle": "-", "linewidth": 0.7, "shrinkA": 0, "shrinkB": 3} if abs(offset[1]) > 12 else None,
        )  # fmt: skip
