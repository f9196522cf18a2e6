"""Grounds of several colours for tests of plain cards, drawn with nothing of the package."""

from __future__ import annotations

import cv2
import numpy as np

from clawvision.types import FloatArray


def _mixed(where: FloatArray, first: tuple[float, float, float], second: tuple[float, float, float]) -> FloatArray:
    return np.asarray(where[..., None] * np.array(first) + (1.0 - where[..., None]) * np.array(second))


def _rough(shape: tuple[int, int], random: np.random.Generator, size: float, by: float) -> FloatArray:
    noise = cv2.GaussianBlur(random.normal(0.0, 1.0, shape), (0, 0), size)
    return np.asarray(1.0 + by * noise / noise.std())[..., None]


def brick(shape: tuple[int, int], seed: int = 0) -> FloatArray:
    """Red bricks in pale mortar, every second course shifted, float64 (H, W, 3)."""
    random = np.random.default_rng(seed)
    high, long, joint = 58, 150, 11
    y, x = np.mgrid[: shape[0], : shape[1]] + random.integers(0, 60, 2)[:, None, None]
    x = x + (y // high) % 2 * (long // 2)
    stone = ((y % high >= joint) & (x % long >= joint)).astype(np.float64)
    shade = random.uniform(0.8, 1.2, (64, 64))[(y // high) % 64, (x // long) % 64][..., None]
    return np.clip(
        _mixed(stone, (128.0, 74.0, 60.0), (176.0, 170.0, 160.0)) * shade * _rough(shape, random, 2.0, 0.06), 0, 255
    )


def mesh(shape: tuple[int, int], seed: int = 0) -> FloatArray:
    """Grey steel bars over dark holes, a little turned, float64 (H, W, 3)."""
    random = np.random.default_rng(seed)
    turn, wide, hole = np.radians(random.uniform(-25, 25)), 62.0, 38.0
    y, x = np.mgrid[: shape[0], : shape[1]]
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    bar = ((along % wide >= hole) | (across % wide >= hole)).astype(np.float64)
    return np.clip(_mixed(bar, (148.0, 146.0, 140.0), (22.0, 24.0, 26.0)) * _rough(shape, random, 3.0, 0.05), 0, 255)


def cobbles(shape: tuple[int, int], seed: int = 0) -> FloatArray:
    """Round stones of many greys in dark earth, float64 (H, W, 3)."""
    random = np.random.default_rng(seed)
    picture = np.full((*shape, 3), (58.0, 50.0, 42.0))
    for top in range(-10, shape[0] + 30, 30):
        for left in range(-10, shape[1] + 36, 36):
            x, y = (int(v) for v in np.array((left, top)) + random.integers(-7, 8, 2))
            axes = tuple(int(v) for v in random.integers(10, 19, 2))
            grey = random.uniform(95, 190)
            colour = (grey, 0.95 * grey, 0.86 * grey)
            cv2.ellipse(picture, (x, y), axes, float(random.uniform(0, 180)), 0, 360, colour, -1, cv2.LINE_AA)
    return np.clip(cv2.GaussianBlur(picture, (0, 0), 1.2) * _rough(shape, random, 2.0, 0.05), 0, 255)
