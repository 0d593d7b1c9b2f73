"""Files that are either whole or not there, and CSV that a spreadsheet will not execute."""

from __future__ import annotations

import hashlib
import json
import re
import secrets
import shutil
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

import pandas as pd

if TYPE_CHECKING:
    import os
    from collections.abc import Iterator, Mapping

__all__ = [
    "OUTPUT_MARKER",
    "FolderKind",
    "csv_text",
    "new_file_atomically",
    "new_folder_atomically",
    "spreadsheet_safe",
]

FolderKind = Literal["report", "template", "synthetic"]
"""What a folder holds; one kind never replaces another."""

OUTPUT_MARKER: Final = ".capstat-output"
"""File (JSON) that lists what capstat wrote into a folder, so that exactly this may be replaced."""

_KIND_NAMES: Final[dict[str, str]] = {
    "report": "a report",
    "template": "blank tables",
    "synthetic": "invented data",
}

_NUMBER: Final = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]+)?")
# Some spreadsheets also calculate cells that begin with the full-width forms of these signs.
_CALCULATED: Final = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_CONTROL: Final = ("\t", "\n")


# what file browsers leave behind in every folder they open; nobody's work
_LITTER: Final = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})


@contextmanager
def new_folder_atomically(path: str | os.PathLike[str], kind: FolderKind) -> Iterator[Path]:
    """Give a temporary folder that becomes ``path`` when the block succeeds and vanishes when it fails.

    The finished folder holds `OUTPUT_MARKER`, which lists every file with its SHA-256.  An existing folder
    is replaced only when it is empty, or when it is of the same kind and every file in it is listed and
    unchanged: what a person wrote is never deleted.  Folders above ``path`` are made where they are missing.

    Parameters
    ----------
    path : path
        Folder to make.
    kind : {"report", "template", "synthetic"}
        What the folder will hold.

    Raises
    ------
    FileExistsError
        ``path`` is a file, or a folder with something that capstat did not write or that is of another kind.
    PermissionError, NotADirectoryError
        The folder cannot be made there.

    Examples
    --------
    >>> with new_folder_atomically("results", "report") as folder:       # doctest: +SKIP
    ...     (folder / "summary.txt").write_text("...")
    """
    shown = Path(path)
    with _one_sentence(shown):
        target = shown if shown.name not in ("", "..") else shown.resolve()
        _refuse_foreign(target, kind, shown)
        temporary = _sibling(target)
        temporary.mkdir(parents=True)
    try:
        yield temporary
        with _one_sentence(shown):
            _write_marker(temporary, kind)
            _swap(temporary, target, kind, shown)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def new_file_atomically(path: str | os.PathLike[str], data: bytes) -> None:
    """Write a new file, whole or not at all; one that is there is never replaced.

    Parameters
    ----------
    path : path
        File to make; its folder must be there.
    data : bytes
        What it holds.

    Raises
    ------
    FileExistsError
        When there is something of that name.
    PermissionError, NotADirectoryError
        When it cannot be made there.
    """
    target = Path(path)
    with _one_sentence(target, "file"):
        temporary = _sibling(target)
        temporary.write_bytes(data)
        try:
            # a link, unlike a renaming, fails where the name is taken
            target.hardlink_to(temporary)
        except FileExistsError:
            raise FileExistsError(f"There is something at {target} already; choose another name.") from None
        finally:
            temporary.unlink()


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
    if not isinstance(cell, str):
        return cell
    # a bare carriage return inside a cell is not quoted by the writer and would end the row for most readers
    text = cell.replace("\r\n", "\n").replace("\r", "\n")
    if _NUMBER.fullmatch(text.strip()):
        return text
    if text.startswith(_CONTROL) or text.lstrip().startswith(_CALCULATED):
        return f"'{text}"
    return text


def _sibling(target: Path) -> Path:
    """Return an unused hidden name in the folder of ``target``."""
    return target.with_name(f".{target.name[:100]}.{secrets.token_hex(6)}.partial")


