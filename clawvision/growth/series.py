"""A claw's toe lengths over time, and where a trim breaks them.

Every length is `toe_length` (docs/measures.md). Readings in different segments say nothing of growth, since nobody
knows how much was cut between them.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby, pairwise
from typing import Literal

from clawvision.errors import UsageError
from clawvision.findings.profiles import Limb
from clawvision.findings.quantities import DAYS_PER_MONTH
from clawvision.types import ClawName, Foot, Stage

ClawKey = tuple[str, Foot, ClawName]
BreakKind = Literal["trim noted", "before or after photo", "trim not noted?"]

K_BEYOND = 2.0
"""Coverage factor beyond which a drop counts, as everywhere else in the findings."""
_ORDER: dict[Stage, int] = {"before": 0, "check": 1, "after": 2}


@dataclass(frozen=True, slots=True)
class ToeReading:
    """One photo's toe length, mm, with its standard uncertainty (k = 1)."""

    day: date
    length_mm: float
    u_mm: float
    stage: Stage
    photo: str

    def __post_init__(self) -> None:
        if not (math.isfinite(self.length_mm) and self.length_mm > 0):
            raise UsageError(f"Photo {self.photo}: a toe length of {self.length_mm} mm cannot be.", "Measure it again.")
        if not (math.isfinite(self.u_mm) and self.u_mm > 0):
            raise UsageError(
                f"Photo {self.photo}: an uncertainty of {self.u_mm} mm cannot be.",
                "Give the standard uncertainty (k = 1), more than 0.",
            )
        if self.stage not in _ORDER:
            raise UsageError(f"Photo {self.photo}: there is no stage '{self.stage}'.", "Use before, after or check.")


@dataclass(frozen=True, slots=True)
class ToeSeries:
    """All readings of one claw, and the days on which its foot is known to have been trimmed.

    Readings and trims may be given in any order; they are kept sorted.
    """

    animal: str
    foot: Foot
    claw: ClawName
    readings: tuple[ToeReading, ...]
    trims: tuple[date, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "readings", tuple(sorted(self.readings, key=_place)))
        object.__setattr__(self, "trims", tuple(sorted(set(self.trims))))

    @property
    def key(self) -> ClawKey:
        """Return animal, foot and claw."""
        return (self.animal, self.foot, self.claw)


@dataclass(frozen=True, slots=True)
class DayLength:
    """The readings of one day and stage, averaged with the weights 1/u²."""

    day: date
    stage: Stage
    length_mm: float
    u_mm: float


@dataclass(frozen=True, slots=True)
class Break:
    """Where two neighbouring readings are not compared: the days of both, and why."""

    last: date
    next: date
    kind: BreakKind


@dataclass(frozen=True, slots=True)
class Segments:
    """A series cut where horn was, or may have been, taken off.

    ``shortened`` names pairs of days between which the claw became shorter beyond the uncertainty, yet not faster than
    a claw may wear. ``ended`` says why the last reading no longer tells the claw's length, None where it does.
    """

    parts: tuple[tuple[ToeReading, ...], ...]
    breaks: tuple[Break, ...]
    shortened: tuple[tuple[date, date], ...]
    ended: str | None


def limb_of(foot: Foot) -> Limb:
    """Return which limb a foot belongs to."""
    return "fore" if foot[1] == "F" else "hind"


def months_between(first: date, last: date) -> float:
    """Return the time from ``first`` to ``last`` in months of 365.25/12 days."""
    return (last - first).days / DAYS_PER_MONTH


def average_by_day(readings: Sequence[ToeReading]) -> tuple[DayLength, ...]:
    """Average readings of the same day and stage by weight; ``readings`` are sorted."""
    averaged = []
    for (day, stage), group in groupby(readings, key=lambda each: (each.day, each.stage)):
        same = tuple(group)
        if len(same) == 1:
            averaged.append(DayLength(day, stage, same[0].length_mm, same[0].u_mm))
            continue
        weights = [each.u_mm**-2 for each in same]
        mean = sum(w * each.length_mm for w, each in zip(weights, same, strict=True)) / sum(weights)
        averaged.append(DayLength(day, stage, mean, sum(weights) ** -0.5))
    return tuple(averaged)


def split(series: ToeSeries, shortening_most: float | None) -> Segments:
    """Cut a series into segments within which only growth and wear change the length.

    A trim lies on each noted day and on each day with a photo from before or after one. A ``before`` photo comes
    before the trim of its day, an ``after`` photo after it; a ``check`` photo of such a day may be either, so that it
    stands alone. Where no trim is known and the claw became shorter faster than ``shortening_most`` beyond the
    uncertainty (k = 2), the series is cut too, and the break says "trim not noted?".

    Parameters
    ----------
    series
        The claw's readings and trims.
    shortening_most
        The profile's value, mm a month, negative. None cuts at known trims only.
    """
    trims = series.trims
    photographed = sorted({each.day for each in series.readings if each.stage != "check"})
    days = average_by_day(series.readings)
    breaks: list[Break] = []
    shortened: list[tuple[date, date]] = []
    opens: set[tuple[date, Stage]] = set()
    for one, two in pairwise(days):
        kind: BreakKind | None = None
        if _any_parts(trims, one, two):
            kind = "trim noted"
        elif _any_parts(photographed, one, two):
            kind = "before or after photo"
        else:
            months = months_between(one.day, two.day)
            most = two.length_mm - one.length_mm + K_BEYOND * math.hypot(one.u_mm, two.u_mm)
            if most < 0:
                if shortening_most is not None and most < shortening_most * months:
                    kind = "trim not noted?"
                else:
                    shortened.append((one.day, two.day))
        if kind is not None:
            breaks.append(Break(one.day, two.day, kind))
            opens.add((two.day, two.stage))
    parts: list[list[ToeReading]] = []
    previous: tuple[date, Stage] | None = None
    for reading in series.readings:
        here = (reading.day, reading.stage)
        if not parts or (here in opens and here != previous):
            parts.append([])
        parts[-1].append(reading)
        previous = here
    ended = None
    if days and any(_follows(trim, days[-1]) for trim in (*trims, *photographed)):
        ended = "The foot was trimmed after the last photo, or that day, so how long the claw is now is not known."
    return Segments(tuple(tuple(part) for part in parts), tuple(breaks), tuple(shortened), ended)


def _place(reading: ToeReading) -> tuple[date, int, str, float, float]:
    return (reading.day, _ORDER[reading.stage], reading.photo, reading.length_mm, reading.u_mm)


def _follows(trim: date, reading: DayLength) -> bool:
    """Return whether a trim may have come after a reading."""
    return trim > reading.day or (trim == reading.day and reading.stage != "after")


def _any_parts(trims: Sequence[date], one: DayLength, two: DayLength) -> bool:
    """Return whether one of the trims, in order of days, may lie between two neighbouring readings."""
    first = (bisect_right if one.stage == "after" else bisect_left)(trims, one.day)
    return first < (bisect_left if two.stage == "before" else bisect_right)(trims, two.day)
