"""``measures.csv``: the measures of an assessment, one row a measure."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from clawvision.errors import UsageError
from clawvision.output.models import MeasureRecord, PhotoRecord

COLUMNS = (
    "photo",
    "sha256",
    "animal",
    "foot",
    "view",
    "claw",
    "stage",
    "taken",
    "status",
    "measure",
    "value",
    "uncertainty",
    "unit",
    "flags",
    "reason",
)

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


@dataclass(frozen=True, slots=True)
class MeasuresTable:
    """How the table is written, part by part: its header, then the rows of each photo.

    CSV by RFC 4180: UTF-8, lines ended by CR LF. A photo without any measure has one row too, with its reasons, so that
    none is missing without a word. Text that a spreadsheet would take for a formula gets an apostrophe in front.
    Several flags or reasons in a cell are separated by a blank.

    Parameters
    ----------
    delimiter
        One character between the cells.
    decimal
        ``"."`` or ``","``; a comma needs another delimiter.

    Raises
    ------
    UsageError
        If delimiter and decimal sign do not go together.
    """

    delimiter: str = ","
    decimal: str = "."

    def __post_init__(self) -> None:
        mark = self.delimiter
        if len(mark) != 1 or mark in "\r\n\"'" or mark.isalnum() or mark in "-.+":
            raise UsageError(f"{mark!r} cannot separate the cells of a table.", "Use a comma, a semicolon or a tab.")
        if self.decimal not in (".", ","):
            raise UsageError(f"{self.decimal!r} cannot be a decimal sign.", "Use a point or a comma.")
        if self.decimal == mark:
            raise UsageError("Decimal sign and separator are both a comma.", "Use ; between the cells.")

    def header(self) -> bytes:
        """Return the line of names."""
        return self._written([list(COLUMNS)])

    def rows(self, photo: PhotoRecord) -> bytes:
        """Return the lines of one photo."""
        return self._written(_rows(photo, self.decimal))

    def _written(self, rows: list[list[str]]) -> bytes:
        buffer = io.StringIO(newline="")
        csv.writer(buffer, delimiter=self.delimiter, lineterminator="\r\n").writerows(rows)
        return buffer.getvalue().encode("utf-8")


def _rows(photo: PhotoRecord, decimal: str) -> list[list[str]]:
    start = [photo.photo, photo.sha256, photo.animal, photo.foot, photo.view]
    rows: list[list[str]] = []

    def add(claw: str | None, measures: Mapping[str, MeasureRecord]) -> None:
        place = [text_cell(cell) for cell in (*start, claw, photo.stage, photo.taken, photo.status)]
        for name, measure in measures.items():
            numbers = [number_cell(number, decimal) for number in (measure.value, measure.uncertainty)]
            rows.append(
                [
                    *place,
                    text_cell(name),
                    *numbers,
                    measure.unit,
                    text_cell(" ".join(measure.flags)),
                    text_cell(measure.reason),
                ]
            )

    for name, claw in photo.claws.items():
        add(name, claw.measures)
    add(None, photo.foot_measures)
    if not rows:
        place = [text_cell(cell) for cell in (*start, photo.claw, photo.stage, photo.taken, photo.status)]
        rows.append([*place, "", "", "", "", "", text_cell(" ".join(reason.message for reason in photo.reasons))])
    return rows


def text_cell(value: str | None) -> str:
    """Return a cell of text that no spreadsheet takes for a formula."""
    text = value or ""
    if text.startswith(_FORMULA_STARTS) or text.lstrip().startswith(_FORMULA_STARTS):
        return f"'{text}"
    return text


def number_cell(value: float | None, decimal: str) -> str:
    """Return a number without an exponent, which some spreadsheets read as text."""
    if value is None:
        return ""
    return format(Decimal(repr(value)), "f").replace(".", decimal)
