"""Where a batch's tasks are worked on: executors with the interface of `concurrent.futures`."""

from __future__ import annotations

from clawvision.executors.lost import Crashed, NotFetched, OutOfMemory, TookTooLong
from clawvision.executors.processes import Limits, ProcessExecutor

__all__ = ["Crashed", "Limits", "NotFetched", "OutOfMemory", "ProcessExecutor", "TookTooLong"]
