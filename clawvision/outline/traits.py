"""What tells a claw's contour from any other closed contour: measured traits, all in fixed units.

Each trait is chosen so that it means the same for dark and light horn, for any camera and any size of picture.
"""

from __future__ import annotations

import numpy as np

from clawvision.outline.field import Field
from clawvision.outline.rays import Contours, shape_of
from clawvision.types import FloatArray

_CLEAR = 0.15  # unlikeness of looks from which on an arc counts as clearly parted

COMMON = (
    "parted",
    "least_parted",
    "edge",
    "least_edge",
    "second_edge",
    "area",
    "area2",
    "aspect",
    "aspect2",
    "rough",
    "hollow",
    "pointed",
    "away",
    "away2",
    "off_middle",
    "on_reference",
    "beyond",
    "vivid",
    "texture_step",
    "mixed",
)
SIDE = (*COMMON, "leg_parted", "leg_clear", "leg_long", "below_reference", "ground", "flat")
SOLE = COMMON
SHAPE = ("unlike", "turned")  # how unlike a claw, and how much more so with the toe at the other end


def traits(field: Field, contours: Contours, view: str) -> FloatArray:
    """Return the traits of contours, float64 (S, len(SIDE) or len(SOLE))."""
    points = contours.points
    area, centre, axis, length, width = shape_of(points)
    parted = np.minimum(contours.differs / _CLEAR, 1.0)
    ordered = np.sort(contours.edge, axis=1)
    relative = points - centre[:, None]
    along = (relative * axis[:, None]).sum(axis=2)
    across = relative[..., 1] * axis[:, None, 0] - relative[..., 0] * axis[:, None, 1]
    half = np.maximum(np.abs(along).max(axis=1), 1e-6)[:, None]
    front = np.where(along / half > 0.55, np.abs(across), 0).max(axis=1)
    rear = np.where(along / half < -0.55, np.abs(across), 0).max(axis=1)
    step = np.diff(contours.place, axis=1, append=contours.place[:, :1])
    away = np.linalg.norm(centre - field.reference_mm, axis=1)
    size = np.array(field.photo_size_mm)
    middle = (centre - np.array(field.photo_origin_mm)) / size - (0.5, 0.55)
    mean, mean_out = contours.own @ field.look_colour, contours.around @ field.look_colour
    hull = _hull_gap(points, area)
    common = [
        parted.mean(axis=1),
        np.sort(parted, axis=1)[:, 0],
        contours.edge.mean(axis=1),
        ordered[:, 0],
        ordered[:, 1],
        np.log(np.maximum(area, 1.0) / 6500.0),
        np.log(np.maximum(area, 1.0) / 6500.0) ** 2,
        length / np.maximum(width, 1.0),
        (length / np.maximum(width, 1.0) - 2.2) ** 2,
        np.abs(step).mean(axis=1) / contours.radii * 18.0,
        hull,
        np.abs(np.log((front + 2.0) / (rear + 2.0))),
        away / 100.0,
        (away / 100.0) ** 2,
        (middle**2).sum(axis=1),
        contours.own[:, -2],
        contours.own[:, -1] + contours.around[:, -1],
        np.hypot(mean[:, 1], mean[:, 2]) / 20.0,
        (mean_out[:, 3] - mean[:, 3]) / 10.0,
        -(contours.own * np.log(contours.own + 1e-4)).sum(axis=1),
    ]
    if view == "side":
        common += _leg(field, contours, centre, length)
    return np.stack(common, axis=-1)


def _hull_gap(points: FloatArray, area: FloatArray) -> FloatArray:
    """Return the share by which the convex hull is larger, from supports in 32 directions (S,)."""
    angles = 2 * np.pi * np.arange(32) / 32
    direction = np.stack((np.cos(angles), np.sin(angles)), axis=-1)
    support = (points @ direction.T).max(axis=1)
    following = np.roll(support, -1, axis=1)
    turn = angles[1] - angles[0]
    # Corners of the polygon of supporting lines, then its area: half of support times side length.
    before = np.roll(support, 1, axis=1)
    side = (following + before - 2 * support * np.cos(turn)) / np.sin(turn)
    hull = 0.5 * (support * side).sum(axis=1)
    out: FloatArray = np.clip(hull / np.maximum(area, 1.0) - 1.0, 0.0, 3.0)
    return out


