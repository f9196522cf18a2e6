"""Pictures looked at in a process of its own, for commands that are not a run: a decoder that dies ends nothing else.

Any task here may come back as `Crashed`, where its process died, took too long or too much memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from clawvision.checked import AskedView, Checked
from clawvision.errors import PhotoRefused
from clawvision.pool import Crashed, run_tasks
from clawvision.reasons import reason
from clawvision.types import Photo, Reason, Settings

if TYPE_CHECKING:
    from clawvision.photo.bare import BareCopy


@dataclass(frozen=True, slots=True)
class CheckOne:
    """Looks at one photo for ``clawvision check``."""

    view: AskedView | None

    def __call__(self, path: Path) -> Checked:
        import cv2

        from clawvision.check import check_photo
        from clawvision.plain import plain

        cv2.setNumThreads(1)  # small pictures: more threads only wait for one another
        return check_photo(path, name=plain(path.name), view=self.view, settings=Settings())


def checked_of(result: Checked | Crashed, name: str) -> Checked:
    """Return what is told of a photo, also where the process that looked at it ended."""
    if not isinstance(result, Crashed):
        return result
    return Checked(name, "take it again", None, (reason("internal_error", detail=result.detail),))


@dataclass(frozen=True, slots=True)
class ReadOne:
    """Reads a photo, given by its file and its name; returns it with its notes, or why there is none to be had."""

    settings: Settings

    def __call__(self, task: tuple[Path, str]) -> tuple[Photo, tuple[Reason, ...]] | Reason:
        from clawvision.photo.read import read_photo

        path, name = task
        try:
            return read_photo(path, name=name, settings=self.settings)
        except PhotoRefused as refusal:
            return refusal.reason


@dataclass(frozen=True, slots=True)
class BareOne:
    """Makes a photo's file, given by its bytes and its suffix, bare; returns that, or why it cannot."""

    settings: Settings

    def __call__(self, task: tuple[bytes, str]) -> BareCopy | Reason:
        from clawvision.photo.bare import bare_copy

        data, suffix = task
        try:
            return bare_copy(data, suffix=suffix, settings=self.settings)
        except PhotoRefused as refusal:
            return refusal.reason


def bare_apart(data: bytes, *, suffix: str, settings: Settings) -> BareCopy:
    """Do what `clawvision.photo.bare.bare_copy` does, in a process of its own. Same parameters and errors.

    Where that process ends, the photo is refused as one on which the program failed.
    """
    with closing(run_tasks(BareOne(settings), [(data, suffix)], 1)) as results:
        ((_, made),) = results
    if isinstance(made, Crashed):
        raise PhotoRefused(reason("internal_error", detail=made.detail))
    if isinstance(made, Reason):
        raise PhotoRefused(made)
    return made


def read_apart(path: Path, *, name: str, settings: Settings) -> tuple[Photo, tuple[Reason, ...]]:
    """Do what `clawvision.photo.read.read_photo` does, in a process of its own. Same parameters and errors.

    Where that process ends, the photo is refused as one on which the program failed.
    """
    ((_, found),) = each_read_apart([(path, name)], settings)
    if isinstance(found, Reason):
        raise PhotoRefused(found)
    return found


def each_read_apart(
    photos: Sequence[tuple[Path, str]], settings: Settings
) -> Iterator[tuple[Path, tuple[Photo, tuple[Reason, ...]] | Reason]]:
    """Give each photo with its notes, or the reason why there is none, read one after another in a process of its own.

    Parameters
    ----------
    photos
        Files, and what the photos are called. One at which a process ends is tried again behind all others.
    settings
        As `clawvision.photo.read.read_photo` takes them.
    """
    with closing(run_tasks(ReadOne(settings), photos, 1)) as results:
        for index, result in results:
            if isinstance(result, Crashed):
                yield photos[index][0], reason("internal_error", detail=result.detail)
                continue
            if not isinstance(result, Reason):
                result[0].pixels.flags.writeable = False  # which a message does not keep
            yield photos[index][0], result
