"""Short ways to write a claw's series in tests."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np

from clawvision.findings.quantities import DAYS_PER_MONTH
from clawvision.growth import ClawRate, ToeReading, ToeSeries, claw_rate
from clawvision.types import ClawName, Foot, Stage

START = date(2031, 1, 1)
Row = tuple[int, float, float] | tuple[int, float, float, Stage]


def day(number: int) -> date:
    """Return a day by its number from the start."""
    return START + timedelta(days=number)


def series(
    rows: Sequence[Row],
    trims: Sequence[int] = (),
    animal: str = "Invented 1",
    foot: Foot = "LH",
    claw: ClawName = "outer",
) -> ToeSeries:
    """Return a series of (day, length, u, stage), stage ``check`` where it is left out."""
    readings = tuple(
        ToeReading(day(row[0]), row[1], row[2], row[3] if len(row) == 4 else "check", f"{place}.jpg")
        for place, row in enumerate(rows)
    )
    return ToeSeries(animal, foot, claw, readings, tuple(day(each) for each in trims))


def line(
    rate: float, u: float = 1.0, start: float = 80.0, days: Sequence[int] = (0, 60, 120, 180), **place: str
) -> ToeSeries:
    """Return a series that lies exactly on a straight line."""
    return series([(each, start + rate * each / DAYS_PER_MONTH, u) for each in days], **place)  # type: ignore[arg-type]


def months(each: ToeSeries) -> np.ndarray:
    """Return the readings' times in months."""
    return np.array([(reading.day - START).days for reading in each.readings]) / DAYS_PER_MONTH


def rate_of(value: float, u: float, animal: str, foot: Foot, claw: ClawName) -> ClawRate:
    """Return a claw's rate with a given standard uncertainty: two readings say it exactly."""
    last = round(DAYS_PER_MONTH * 12)
    apart = last / DAYS_PER_MONTH
    each = u * apart / np.sqrt(2)
    return claw_rate(series([(0, 100.0, each), (last, 100.0 + value * apart, each)], (), animal, foot, claw))