def _leg(field: Field, contours: Contours, centre: FloatArray, length: FloatArray) -> list[FloatArray]:
    """Return what speaks for a leg that stands on the contour: parted from horn, clear of what is beside it, long."""
    points = contours.points
    seeds = len(points)
    rows = np.arange(seeds)
    top = points[..., 1].min(axis=1)
    own = np.sqrt(contours.own)
    best: list[FloatArray] = []
    results = []
    for sign in (-1.0, 1.0):  # heel to the left, heel to the right
        # The leg stands over the rear half; sample along the upper border there.
        share = sign * np.linspace(0.0, 0.40, 5)
        x = centre[:, 0, None] + share[None, :] * length[:, None]
        gap = (
            np.abs(points[:, :, None, 0] - x[:, None, :])
            + np.where(points[..., 1] > centre[:, None, 1] + 3.0, 1e3, 0.0)[:, :, None]
        )
        upper = points[rows[:, None], gap.argmin(axis=1), 1]
        heights = np.array([9.0, 16.0, 24.0, 34.0])
        low_x = np.repeat(x[:, :, None], 4, axis=2)
        low_y = upper[:, :, None] - heights[None, None, :]
        near = field.look_at(low_x.astype(np.float32), low_y.astype(np.float32))
        near_spread = np.sqrt(field.spread(near.reshape(seeds, -1)))
        high_x = centre[:, 0, None] + sign * length[:, None] * np.linspace(0.12, 0.32, 3)[None, :]
        high = np.array([45.0, 60.0, 80.0])
        far = field.look_at(
            np.repeat(high_x[:, :, None], 3, axis=2).astype(np.float32),
            np.repeat((top[:, None] - high[None, :])[:, None, :], 3, axis=1).astype(np.float32),
        )
        far_spread = np.sqrt(field.spread(far.reshape(seeds, -1)))
        out_x = np.stack(
            (
                centre[:, 0] - sign * 0.22 * length,
                centre[:, 0] - sign * 0.32 * length,
                centre[:, 0] + sign * (0.5 * length + 14.0),
                centre[:, 0] + sign * (0.5 * length + 24.0),
            ),
            axis=-1,
        )
        beside = field.look_at(
            np.repeat(out_x[:, :, None], 3, axis=2).astype(np.float32),
            np.repeat((top[:, None] - np.array([8.0, 18.0, 30.0]))[:, None, :], 4, axis=1).astype(np.float32),
        )
        beside_spread = np.sqrt(field.spread(beside.reshape(seeds, -1)))
        parted = np.minimum((1.0 - (near_spread * own).sum(axis=1)) / 0.2, 1.0)
        clear = np.minimum((1.0 - (near_spread * beside_spread).sum(axis=1)) / 0.3, 1.0)
        alike = (near_spread * far_spread).sum(axis=1)
        results.append(np.stack((parted, clear, alike), axis=-1))
    choice = np.where(results[0].sum(axis=1) > results[1].sum(axis=1), 0, 1)
    chosen = np.stack(results, axis=0)[choice, rows]
    best = [chosen[:, 0], chosen[:, 1], chosen[:, 2]]
    below = (centre[:, 1] - field.reference_mm[1]) / 100.0
    # Ground: what is under the contour is unlike the horn; and the lower border is flat.
    bottom = points[..., 1].max(axis=1)
    under_x = centre[:, 0, None] + length[:, None] * np.linspace(-0.3, 0.3, 5)[None, :]
    under = field.look_at(
        np.repeat(under_x[:, :, None], 3, axis=2).astype(np.float32),
        np.repeat((bottom[:, None] + np.array([6.0, 12.0, 20.0]))[:, None, :], 5, axis=1).astype(np.float32),
    )
    ground = np.minimum((1.0 - (np.sqrt(field.spread(under.reshape(seeds, -1))) * own).sum(axis=1)) / 0.2, 1.0)
    low = np.sort(points[..., 1], axis=1)
    flat = (low[:, -1] - low[:, -12]) / 10.0
    return [*best, below, ground, flat]
