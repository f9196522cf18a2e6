"""What several looks at the same horn say together, and by how much they differ."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from clawvision.outline.learned.contract import MASK_STEP, MASKS, Float32Array, Outputs, cell_to_picture
from clawvision.outline.learned.crop import Crop
from clawvision.outline.learned.look import Look
from clawvision.outline.learned.read_out import parted
from clawvision.types import FloatArray, Landmark

_LEG, _OCCLUDER = MASKS.index("leg"), MASKS.index("occluder")


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

    def covered_at(self, points_px: FloatArray) -> NDArray[np.bool_]:
        """Tell whether something in front of the claws lies at or next to pixels (N, 2) of the photo, bool (N,)."""
        cells = np.rint(_cells_of(self.look.crop, points_px)).astype(int)
        shown = cv2.dilate((self.outputs.masks[_OCCLUDER] > 0.0).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        x, y = np.clip(cells, 0, np.array(shown.shape[::-1]) - 1).T
        out: NDArray[np.bool_] = shown[y, x]
        return out

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
    landmarks = {name: _mean_landmark([look.landmarks[name] for look in looks]) for name in last.landmarks}
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
        landmarks,
        (_mean_twist(looks, 0), _mean_twist(looks, 1)),
    )


def _resampled(look: Look, other: Look) -> Float32Array:
    """Return a look's masks in the cells of another look's picture."""
    masks = look.outputs.masks
    if look is other:
        return masks.copy()
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
