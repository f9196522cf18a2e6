"""How true rates and forecasts of growth are on invented herds, and how fast the lists are made.

Run with ``python -m tests.benchmarks.growth [HERDS]``. Prints the tables of docs/growth.md.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from clawvision.growth import claw_rate, due_list, forecasts, group_by_animal, herd_growth
from tests.growth.scores import LIMIT_MM, SHORTENING_MOST, plans, score
from tests.growth.simulated import Plan, simulate

_USUAL_CLAWS = 160


def main() -> None:
    """Print the tables."""
    herds = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print("| herds | claws | held 95 % | partners' difference | error, mm/month | alone | ratio | dates held |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    fast = []
    for name, plan in plans():
        count = herds * max(1, _USUAL_CLAWS // (plan.cows * plan.feet * 2)) if plan.cows < 20 else herds
        found = score(plan, min(count, 4 * herds), seed=1)
        print(
            f"| {name} | {found.claws} | {found.held:.1%} | {found.pair_held:.1%} | {found.rms:.2f} | "
            f"{found.own_rms:.2f} | {found.ratio:.2f} | {found.dated_held:.1%} |",
            flush=True,
        )
        print(
            f"    alone held {found.own_held:.1%}, SD cow {found.sd_cow:.2f}, SD claw {found.sd_claw:.2f}, scatter "
            f"{found.scatter:.2f}, wrongly called beyond {found.false_already:.1%}",
            file=sys.stderr,
            flush=True,
        )
        if plan.fast:
            fast.append((name, plan, found))
    print("\n| fast claws | held | mean error, mm/month | in the fastest tenth | by the claw alone |")
    print("| --- | --- | --- | --- | --- |")
    for _, plan, found in fast:
        name = "photos before and after trims too" if plan.photos_at_trims else "one photo a visit"
        print(
            f"| {name} | {found.fast_held:.0%} | {found.fast_error:+.2f} | {found.fast_found:.0%} | "
            f"{found.own_fast_found:.0%} |"
        )
    _speed()


def _speed() -> None:
    rng = np.random.default_rng(1)
    start = time.perf_counter()
    herd = simulate(Plan(), rng)
    rates = [claw_rate(each, SHORTENING_MOST) for each in herd.series]
    print(f"\n{len(rates)} claws made and fitted alone: {time.perf_counter() - start:.2f} s")
    start = time.perf_counter()
    growth = herd_growth(rates)
    print(f"herd: {time.perf_counter() - start:.2f} s")
    many = [growth.claws[place] for place in rng.integers(0, len(growth.claws), 100_000)]
    start = time.perf_counter()
    rows = forecasts(many, LIMIT_MM)
    print(f"100 000 forecasts: {time.perf_counter() - start:.2f} s")
    start = time.perf_counter()
    ordered = due_list(rows)
    print(f"100 000 claws put in order: {time.perf_counter() - start:.2f} s")
    start = time.perf_counter()
    group_by_animal(ordered)
    print(f"and gathered: {time.perf_counter() - start:.2f} s")


if __name__ == "__main__":
    main()
