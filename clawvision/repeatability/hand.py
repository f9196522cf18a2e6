"""Measures that were taken by hand: the table, and how it is read."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, get_args

from clawvision.columns import free_text, number, one_of
from clawvision.errors import UsageError
from clawvision.plain import did_you_mean, listed, plain
from clawvision.repeatability.repeats import LARGEST
from clawvision.sheet import read_sheet
from clawvision.types import ClawName, Foot, Stage

_BOTH = "both"
_CLAWS: tuple[ClawName, ...] = ("outer", "inner")


@dataclass(frozen=True, slots=True)
class HandReading:
    """One row: a value that a person took, in the unit of the measure. ``claw`` None is a measure of both claws."""

    line: int
    animal: str
    foot: Foot
    claw: ClawName | None
    measure: str
    value: float
    taken: date | None = None
    stage: Stage | None = None
    operator: str | None = None


def _value(cell: str) -> float:
    value = number(cell)
    if abs(value) > LARGEST:
        raise ValueError(f"{value:g} is not between -{LARGEST:g} and {LARGEST:g}.")
    return value


def _taken(cell: str) -> date:
    try:
        return date.fromisoformat(cell[:10])
    except ValueError:
        raise ValueError(f'"{plain(cell[:60])}" is not an ISO 8601 date such as 2024-05-31.') from None


COLUMNS: dict[str, Callable[[str], Any]] = {
    "animal": free_text,
    "foot": one_of(*get_args(Foot)),
    "claw": one_of(*_CLAWS, _BOTH),
    "measure": free_text,
    "value": _value,
    "taken": _taken,
    "stage": one_of(*get_args(Stage)),
    "operator": free_text,
}
"""Reader of a cell by column. An empty cell is never read: it means unknown."""
_REQUIRED = ("animal", "foot", "measure", "value")


def read_hand(
    path: Path, claw_measures: Sequence[str], foot_measures: Sequence[str]
) -> tuple[tuple[HandReading, ...], tuple[str, ...]]:
    """Read a table of hand measures, and what had to be guessed to read it.

    Parameters
    ----------
    path
        The CSV file, at most 10 MB, as a spreadsheet saves it.
    claw_measures, foot_measures
        Names of measures that the photos give, of one claw and of both.

    Raises
    ------
    UsageError
        If the file cannot be read or any of its cells cannot be used. All bad rows are told at once.
    """
    sheet = read_sheet(path, tuple(COLUMNS), "value", row="hand measure")
    known = tuple(dict.fromkeys((*claw_measures, *foot_measures)))
    readings: list[HandReading] = []
    problems: list[str] = []
    for row in sheet.rows:
        values: dict[str, Any] = {}
        bad: list[str] = []
        for column, reader in COLUMNS.items():
            try:
                if column in row.cells:
                    values[column] = reader(row.cells[column])
                elif column in _REQUIRED:
                    raise ValueError("it is empty.")
                if column == "measure" and values[column] not in known:
                    name = values[column]
                    raise ValueError(f'the photos give no measure "{plain(name[:60])}".{did_you_mean(name, known)}')
            except ValueError as error:
                bad.append(f"line {row.line}, column {column}: {error}")
        claw = values.get("claw")
        if not bad and claw in (None, _BOTH) and values["measure"] not in foot_measures:
            bad.append(f"line {row.line}, column claw: {values['measure']} is of one claw: say outer or inner.")
        if not bad and claw in _CLAWS and values["measure"] not in claw_measures:
            bad.append(f"line {row.line}, column claw: {values['measure']} is of both claws: leave it empty.")
        if not bad:
            readings.append(HandReading(row.line, **values | {"claw": None if claw == _BOTH else claw}))
        problems += bad
    if problems:
        raise UsageError(f"{plain(path)} cannot be used:\n{listed(problems)}\n", "Nothing was written yet.")
    return tuple(readings), sheet.notes
