"""Feeds in processes of their own, filling a pool that the training draws from."""

from __future__ import annotations

import multiprocessing
import os
import queue
import traceback
from multiprocessing.queues import Queue
from typing import Any

import numpy as np
import torch

from clawvision.training.batch import Batch, feed_maker
from clawvision.training.pool import Packed, Pool, pack
from clawvision.training.vary import vary

WAITING = 2
"""Batches that a maker may have ready; then it waits."""
ENOUGH = 4
"""Batches in the pool before the first draw."""


def _make(
    feed: str, settings: dict[str, Any], first: int, outbox: Queue[tuple[Packed, Packed] | str], visible: str | None
) -> None:
    if visible is not None:  # before anything touches the device
        os.environ["CUDA_VISIBLE_DEVICES"] = visible
    torch.set_num_threads(1)
    try:
        made = feed_maker(feed)(**settings)
        number = first
        while True:
            with torch.no_grad():
                batch = made.batch(number)
                outbox.put((pack(batch.fine), pack(batch.coarse)))
            number += 1
    except Exception:
        outbox.put(traceback.format_exc())


def _other_device() -> str | None:
    """Return which device the makers see: the second one where there is one that does not train."""
    alone = torch.cuda.is_available() and torch.cuda.device_count() > 1 and "WORLD_SIZE" not in os.environ
    return "1" if alone else None


class Makers:
    """Draws varied batches from a pool that ``count`` processes fill as fast as they can.

    Unlike a feed's own batches, what is drawn depends on how fast the makers are. ``made`` counts the
    batches that they have handed over.
    """

    def __init__(self, feed: str, settings: dict[str, Any], count: int, first: int, capacity: int) -> None:
        """Start the makers; ``settings`` are the feed's, maker k adds k to the seed."""
        context = multiprocessing.get_context("spawn")
        self._sizes = settings["fine"], settings["coarse"]
        self._pool = Pool(capacity, settings["device"])
        self._chance = np.random.default_rng((settings["seed"], first))
        self._outbox: Queue[tuple[Packed, Packed] | str] = context.Queue(WAITING)
        self._processes = [
            context.Process(
                target=_make,
                args=(feed, settings | {"seed": settings["seed"] + number}, first, self._outbox, _other_device()),
                daemon=True,
            )
            for number in range(count)
        ]
        self.made = 0
        for process in self._processes:
            process.start()

    def next_batch(self) -> Batch:
        """Take in a batch of the makers if one is ready, then draw one.

        Raises
        ------
        RuntimeError
            A maker failed; the message holds its own error.
        """
        while self.made < ENOUGH:
            self._take(wait=True)
        self._take(wait=False)
        batch = self._pool.draw(*self._sizes, self._chance)
        return Batch(vary(batch.fine, self._chance), vary(batch.coarse, self._chance))

    def close(self) -> None:
        """End the makers."""
        for process in self._processes:
            process.terminate()
        for process in self._processes:
            process.join()
        self._outbox.close()

    def _take(self, wait: bool) -> bool:
        try:
            got = self._outbox.get(timeout=1.0) if wait else self._outbox.get_nowait()
        except queue.Empty:
            if not all(process.is_alive() for process in self._processes):
                raise RuntimeError("a maker of pictures ended without a word") from None
            return False
        if isinstance(got, str):
            raise RuntimeError(f"a maker of pictures failed:\n{got}")
        self._pool.add(*got)
        self.made += 1
        return True
