"""Reading the growth of a whole herd out of a store."""

from __future__ import annotations

import gc
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date

from clawvision.findings.profiles import Profile
from clawvision.history.growth import (
    DueFeet,
    HerdHistory,
    LimitName,
    claw_readings,
    due_feet,
    herd_history,
    limit_forecasts,
)
from clawvision.history.store import Store, animals, toe_lengths


def read_herd(
    store: Store, profiles: Mapping[str, Profile], until: date | None = None, least_u_mm: float = 0.0
) -> HerdHistory:
    """Return the growth of all claws of a store, from photos taken up to a day."""
    with _collector_resting():
        return herd_history(claw_readings(toe_lengths(store), until, least_u_mm), profiles)


def read_due(
    store: Store,
    profiles: Mapping[str, Profile],
    *,
    by: date,
    until: date | None = None,
    limit: LimitName = "watch",
    least_u_mm: float = 0.0,
) -> DueFeet:
    """Return the feet of a store that are due by a day, from photos taken up to another."""
    with _collector_resting():
        herd = read_herd(store, profiles, until, least_u_mm)
        return due_feet(limit_forecasts(herd, limit), by, animals(store))


@contextmanager
def _collector_resting() -> Iterator[None]:
    """Keep Python from looking for cycles among a hundred thousand rows, which hold none: it takes 40 % of the time."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()