@contextmanager
def _one_sentence(shown: Path, what: str = "folder") -> Iterator[None]:
    """Say why a folder or file cannot be made without the temporary name, which nobody chose."""
    try:
        yield
    except OSError as problem:
        if problem.errno is None:  # one of our own sentences
            raise
        refusal = NotADirectoryError if isinstance(problem, NotADirectoryError) else PermissionError
        reason = problem.strerror or "input or output error"
        raise refusal(f"The {what} {shown} cannot be made ({reason}); choose another place.") from problem


def _write_marker(folder: Path, kind: FolderKind) -> None:
    files = {name: _digest(folder / name) for name in _names_in(folder)}
    note = "Written by capstat, which replaces this folder only while it holds these files, unchanged."
    text = json.dumps({"note": note, "kind": kind, "files": files}, indent=2)
    (folder / OUTPUT_MARKER).write_bytes(f"{text}\n".encode("ascii"))


def _read_marker(folder: Path) -> tuple[str, Mapping[str, object]]:
    """Return the kind of a folder and its files; nothing that capstat wrote when there is no sound marker."""
    marker = folder / OUTPUT_MARKER
    with suppress(OSError, ValueError, RecursionError):  # ValueError: neither UTF-8 nor JSON
        content = None if marker.is_symlink() else json.loads(marker.read_bytes())
        if isinstance(content, dict):
            kind, files = content.get("kind"), content.get("files")
            if isinstance(kind, str) and kind in _KIND_NAMES and isinstance(files, dict):
                return kind, files
    return "", {}


def _names_in(folder: Path, within: str = "") -> Iterator[str]:
    """Yield the files below a folder, and folders that are empty; links are not followed.

    One at a time, since whoever names the home folder by mistake should not wait for all of it.
    """
    for entry in sorted(folder.iterdir()):
        name = within + entry.name
        if entry.is_dir() and not entry.is_symlink():
            inside = _names_in(entry, f"{name}/")
            yield next(inside, name)
            yield from inside
        elif name != OUTPUT_MARKER and entry.name not in _LITTER:
            yield name


def _digest(file: Path) -> str | None:
    """Return the SHA-256 of a file, ``"folder"`` for a folder, ``None`` for what else there is or cannot be read."""
    if file.is_dir() and not file.is_symlink():
        return "folder"
    if file.is_symlink() or not file.is_file():
        return None
    try:
        with file.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return None


def _refuse_foreign(target: Path, kind: FolderKind, shown: Path) -> None:
    """Raise unless ``target`` does not exist or may be replaced by a folder of ``kind``."""
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        raise FileExistsError(f"{shown} exists and is not a folder; choose another name.")
    if not target.exists():
        return
    found, files = _read_marker(target)
    if found and found != kind:
        raise FileExistsError(
            f"{shown} holds {_KIND_NAMES[found]}, which {_KIND_NAMES[kind]} cannot replace; choose another folder."
        )
    if not found and (target / OUTPUT_MARKER).exists():
        raise FileExistsError(
            f"{shown} holds {OUTPUT_MARKER}, which is no list of files that this version of capstat wrote; "
            "nothing there is deleted. Choose another folder."
        )
    for name in _names_in(target):
        if name not in files:
            why = "which capstat did not write"
        elif files[name] is None or files[name] != _digest(target / name):
            why = "which is not as capstat wrote it"
        else:
            continue
        raise FileExistsError(f"{shown} holds {name}, {why}; it is not deleted. Choose another folder.")


def _swap(temporary: Path, target: Path, kind: FolderKind, shown: Path) -> None:
    """Put the finished folder in place of an older one, which comes back if that fails."""
    if not target.exists() and not target.is_symlink():
        temporary.rename(target)
        return
    old = _sibling(target)
    target.rename(old)
    try:
        # Looked at again where nobody can add to it: making the new folder may have taken minutes.
        _refuse_foreign(old, kind, shown)
        temporary.rename(target)
    except BaseException:
        old.rename(target)
        raise
    shutil.rmtree(old, ignore_errors=True)
