"""How true rates and forecasts are on invented herds; counted alike by tests and by the benchmark."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from clawvision.findings.quantities import DAYS_PER_MONTH
from clawvision.growth import Forecast, claw_rate, difference, forecasts, herd_growth
from tests.growth.simulated import Plan, simulate

SHORTENING_MOST = -7.0
LIMIT_MM = 92.0


@dataclass(frozen=True, slots=True)
class Score:
    """Shares and root mean squares over all claws of many herds.

    ``held``, ``own_held``, ``pair_held``: intervals of the herd's model, of single fits, and of the difference of two
    partners that hold the truth. ``rms``, ``own_rms``: errors over claws with a rate of their own. ``fast_…``: of fast
    claws alone: held, mean error, found among the fastest tenth of their herd by the model and by single fits.
    ``dated_held``: intervals of dates that hold the true one. ``false_already``: of claws called beyond, those that
    are not.
    """

    claws: int
    held: float
    own_held: float
    pair_held: float
    rms: float
    own_rms: float
    fast_held: float
    fast_error: float
    fast_found: float
    own_fast_found: float
    dated: int
    dated_held: float
    false_already: float
    sd_cow: float
    sd_claw: float
    scatter: float

    @property
    def ratio(self) -> float:
        """Return the model's error over that of single fits."""
        return self.rms / self.own_rms


def score(plan: Plan, herds: int, seed: int) -> Score:
    """Make herds and count."""
    rng = np.random.default_rng(seed)
    held: list[bool] = []
    pairs: list[bool] = []
    rows: list[tuple[float, float, bool]] = []
    fast: list[tuple[bool, float, bool, bool]] = []
    dated: list[bool] = []
    already: list[bool] = []
    herd_values = []
    for _ in range(herds):
        herd = simulate(plan, rng)
        growth = herd_growth([claw_rate(each, SHORTENING_MOST) for each in herd.series])
        tenth = math.ceil(len(growth.claws) / 10)
        herd_values.append((growth.sd_cow or 0.0, growth.sd_claw or 0.0, growth.scatter or math.nan))
        rates = {claw.key: claw.estimate for claw in growth.claws}
        for claw in growth.claws:
            if claw.estimate is None:
                continue
            true = herd.rates[claw.key]
            held.append(claw.estimate.low <= true <= claw.estimate.high)
            if claw.own.estimate is not None:
                own = claw.own.estimate
                rows.append((claw.estimate.value - true, own.value - true, own.low <= true <= own.high))
            if claw.key in herd.fast and claw.rank is not None and claw.own_rank is not None:
                fast.append((held[-1], claw.estimate.value - true, claw.rank <= tenth, claw.own_rank <= tenth))
            partner = (claw.key[0], claw.key[1], "inner")
            other = rates.get(partner)  # type: ignore[call-overload]
            if claw.key[2] == "outer" and other is not None:
                apart = difference(claw.estimate, other, growth.covariance(claw.key, partner))  # type: ignore[arg-type]
                pairs.append(apart.low <= true - herd.rates[partner] <= apart.high)  # type: ignore[index]
        for row in forecasts(growth.claws, LIMIT_MM):
            if row.reason is None:
                dated.append(_holds(row, herd.lengths[row.key], herd.rates[row.key]))
            if row.beyond == "shown":
                already.append(herd.lengths[row.key] < LIMIT_MM)
    errors = np.array(rows, dtype=float)
    quick = np.array(fast, dtype=float) if fast else np.full((1, 4), np.nan)
    sds = np.nanmean(np.array(herd_values), axis=0)
    return Score(
        claws=len(held),
        held=float(np.mean(held)),
        own_held=float(errors[:, 2].mean()),
        pair_held=float(np.mean(pairs)),
        rms=float(np.sqrt((errors[:, 0] ** 2).mean())),
        own_rms=float(np.sqrt((errors[:, 1] ** 2).mean())),
        fast_held=float(quick[:, 0].mean()),
        fast_error=float(quick[:, 1].mean()),
        fast_found=float(quick[:, 2].mean()),
        own_fast_found=float(quick[:, 3].mean()),
        dated=len(dated),
        dated_held=float(np.mean(dated)) if dated else math.nan,
        false_already=float(np.mean(already)) if already else math.nan,
        sd_cow=float(sds[0]),
        sd_claw=float(sds[1]),
        scatter=float(sds[2]),
    )


def _holds(row: Forecast, length: float, rate: float) -> bool:
    """Return whether the interval of dates holds the day on which the true line meets the limit."""
    assert row.last is not None
    if length >= LIMIT_MM:
        return row.early == row.last
    days = (LIMIT_MM - length) / rate * DAYS_PER_MONTH if rate > 0 else math.inf
    if row.early is None:
        return days > 5 * 365.25 - 1
    if row.beyond == "shown":
        return False
    not_before = row.early <= row.last + timedelta(days=min(days, 365 * 100))
    return not_before and (row.late is None or days <= (row.late - row.last).days)


def plans() -> Sequence[tuple[str, Plan]]:
    """Return the herds that the benchmark counts, with a few words for each."""
    one = Plan(photos_at_trims=False)
    both = Plan()
    return (
        ("one photo a visit, trims noted", one),
        ("the same, 3 % fast claws", Plan(photos_at_trims=False, fast=0.03)),
        ("photos before and after trims too", both),
        ("the same, 3 % fast claws", Plan(fast=0.03)),
        ("40 % of photos missing", Plan(missing=0.4)),
        ("claws of a cow alike", Plan(sd_claw=0.0)),
        ("all claws alike", Plan(sd_claw=0.0, sd_cow=0.0)),
        ("errors half shared by a claw's photos", Plan(shared=0.5)),
        ("errors 1.5 times what is stated", Plan(noise=1.5)),
        ("3 cows, hind feet only", Plan(cows=3, feet=2)),
        ("1 cow", Plan(cows=1)),
    )
