"""What becomes of a task that its process did not live to answer."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(unsafe_hash=True)
class Crashed(Exception):
    """A task whose process died; the other tasks are not affected."""

    detail: str
