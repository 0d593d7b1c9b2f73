"""Codes that nearly coincide, and attempts that differ in nothing but their code."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.attempts.repeats import repeats

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.attempts.findings import FindingLog
    from capstat.attempts.ramps import Ramps
    from capstat.attempts.sheet import Sheet

__all__ = ["check_codes", "check_same_but_for_code"]


def check_codes(sheet: Sheet, names: Sequence[str], log: FindingLog) -> None:
    """Warn of codes in the columns ``names`` that another spelling of the same code seems to be.

    The code itself is not repeated; the first row of each spelling leads to it.
    """
    for name in names:
        later, of = _similar(sheet.codes(name), sheet.frame[name].cat.categories.tolist())
        sheet.report_repeats(
            log,
            "similar-codes",
            later,
            of,
            name,
            message="differs only in case, spaces or a final .0 from the code in row {row}, and counts as another one",
            remedy="Write the same code in the same way.",
            severity="warning",
        )


def check_same_but_for_code(attempts: Sheet, ramps: Ramps, log: FindingLog) -> None:
    """Warn of attempts with a code of their own that equal an earlier one in all else, their steps included.

    Where attempts are numbered, the number has been compared already.
    """
    coded = attempts.frame["attempt_id"].notna() & attempts.frame["attempt_order"].isna()
    frame = attempts.frame.drop(columns="attempt_id")
    compared = coded.to_numpy() & ~attempts.broken(*attempts.invalid)
    later, first = repeats(frame, compared)
    if not len(later):
        return
    among = np.zeros(len(attempts), dtype=bool)
    among[later] = among[first] = True
    keys = frame.assign(steps=_step_digests(ramps, among))
    later, first = repeats(keys, among)
    codes = attempts.codes("attempt_id")
    own = codes[later] != codes[first]
    attempts.report_repeats(
        log,
        "same-but-for-code",
        later[own],
        first[own],
        None,
        message="equals row {row} in everything but the code of the attempt",
        remedy="Number the attempts in attempt_order, or delete the copy.",
        severity="warning",
    )


def _similar(codes: NDArray[np.int64], spellings: Sequence[str]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the first rows of spellings whose code has another spelling before them, and the first row of that."""
    keys = [_code_key(spelling) for spelling in spellings]
    if len(set(keys)) == len(keys):
        return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
    used, rows = np.unique(codes, return_index=True)
    rows = np.sort(rows[used >= 0])
    first: dict[str, int] = {}
    of = np.array([first.setdefault(keys[codes[row]], row) for row in rows.tolist()], dtype=np.intp)
    return rows[of != rows], of[of != rows]


def _code_key(code: str) -> str:
    plain = "".join(code.split()).casefold()
    return re.sub(r"^([0-9]+)\.0+$", r"\1", plain) if plain.endswith("0") and "." in plain else plain


def _step_digests(ramps: Ramps, among: NDArray[np.bool_]) -> NDArray[np.uint64]:
    """Return a number for each attempt that is equal where all steps are, 0 without steps."""
    digests = np.zeros(len(among), dtype=np.uint64)
    steps = among[ramps.attempt_row]
    rows = ramps.sheet.frame.loc[steps].drop(columns="attempt_id")
    np.add.at(digests, ramps.attempt_row[steps], pd.util.hash_pandas_object(rows, index=False).to_numpy())
    return digests
