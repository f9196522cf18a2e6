"""What a history of many claws costs: adding, exporting, importing, and the reads that people wait for.

Run with ``python -m tests.benchmarks.history [--claws 100000] [--address postgresql://…]``. The records are made
without photos, each claw with an outline of 360 points and as many measures and causes as a real one has. Adding is
timed from records in memory to committed rows; reading ``assessment.json`` before that is timed apart, on a part of
them. Beside what a clock shows stands what the processors did for it: other work on the machine makes the first slower
and leaves the second about the same.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from clawvision.findings.profiles import load_profiles
from clawvision.findings.quantities import DAYS_PER_MONTH
from clawvision.history.due import read_due
from clawvision.history.entry import entries
from clawvision.history.exchange import export_store, import_store
from clawvision.history.store import Store, add_entries, animals, foot_findings, foot_history, open_store, toe_lengths
from clawvision.output.models import PhotoRecord
from clawvision.output.record import dumps, load_assessment
from clawvision.output.rounding import rounded
from tests.history import made

CLAWS_A_VISIT = 4
AT_ONCE = 3000
"""Photos of one assessment."""
RUNS = 5
FIRST = date(2030, 1, 7)
TRIM_EVERY_DAYS = 168
JOBS = 2


class Watch:
    """Adds up the seconds of several stretches, by the clock and by the processors."""

    def __init__(self) -> None:
        self.clock = self.processors = 0.0

    @contextmanager
    def running(self) -> Iterator[None]:
        start, before = time.perf_counter(), os.times()
        yield
        after = os.times()
        self.clock += time.perf_counter() - start
        self.processors += sum(after[:4]) - sum(before[:4])

    def rate(self, claws: int) -> str:
        """Return how many claw records a second that was."""
        return f"{claws / self.clock:8.0f} claw records/s ({1e6 * self.processors / claws:.0f} µs of a processor each)"


def middle(work: Callable[[], object]) -> str:
    """Return the median time of several runs; the first, which finds nothing in memory, counts as one of them."""
    times, processors = [], []
    for _ in range(RUNS):
        start, before = time.perf_counter(), time.process_time()
        work()
        times.append(time.perf_counter() - start)
        processors.append(time.process_time() - before)
    half = RUNS // 2
    return f"{1000 * sorted(times)[half]:8.1f} ms ({1000 * sorted(processors)[half]:.1f} ms of a processor)"


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--claws", type=int, default=100_000)
    parser.add_argument("--days", type=int, default=12)
    parser.add_argument("--address", default=None, help="a postgresql:// address of an empty database")
    asked = parser.parse_args()
    cows = max(1, asked.claws // (CLAWS_A_VISIT * len(made.FEET) * asked.days))
    with tempfile.TemporaryDirectory() as folder:
        address = asked.address or str(Path(folder) / "history.sqlite")
        adding(address, cows, asked.days)
        with open_store(address) as store:
            reading(store, f"Invented {cows // 2:04}")
        exchanging(address, Path(folder), CLAWS_A_VISIT * len(made.FEET) * asked.days * cows)


def grown(photos: Iterable[PhotoRecord]) -> Iterator[PhotoRecord]:
    """Let the toe lengths of side photos grow and be trimmed every third visit; one claw in thirty grows fast."""
    random = np.random.default_rng(11)
    cows: dict[str, float] = {}
    rates: dict[tuple[str, Any, Any], float] = {}
    for photo in photos:
        if photo.view == "side":
            key = (photo.animal, photo.foot, photo.claw)
            if key not in rates:
                fast = random.uniform(2.0, 4.0) if random.random() < 0.03 else 0.0
                of_cow = cows.setdefault(photo.animal, random.normal(4.0, 0.6))
                rates[key] = of_cow + random.normal(0.0, 0.5) + fast
            day = date.fromisoformat((photo.taken or "")[:10])
            trim = FIRST + timedelta(days=(day - FIRST).days // TRIM_EVERY_DAYS * TRIM_EVERY_DAYS - 10)
            length = 82 + rates[key] * (day - trim).days / DAYS_PER_MONTH + random.normal(0.0, 2.0)
            for claw in photo.claws.values():
                update = {"value": rounded(length), "uncertainty": 4.0}
                claw.measures["toe_length"] = claw.measures["toe_length"].model_copy(update=update)
            photo = photo.model_copy(update={"asked": photo.asked.model_copy(update={"trimmed": trim})})
        yield photo


def adding(address: str, cows: int, days: int) -> None:
    """Time the rows, and their way into the store."""
    seen = made.visits(cows, days)
    claws = len(seen) * CLAWS_A_VISIT
    rows, sql, parsing = Watch(), Watch(), Watch()
    photos = grown(made.photos(seen))
    parsed = 0
    with open_store(address, "create") as store:
        while group := list(islice(photos, AT_ONCE)):
            record = made.assessment(group, judged=False)
            if not parsed:
                data = dumps(record)
                with parsing.running():
                    load_assessment(data)
                parsed = sum(len(photo.claws) for photo in group)
            with rows.running():
                new = entries(record)
            with sql.running():
                add_entries(store, new)
    print(f"{claws} claw records of {cows} cows, {3 * len(seen)} photos")
    print(f"reading assessment.json  {parsing.rate(parsed)}")
    both = Watch()
    both.clock, both.processors = rows.clock + sql.clock, rows.processors + sql.processors
    print(f"add                      {both.rate(claws)}")
    print(f"  of that, rows          {rows.rate(claws)}")
    print(f"  of that, SQL           {sql.rate(claws)}")


def reading(store: Store, name: str) -> None:
    """Time the reads."""
    print(f"a foot's history         {middle(lambda: foot_history(store, name, 'RH'))}")
    print(f"a foot's findings        {middle(lambda: foot_findings(store, name, 'RH'))}")
    print(f"an animal's toe lengths  {middle(lambda: toe_lengths(store, name))}")
    print(f"the herd's toe lengths   {middle(lambda: toe_lengths(store))}, {len(toe_lengths(store))} of them")
    profiles, last = load_profiles(), date(2040, 1, 1)
    due = read_due(store, profiles, by=last)
    claws = sum(len(foot.claws) for foot in due.due)
    print(f"the herd's due list      {middle(lambda: read_due(store, profiles, by=last))}, {claws} claws")
    print(f"list of animals          {middle(lambda: animals(store))}")


def exchanging(address: str, folder: Path, claws: int) -> None:
    """Time a whole export, and its import into a new SQLite file."""
    file = folder / "all.jsonl.gz"
    out, back = Watch(), Watch()
    with open_store(address) as store, out.running():
        export_store(store, file)
    print(f"export                   {out.rate(claws)}, {file.stat().st_size / 1e6:.0f} MB")
    with open_store(str(folder / "other.sqlite"), "create") as store, back.running():
        import_store(store, file, jobs=JOBS)
    print(f"import into SQLite       {back.rate(claws)}")


if __name__ == "__main__":
    main()
