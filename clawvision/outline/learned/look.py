"""Looking at the photo: once at all of it to find the horn, then closer at the horn in its usual pose."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import shapely

from clawvision.outline.learned.contract import (
    MASK_STEP,
    MASKS,
    SIDE_LANDMARKS,
    SOLE_LANDMARKS,
    VIEWS,
    Float32Array,
    Outputs,
    cell_to_picture,
)
from clawvision.outline.learned.crop import Change, Crop, Pose, Pyramid, canonical, letterbox, window
from clawvision.outline.learned.network import Network
from clawvision.outline.learned.read_out import landmarks_of, parted, regions
from clawvision.types import FloatArray, Landmark, View

CROPS = 2
"""Fine pictures that are looked at; they differ a little, and how far their answers differ tells how sure they are."""
_CHANGES = (Change(), Change(4.0, 0.93, (0.02, -0.015)), Change(-5.0, 1.06, (-0.015, 0.02)))
_SMALL_HORN = 0.03
"""Below this share of the photo the horn is looked at once more, from nearer, before its pose is believed."""
_WIDER = 2.2
_LEAST_COARSE = 12.0
"""Cells that horn covers at least in a coarse picture."""
_LEAST_PART = 0.1
_LEG = MASKS.index("leg")
_TURNED_DEG = 14.0
_OTHER_SIZE = 1.25
"""A first fine picture that turns out to be turned or sized worse than the training's is taken again."""


@dataclass(frozen=True, slots=True, eq=False)
class Glance:
    """What the coarse pass tells: points of the horn (N, 2) px, the directions in the photo, the views' logits (5,)."""

    horn_px: FloatArray
    toe: FloatArray
    down: FloatArray
    views: Float32Array
    view_logits: Float32Array

    def pose(self, view: View) -> Pose:
        """Return the foot's pose for a view."""
        return Pose(self.toe, self.down if view == "side" else None)

    def odds(self, view: View, other: View) -> float:
        """Return how much speaks for a view against another, log odds."""
        return float(self.view_logits[VIEWS.index(view)] - self.view_logits[VIEWS.index(other)])


def glance(network: Network, pyramid: Pyramid) -> Glance | None:
    """Look at the whole photo; None where there is no horn."""
    crop = letterbox(pyramid)
    outputs = network.run(crop)
    horn = _horn(outputs, crop)
    if horn is None:
        return None
    views = outputs
    width, height = pyramid.size
    if horn.area < _SMALL_HORN * width * height:
        low, high = np.array(horn.bounds).reshape(2, 2)
        middle, reach = (low + high) / 2.0, _WIDER * float((high - low).max()) / 2.0 + 8.0
        nearer = window(pyramid, middle - reach, middle + reach)
        again = network.run(nearer)
        found = _horn(again, nearer)
        if found is not None:
            crop, outputs, horn = nearer, again, found
    return Glance(
        _points(horn),
        crop.direction_to_photo(outputs.toe.astype(np.float64)),
        crop.direction_to_photo(outputs.down.astype(np.float64)),
        views.views,
        views.view_logits,
    )


def _horn(outputs: Outputs, crop: Crop) -> shapely.MultiPolygon | None:
    """Return the horn of both claws in pixels of the photo, without specks far from it."""
    cells = regions(np.maximum(outputs.masks[0], outputs.masks[1]), least=_LEAST_COARSE)
    if not cells:
        return None
    reach = 2.0 * np.sqrt(cells[0].area)
    kept = [part for part in cells if part.area >= _LEAST_PART * cells[0].area and part.distance(cells[0]) < reach]
    to_photo = [crop.to_photo(cell_to_picture(np.asarray(part.exterior.coords), MASK_STEP)) for part in kept]
    return shapely.MultiPolygon([shapely.Polygon(points) for points in to_photo])


def _points(horn: shapely.MultiPolygon) -> FloatArray:
    return np.concatenate([np.asarray(part.exterior.coords)[:-1] for part in horn.geoms])


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One fine picture and what the network says of it; ``landmarks`` are in pixels of the photo."""

    crop: Crop
    outputs: Outputs
    landmarks: dict[str, Landmark]

    def pose(self, view: View) -> Pose:
        """Return the foot's pose as this picture tells it."""
        toe = self.crop.direction_to_photo(self.outputs.toe.astype(np.float64))
        if view != "side":
            return Pose(toe)
        return Pose(toe, self.crop.direction_to_photo(self.outputs.down.astype(np.float64)))

    def turned(self, view: View) -> float:
        """Return by what angle, radians, the foot in this picture is turned away from the usual pose."""
        if view == "side" and self.outputs.down[1] <= 0.0:
            return np.pi
        x, y = (float(part) for part in self.outputs.toe)
        return abs(float(np.arctan2(y, -x)))


def look_closer(network: Network, pyramid: Pyramid, seen: Glance, view: View, crops: int = CROPS) -> list[Look]:
    """Return looks at fine pictures, each made from what the one before told; empty where one shows no horn.

    The last is the best placed. A first picture that was badly placed is not among them.
    """
    pose, horn_px = seen.pose(view), seen.horn_px
    looks: list[Look] = []
    again = True
    while len(looks) < crops:
        crop = canonical(pyramid, pose, horn_px, _CHANGES[crops - 1 - len(looks)])
        outputs = network.run(crop)
        horn = _horn(outputs, crop)
        if horn is None:
            return []
        look = Look(crop, outputs, landmarks_of(outputs, crop, SIDE_LANDMARKS if view == "side" else SOLE_LANDMARKS))
        before, pose, before_px, horn_px = pose, look.pose(view), horn_px, _points(horn)
        if again and not looks and _misplaced(before, pose, before_px, horn_px):
            again = False
            continue
        looks.append(look)
    return looks


