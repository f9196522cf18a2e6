"""The learned segmenter: the network's looks, made into outlines, landmarks and what there is to doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from clawvision.measure.curve import chain, resample_closed
from clawvision.measure.side_landmarks import run_from_toe
from clawvision.outline.learned.confidence import Doubt, confidence_of
from clawvision.outline.learned.contract import MASK_STEP, VIEWS
from clawvision.outline.learned.crop import Pyramid
from clawvision.outline.learned.gap import without_gap
from clawvision.outline.learned.look import Glance, glance, look_closer
from clawvision.outline.learned.network import Network
from clawvision.outline.learned.read_out import MaskOutline, largest, outline_of
from clawvision.outline.learned.snap import snap
from clawvision.outline.learned.together import Seen, together
from clawvision.outline.naming import Side
from clawvision.outline.segmenter import FoundClaw, Segmentation
from clawvision.scale.plane import mm_per_px
from clawvision.types import FloatArray, Lean, Photo, Scale, Twist, View, frozen_mapping

_SIDES: tuple[Side, Side] = ("left", "right")
_LANDMARKS = {
    ("side", 0): {"C": "C", "T": "T", "B": "B"},
    ("sole", 0): {"T": "tip_a", "heel": "heel_a"},
    ("sole", 1): {"T": "tip_b", "heel": "heel_b"},
}
"""The network's landmarks that belong to each claw of a view, by the claw's own names."""
_FLOOR_PX = 0.5
_EDGE_FACTOR = 1.6
"""By how much edges lie farther off than the mask's slope tells, so that stated intervals hold: neighbouring cells err
together. From held-out scenes."""
_LENGTH_MM = (62.0, 235.0)
"""Longest extent that a claw's horn usually has in either view; beyond these there is something to doubt (status J)."""
_OVERLAP = 0.03
_SAME_POSE = 0.25
"""Radians by which the line between landmarks may run otherwise than the foot; growth and perspective turn it so far
(status J)."""
_SURE_SIGMAS = 4.0
_EVEN_MM = 0.7
"""Walls stray so far from a smooth line, root mean square: nine in ten of 73 held-out ones less (status J)."""
_BORDER_POINTS, _ENDS = 400, 0.05
_HEEL_END = 0.06
"""Share of a claw's length, from the heel's rear, that is its end."""
_NEAR_MM = {"T": 4.0, "C": 8.0, "B": 8.0, "heel": 8.0}
"""A landmark contradicts the outline where it lies off it by more than this and by more than so many of its standard
errors. Hair parts C and B from the outline that shows by some millimetres."""


@dataclass(frozen=True, slots=True, eq=False)
class Draft:
    """A claw before its confidence is known; ``claw`` has confidence 0."""

    claw: FoundClaw
    doubt: Doubt


class LearnedSegmenter:
    """Finds claws with a network. Keeps what the last photo's coarse pass told, since several questions need it."""

    def __init__(self, network: Network) -> None:
        self._network = network
        self._last: tuple[Photo, Pyramid, Glance | None] | None = None

    def segment(self, photo: Photo, scale: Scale, view: View, *, toe: Side | None = None) -> Segmentation:
        """See `Segmenter.segment`. Knows side and sole views; in others it finds nothing.

        The side to which a toe is expected to point is not needed.
        """
        drafts, separated = self.draft(photo, scale, view)
        claws = [
            FoundClaw(
                outline_px=each.claw.outline_px,
                confidence=confidence_of(each.doubt),
                sigma_px=each.claw.sigma_px,
                side=each.claw.side,
                landmarks=each.claw.landmarks,
                hidden_tip=each.claw.hidden_tip,
                twist=each.claw.twist,
                lean=each.claw.lean,
            )
            for each in drafts
        ]
        odds = self.odds(photo, view)
        return Segmentation(tuple(claws), separated, odds if odds is not None and claws else 0.0)

    def odds(self, photo: Photo, view: View) -> float | None:
        """See `ViewTeller.odds`."""
        _, seen = self._glance(photo)
        return None if seen is None else seen.odds(view, "side" if view == "sole" else "sole")

    def rough_references(self, photo: Photo) -> tuple[FloatArray, ...]:
        """See `ReferenceTeller.rough_references`."""
        _, seen = self._glance(photo)
        return () if seen is None else seen.references_px

    def glance(self, photo: Photo) -> Glance | None:
        """Return what the coarse pass alone tells of a photo; None where it sees no horn."""
        return self._glance(photo)[1]

    def draft(self, photo: Photo, scale: Scale, view: View) -> tuple[list[Draft], bool]:
        """Return the claws found in a view, and whether two claws are separated at the cleft."""
        if view not in ("side", "sole"):
            return [], True
        pyramid, seen = self._glance(photo)
        if seen is None:
            return [], True
        looks = look_closer(self._network, pyramid, seen, view)
        if not looks:
            return [], True
        told = together(looks)
        reference = np.asarray(scale.reference.outline_px)
        card = reference if len(reference) >= 3 else None
        claws = (0,) if view == "side" else (0, 1)
        masks = {claw: outline_of(told.claws[claw], told.outputs, told.look.crop, card) for claw in claws}
        kept = {claw: mask for claw, mask in masks.items() if mask is not None}
        polygons = _snapped(pyramid, told, list(kept.values()), view)
        drafts = []
        for (claw, mask), polygon in zip(kept.items(), polygons, strict=True):
            found = _found(told, view, claw, mask, polygon)
            size = mm_per_px(scale, np.array(polygon.centroid.coords[0]))
            drafts.append(Draft(found, _doubt(told, seen, view, claw, mask, found, size, photo, polygons)))
        return drafts, _separated(polygons)

    def _glance(self, photo: Photo) -> tuple[Pyramid, Glance | None]:
        last = self._last
        if last is None or last[0] is not photo:
            pyramid = Pyramid(photo.pixels)
            last = (photo, pyramid, glance(self._network, pyramid))
            self._last = last
        return last[1], last[2]


