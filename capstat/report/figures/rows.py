"""Rows of shares with their limits, as in a forest."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from capstat.results import Estimate

__all__ = ["draw_share", "set_rows"]


def draw_share(
    axis: Axes, share: Estimate, height: float, marker: str, colour: str, *, hollow: bool = False, size: float = 6.0
) -> None:
    """Draw a share in percent with its limits; only what is there of the three."""
    if share.lower is not None and share.upper is not None:
        axis.hlines(
            height, 100 * share.lower, 100 * share.upper, color=colour, linewidth=1.0 if hollow else 1.9, zorder=2,
        )  # fmt: skip
    if share.value is not None:
        axis.plot(
            [100 * share.value], [height], linestyle="none", marker=marker, color=colour, markersize=size,
            markerfacecolor="white" if hollow else colour, zorder=3, clip_on=False,
        )  # fmt: skip


def set_rows(axis: Axes, heights: list[float], labels: list[str], room: float = 0.7) -> None:
    """Label rows that run downwards from 0, without lines between them."""
    axis.set(yticks=heights, yticklabels=labels, ylim=(heights[-1] - room, room))
    axis.grid(visible=False, axis="y")
