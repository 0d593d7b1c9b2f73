"""Figures from curves and intervals; only the modules in this folder import a plotting library.

What the data do not identify is drawn as a shaded rectangle, never as a line through its middle.  Groups differ
by colour and by marker, lines by colour and by dashes: every figure can be read in grey.
"""

from capstat.report.figures.canvas import Picture
from capstat.report.figures.capture import figures_of_capture
from capstat.report.figures.confirmation import figures_of_confirmation
from capstat.report.figures.literature import figures_of_question, medians_picture, reanalysis_picture
from capstat.report.figures.literature_ranges import figure_of_ranges
from capstat.report.figures.ramps import figures_of_ramps

__all__ = [
    "Picture",
    "figure_of_ranges",
    "figures_of_capture",
    "figures_of_confirmation",
    "figures_of_question",
    "figures_of_ramps",
    "medians_picture",
    "reanalysis_picture",
]