def _snapped(pyramid: Pyramid, told: Seen, masks: list[MaskOutline], view: View) -> list[shapely.Polygon]:
    """Return the outlines at the horn's edge."""
    lines = [np.asarray(mask.polygon.exterior.coords)[:-1] for mask in masks]
    if view == "side":
        lines = [without_gap(line, told.look.crop) for line in lines]
    polygons = []
    for mask, line in zip(masks, snap(pyramid, lines, MASK_STEP / told.look.crop.scale, told.leg_at), strict=True):
        polygon = largest(shapely.Polygon(line).buffer(0))
        polygons.append(mask.polygon if polygon is None else shapely.Polygon(polygon.exterior))
    return polygons


def _found(told: Seen, view: View, claw: int, mask: MaskOutline, polygon: shapely.Polygon) -> FoundClaw:
    sigma = float(np.hypot(max(mask.sigma_px, _FLOOR_PX), told.offset_px[claw]))
    value, error = told.twist[claw]
    return FoundClaw(
        outline_px=np.asarray(polygon.exterior.coords)[:-1],
        confidence=0.0,
        sigma_px=_EDGE_FACTOR * sigma,
        side=_SIDES[claw] if view == "sole" else None,
        landmarks=frozen_mapping({own: told.landmarks[name] for own, name in _LANDMARKS[view, claw].items()}),
        hidden_tip=float(told.outputs.hidden_tip[claw]),
        twist=Twist(value, error),
        lean=Lean(*told.outputs.lean) if view == "side" else None,
    )


def _separated(polygons: list[shapely.Polygon]) -> bool:
    if len(polygons) < 2:
        return True
    shared = polygons[0].intersection(polygons[1]).area
    return bool(shared < _OVERLAP * min(polygon.area for polygon in polygons))


def _doubt(
    told: Seen,
    seen: Glance,
    view: View,
    claw: int,
    mask: MaskOutline,
    found: FoundClaw,
    size: float,
    photo: Photo,
    polygons: list[shapely.Polygon],
) -> Doubt:
    outline = found.outline_px
    size = size if np.isfinite(size) and size > 0 else 1.0
    length = size * _extent(outline)
    low, high = (float(np.log(limit)) for limit in _LENGTH_MM)
    areas = [polygon.area for polygon in polygons]
    return Doubt(
        poor_mask=max(3.0 - _logit(float(told.outputs.iou[claw])), 0.0),
        unusable=max(2.0 - _logit(told.outputs.usable), 0.0),
        differs=1.0 - told.agreement[claw],
        turned=told.look.turned,
        disputed=max(told.look.disputed - _SAME_POSE, 0.0),
        faint=1.0 / max(mask.margin, 0.3),
        edge_mm=size * found.sigma_px / _EDGE_FACTOR,
        landmark_mm=size * max((mark.sigma_px for mark in found.landmarks.values()), default=0.0),
        contradicts_mm=max((_off(name, found, size) for name in found.landmarks), default=0.0),
        hidden_end=max(found.hidden_tip, _covered_heel(told, found, size)),
        other_view=1.0 - float(seen.views[VIEWS.index(view)]),
        cut=_at_frame(outline, photo),
        bridged=mask.bridged,
        odd_size=max(low - float(np.log(max(length, 1.0))), float(np.log(max(length, 1.0))) - high, 0.0),
        odd_pair=float(abs(np.log(areas[0] / areas[1]))) if len(areas) == 2 else 0.0,
        uneven_mm=max(size * _unevenness(found) - _EVEN_MM, 0.0) if view == "side" else 0.0,
    )


