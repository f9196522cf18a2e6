"""One photo in a process of its own: measured unless an earlier run has finished it, and kept."""

from __future__ import annotations

import os
import traceback
from dataclasses import dataclass
from typing import Protocol

from clawvision import store
from clawvision.errors import ClawvisionError, UsageError
from clawvision.executors import Crashed
from clawvision.output.models import PhotoRecord
from clawvision.output.record import photo_record
from clawvision.plain import plain
from clawvision.reasons import reason
from clawvision.types import PhotoRequest, PhotoResult, Reason, Settings


class Worker(Protocol):
    """Measures one photo: its record, and its annotated picture as PNG or JPEG where there is one."""

    def __call__(self, request: PhotoRequest, settings: Settings) -> tuple[PhotoRecord, bytes | None]: ...


def measure_photo(request: PhotoRequest, settings: Settings) -> tuple[PhotoRecord, bytes | None]:
    """Run the chain on one photo; the ``Worker`` of the program itself."""
    # Imported here so that the parent of the processes need not load what only they use.
    from clawvision.output.picture import picture_bytes
    from clawvision.pipeline import run_photo

    result, photo = run_photo(request, settings)
    return photo_record(result), picture_bytes(photo, result, blur_background=settings.blur_background)


@dataclass(frozen=True, slots=True)
class PhotoTask:
    """A photo, the places of its results, and whether its folder could be listed when the run began."""

    request: PhotoRequest
    slot: store.Slot
    listed: bool = False


@dataclass(frozen=True, slots=True)
class Finished:
    """A photo is finished and kept. ``mark`` tells its record from any other, ``earlier`` whether a run had it before.

    The record itself stays on the disk, so that what passes between processes stays small.
    """

    mark: int
    earlier: bool


@dataclass(frozen=True, slots=True)
class DoPhoto:
    """Measures one photo in a process of its own, unless it is finished already, and keeps the result."""

    worker: Worker
    settings: Settings
    basis: str

    def __call__(self, task: PhotoTask) -> Finished:
        key = store.photo_key(task.request, self.settings, self.basis)
        mark = store.load(task.slot, key)
        if mark is not None:
            return Finished(mark, True)
        picture = None
        try:
            record, picture = self.worker(task.request, self.settings)
        except (ClawvisionError, MemoryError):
            raise
        except Exception as error:
            if "Insufficient memory" in str(error):  # OpenCV has an error of its own for it
                raise MemoryError from None
            if os.environ.get("CLAWVISION_TRACEBACK"):
                traceback.print_exc()
            record = failed_record(task.request, type(error).__name__)
        if {each.code for each in record.reasons} & {"file_missing", "unreadable", "internal_error"}:
            _check_folder(task)
        # A photo that could not be opened, or that changed since its key was made, is tried again by the next run.
        unread = any(each.code == "unreadable" for each in record.reasons)
        if unread or store.photo_key(task.request, self.settings, self.basis) != key:
            key = store.NEVER
        return Finished(store.save(task.slot, key, record, picture), False)


def _check_folder(task: PhotoTask) -> None:
    """Stop the run where the whole folder is gone: its photos are not to be refused, nor their records replaced.

    Raises
    ------
    UsageError
        If the photo's folder could be listed when the run began and cannot be now.
    """
    why = store.gone(task.request.path.parent) if task.listed else None
    if why is not None:
        raise UsageError(
            f"The photos in {plain(task.request.path.parent)} can no longer be read: {why}.",
            "See that its disk, card or share is there. Finished photos are kept: the same command goes on with the "
            "others.",
        )


def failed_record(request: PhotoRequest, detail: str) -> PhotoRecord:
    """Return the record of a photo on which the program itself failed."""
    return _refused(request, reason("internal_error", detail=detail))


def lost_record(request: PhotoRequest, lost: Crashed) -> PhotoRecord:
    """Return the record of a photo whose process did not live to answer."""
    return _refused(request, reason(lost.code, detail=lost.detail))


def _refused(request: PhotoRequest, why: Reason) -> PhotoRecord:
    return photo_record(
        PhotoResult(
            request=request,
            sha256=None,
            size=None,
            exif=None,
            view=request.view,
            view_inferred=False,
            taken=request.taken,
            status="refused",
            reasons=(why,),
            scale=None,
            mm_per_px=None,
            claws={},
            foot_measures={},
        )
    )