def _misplaced(before: Pose, after: Pose, before_px: FloatArray, after_px: FloatArray) -> bool:
    """Tell whether the pose or size that a picture was made for is far from what it shows."""
    if float((before.axes * after.axes).sum(axis=1).min()) < np.cos(np.radians(_TURNED_DEG)):
        return True
    sizes = [np.ptp(points @ after.axes.T, axis=0) for points in (before_px, after_px)]
    middles = [(points.min(axis=0) + points.max(axis=0)) / 2.0 for points in (before_px, after_px)]
    change = float(np.abs(np.log(sizes[1].max() / max(sizes[0].max(), 1e-6))))
    moved = float(np.hypot(*(middles[1] - middles[0])) / sizes[1].max())
    return change > np.log(_OTHER_SIZE) or moved > 0.12


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What all looks say together, in the frame of the last one's picture.

    ``claws`` float32 (2, h, w) are the parted logits of the claws, ``agreement`` (2,) the intersection over
    union of the two least alike looks, ``offset_px`` (2,) the mean distance between their outlines, photo pixels.
    """

    look: Look
    outputs: Outputs
    claws: Float32Array
    agreement: tuple[float, float]
    offset_px: tuple[float, float]
    landmarks: dict[str, Landmark]
    twist: tuple[tuple[float, float], tuple[float, float]]
    """Value and standard error of each claw's helical twist, degrees."""

    def leg_at(self, points_px: FloatArray) -> FloatArray:
        """Return the probability that the leg, its hair or skin, lies at pixels (N, 2) of the photo, (N,)."""
        cells = _cells_of(self.look.crop, points_px).astype(np.float32)
        leg = self.outputs.masks[_LEG]
        logits = cv2.remap(leg, cells[None, :, 0], cells[None, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        out: FloatArray = 1.0 / (1.0 + np.exp(-np.clip(logits.ravel().astype(np.float64), -30.0, 30.0)))
        return out


def together(looks: list[Look]) -> Seen:
    """Combine looks: logits and facts averaged; what differs between them adds to the uncertainties."""
    last = looks[-1]
    stacks = [_resampled(look, last) for look in looks]
    mean = np.asarray(np.mean(stacks, axis=0), dtype=np.float32)
    facts = np.asarray(np.mean([look.outputs.facts for look in looks], axis=0), dtype=np.float32)
    outputs = Outputs(mean, last.outputs.landmarks, facts)
    single = [parted(Outputs(stack, last.outputs.landmarks, facts)) > 0.0 for stack in stacks]
    agreement, offset = [], []
    for claw in (0, 1):
        worst, apart = 1.0, 0.0
        for one in single[:-1]:
            both, either = one[claw] & single[-1][claw], one[claw] | single[-1][claw]
            worst = min(worst, float(both.sum() / max(either.sum(), 1)))
            apart = max(apart, float((either.sum() - both.sum()) / max(_edge_length(single[-1][claw]), 1.0)))
        agreement.append(worst)
        offset.append(apart * MASK_STEP / last.crop.scale)
    return Seen(
        last,
        outputs,
        parted(outputs),
        (agreement[0], agreement[1]),
        (offset[0], offset[1]),
        {name: _mean_landmark([look.landmarks[name] for look in looks]) for name in last.landmarks},
        (_mean_twist(looks, 0), _mean_twist(looks, 1)),
    )


def _resampled(look: Look, other: Look) -> Float32Array:
    """Return a look's masks in the cells of another look's picture."""
    masks = look.outputs.masks
    if look is other:
        return masks
    height, width = masks.shape[1:]
    corners = np.array([(0.0, 0.0), (width - 1.0, 0.0), (0.0, height - 1.0)])
    pixels = other.crop.to_photo(cell_to_picture(corners, MASK_STEP))
    cells = _cells_of(look.crop, pixels)
    matrix = cv2.getAffineTransform(corners.astype(np.float32), cells.astype(np.float32))
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    warped = [
        cv2.warpAffine(mask, matrix, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE) for mask in masks
    ]
    return np.stack(warped).astype(np.float32)


def _cells_of(crop: Crop, points_px: FloatArray) -> FloatArray:
    out: FloatArray = (crop.from_photo(points_px) + 0.5) / MASK_STEP - 0.5
    return out


def _edge_length(mask: object) -> float:
    contours, _ = cv2.findContours(np.asarray(mask, dtype=np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return float(sum(cv2.arcLength(contour, True) for contour in contours))


def _mean_landmark(places: list[Landmark]) -> Landmark:
    """Return the mean place; looks share most of their error, so that averaging does not make it smaller."""
    points = np.array([(place.x, place.y) for place in places])
    x, y = points.mean(axis=0)
    stated = np.mean([place.sigma_px**2 for place in places])
    apart = ((points - (x, y)) ** 2).sum() / 2.0 / max(len(places) - 1, 1)
    return Landmark(float(x), float(y), float(np.sqrt(stated + apart)))


def _mean_twist(looks: list[Look], claw: int) -> tuple[float, float]:
    values = [float(look.outputs.twist[0][claw]) for look in looks]
    stated = float(np.mean([float(look.outputs.twist[1][claw]) ** 2 for look in looks]))
    return float(np.mean(values)), float(np.sqrt(stated + np.var(values)))