def _covered_heel(told: Seen, found: FoundClaw, size: float) -> float:
    """Return the share of a sole's heel end that borders on something in front, where its heel seems to lie beyond.

    A hull bridges what covers a border's middle; where a hand covers the end, the outline ends too early.
    """
    if not {"T", "heel"} <= set(found.landmarks):
        return 0.0
    outline, heel = found.outline_px, found.landmarks["heel"]
    if size * shapely.Polygon(outline).distance(shapely.Point(heel.x, heel.y)) < _NEAR_MM["heel"]:
        return 0.0
    toe = np.array((found.landmarks["T"].x, found.landmarks["T"].y))
    way = outline.mean(axis=0) - toe
    along = (outline - toe) @ (way / max(float(np.hypot(*way)), 1e-9))
    end = outline[along > along.max() - _HEEL_END * np.ptp(along)]
    return float(told.covered_at(end).mean())


def _logit(probability: float) -> float:
    clipped = min(max(probability, 1e-6), 1.0 - 1e-6)
    return float(np.log(clipped / (1.0 - clipped)))


def _extent(outline: FloatArray) -> float:
    """Return the longest distance between two points of an outline."""
    hull = np.asarray(shapely.MultiPoint(outline).convex_hull.exterior.coords)
    return float(np.hypot(*(hull[:, None, :] - hull[None, :, :]).transpose(2, 0, 1)).max())


def _unevenness(found: FoundClaw) -> float:
    """Return how far the dorsal border strays from a smooth line, px: root mean square about a cubic; 0 where its ends
    are not known.

    A wall bends evenly. What follows a shine, or dirt, in place of the edge does not.
    """
    if not {"T", "C", "B"} <= set(found.landmarks):
        return 0.0
    marks = {name: np.array((found.landmarks[name].x, found.landmarks[name].y)) for name in "TCB"}
    line, at = run_from_toe(resample_closed(found.outline_px, _BORDER_POINTS), marks)
    border = chain(line, at["T"], at["C"])
    border = border[int(_ENDS * len(border)) : int((1.0 - 2.0 * _ENDS) * len(border))]
    if len(border) < 8:
        return 0.0
    chord = marks["C"] - marks["T"]
    along = chord / max(float(np.hypot(*chord)), 1e-6)
    flat = (border - border.mean(axis=0)) @ np.array([[along[0], -along[1]], [along[1], along[0]]])
    x, y = flat[:, 0] / max(float(np.ptp(flat[:, 0])), 1.0), flat[:, 1]
    return float(np.sqrt(np.mean((y - np.polyval(np.polyfit(x, y, 3), x)) ** 2)))


def _off(name: str, found: FoundClaw, size: float) -> float:
    """Return how far a landmark lies off the outline, mm; 0 where that is within its error.

    T must lie where the outline ends, seen from the claw's rear, the others anywhere on it.
    """
    mark, outline = found.landmarks[name], found.outline_px
    rear = found.landmarks.get("B", found.landmarks.get("heel"))
    if name == "T" and rear is not None:
        tip = outline[int(np.hypot(*(outline - (rear.x, rear.y)).T).argmax())]
        away = float(np.hypot(tip[0] - mark.x, tip[1] - mark.y))
    else:
        away = float(shapely.LinearRing(outline).distance(shapely.Point(mark.x, mark.y)))
    return size * away if away > _SURE_SIGMAS * mark.sigma_px and size * away > _NEAR_MM[name] else 0.0


def _at_frame(outline: FloatArray, photo: Photo) -> float:
    """Return the share of an outline's points that lie on the photo's edge."""
    low = (outline < 1.5).any(axis=1)
    high = (outline > np.array([photo.width - 2.5, photo.height - 2.5])).any(axis=1)
    return float((low | high).mean())
