"""The last step: each contour point moved along its normal to the strongest consistent edge, below a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from clawvision.outline.field import FEATURE_WEIGHTS, Field, Float32Array
from clawvision.outline.rays import best_ring
from clawvision.photo.shrink import WHOLE, shrink
from clawvision.types import FloatArray, Photo

_STEP_MM = 0.5  # of the finer picture
_REACH_MM = 4.0
_OFFSET_MM = 0.25
_POINT_MM = 2.0  # spacing of the contour's points
_SMOOTH_MM = 0.7
_EDGE_SCALE = 6.0  # feature step a millimetre at which an edge is fairly clear
_STAY = 0.010  # cost of moving a millimetre, squared
_STIFF = 0.10  # cost of one offset's difference between neighbours


@dataclass(frozen=True, slots=True, eq=False)
class FineOutline:
    """``points_mm`` (N, 2) in the field's millimetres; ``clear`` (N,) the edge there, 0 to 1; ``moved`` (N,) mm."""

    points_mm: FloatArray
    clear: FloatArray
    moved: FloatArray


def even_points(points: FloatArray, spacing: float) -> FloatArray:
    """Return a closed polygon's outline (N, 2) as points of even spacing along it."""
    closed = np.vstack((points, points[:1]))
    along = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))))
    count = max(int(along[-1] / spacing), 24)
    at = np.arange(count) * along[-1] / count
    return np.stack([np.interp(at, along, closed[:, k]) for k in (0, 1)], axis=-1)


def to_edges(picture: FinePicture, points_mm: FloatArray) -> FineOutline:
    """Move a contour (A, 2), millimetres of the field, to the edges of the finer picture."""
    contour = even_points(points_mm, _POINT_MM)
    tangent = _smooth(np.roll(contour, -1, axis=0) - np.roll(contour, 1, axis=0), 2.0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    normal = np.stack((tangent[:, 1], -tangent[:, 0]), axis=-1)
    offsets = np.arange(-_REACH_MM, _REACH_MM + 1e-6, _OFFSET_MM)
    at = picture.place(picture.field.to_photo(contour[:, None, :] + offsets[None, :, None] * normal[:, None, :]))
    maps = [
        cv2.remap(channel, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for channel in cv2.split(picture.tensor)
    ]
    nx, ny = normal[:, :1].astype(np.float32), normal[:, 1:].astype(np.float32)
    strength = np.sqrt(np.maximum(nx * nx * maps[0] + 2 * nx * ny * maps[1] + ny * ny * maps[2], 0.0))
    edge = strength / (strength + np.float32(_EDGE_SCALE))
    gain = (edge - _STAY * offsets[None, :] ** 2).astype(np.float32)
    ring = best_ring(gain[None], np.float32(_STIFF))[0]
    rows = np.arange(len(ring))
    inner = np.clip(ring, 1, len(offsets) - 2)
    before, here, after = gain[rows, inner - 1], gain[rows, inner], gain[rows, inner + 1]
    bend = before - 2 * here + after
    part = np.where(bend < -1e-6, 0.5 * (before - after) / np.minimum(bend, -1e-6), 0.0)
    moved = offsets[inner] + np.clip(part, -0.5, 0.5) * _OFFSET_MM
    fine = contour + _smooth(moved[:, None], 1.0) * normal
    return FineOutline(fine, edge[rows, inner].astype(np.float64), moved)


def _smooth(values: FloatArray, points: float) -> FloatArray:
    """Return values (N, k) of a closed contour smoothed by a Gaussian of so many points."""
    reach = int(3 * points + 1)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / points) ** 2)
    kernel /= kernel.sum()
    padded = np.concatenate((values[-reach:], values, values[:reach]))
    return np.stack([np.convolve(padded[:, k], kernel, mode="valid") for k in range(values.shape[1])], axis=-1)


@dataclass(frozen=True, slots=True, eq=False)
class FinePicture:
    """A part of the photo at half a millimetre a pixel, or as fine as it is.

    ``lab`` float32 (h, w, 3) holds its smoothed and weighted colours, ``tensor`` (h, w, 3) their structure tensor;
    `place` tells where pixels of the photo lie in it.
    """

    field: Field
    lab: Float32Array
    tensor: Float32Array
    corner: FloatArray
    scale: FloatArray

    def place(self, pixels: FloatArray) -> Float32Array:
        """Return where pixels of the photo lie in it."""
        out: Float32Array = ((pixels - self.corner + 0.5) * self.scale - 0.5).astype(np.float32)
        return out


def fine_picture(photo: Photo, field: Field, contour: FloatArray, margin: float) -> FinePicture:
    """Return the finer picture of a contour (N, 2), millimetres of the field, and so many millimetres around it."""
    low = field.to_photo(contour.min(axis=0) - margin)
    high = field.to_photo(contour.max(axis=0) + margin)
    left, top = (int(np.clip(low[k], 0, (photo.width, photo.height)[k] - 4)) for k in (0, 1))
    right = int(np.clip(high[0] + 1, left + 4, photo.width))
    bottom = int(np.clip(high[1] + 1, top + 4, photo.height))
    right -= (right - left) % WHOLE if right - left > 16 * WHOLE else 0
    bottom -= (bottom - top) % WHOLE if bottom - top > 16 * WHOLE else 0
    pixel_mm = field.step_mm / field.factor
    factor = max(_STEP_MM / pixel_mm, 1.0)
    width, height = max(round((right - left) / factor), 4), max(round((bottom - top) / factor), 4)
    part = shrink(photo.pixels[top:bottom, left:right], (width, height))
    step = pixel_mm * (right - left) / width
    lab = cv2.cvtColor(part.astype(np.float32) / np.float32(255.0), cv2.COLOR_RGB2LAB)
    smooth = cv2.GaussianBlur(lab, (0, 0), max(_SMOOTH_MM / step, 0.5)) * FEATURE_WEIGHTS[:3]
    dx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=1 / (32 * step))
    dy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=1 / (32 * step))
    return FinePicture(
        field,
        np.ascontiguousarray(smooth),
        np.dstack(((dx * dx).sum(axis=2), (dx * dy).sum(axis=2), (dy * dy).sum(axis=2))),
        np.array([left, top], dtype=np.float64),
        np.array([width / (right - left), height / (bottom - top)]),
    )
