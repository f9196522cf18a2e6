"""``python -m tests.fuzz READER --runs N --seed S``: try a reader on hostile input and tell what it did.

With ``--guided`` and atheris installed the inputs are led by which lines of the program they reach; else each is a
change of one to begin with, and its number and the seed alone make it again. The work is done in a process of its own,
so that a decoder that takes the process down, or never comes back, is counted too.
"""

from __future__ import annotations

import argparse
import faulthandler
import hashlib
import mmap
import os
import random
import resource
import signal
import struct
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.fuzz import led  # noqa: F401 - before the program
from tests.fuzz.readers import READERS, Reader
from tests.fuzz.watch import LIMIT_S, Outcome, tried

_DEAD_S = 4 * LIMIT_S
"""After so long without an answer the process is ended."""
_KEPT_PER_PLACE = 3
_LARGE = 500_000
_MEMORY = 3 * 2**30


def made(name: str, seed: int, number: int) -> bytes:
    """Return an input: the same for the same reader, seed and number."""
    reader = READERS[name]
    chance = random.Random(f"{name} {seed} {number}")
    data = chance.choice(reader.seeds())
    for _ in range(chance.choice((1, 1, 1, 2, 4))):
        if len(data) < _LARGE:  # what has grown so far would only take long to change
            data = reader.mutate(data, chance)
    return data


def work(name: str, seed: int, first: int, runs: int, place: Path, found: Path, state: mmap.mmap) -> None:
    """Try inputs one after another; what breaks the contract is kept in the folder ``found``."""
    resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, _MEMORY))
    reader = READERS[name]
    counts: Counter[str] = Counter(_counts(state))
    for number in range(first, first + runs):
        state[:8] = struct.pack("<q", number)
        data = made(name, seed, number)
        outcome = tried(reader.read, data, place)
        counts[outcome.kind] += 1
        _put_counts(state, counts)
        if outcome.bad:
            keep(found, name, data, outcome)


_KINDS = ("read", "refused", "crash", "hang", "write outside")


def _counts(state: mmap.mmap) -> dict[str, int]:
    return dict(zip(_KINDS, struct.unpack("<5q", state[8:48]), strict=True))


def _put_counts(state: mmap.mmap, counts: Counter[str]) -> None:
    state[8:48] = struct.pack("<5q", *(counts[kind] for kind in _KINDS))


def keep(found: Path, name: str, data: bytes, outcome: Outcome) -> None:
    """Keep an input that broke the contract, a few for each place in the program, and say so."""
    place = hashlib.sha256(outcome.detail.split(": ")[0].encode()).hexdigest()[:8]
    before = list(found.glob(f"{name}-{place}-*"))
    if len(before) < _KEPT_PER_PLACE:
        path = found / f"{name}-{place}-{hashlib.sha256(data).hexdigest()[:8]}"
        path.write_bytes(data)
        print(f"{outcome.kind}: {outcome.detail!a}\n  {path}", flush=True)


def blind(name: str, runs: int, seed: int, found: Path) -> Counter[str]:
    """Try so many inputs in a process of its own, which is begun again behind one that takes it down."""
    state = mmap.mmap(-1, 48)
    state[:8] = struct.pack("<q", -1)
    READERS[name].seeds()
    first, extra = 0, Counter[str]()
    with tempfile.TemporaryDirectory() as folder:
        while first < runs:
            place = Path(folder) / f"from-{first}" / "place"
            place.mkdir(parents=True)
            child = os.fork()
            if child == 0:
                status = 1
                try:
                    faulthandler.enable()
                    work(name, seed, first, runs - first, place, found, state)
                    status = 0
                finally:
                    sys.stdout.flush()
                    os._exit(status)
            kind = _watched(child, state)
            if kind is None:
                break
            number = max(first, *struct.unpack("<q", state[:8]))  # it may have ended before it noted one
            keep(found, name, made(name, seed, number), Outcome(kind, f"the process ended on no. {number}"))  # type: ignore[arg-type]
            extra[kind] += 1
            first = number + 1
    return Counter(_counts(state)) + extra


def _watched(child: int, state: mmap.mmap) -> str | None:
    """Return None where a process did all its work, else whether it crashed or hung."""
    last, since = b"", time.monotonic()
    while True:
        pid, status = os.waitpid(child, os.WNOHANG)
        if pid:
            return None if status == 0 else "crash"
        if state[:8] != last:
            last, since = state[:8], time.monotonic()
        elif time.monotonic() - since > _DEAD_S:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return "hang"
        time.sleep(0.05)


def guided(name: str, runs: int, seed: int, found: Path) -> None:
    """Try so many inputs with atheris, which ends at the first that breaks the contract. Does not return."""
    import atheris

    reader: Reader = READERS[name]
    corpus = Path(tempfile.mkdtemp())
    place = corpus.parent / f"{corpus.name}-place" / "place"
    place.mkdir(parents=True)
    for number, data in enumerate(reader.seeds()):
        (corpus / f"{number}").write_bytes(data)

    def one(data: bytes) -> None:
        outcome = tried(reader.read, data, place)
        if outcome.bad:
            keep(found, name, data, outcome)
            raise RuntimeError(f"{outcome.kind}: {outcome.detail}")

    def change(data: bytes, most: int, number: int) -> bytes:
        return reader.mutate(data, random.Random(number))[:most]

    words = [f"-runs={runs}", f"-seed={seed}", f"-timeout={_DEAD_S:.0f}", "-rss_limit_mb=3000", "-max_len=200000"]
    words += [f"-artifact_prefix={found}/{name}-guided-", "-print_final_stats=1", "-close_fd_mask=0"]
    atheris.Setup([sys.argv[0], *words, str(corpus)], one, custom_mutator=change)
    atheris.Fuzz()


def main() -> int:
    """Run from the command line; status 1 where the contract was broken."""
    words = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    words.add_argument("reader", choices=[*READERS, "all"])
    words.add_argument("--runs", type=int, default=1000)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--guided", action="store_true", help="led by coverage, where atheris is installed")
    words.add_argument("--found", type=Path, default=Path(tempfile.gettempdir()) / "clawvision-fuzz")
    asked = words.parse_args()
    asked.found.mkdir(parents=True, exist_ok=True)
    if asked.guided:
        guided(asked.reader, asked.runs, asked.seed, asked.found)
    broken = 0
    for name in READERS if asked.reader == "all" else [asked.reader]:
        began = time.monotonic()
        counts = blind(name, asked.runs, asked.seed, asked.found)
        seconds = time.monotonic() - began
        told = ", ".join(f"{kind} {counts[kind]}" for kind in _KINDS)
        print(f"{name}: {counts.total()} inputs in {seconds:.0f} s: {told}", flush=True)
        broken += sum(counts[kind] for kind in _KINDS[2:])
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
