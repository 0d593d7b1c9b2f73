"""Files that are either whole or not there, and CSV that a spreadsheet will not execute."""

from __future__ import annotations

import re
import secrets
import shutil
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pandas as pd

if TYPE_CHECKING:
    import os
    from collections.abc import Iterator

__all__ = [
    "OUTPUT_MARKER",
    "csv_text",
    "new_folder_atomically",
    "spreadsheet_safe",
    "write_bytes_atomically",
    "write_text_atomically",
]

OUTPUT_MARKER: Final = ".capstat-output"
"""File that marks a folder as written by capstat, so that it may be replaced."""

_NUMBER: Final = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]+)?")
# Some spreadsheets also calculate cells that begin with the full-width forms of these signs.
_CALCULATED: Final = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_CONTROL: Final = ("\t", "\r")


def write_bytes_atomically(path: str | os.PathLike[str], data: bytes) -> None:
    """Write a file that others see either whole or not at all.

    The data go to a new name in the same folder, which then replaces ``path``.  On any failure the new
    name is removed and an older file at ``path`` is left as it was.

    Raises
    ------
    OSError
        The folder does not exist or cannot be written.
    """
    target = Path(path)
    temporary = _sibling(target)
    try:
        temporary.write_bytes(data)
        temporary.replace(target)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def write_text_atomically(path: str | os.PathLike[str], text: str, encoding: str = "utf-8") -> None:
    """Write text as `write_bytes_atomically` does, with line ends as they are in ``text``."""
    write_bytes_atomically(path, text.encode(encoding))


@contextmanager
def new_folder_atomically(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a temporary folder that becomes ``path`` when the block succeeds and vanishes when it fails.

    The finished folder holds `OUTPUT_MARKER`.  An existing folder is replaced only when it is empty or
    holds that marker, so that nobody's own files are ever deleted.

    Raises
    ------
    FileExistsError
        ``path`` is a file, or a folder with files that capstat did not write.

    Examples
    --------
    >>> with new_folder_atomically("results") as folder:       # doctest: +SKIP
    ...     (folder / "summary.txt").write_text("...")
    """
    target = Path(path)
    _refuse_foreign(target)
    temporary = _sibling(target)
    temporary.mkdir(parents=True)
    try:
        yield temporary
        (temporary / OUTPUT_MARKER).write_text("This folder was written by capstat and may be replaced by it.\n")
        _refuse_foreign(target)  # the block may have taken minutes
        _swap(temporary, target)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def spreadsheet_safe(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a copy in which no text is taken for a formula by a spreadsheet.

    Text and column names that begin with ``=``, ``+``, ``-``, ``@``, a tab or a carriage return, also
    after spaces, get
    an apostrophe in front.  Numbers stay as they are, also negative numbers that are given as text.
    """
    safe = frame.copy(deep=False)
    for at in range(frame.shape[1]):
        column = frame.iloc[:, at]
        if isinstance(column.dtype, pd.CategoricalDtype):
            column = column.astype(object)
        if pd.api.types.is_object_dtype(column.dtype) or pd.api.types.is_string_dtype(column.dtype):
            safe.isetitem(at, column.map(_safe_cell).array)
    safe.columns = pd.Index([_safe_cell(name) for name in frame.columns], dtype=object)
    return safe


def csv_text(frame: pd.DataFrame, digits: int | None = 10) -> str:
    """Return a frame as CSV: commas, ``\\n`` line ends, no index, missing cells empty, safe for spreadsheets.

    Parameters
    ----------
    frame : DataFrame
        Columns of numbers, text, categories or yes/no.
    digits : int or None
        Significant digits of floating-point numbers, so that results look the same on every machine;
        ``None`` writes the shortest text that reads back as the same number.
    """
    float_format = None if digits is None else f"%.{digits}g"
    text = spreadsheet_safe(frame).to_csv(index=False, lineterminator="\n", float_format=float_format)
    return str(text)


def _safe_cell(cell: object) -> object:
    if not isinstance(cell, str) or _NUMBER.fullmatch(cell.strip()):
        return cell
    if cell.startswith(_CONTROL) or cell.lstrip().startswith(_CALCULATED):
        return f"'{cell}"
    return cell


def _sibling(target: Path) -> Path:
    """Return an unused hidden name in the folder of ``target``."""
    return target.with_name(f".{target.name[:100]}.{secrets.token_hex(6)}.partial")


def _refuse_foreign(target: Path) -> None:
    if not target.exists() and not target.is_symlink():
        return
    if not target.is_dir() or target.is_symlink():
        raise FileExistsError(f"{target} exists and is not a folder; choose another name.")
    if any(target.iterdir()) and not (target / OUTPUT_MARKER).is_file():
        raise FileExistsError(
            f"{target} holds files that capstat did not write and will not delete; choose another folder."
        )


def _swap(temporary: Path, target: Path) -> None:
    """Put the finished folder in place of an older one, which comes back if that fails."""
    if not target.exists():
        temporary.rename(target)
        return
    old = _sibling(target)
    target.rename(old)
    try:
        temporary.rename(target)
    except BaseException:
        old.rename(target)
        raise
    shutil.rmtree(old, ignore_errors=True)
