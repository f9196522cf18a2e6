"""What becomes of a task that its process did not live to answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar


@dataclass(unsafe_hash=True)
class Crashed(Exception):
    """A task whose process died; the other tasks are not affected."""

    detail: str
    code: ClassVar[str] = "internal_error"
    """Of the reason that a photo lost in this way is given."""
    again: ClassVar[bool] = True
    """Whether it may go better alone."""


class OutOfMemory(Crashed):
    """A task for which the memory did not suffice."""

    code = "out_of_memory"


class TookTooLong(Crashed):
    """A task whose process was ended because it did not come to an end itself."""

    code = "took_too_long"
    again = False


class NotFetched(Crashed):
    """A task whose photo did not come from where it is kept."""

    code = "not_fetched"
