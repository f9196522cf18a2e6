"""Invented herds whose claws' true rates are known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from clawvision.findings.quantities import DAYS_PER_MONTH
from clawvision.growth import ClawKey, ToeReading, ToeSeries
from clawvision.types import ClawName, Foot, Stage

FEET: tuple[Foot, ...] = ("LF", "RF", "LH", "RH")
CLAWS: tuple[ClawName, ...] = ("outer", "inner")
START = date(2031, 1, 1)


@dataclass(frozen=True, slots=True)
class Plan:
    """How a herd is made. Lengths in mm, rates in mm a month, standard deviations where not told otherwise.

    ``photos_at_trims``: photos from before and after each trim, taken at the third and the fifth visit; else the trims
    lie between visits and only their days are noted. ``fast`` is the share of claws that grow ``fast_by`` (low, high)
    faster. ``shared`` is the share of a photo's error variance that all photos of its claw have in common. ``noise``
    multiplies the errors and not what is said of them.
    """

    cows: int = 20
    feet: int = 4
    visits: int = 6
    months: float = 10.0
    mean: tuple[float, float] = (1.5, 5.0)
    hind_faster: float = 0.3
    sd_cow: float = 0.6
    sd_claw: float = 0.5
    expanded: tuple[float, float] = (3.0, 8.0)
    photos_at_trims: bool = True
    fast: float = 0.0
    fast_by: tuple[float, float] = (2.0, 4.0)
    missing: float = 0.0
    shared: float = 0.0
    noise: float = 1.0


@dataclass(frozen=True, slots=True)
class Herd:
    """A herd's series, and what it was made with: rates, lengths on the day of the last reading, fast claws."""

    series: tuple[ToeSeries, ...]
    rates: Mapping[ClawKey, float]
    lengths: Mapping[ClawKey, float]
    fast: frozenset[ClawKey]


def simulate(plan: Plan, rng: np.random.Generator) -> Herd:
    """Make a herd: each claw grows in a straight line and is cut back twice."""
    herd_mean = rng.uniform(*plan.mean)
    series, rates, lengths, fast = [], {}, {}, set()
    days = np.round(np.linspace(0, plan.months, plan.visits) * DAYS_PER_MONTH).astype(int)
    for cow in range(plan.cows):
        cow_effect = rng.normal(0, plan.sd_cow)
        visits = np.sort(days + np.append(0, rng.integers(-7, 8, plan.visits - 1)))
        trims = _trims(plan, visits)
        for foot in FEET[-plan.feet :]:
            for claw in CLAWS:
                key: ClawKey = (f"Invented {cow:03d}", foot, claw)
                rate = herd_mean + plan.hind_faster * (foot[1] == "H") + cow_effect + rng.normal(0, plan.sd_claw)
                if rng.random() < plan.fast:
                    rate += rng.uniform(*plan.fast_by)
                    fast.add(key)
                readings, length = _grow(plan, rate, visits, trims, rng, "-".join(key))
                if readings:
                    noted = tuple(START + timedelta(days=int(day)) for day in trims)
                    series.append(ToeSeries(*key, readings, noted))
                    rates[key], lengths[key] = rate, length
    return Herd(tuple(series), rates, lengths, frozenset(fast))


def _trims(plan: Plan, visits: np.ndarray) -> tuple[int, ...]:
    if plan.photos_at_trims:
        return tuple(int(visits[place]) for place in (2, 4) if place < len(visits))
    return tuple(int(visits[place - 1] + visits[place]) // 2 for place in (2, 4) if place < len(visits))


def _grow(
    plan: Plan, rate: float, visits: np.ndarray, trims: tuple[int, ...], rng: np.random.Generator, name: str
) -> tuple[tuple[ToeReading, ...], float]:
    length, today, last = rng.uniform(80, 95), 0, 0.0
    bias = rng.normal()
    readings = []

    def read(day: int, stage: Stage) -> None:
        nonlocal last
        if rng.random() < plan.missing:
            return
        u = rng.uniform(*plan.expanded) / 2
        error = np.sqrt(plan.shared) * bias + np.sqrt(1 - plan.shared) * rng.normal()
        seen = length + plan.noise * u * error
        readings.append(ToeReading(START + timedelta(days=day), seen, u, stage, f"{name}-{day}-{stage}.jpg"))
        last = length

    for day in sorted({*visits.tolist(), *trims}):
        length += rate * (day - today) / DAYS_PER_MONTH
        today = day
        trimmed = day in trims
        if day in visits:
            read(day, "before" if trimmed else "check")
        if trimmed:
            length = min(length, rng.uniform(76, 86))
            if day in visits:
                read(day, "after")
    return tuple(readings), last
