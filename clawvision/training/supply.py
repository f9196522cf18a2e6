"""Brings batches from a feed to the training loop, one ahead of it where asked."""

from __future__ import annotations

import queue
import threading

import torch

from clawvision.training.batch import Batch, Feed

AHEAD = 2


class Supply:
    """Hands out batches ``first``, ``first + 1``, …; ``next_batch`` is to be called from one thread.

    With ``overlap`` a thread of its own makes them, on a CUDA stream of its own where there is CUDA.
    ``made`` counts the batches handed out.
    """

    def __init__(self, feed: Feed, first: int, device: torch.device, overlap: bool) -> None:
        self._feed = feed
        self._number = first
        self._device = device
        self._stream = torch.cuda.Stream(device) if overlap and device.type == "cuda" else None
        self._ready: queue.Queue[tuple[Batch, torch.cuda.Event | None] | BaseException] = queue.Queue(AHEAD)
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.made = 0
        if overlap:
            self._thread = threading.Thread(target=self._work, daemon=True)
            self._thread.start()

    def next_batch(self) -> Batch:
        """Return the next batch; an error of the feed comes out here."""
        if self._thread is None:
            batch, _ = self._make()
        else:
            got = self._ready.get()
            if isinstance(got, BaseException):
                raise got
            batch, made = got
            if made is not None:
                here = torch.cuda.current_stream(self._device)
                here.wait_event(made)
                for group in batch.groups():
                    for tensor in group.tensors():
                        tensor.record_stream(here)
        self.made += 1
        return batch

    def close(self) -> None:
        """Stop making batches."""
        self._stop.set()
        if self._thread is not None:
            while self._thread.is_alive():
                try:
                    self._ready.get(timeout=0.05)
                except queue.Empty:
                    self._thread.join(0.05)

    def _make(self) -> tuple[Batch, torch.cuda.Event | None]:
        with torch.no_grad():
            if self._stream is None:
                batch, made = self._feed.batch(self._number), None
            else:
                with torch.cuda.stream(self._stream):
                    batch = self._feed.batch(self._number)
                    made = self._stream.record_event()
        self._number += 1
        return batch, made

    def _work(self) -> None:
        if self._device.type == "cuda":
            torch.cuda.set_device(self._device)
        while not self._stop.is_set():
            try:
                self._ready.put(self._make())
            except BaseException as error:
                self._ready.put(error)
                return
