"""What a history of many claws costs: adding, exporting, importing, and the reads that people wait for.

Run with ``python -m tests.benchmarks.history [--claws 100000] [--address FOLDER-OR-ADDRESS]``. The records are made without
photos, each claw with an outline of 360 points and as many measures and causes as a real one has. Adding is timed from
records in memory to committed rows; reading ``assessment.json`` before that is timed apart, on a part of them.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path

from clawvision.history.entry import entries
from clawvision.history.exchange import export_store, import_store
from clawvision.history.store import add_entries, animals, foot_findings, foot_history, open_store, toe_lengths
from clawvision.output.record import dumps, load_assessment
from tests.history import made

CLAWS_A_VISIT = 4
AT_ONCE = 3000
"""Photos of one assessment."""
RUNS = 5


class Watch:
    """Adds up the seconds of several stretches."""

    def __init__(self) -> None:
        self.seconds = 0.0

    @contextmanager
    def running(self) -> Iterator[None]:
        start = time.perf_counter()
        yield
        self.seconds += time.perf_counter() - start


def middle(work: Callable[[], object]) -> float:
    """Return the median time of several runs, ms; the first, which finds nothing in memory, counts as one of them."""
    times = []
    for _ in range(RUNS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1000 * sorted(times)[len(times) // 2]


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--claws", type=int, default=100_000)
    parser.add_argument("--days", type=int, default=12)
    parser.add_argument("--address", default=None, help="a postgresql:// address with an empty database")
    parser.add_argument("--no-exchange", action="store_true")
    asked = parser.parse_args()
    cows = max(1, asked.claws // (CLAWS_A_VISIT * len(made.FEET) * asked.days))
    with tempfile.TemporaryDirectory() as folder:
        address = asked.address or str(Path(folder) / "history.sqlite")
        measure(address, cows, asked.days, Path(folder), exchange=not asked.no_exchange)


def measure(address: str, cows: int, days: int, folder: Path, *, exchange: bool) -> None:
    seen = made.visits(cows, days)
    claws = len(seen) * CLAWS_A_VISIT
    watch, preparing, parsing = Watch(), Watch(), Watch()
    photos = made.photos(seen)
    parsed = 0
    with open_store(address, "create") as store:
        while group := list(islice(photos, AT_ONCE)):
            record = made.assessment(group, judged=False)
            if not parsed:
                data = dumps(record)
                with parsing.running():
                    load_assessment(data)
                parsed = sum(len(photo.claws) for photo in group)
            with preparing.running():
                new = entries(record)
            with watch.running():
                add_entries(store, new)
    total = watch.seconds + preparing.seconds
    print(f"{claws} claw records of {cows} cows, {3 * len(seen)} photos")
    print(f"reading assessment.json  {parsed / parsing.seconds:8.0f} claw records/s")
    print(
        f"add                      {claws / total:8.0f} claw records/s ({preparing.seconds:.1f} s rows, {watch.seconds:.1f} s SQL)"
    )
    with open_store(address) as store:
        name = made.photos(seen[len(seen) // 2 :]).__next__().animal
        print(
            f"a foot's history         {middle(lambda: foot_history(store, name, 'RH')):8.1f} ms ({len(foot_history(store, name, 'RH'))} measures)"
        )
        print(f"a foot's findings        {middle(lambda: foot_findings(store, name, 'RH')):8.1f} ms")
        print(f"an animal's toe lengths  {middle(lambda: toe_lengths(store, name)):8.1f} ms")
        print(f"the herd's toe lengths   {middle(lambda: toe_lengths(store)):8.1f} ms ({len(toe_lengths(store))})")
        print(f"list of animals          {middle(lambda: animals(store)):8.1f} ms")
    if exchange:
        file = folder / "all.jsonl.gz"
        start = time.perf_counter()
        with open_store(address) as store:
            export_store(store, file)
        print(
            f"export                   {claws / (time.perf_counter() - start):8.0f} claw records/s ({file.stat().st_size / 1e6:.0f} MB)"
        )
        start = time.perf_counter()
        with open_store(str(folder / "other.sqlite"), "create") as store:
            import_store(store, file, jobs=2)
        print(f"import (SQLite)          {claws / (time.perf_counter() - start):8.0f} claw records/s")


if __name__ == "__main__":
    main()
