"""Where the camera of a scene stands, how it is turned and how it is zoomed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from clawvision.outline.learned import contract
from clawvision.scenes.shape import FootShape
from clawvision.types import FloatArray

SceneView = Literal["side", "sole", "front", "rear", "none"]
VIEWS: tuple[SceneView, ...] = contract.VIEWS

FRAME_WIDTH = 1024.0
"""Width, in pixels, of the picture that focal lengths here belong to."""
_FRAME_DIAGONAL = 1280.0
_FULL_FRAME_DIAGONAL_MM = 43.2666
_FOCAL_35MM = (24, 26, 27, 28, 35, 48, 50, 52, 70, 77)


@dataclass(frozen=True, slots=True, eq=False)
class Viewpoint:
    """A camera: ``focal`` in pixels of a picture 1024 wide, ``position`` (3,) mm, ``rotation`` (3, 3) with the rows
    right, down and ahead, ``distortion`` the first radial coefficient.
    """

    focal: float
    position: FloatArray
    rotation: FloatArray
    distortion: float = 0.0


def unit(vector: FloatArray) -> FloatArray:
    """Return a vector of length 1."""
    scaled: FloatArray = vector / max(float(np.linalg.norm(vector)), 1e-12)
    return scaled


def look_at(position: FloatArray, target: FloatArray, up: FloatArray, roll_deg: float) -> FloatArray:
    """Return the rotation (3, 3) of a camera at ``position`` that looks at ``target``, turned by ``roll_deg``."""
    ahead = unit(target - position)
    right = unit(np.cross(ahead, up))
    down = np.cross(ahead, right)
    angle = np.radians(roll_deg)
    return np.stack([np.cos(angle) * right + np.sin(angle) * down, np.cos(angle) * down - np.sin(angle) * right, ahead])


@dataclass(frozen=True, slots=True, eq=False)
class Extent:
    """What the camera has to frame: ``middle`` (3,) and ``size`` mm along the foot; ``tip_x`` of the longer toe."""

    middle: FloatArray
    size: float
    tip_x: float


def extent_of(foot: FootShape) -> Extent:
    """Return what of a foot the camera has to frame."""
    reach = []
    for claw in (foot.outer, foot.inner):
        drop = claw.coronet_z - claw.toe_lift
        reach.append(claw.coronet_x + np.sqrt(max(claw.toe_length**2 - drop**2, 25.0)))
    tip = float(max(reach))
    return Extent(np.array([0.5 * tip - 8.0, 0.0, 30.0]), tip + 14.0, tip)


def sample_viewpoint(
    rng: np.random.Generator, view: SceneView, extent: Extent, side: float, *, tight: bool, plain: bool
) -> Viewpoint:
    """Draw a camera.

    Parameters
    ----------
    rng
        Source of chance.
    view
        What the photo is to show.
    extent
        Of the foot.
    side
        The sign of y on which the camera stands in a side view.
    tight
        Frame the foot closely.
    plain
        As a careful user holds it.
    """
    focal = float(rng.choice(_FOCAL_35MM) * _FRAME_DIAGONAL / _FULL_FRAME_DIAGONAL_MM)
    share = float(rng.uniform(0.45, 0.85) if tight else rng.uniform(0.32 if plain else 0.22, 0.7))
    distance = max(focal * extent.size / (share * FRAME_WIDTH), 230.0)
    if view == "side":
        if plain or rng.random() < 0.75:
            azimuth, elevation = rng.normal(0.0, 7.0 if plain else 12.0), rng.uniform(3.0, 14.0 if plain else 22.0)
        else:
            azimuth, elevation = rng.uniform(-50.0, 50.0), rng.uniform(5.0, 48.0)
        roll = rng.normal(0.0, 4.0)
        if not plain and rng.random() < 0.12:
            roll += rng.choice([-90.0, 90.0, 180.0])
        a, e = np.radians(azimuth), np.radians(elevation)
        away = np.array([np.sin(a) * np.cos(e), side * np.cos(a) * np.cos(e), np.sin(e)])
        up = np.array([0.0, 0.0, 1.0])
    elif view == "sole":
        tilt = abs(rng.normal(0.0, 5.0 if plain else 9.0)) if plain or rng.random() < 0.85 else rng.uniform(10.0, 38.0)
        turn = rng.uniform(0.0, 2 * np.pi)
        away = np.array([np.sin(np.radians(tilt)) * np.cos(turn), np.sin(np.radians(tilt)) * np.sin(turn), 0.0])
        away[2] = -np.cos(np.radians(tilt))
        up = np.array([1.0, 0.0, 0.0])
        roll = rng.choice([0.0, 90.0, 180.0, 270.0]) + rng.normal(0.0, 10.0)
        if not plain and rng.random() < 0.2:
            roll = rng.uniform(0.0, 360.0)
    else:
        elevation = rng.uniform(5.0, 35.0)
        a, e = np.radians(rng.normal(0.0, 12.0)), np.radians(elevation)
        front = 1.0 if view == "front" else -1.0
        away = np.array([front * np.cos(a) * np.cos(e), np.sin(a), np.sin(e)])
        if view == "rear":
            away[2] = -abs(away[2]) * rng.uniform(-1.0, 0.3)
        up = np.array([0.0, 0.0, 1.0])
        roll = rng.normal(0.0, 6.0)
    away = unit(away)
    middle = extent.middle + (np.array([0.0, side * 15.0, 0.0]) if view == "side" else 0.0)
    position = middle + away * distance
    frame = distance / focal * FRAME_WIDTH
    loose = 0.5 * max(0.0, 0.9 - share)
    across = rng.uniform(-1.0, 1.0, 2) * np.array([0.9, 0.6]) * loose * frame * 0.8
    rotation = look_at(position, middle, up, roll)
    target = middle + rotation[0] * across[0] + rotation[1] * across[1]
    rotation = look_at(position, target, up, roll)
    return Viewpoint(focal, position, rotation, float(rng.normal(0.0, 0.015)))
