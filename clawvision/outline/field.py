"""The reduced picture in which claws are looked for: a few numbers a pixel, about a millimetre a pixel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clawvision.photo.shrink import WHOLE, shrink
from clawvision.scale.plane import mm_per_px
from clawvision.types import FloatArray, Photo, Scale

IntArray = NDArray[np.int32]
Float32Array = NDArray[np.float32]

STEP_MM = 1.25
_REACH_MM = 330.0  # how far from the reference's middle the foot is looked for
_MAX_PIXELS = 220_000
_LOOKS = 28  # kinds of look (colour and texture) that are told apart
_SMOOTH_MM = 1.6
_ALIKE = 6.0  # colour distance at which two looks count as much alike
_EDGE_SCALE = 6.0  # colour step a pixel at which an edge is fairly clear


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """A part of the photo reduced to ``step_mm`` millimetres a pixel on the measuring plane.

    ``lab`` float32 (h, w, 4) holds smoothed CIE L*, a*, b* and a texture measure on a like scale; ``look`` int32 (h, w)
    which of ``looks`` kinds of look each pixel has, the last but one being the reference and the last what is
    beyond the picture; ``tensor`` float32 (3, h * w) the structure tensor xx, xy, yy; ``alike`` (looks, looks) how
    much a look speaks for each other one, rows summing to 1; ``free`` bool (h, w) is False on the reference. A pixel p
    of the field is ``origin_px + (p + 0.5) * factor - 0.5`` of the photo.
    """

    lab: Float32Array
    look: IntArray
    looks: int
    tensor: Float32Array
    alike: FloatArray
    free: NDArray[np.bool_]
    origin_px: FloatArray
    factor: float
    step_mm: float
    reference_mm: FloatArray
    """Middle of the reference, in millimetres of the field (pixel times step)."""
    look_colour: FloatArray
    """Mean features of each look, (looks, 4)."""
    photo_origin_mm: tuple[float, float]
    """The photo's top left corner, and its size, in millimetres of the field."""
    photo_size_mm: tuple[float, float]

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height, mm."""
        return self.lab.shape[1] * self.step_mm, self.lab.shape[0] * self.step_mm

    def to_photo(self, points_mm: FloatArray) -> FloatArray:
        """Return pixels of the photo for points in millimetres of the field, float64 (..., 2)."""
        pixels: FloatArray = self.origin_px + (points_mm / self.step_mm + 0.5) * self.factor - 0.5
        return pixels

    def look_at(self, x: Float32Array, y: Float32Array) -> IntArray:
        """Return the look at the nearest pixel of points in millimetres."""
        index, within = self._index(x, y)
        return np.where(within, self.look.ravel()[index], self.looks - 1)

    def edge_at(self, x: Float32Array, y: Float32Array, normal: Float32Array) -> Float32Array:
        """Return how clear an edge with normal (..., 2) runs at points in millimetres, 0 to 1; 0 beyond the picture."""
        index, within = self._index(x, y)
        xx, xy, yy = (part[index] for part in self.tensor)
        nx, ny = normal[..., 0], normal[..., 1]
        strength = np.sqrt(np.maximum(nx * nx * xx + 2 * nx * ny * xy + ny * ny * yy, 0.0))
        out: Float32Array = np.where(within, strength / (strength + np.float32(_EDGE_SCALE)), np.float32(0.0))
        return out

    def _index(self, x: Float32Array, y: Float32Array) -> tuple[IntArray, NDArray[np.bool_]]:
        height, width = self.look.shape
        inverse = np.float32(1.0 / self.step_mm)
        column = np.rint(x * inverse).astype(np.int32)
        row = np.rint(y * inverse).astype(np.int32)
        within = (column >= 0) & (row >= 0) & (column < width) & (row < height)
        return np.where(within, row * width + column, 0), within

    def spread(self, looks: IntArray) -> FloatArray:
        """Return the distribution of looks (n, m) in each row, smoothed over like ones: (n, kinds)."""
        n = len(looks)
        index = looks + (np.arange(n, dtype=np.int32) * self.looks)[:, None]
        counts = np.bincount(index.ravel(), minlength=n * self.looks).reshape(n, self.looks)
        out: FloatArray = (counts @ self.alike) / looks.shape[1]
        return out


def make_field(photo: Photo, scale: Scale) -> Field:
    """Reduce the part of the photo around the reference."""
    outline = scale.reference.outline_px
    middle = outline.mean(axis=0)
    mm = mm_per_px(scale, middle)
    if not np.isfinite(mm) or mm <= 0:
        mm = 600.0 / max(photo.width, photo.height)
    reach = _REACH_MM / mm
    left = int(np.clip(middle[0] - reach, 0, photo.width - 2))
    top = int(np.clip(middle[1] - reach, 0, photo.height - 2))
    right = int(np.clip(middle[0] + reach, left + 2, photo.width))
    bottom = int(np.clip(middle[1] + reach, top + 2, photo.height))
    # Whole steps of the reduction, so that halving keeps the frame; a few pixels at its far edge show nothing.
    right -= (right - left) % WHOLE if right - left > 16 * WHOLE else 0
    bottom -= (bottom - top) % WHOLE if bottom - top > 16 * WHOLE else 0
    factor = STEP_MM / mm
    factor = max(factor, float(np.sqrt((right - left) * (bottom - top) / _MAX_PIXELS)))
    width = max(int((right - left) / factor), 8)
    height = max(int((bottom - top) / factor), 8)
    crop = photo.pixels[top:bottom, left:right]
    fine_factor = max(factor / 2.0, 1.0)
    fine = shrink(crop, (max(round(width * factor / fine_factor), 8), max(round(height * factor / fine_factor), 8)))
    factor_x = (right - left) / width
    fine_lab = cv2.cvtColor(fine.astype(np.float32) / 255.0, cv2.COLOR_RGB2LAB)
    step = mm * factor
    lab = _features(fine_lab, (width, height), step)
    free = np.ones((height, width), np.uint8)
    corners = (outline - (left, top) + 0.5) / factor_x - 0.5
    cv2.fillConvexPoly(free, cv2.convexHull(np.round(corners).astype(np.int32)), 0)
    look, alike = _looks(lab, free > 0)
    return Field(
        lab=lab,
        look=look,
        looks=len(alike),
        tensor=_tensor(lab, free > 0),
        alike=alike,
        free=free > 0,
        origin_px=np.array([left, top], dtype=np.float64),
        factor=factor_x,
        step_mm=step,
        reference_mm=(((middle - (left, top)) + 0.5) / factor_x - 0.5) * step,
        look_colour=_look_colours(lab, look, len(alike)),
        photo_origin_mm=(-left / factor_x * step, -top / factor_x * step),
        photo_size_mm=(photo.width / factor_x * step, photo.height / factor_x * step),
    )


def _features(fine_lab: Any, size: tuple[int, int], step: float) -> Float32Array:
    """Smooth the colours and add the texture: how much lightness varies within some millimetres."""
    fine_step = step * size[0] / fine_lab.shape[1]
    lightness = fine_lab[:, :, 0]
    detail = lightness - cv2.GaussianBlur(lightness, (0, 0), 1.2 / fine_step + 0.3)
    energy = cv2.GaussianBlur(detail * detail, (0, 0), 3.0 / fine_step)
    texture = cv2.resize(6.0 * np.log1p(np.sqrt(np.maximum(energy, 0))), size, interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(fine_lab, (0, 0), _SMOOTH_MM / fine_step)
    smooth = cv2.resize(smooth, size, interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(np.dstack((smooth, texture)), dtype=np.float32)


FEATURE_WEIGHTS = np.array([0.8, 1.3, 1.3, 0.8], dtype=np.float32)  # lightness changes with the light, hue less


def _tensor(lab: Float32Array, free: NDArray[np.bool_]) -> Float32Array:
    """Return the structure tensor (3, h * w) of the weighted features: xx, xy, yy, step a pixel squared."""
    weighted = lab * FEATURE_WEIGHTS
    dx = cv2.Scharr(weighted, cv2.CV_32F, 1, 0, scale=1 / 32)
    dy = cv2.Scharr(weighted, cv2.CV_32F, 0, 1, scale=1 / 32)
    tensor = np.dstack(((dx * dx).sum(axis=2), (dx * dy).sum(axis=2), (dy * dy).sum(axis=2)))
    tensor[cv2.erode(free.astype(np.uint8), np.ones((5, 5), np.uint8)) == 0] = 0.0
    return np.ascontiguousarray(tensor.reshape(-1, 3).T)


def _look_colours(lab: Float32Array, look: IntArray, looks: int) -> FloatArray:
    flat = look.ravel()
    counts = np.maximum(np.bincount(flat, minlength=looks), 1)
    values = lab.reshape(-1, 4)
    out: FloatArray = np.stack([np.bincount(flat, values[:, c], looks) / counts for c in range(4)], axis=-1)
    return out


def _looks(lab: Float32Array, free: NDArray[np.bool_]) -> tuple[IntArray, FloatArray]:
    """Sort the pixels into kinds of look by k-means on a sample of them, and tell how alike those are."""
    height, width = free.shape
    values = lab.reshape(-1, 4) * FEATURE_WEIGHTS
    candidates = np.flatnonzero(free.ravel())
    if len(candidates) < _LOOKS * 4:
        candidates = np.arange(height * width)
    sample = np.ascontiguousarray(values[candidates[:: max(len(candidates) // 2500, 1)]])
    count = min(_LOOKS, len(sample))
    cv2.setRNGSeed(7)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 8, 0.5)
    labels = np.zeros((len(sample), 1), np.int32)
    _, _, centres = cv2.kmeans(sample, count, labels, criteria, 1, cv2.KMEANS_PP_CENTERS)
    centres = np.reshape(centres, (count, 4))
    distances = (centres**2).sum(axis=1) - 2.0 * values @ centres.T
    look = distances.argmin(axis=1).reshape(height, width).astype(np.int32)
    look[~free] = count
    apart = np.linalg.norm(centres[:, None] - centres[None, :], axis=-1)
    alike = np.eye(count + 2)
    alike[:count, :count] = np.exp(-0.5 * (apart / _ALIKE) ** 2)
    return np.ascontiguousarray(look), alike / alike.sum(axis=1, keepdims=True)
