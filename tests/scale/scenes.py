"""Pictures of the scale card under a known pose, for tests of the stage ``scale``."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

from clawvision.scale.geometry import (
    CARD_HEIGHT,
    CARD_WIDTH,
    CORNER_RADIUS,
    MARKER_ORIGINS,
    MARKER_SIZE,
)
from clawvision.types import ByteArray, Camera, FloatArray, frozen_array

PIXELS_PER_MM = 12


@dataclass(frozen=True)
class Pose:
    """Camera, rotation and translation of a rendered scene."""

    camera: Camera
    rotation: FloatArray
    translation: FloatArray

    def project(self, points_mm: FloatArray) -> FloatArray:
        """OpenCV's own projection of points (N, 2) on the card: the outside judge of these tests."""
        points = np.column_stack((points_mm, np.zeros(len(points_mm))))
        vector, _ = cv2.Rodrigues(np.array(self.rotation))
        distortion = np.array(self.camera.distortion) if self.camera.distortion else None
        pixels, _ = cv2.projectPoints(points, vector, np.array(self.translation), self.camera.matrix, distortion)
        return np.reshape(pixels, (-1, 2)).astype(np.float64)


def camera(width: int = 1024, height: int = 768, f35: float = 28.0) -> Camera:
    focal = f35 * float(np.hypot(width, height)) / 43.267
    return Camera(width, height, focal, focal, (width - 1) / 2, (height - 1) / 2, source="exif", u_focal_rel=0.025)


def pose(
    cam: Camera,
    tilt_deg: float = 0.0,
    direction_deg: float = 0.0,
    turn_deg: float = 0.0,
    distance_mm: float = 420.0,
    middle_px: tuple[float, float] | None = None,
    size_mm: tuple[float, float] = (CARD_WIDTH, CARD_HEIGHT),
) -> Pose:
    """A reference whose middle shows at ``middle_px``, tilted about an axis of the picture at ``direction_deg``."""
    a, b = np.radians(direction_deg), np.radians(tilt_deg)
    tilt, _ = cv2.Rodrigues(np.array([np.cos(a) * b, np.sin(a) * b, 0.0]))
    turn, _ = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(turn_deg)]))
    rotation = np.asarray(tilt @ turn, dtype=np.float64)
    x, y = middle_px or (cam.cx, cam.cy)
    middle = np.array([(x - cam.cx) / cam.fx, (y - cam.cy) / cam.fy, 1.0]) * distance_mm
    translation = middle - rotation @ np.array([size_mm[0] / 2, size_mm[1] / 2, 0.0])
    return Pose(cam, frozen_array(rotation), frozen_array(translation))


def card_sheet(bleed_mm: float = 0.0, hidden: tuple[int, ...] = (), ids: dict[int, int] | None = None) -> FloatArray:
    """The card from above, grey, ``PIXELS_PER_MM``; NaN outside its rounded corners."""
    k = PIXELS_PER_MM
    height, width = round(CARD_HEIGHT * k), round(CARD_WIDTH * k)
    sheet = np.full((height, width), 235.0)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for marker_id, (x, y) in MARKER_ORIGINS.items():
        picture = np.asarray(cv2.aruco.generateImageMarker(dictionary, (ids or {}).get(marker_id, marker_id), 6))
        size = round(MARKER_SIZE * k)
        big = cv2.resize(picture, (size, size), interpolation=cv2.INTER_NEAREST)
        edge = round(bleed_mm * k)
        if edge:
            # White eats into black from all sides.
            big = cv2.dilate(big, np.ones((2 * edge + 1, 2 * edge + 1), np.uint8))
            big[:edge], big[-edge:], big[:, :edge], big[:, -edge:] = 255, 255, 255, 255
        if marker_id in hidden:
            big = np.full_like(big, 110)
        top, left = round(y * k), round(x * k)
        sheet[top : top + size, left : left + size] = np.where(big > 127, 235.0, 25.0)
    return round_corners(sheet)


def plain_sheet(level: float = 220.0) -> FloatArray:
    """A plain card without any print, NaN outside its rounded corners."""
    k = PIXELS_PER_MM
    return round_corners(np.full((round(CARD_HEIGHT * k), round(CARD_WIDTH * k)), level))


