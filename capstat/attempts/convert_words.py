"""Cells to the words of a vocabulary, to yes and no, and to identifiers."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from capstat.attempts.cells import look_up, prepared_text
from capstat.attempts.raw import LARGEST_EXACT, NumberColumn

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts.cells import Cells
    from capstat.attempts.mapping import Recode
    from capstat.attempts.raw import RawColumn

__all__ = ["identifier_cells", "word_cells", "yes_no_cells"]

_MOST_GUESSED: Final = 1000
"""Distinct words of one column for which a guess is made; comparing spellings takes long."""

# No control characters, no quotes or angle brackets, and no first character that a spreadsheet would
# calculate.
_IDENTIFIER: Final = re.compile(r"[\w(][\w .,:/#()+-]{0,63}")


def identifier_cells(cells: Cells, column: RawColumn, recode: Recode | None) -> pd.Categorical:
    """Return identifiers as a categorical over those that occur; what a cell holds is never repeated."""
    if isinstance(column, NumberColumn):
        inexact = np.abs(column.values) >= LARGEST_EXACT
        cells.refuse("inexact-code", inexact, "holds a number with more digits than the file can keep apart")
        column = NumberColumn(np.where(inexact, np.nan, column.values))
    _, text = prepared_text(column, recode)
    labels = text.labels.to_pylist()
    problems = {
        at: (
            ("formula", "holds a formula, which is never calculated here")
            if label.startswith(("=", "+", "@"))
            else ("identifier-form", "holds characters that a code must not have, or more than 64 of them")
        )
        for at, label in enumerate(labels)
        if label and not _IDENTIFIER.fullmatch(label)
    }
    used = np.zeros(len(labels), dtype=bool)
    used[text.codes[text.codes >= 0]] = True
    cells.refuse_labels(text, {at: problem for at, problem in problems.items() if used[at]}, echo=False)
    used[list(problems)] = False
    renumbered = np.where(used, np.cumsum(used) - 1, -1).astype(np.int32)
    categories = pd.Index([label for label, keep in zip(labels, used, strict=True) if keep], dtype=object)
    return pd.Categorical.from_codes(look_up(renumbered, text.codes, -1), categories=categories)


def word_cells(cells: Cells, column: RawColumn, recode: Recode | None) -> pd.Categorical:
    """Return a closed list's words as a categorical over the whole list."""
    codes = _matched(cells, column, recode)
    return pd.Categorical.from_codes(codes, categories=pd.Index(cells.field.words, dtype=object))


def yes_no_cells(cells: Cells, column: RawColumn, recode: Recode | None) -> pd.arrays.BooleanArray:
    """Return yes as True, no as False, and what was not recorded as missing."""
    codes = _matched(cells, column, recode)
    return pd.arrays.BooleanArray(codes == cells.field.words.index("yes"), codes < 0)


def _matched(cells: Cells, column: RawColumn, recode: Recode | None) -> NDArray[np.int8]:
    """Return the position in the vocabulary for each cell, -1 where there is none."""
    _, text = prepared_text(column, recode)
    found = np.full(len(text.labels), -1, dtype=np.int8)
    problems: dict[int, tuple[str, str]] = {}
    for at, label in enumerate(text.labels.to_pylist()):
        try:
            found[at] = cells.field.word_position(label)
        except KeyError:
            problems[at] = ("unknown-word", "is not understood" + _question(cells, label, len(problems)))
    cells.refuse_labels(text, problems)
    return look_up(found, text.codes, -1)


def _question(cells: Cells, label: str, before: int) -> str:
    """Return a guess at what was meant, because the spelling itself may not be repeated."""
    vocabulary = cells.field.allowed
    meant = None if vocabulary is None or before >= _MOST_GUESSED else vocabulary.closest(label)
    return "" if meant is None else f" (did you mean {meant}?)"
