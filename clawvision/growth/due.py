"""Which claws reach a length first, worst first, gathered to feet and animals."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from clawvision.growth.forecast import Forecast
from clawvision.types import Foot

DueKind = Literal["already", "dated", "not within five years", "unknown"]
_ORDER: dict[DueKind, int] = {"already": 0, "dated": 1, "not within five years": 2, "unknown": 3}
_LAST = date.max.toordinal()


@dataclass(frozen=True, slots=True)
class DueFoot:
    """A foot with its claws, worst first."""

    animal: str
    foot: Foot
    claws: tuple[Forecast, ...]


@dataclass(frozen=True, slots=True)
class DueAnimal:
    """An animal with its feet, worst first."""

    animal: str
    feet: tuple[DueFoot, ...]


def due_kind(row: Forecast) -> DueKind:
    """Return which part of the list a claw belongs to."""
    if row.beyond == "shown":
        return "already"
    if row.early is not None:
        return "dated"
    return "unknown" if row.reason is not None else "not within five years"


def due_list(rows: Iterable[Forecast]) -> tuple[Forecast, ...]:
    """Put claws in order, worst first.

    First those beyond their limit beyond the uncertainty, the surest surplus first. Then by the early end of the
    interval, the expected date and the late one. Then those that do not reach it within five years, and last those of
    which nothing is known: they stay on the list, since unknown is not fine.
    """
    return tuple(sorted(rows, key=_place))


def group_by_animal(rows: Sequence[Forecast]) -> tuple[DueAnimal, ...]:
    """Gather an ordered list to feet and animals; each stands where its worst claw does."""
    feet: dict[str, dict[Foot, list[Forecast]]] = {}
    for row in rows:
        feet.setdefault(row.key[0], {}).setdefault(row.key[1], []).append(row)
    return tuple(
        DueAnimal(animal, tuple(DueFoot(animal, foot, tuple(claws)) for foot, claws in of_animal.items()))
        for animal, of_animal in feet.items()
    )


def _place(row: Forecast) -> tuple[int, float, int, int, int, tuple[str, str, str]]:
    kind = due_kind(row)
    surplus = -(row.surplus_mm or 0.0) if kind == "already" else 0.0
    dates = (row.early, row.expected, row.late) if kind == "dated" else (None, None, None)
    early, expected, late = (_LAST if day is None else day.toordinal() for day in dates)
    return (_ORDER[kind], surplus, early, expected, late, row.key)
