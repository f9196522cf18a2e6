"""Every property of the findings over 10,000 random animals: ``python -m tests.benchmarks.findings_properties``.

The tests run the first few hundred of the same cases. ``--cases``, ``--seed`` and ``--jobs`` change how many, which,
and over how many processes. Prints how many cases each property was tried on, on how many it had anything to say, and
what was broken; ends with status 1 if anything was.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat

from tests.findings.properties import PROPERTIES, Count, count

CASES = 10_000
SEED = 1
_PIECE = 100
_SHOWN = 5


def _piece(seed: int, numbers: range) -> dict[str, Count]:
    return count(PROPERTIES, seed, numbers)


def run(cases: int = CASES, seed: int = SEED, jobs: int = 1) -> dict[str, Count]:
    """Check every property on ``cases`` random animals."""
    pieces = [range(start, min(start + _PIECE, cases)) for start in range(0, cases, _PIECE)]
    with ProcessPoolExecutor(jobs) as pool:
        done = list(pool.map(_piece, repeat(seed), pieces))
    return {each.name: _sum([piece[each.name] for piece in done]) for each in PROPERTIES}


def _sum(counts: Sequence[Count]) -> Count:
    broken = tuple(what for each in counts for what in each.broken)
    return Count(sum(each.tried for each in counts), sum(each.bore for each in counts), broken)


def main() -> int:
    """Print the counts; return 1 if a property was broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=CASES)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    start = time.perf_counter()
    counts = run(options.cases, options.seed, options.jobs)
    print("| property | cases | with anything to check | broken |\n| --- | ---: | ---: | ---: |")
    for each in PROPERTIES:
        own = counts[each.name]
        print(f"| {each.says} | {own.tried} | {own.bore} | {len(own.broken)} |")
    for name, own in counts.items():
        for what in own.broken[:_SHOWN]:
            print(f"{name}: {what}")
    print(f"{time.perf_counter() - start:.0f} s")
    return 1 if any(own.broken for own in counts.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
