"""One photo in a process of its own: measured unless an earlier run has finished it, and kept."""

from __future__ import annotations

import os
import traceback
from dataclasses import dataclass
from typing import Protocol

from clawvision import store
from clawvision.errors import ClawvisionError
from clawvision.executors import Crashed
from clawvision.output.models import PhotoRecord
from clawvision.output.record import dumps, photo_record
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
    """A photo, and the places of its results."""

    request: PhotoRequest
    slot: store.Slot


@dataclass(frozen=True, slots=True)
class DoPhoto:
    """Measures one photo in a process of its own, unless it is finished already, and keeps the result."""

    worker: Worker
    settings: Settings
    basis: str

    def __call__(self, task: PhotoTask) -> tuple[bytes, bool]:
        key = store.photo_key(task.request, self.settings, self.basis)
        record = store.load(task.slot, key)
        if record is not None:
            return dumps(record), True
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
        store.save(task.slot, key, record, picture)
        return dumps(record), False


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
