"""What the network makes of a photo, as the beginning that a person's clicks put right.

The network says for each pixel how likely it is horn of a claw. A click says that it was wrong there: its log odds are
moved to the click's side, and those of what lies near and has the same colour with them (a Gaussian process whose mean
is the network's answer and which is certain of the clicks).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from clawvision.outline.learned.contract import MASK_STEP, Float32Array, cell_to_picture
from clawvision.outline.learned.crop import Crop, Pyramid
from clawvision.outline.learned.look import glance, look_closer
from clawvision.outline.learned.network import Network
from clawvision.outline.learned.read_out import regions
from clawvision.outline.learned.together import together
from clawvision.types import ByteArray, FloatArray, View

_MOST_ODDS = 5.0
"""Log odds beyond which the network's certainty does not count: what a click has to overcome."""
_CLICK_ODDS = 3.0
"""Log odds that a click gives its own place."""
_REACH = 0.1
"""Standard width of what a click tells of, as a share of the claw's extent. This, the colour's and the odds are settled
on the harder claws of the sample photos and of 22 scenes of families that training never saw (status J)."""
_ALIKE = 8.0
"""The same in colour, units of CIE L*a*b*: some eight just noticeable differences."""
_SLACK = 0.01
"""Variance of a click: keeps two that contradict each other at one place from tearing the picture apart."""
_NEAR = 0.1
"""A first click so near a claw that the network sees, as a share of its extent, means that claw."""


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """How likely each place is horn: parted log odds (2, h, w) of the two claws in the cells of a picture."""

    crop: Crop
    claws: Float32Array

    def outline(self, claw: int) -> FloatArray | None:
        """Return a claw's outline (N, 2) in pixels of the photo, None where the network sees none."""
        found = regions(self.claws[claw])
        if not found:
            return None
        return self.crop.to_photo(cell_to_picture(np.asarray(found[0].exterior.coords)[:-1], MASK_STEP))

    def meant(self, click: FloatArray) -> tuple[int, FloatArray] | None:
        """Return the claw that a click (2,) on horn means and its outline; None where no claw is seen near it."""
        best = None
        for claw in range(len(self.claws)):
            outline = self.outline(claw)
            if outline is None:
                continue
            deep = cv2.pointPolygonTest(outline.astype(np.float32), (float(click[0]), float(click[1])), True)
            deep /= float(np.ptp(outline, axis=0).max())
            if deep > -_NEAR and (best is None or deep > best[0]):
                best = (deep, claw, outline)
        return None if best is None else best[1:]

    def odds(self, claw: int, corners: FloatArray, size: tuple[int, int]) -> FloatArray:
        """Return a claw's log odds (height, width) over a part of the photo.

        Parameters
        ----------
        claw
            0 or 1.
        corners
            Where the part's first pixel, the last of its first row and the last of its first column lie, (3, 2), pixels
            of the photo.
        size
            Width and height of the part as it is wanted.
        """
        width, height = size
        own = np.array([(0.0, 0.0), (width - 1.0, 0.0), (0.0, height - 1.0)], dtype=np.float32)
        cells = ((self.crop.from_photo(corners) + 0.5) / MASK_STEP - 0.5).astype(np.float32)
        matrix = cv2.getAffineTransform(own, cells)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        odds = cv2.warpAffine(self.claws[claw], matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        return np.clip(np.asarray(odds, dtype=np.float64), -_MOST_ODDS, _MOST_ODDS)


def look(network: Network, pyramid: Pyramid, view: View | None) -> Prior | None:
    """Look at a photo; None where the network sees no horn, and in views that it does not know.

    Parameters
    ----------
    network
        What looks.
    pyramid
        The photo.
    view
        The view where it is known, else the likelier of side and sole.
    """
    if view in ("front", "rear"):
        return None
    seen = glance(network, pyramid)
    if seen is None:
        return None
    looks = look_closer(network, pyramid, seen, view or ("sole" if seen.odds("sole", "side") > 0 else "side"))
    if not looks:
        return None
    told = together(looks)
    return Prior(told.look.crop, told.claws)


def bent(odds: FloatArray, picture: ByteArray, horn: FloatArray, other: FloatArray, extent: float) -> FloatArray:
    """Return log odds (h, w) put right by clicks.

    Parameters
    ----------
    odds
        The network's, (h, w).
    picture
        What they are told of, uint8 (h, w, 3) RGB.
    horn, other
        Clicks on horn and on what is not horn, (N, 2) and (M, 2), pixels of ``picture``.
    extent
        Of the claw, pixels of ``picture``.
    """
    height, width = odds.shape
    smooth = cv2.bilateralFilter(picture, 5, 25, 3).astype(np.float32) / 255.0
    colour = np.asarray(cv2.cvtColor(smooth, cv2.COLOR_RGB2LAB)) / _ALIKE
    rows, columns = np.mgrid[:height, :width] / (_REACH * extent)
    traits = np.dstack((columns, rows, colour)).astype(np.float32).reshape(height * width, 5)
    at = np.clip(np.round(np.vstack((horn, other))).astype(int), 0, (width - 1, height - 1))
    index = at[:, 1] * width + at[:, 0]
    side = np.concatenate((np.ones(len(horn)), -np.ones(len(other))))
    lacking = side * np.maximum(_CLICK_ODDS - side * odds.ravel()[index], 0.0)
    near = _likeness(traits, traits[index])
    weights = np.linalg.solve(near[index].astype(np.float64) + _SLACK * np.eye(len(index)), lacking)
    out: FloatArray = odds + (near @ weights.astype(np.float32)).reshape(height, width)
    return out


def _likeness(traits: Float32Array, others: Float32Array) -> Float32Array:
    """Return how much (N, 5) tell of (M, 5), (N, M): 1 for the same place and colour, falling to 0."""
    squares = (traits**2).sum(axis=1)[:, None] + (others**2).sum(axis=1) - 2.0 * traits @ others.T
    return np.asarray(np.exp(-0.5 * np.maximum(squares, 0.0)), dtype=np.float32)
