"""The photos under review, with what is dear to compute kept while a person draws on one."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import cv2
import numpy as np

from clawvision.apart import read_apart
from clawvision.errors import PhotoRefused
from clawvision.outline.find import default_segmenter
from clawvision.outline.learned.crop import Pyramid
from clawvision.outline.learned.segmenter import LearnedSegmenter
from clawvision.outline.naming import Side
from clawvision.outline.segmenter import Segmentation, Segmenter
from clawvision.outline.sidecar import Sidecar, check_inside
from clawvision.photo.read import read_photo
from clawvision.pipeline import SERVES_PX, run_drawn
from clawvision.review.folder import ReviewPhoto
from clawvision.review.prior import Prior, look
from clawvision.scale.find import find_scale
from clawvision.types import (
    ByteArray,
    Camera,
    FloatArray,
    Photo,
    PhotoRequest,
    PhotoResult,
    Reason,
    Scale,
    Settings,
    View,
)

_KEPT_PHOTOS = 3
_KEPT_ANSWERS = 24
_JPEG_QUALITY = 92
_T = TypeVar("_T")


class _Kept:
    """Answers by key, the latest few; a refusal is kept like an answer."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._answers: OrderedDict[Any, tuple[Any, PhotoRefused | None]] = OrderedDict()

    def get(self, key: Any, make: Callable[[], _T]) -> _T:
        if key not in self._answers:
            try:
                self._answers[key] = (make(), None)
            except PhotoRefused as refusal:
                self._answers[key] = (None, refusal)
            while len(self._answers) > self._most:
                self._answers.popitem(last=False)
        self._answers.move_to_end(key)
        answer, refused = self._answers[key]
        if refused is not None:
            raise refused
        found: _T = answer
        return found


class _RememberingSegmenter(LearnedSegmenter):
    """The learned segmenter with its latest answers: it is asked again after each stroke, and nothing has changed."""

    def __init__(self, inner: LearnedSegmenter) -> None:
        super().__init__(inner._network)
        self._kept = _Kept(_KEPT_ANSWERS)

    def look(self, photo: Photo, view: View | None) -> Prior | None:
        """Return what the network makes of a photo."""
        return look(self._network, Pyramid(np.asarray(photo.pixels)), view)

    def segment(self, photo: Photo, scale: Scale, view: View, *, toe: Side | None = None) -> Segmentation:
        """See `Segmenter.segment`."""
        # Scale and photo are part of the answer, so that the key's ids stay theirs.
        key = (photo.sha256, id(scale), view, toe)
        return self._kept.get(
            key, lambda: (super(_RememberingSegmenter, self).segment(photo, scale, view, toe=toe), scale)
        )[0]


class Workbench:
    """Photos under review. Thread-safe: measuring is done one photo at a time."""

    def __init__(
        self, photos: Sequence[ReviewPhoto], settings: Settings, *, segmenter: Segmenter | None = None
    ) -> None:
        self.photos = tuple(photos)
        self._settings = settings
        self._segmenter = segmenter
        self._lock = threading.Lock()
        self._read = _Kept(_KEPT_PHOTOS)
        self._reduced = _Kept(_KEPT_PHOTOS)
        self._scales = _Kept(_KEPT_ANSWERS)
        self._priors = _Kept(_KEPT_ANSWERS)

    def photo(self, index: int) -> tuple[Photo, tuple[Reason, ...]]:
        """Return a photo's pixels, upright.

        Raises
        ------
        PhotoRefused
            If it cannot be read.
        """
        with self._lock:
            return self._photo(index)

    def prior(self, index: int) -> Prior | None:
        """Return what the network makes of a photo, the beginning for clicks; None where it tells nothing.

        Raises
        ------
        PhotoRefused
            If the photo cannot be read.
        """
        with self._lock:
            photo, _ = self._photo(index)
            segmenter = self._remembering()
            if not isinstance(segmenter, _RememberingSegmenter):
                return None
            view = self.photos[index].request.view
            return self._priors.get((photo.sha256, view), lambda: segmenter.look(photo, view))

    def jpeg(self, index: int) -> bytes:
        """Return a photo for the page: upright, without any of its EXIF data."""
        photo, _ = self.photo(index)
        bgr = cv2.cvtColor(np.asarray(photo.pixels), cv2.COLOR_RGB2BGR)
        made, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
        assert made
        return data.tobytes()

    def measure(self, index: int, sidecar: Sidecar | None) -> PhotoResult:
        """Measure a photo with a drawing as ``assess`` would with that drawing beside it.

        Raises
        ------
        PhotoRefused
            If the photo cannot be read.
        """
        with self._lock:
            photo, notes = self._as_assessed(index)
            if sidecar is not None:
                check_inside(sidecar, *photo.file_size)
            return run_drawn(
                photo,
                notes,
                self.photos[index].request,
                self._settings,
                sidecar,
                segmenter=self._remembering(),
                scale_finder=self._scale,
            )

    def _photo(self, index: int) -> tuple[Photo, tuple[Reason, ...]]:
        return self._read.get(index, lambda: self._decoded(self.photos[index]))

    def _decoded(self, photo: ReviewPhoto) -> tuple[Photo, tuple[Reason, ...]]:
        # What a run has decoded before is read here, at once; anything else where it ends nothing.
        read = read_photo if photo.is_as_measured else read_apart
        return read(photo.path, name=photo.request.name, settings=self._settings)

    def _as_assessed(self, index: int) -> tuple[Photo, tuple[Reason, ...]]:
        """Return a photo as small as ``assess`` reads it, so that both measure the same pixels."""
        request = self.photos[index].request
        return self._reduced.get(
            index,
            lambda: read_photo(request.path, name=request.name, settings=self._settings, long_side=SERVES_PX),
        )

    def _remembering(self) -> Segmenter:
        if self._segmenter is None:
            segmenter = default_segmenter(self._settings.engine)
            self._segmenter = _RememberingSegmenter(segmenter) if isinstance(segmenter, LearnedSegmenter) else segmenter
        return self._segmenter

    def _scale(
        self,
        photo: Photo,
        request: PhotoRequest,
        settings: Settings,
        camera: Camera | None,
        where: Callable[[], Sequence[FloatArray]],
    ) -> Scale:
        key = (photo.sha256, request)
        return self._scales.get(key, lambda: find_scale(photo, request, settings, camera, where))


def pixels_of(photo: Photo) -> ByteArray:
    """Return a photo's pixels as an array of its own type."""
    return np.asarray(photo.pixels)
