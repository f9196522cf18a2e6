"""Reading a table that came out of a spreadsheet: encoding, delimiter, header, rows with their lines."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from clawvision.errors import UsageError
from clawvision.plain import did_you_mean, listed, plain

MAX_BYTES = 10_000_000
_DELIMITERS = (",", ";", "\t")
_OWN_PREFIX = "x_"


@dataclass(frozen=True, slots=True)
class Row:
    """One row: the line it starts on, and its cells by column, stripped, empty ones left out."""

    line: int
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table as read: its rows, and what had to be guessed to read it."""

    rows: tuple[Row, ...]
    notes: tuple[str, ...]


def read_sheet(path: Path, known: Sequence[str], required: str, row: str = "photo") -> Sheet:
    """Read a CSV file whose first row names its columns.

    The delimiter is whichever of ``, ; tab`` makes the header's names known ones. UTF-8 and UTF-16 are
    read; a file that is neither is taken as Windows-1252, with a note. Names of columns may differ
    from ``known`` in case, spaces and hyphens. A column that begins with ``x_`` is the user's own.

    Parameters
    ----------
    path
        The file, at most 10 MB.
    known
        The names that columns may have.
    required
        The column that must be there.
    row
        What one row tells of, in a word that takes an s.

    Raises
    ------
    UsageError
        If the file cannot be read, or holds an unknown or repeated column, a row with more cells than the
        header, or no rows.
    """
    text, notes = _text(path)
    shown = plain(path)
    delimiter, skip = _delimiter(text, known)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True, skipinitialspace=True)
    columns: list[str] | None = None
    read: list[Row] = []
    problems: list[str] = []
    line = 1
    try:
        for cells in reader:
            start, line = line, reader.line_num + 1
            if start <= skip or not any(cell.strip() for cell in cells):
                continue
            if columns is None:
                columns = _columns(cells, known, required, f"{shown}, line {start}")
                continue
            if any(cell.strip() for cell in cells[len(columns) :]):
                problems.append(
                    f"line {start}: {len(cells)} cells, but the header names {len(columns)} columns; "
                    "a cell that holds the delimiter must stand in double quotes."
                )
                continue
            pairs = zip(columns, (cell.strip() for cell in cells), strict=False)
            filled = {name: cell for name, cell in pairs if cell}
            stray = filled.pop("", "")
            if stray:
                problems.append(f'line {start}: "{plain(stray[:60])}" stands in a column without a name.')
                continue
            read.append(Row(start, filled))
    except csv.Error as error:
        raise UsageError(
            f"{shown}, line {line}: the table is broken here ({error}).",
            "Look for a double quote that is not closed, and save it as CSV again.",
        ) from None
    if problems:
        raise UsageError(f"{shown} cannot be used:\n{listed(problems)}")
    if not read:
        raise UsageError(f"{shown} names no {row}s.", f"Put one {row} a row under the column {required}.")
    return Sheet(tuple(read), notes)


def _text(path: Path) -> tuple[str, tuple[str, ...]]:
    shown = plain(path)
    try:
        if not path.is_file():
            raise UsageError(f"{shown} is not a file.", "Name a CSV file.")
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except OSError as error:
        raise UsageError(f"{shown} cannot be read ({error.strerror}).", "Check that you may read it.") from None
    if len(data) > MAX_BYTES:
        raise UsageError(
            f"{shown} has more than {MAX_BYTES // 1_000_000} MB.", "Split it, or check that it is the right file."
        )
    notes: tuple[str, ...] = ()
    try:
        if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
            text = data.decode("utf-16")
        elif data[1:8:2] == b"\0\0\0\0":
            text = data.decode("utf-16-le")
        elif data[0:8:2] == b"\0\0\0\0":
            text = data.decode("utf-16-be")
        else:
            text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        try:
            text = data.decode("cp1252")
        except UnicodeDecodeError:
            text = "\0"
        else:
            notes = (
                f"{shown} is not UTF-8; it was read as Windows-1252. Save it as CSV UTF-8 to be sure of its names.",
            )
    if "\0" in text:
        raise UsageError(f"{shown} is not a text file.", "Save the table as CSV UTF-8.")
    return text, notes


def _delimiter(text: str, known: Sequence[str]) -> tuple[str, int]:
    """Return the delimiter, and how many lines at the top only tell a spreadsheet about it."""
    lines = text.splitlines()
    first = lines[0].strip() if lines else ""
    if len(first) == 5 and first.lower().startswith("sep=") and first[4] in _DELIMITERS:
        return first[4], 1
    header = next((line for line in lines if line.strip(" ,;\t")), "")

    def hits(delimiter: str) -> int:
        return sum(_tidy(cell.strip('"')) in known for cell in header.split(delimiter))

    return max(_DELIMITERS, key=hits), 0


def _tidy(name: str) -> str:
    return "_".join(name.strip().strip('"').casefold().replace("-", " ").replace("_", " ").split())


def _columns(cells: Sequence[str], known: Sequence[str], required: str, where: str) -> list[str]:
    columns = [_tidy(cell) for cell in cells]
    unused = [name for name in known if name not in columns]
    problems = []
    for given, name in zip(cells, columns, strict=True):
        if name and name not in known and not name.startswith(_OWN_PREFIX):
            problems.append(f'there is no column "{plain(given.strip()[:60])}".{did_you_mean(name, unused)}')
    for name in sorted({name for name in columns if name and columns.count(name) > 1}):
        problems.append(f'the column "{plain(name)}" is there twice.')
    if required not in columns:
        problems.append(f'the column "{required}" is missing.')
    if problems:
        raise UsageError(
            f"{where} (the header):\n{listed(problems)}\n",
            f"Columns are: {', '.join(known)}. Begin a column of your own with {_OWN_PREFIX}.",
        )
    return columns
