"""Kills a program that adds to a store, at many random moments, and looks at what is left.

Run as ``python -m tests.history.killed FOLDER TIMES SEED`` by the tests: a process without threads, so that it may
fork. Prints one JSON object.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import sys
import time
from pathlib import Path
from typing import Any

from clawvision.history import store as history
from clawvision.history.entry import Entries, entries
from clawvision.history.store import add_entries, open_store
from tests.history import made
from tests.history.rows import everything, sound

GROUP = 5
"""Photos of a transaction: some thirty transactions in all, feet included."""


def add_all(address: str, new: Entries, say: int | None = None) -> None:
    """Add, and say after each transaction how many photos are committed."""
    with open_store(address, "create") as store:
        for start in range(0, len(new.photos), GROUP):
            done = new.photos[start : start + GROUP]
            add_entries(store, Entries(done, ()))
            if say is not None:
                os.write(say, bytes([min(start // GROUP + 1, 255)]))
        add_entries(store, Entries((), new.feet))


def killed(address: str, new: Entries, transactions: int, after: float) -> tuple[bool, int]:
    """Add in a process that is killed some seconds after so many transactions; return whether it was, and how many
    photos were committed.

    Counted in transactions, since how long one takes depends on what else the machine does.
    """
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(read)
            add_all(address, new, write)
            os._exit(0)
        except BaseException:
            os._exit(1)
    os.close(write)
    told = b""
    while len(told) < transactions and (more := os.read(read, transactions - len(told))):
        told += more
    time.sleep(after)
    os.kill(child, signal.SIGKILL)
    status = os.waitpid(child, 0)[1]
    told += os.read(read, 4096)
    os.close(read)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0
    return os.WIFSIGNALED(status), min(GROUP * (told[-1] if told else 0), len(new.photos))


def there(address: str) -> int:
    """Return how many photos are in a file that a killed program left, without opening it as a store."""
    connection = sqlite3.connect(address)
    try:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'photo'").fetchall():
            return 0
        return int(connection.execute("SELECT count(*) FROM photo").fetchone()[0])
    finally:
        connection.close()


def main() -> None:
    folder, times = Path(sys.argv[1]), int(sys.argv[2])
    moments = random.Random(int(sys.argv[3]))
    history.MOST_PHOTOS = GROUP
    new = entries(made.herd(cows=4, days=1))
    whole = str(folder / "undisturbed")
    add_all(whole, new)  # imports what is imported on the way
    again = str(folder / "timed")
    start = time.perf_counter()
    add_all(again, new)
    usual = time.perf_counter() - start
    transactions = -(-len(new.photos) // GROUP)
    expected = everything(whole)
    midway: list[int] = []
    told: dict[str, Any] = {"killed": 0, "lost": 0, "torn": 0, "unequal": 0, "midway": midway}
    for number in range(times):
        address = str(folder / f"killed-{number}")
        after = moments.uniform(0.0, 2.0 * usual / transactions)
        was, committed = killed(address, new, moments.randrange(transactions + 1), after)
        left = there(address) if Path(address).exists() else 0
        told["killed"] += was
        told["lost"] += left < committed
        told["torn"] += left % GROUP != 0 and left != len(new.photos)
        midway.append(left)
        add_all(address, new)
        sound(address)
        told["unequal"] += everything(address) != expected
    print(json.dumps(told))


if __name__ == "__main__":
    main()