def round_corners(sheet: FloatArray) -> FloatArray:
    height, width = sheet.shape
    radius = CORNER_RADIUS * PIXELS_PER_MM
    y, x = np.mgrid[:height, :width] + 0.5
    dx = np.maximum(np.maximum(radius - x, x - (width - radius)), 0)
    dy = np.maximum(np.maximum(radius - y, y - (height - radius)), 0)
    return np.where(np.hypot(dx, dy) > radius, np.nan, sheet)


@cache
def ground(shape: tuple[int, int], seed: int = 0, level: float = 110.0, relief: float = 18.0) -> FloatArray:
    """A blotchy ground, like concrete."""
    random = np.random.default_rng(seed)
    small = random.normal(0.0, 1.0, (shape[0] // 8 + 2, shape[1] // 8 + 2))
    big = cv2.resize(cv2.GaussianBlur(small, (0, 0), 2.0), (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(level + relief * big / big.std(), dtype=np.float64)


def _light(grey: FloatArray) -> FloatArray:
    """Light of a grey value, by sRGB (IEC 61966-2-1)."""
    v = np.clip(grey, 0.0, 255.0) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def _grey(light: FloatArray) -> FloatArray:
    v = np.clip(light, 0.0, 1.0)
    return 255.0 * np.where(v <= 0.0031308, v * 12.92, 1.055 * v ** (1 / 2.4) - 0.055)


def photograph(
    sheet: FloatArray,
    where: Pose,
    background: FloatArray,
    *,
    blur_px: float = 0.7,
    noise: float = 2.0,
    seed: int = 0,
) -> ByteArray:
    """Warp a sheet into the picture three times finer than the picture, average, blur and add noise.

    Mixing is done in light, as in a camera; only then grey values are made of it.
    """
    fine = 3
    height, width = background.shape
    cam = where.camera
    rows, columns = sheet.shape
    size_mm = np.array([(0, 0), (columns, 0), (columns, rows), (0, rows)]) / PIXELS_PER_MM
    corners = where.project(size_mm)
    left, top = (max(int(v) - 4, 0) for v in corners.min(axis=0))
    right, below = (min(int(v) + 5, limit) for v, limit in zip(corners.max(axis=0), (width, height), strict=True))
    # Points on the sheet in mm, at pixel centres, to pixels of the fine picture, pixel centres at whole numbers.
    pixels_to_mm = np.array(
        [[1 / PIXELS_PER_MM, 0, 0.5 / PIXELS_PER_MM], [0, 1 / PIXELS_PER_MM, 0.5 / PIXELS_PER_MM], [0, 0, 1]]
    )
    plane = cam.matrix @ np.column_stack((where.rotation[:, 0], where.rotation[:, 1], where.translation))
    finer = np.array([[fine, 0, (fine - 1) / 2 - fine * left], [0, fine, (fine - 1) / 2 - fine * top], [0, 0, 1]])
    matrix = finer @ plane @ pixels_to_mm
    outside = np.isnan(sheet)
    # The sheet is much finer than the picture where the card is small: smooth it first.
    smooth = max(0.4 * float(where.translation[2] / cam.fx * PIXELS_PER_MM / fine), 0.3)
    filled = cv2.GaussianBlur(_light(np.where(outside, np.nanmax(sheet), sheet)).astype(np.float32), (0, 0), smooth)
    cover = cv2.GaussianBlur((~outside).astype(np.float32), (0, 0), smooth, borderType=cv2.BORDER_CONSTANT)
    part = (right - left, below - top)
    size = (part[0] * fine, part[1] * fine)
    colour = cv2.warpPerspective(filled, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    alpha = cv2.warpPerspective(cover, matrix, size, flags=cv2.INTER_LINEAR)
    colour = cv2.resize(colour * alpha, part, interpolation=cv2.INTER_AREA)
    alpha = cv2.resize(alpha, part, interpolation=cv2.INTER_AREA)
    light = _light(background)
    light[top:below, left:right] = colour + (1.0 - alpha) * light[top:below, left:right]
    if blur_px > 0:
        light = cv2.GaussianBlur(light, (0, 0), blur_px)
    picture = _grey(light) + np.random.default_rng(seed).normal(0.0, noise, light.shape)
    return np.asarray(np.clip(np.round(picture), 0, 255), dtype=np.uint8)
