"""The manifest's columns: what a cell of each may hold, and how it is read."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from datetime import date, datetime
from typing import Any, get_args

from clawvision.plain import did_you_mean, plain
from clawvision.types import ClawName, Foot, Sign, Stage, View

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)
_MAX_OFFSET_MM = 500.0
_MAX_TICK_MM = 100.0


def one_of(*allowed: str) -> Callable[[str], str]:
    """Return a reader for one of several words, in any case."""
    by_name = {word.casefold(): word for word in allowed}

    def read(cell: str) -> str:
        word = by_name.get(cell.casefold())
        if word is None:
            raise ValueError(f'"{plain(cell[:60])}" is not one of {" ".join(allowed)}.{did_you_mean(cell, allowed)}')
        return word

    return read


def free_text(cell: str) -> str:
    """Return the cell as it is; line ends and control characters are no text."""
    if not cell.isprintable():
        raise ValueError(f'"{plain(cell[:60])}" holds characters that do not print.')
    return cell


def number(cell: str) -> float:
    """Return a decimal number; a comma may stand for the decimal point."""
    if not _NUMBER.fullmatch(cell) or not math.isfinite(value := float(cell.replace(",", "."))):
        raise ValueError(f'"{plain(cell[:60])}" is not a number; write it without a unit, such as 25 or 12.5.')
    return value


def _offset(cell: str) -> float:
    value = number(cell)
    if abs(value) > _MAX_OFFSET_MM:
        raise ValueError(f"{value:g} is not between -{_MAX_OFFSET_MM:g} and {_MAX_OFFSET_MM:g} mm.")
    return value


def _tick(cell: str) -> float:
    value = number(cell)
    if not 0.0 < value <= _MAX_TICK_MM:
        raise ValueError(f"{value:g} is not above 0 and up to {_MAX_TICK_MM:g} mm.")
    return value


def _points(cell: str) -> tuple[float, ...]:
    parts = cell.replace(";", " ").split()
    if len(parts) != 5:
        raise ValueError(f'"{plain(cell[:60])}" are {len(parts)} numbers, not the five x1 y1 x2 y2 mm.')
    values = tuple(number(part) for part in parts)
    if values[:2] == values[2:4]:
        raise ValueError("the two points are one and the same.")
    if values[4] <= 0.0:
        raise ValueError("the distance of the points, the fifth number, must be above 0 mm.")
    return values


def _day(cell: str) -> date:
    try:
        return datetime.fromisoformat(cell).date()
    except ValueError:
        raise ValueError(f'"{plain(cell[:60])}" is not an ISO 8601 date such as 2024-05-31.') from None


def _moment(cell: str) -> str:
    try:
        try:
            return date.fromisoformat(cell).isoformat()
        except ValueError:
            return datetime.fromisoformat(cell).isoformat()
    except ValueError:
        raise ValueError(
            f'"{plain(cell[:60])}" is not an ISO 8601 date or time such as 2024-05-31 or 2024-05-31T14:05.'
        ) from None


def _score(cell: str) -> int:
    try:
        value = number(cell)
    except ValueError:
        value = 0.0
    if value not in (1.0, 2.0, 3.0, 4.0, 5.0):
        raise ValueError(f'"{plain(cell[:60])}" is not one of 1 2 3 4 5.')
    return int(value)


def _signs(cell: str) -> tuple[str, ...]:
    read = one_of(*get_args(Sign))
    seen = [read(word) for word in cell.replace(";", " ").replace(",", " ").split()]
    return tuple(dict.fromkeys(seen))


COLUMNS: dict[str, Callable[[str], Any]] = {
    "photo": free_text,
    "animal": free_text,
    "foot": one_of(*get_args(Foot)),
    "view": one_of(*get_args(View)),
    "claw": one_of(*get_args(ClawName)[:2]),
    "stage": one_of(*get_args(Stage)),
    "taken": _moment,
    "profile": free_text,
    "offset_mm": _offset,
    "trimmed": _day,
    "locomotion": _score,
    "signs": _signs,
    "tick_mm": _tick,
    "points": _points,
}
"""Reader of a cell by column, in the order of the documentation. A reader raises ValueError, which says what is
wrong and what is allowed. An empty cell is never read: it means unknown."""
