"""What is true of a foot's horn by docs/measures.md, from its surface: silhouettes, landmarks and measures in mm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely

from clawvision.measure.side import Profile, find_bearing, measure_side
from clawvision.measure.sole import SoleShape, measure_foot, measure_sole, principal_axis
from clawvision.types import FloatArray

_OUTLINE_STEP = 0.05
"""Vertices of a silhouette closer than this to the line between their neighbours are dropped, mm."""


@dataclass(frozen=True, slots=True, eq=False)
class TrueProfile:
    """A claw from the side, in its own profile plane: x to the toe, y up; mm and degrees."""

    outline: FloatArray
    landmarks: Mapping[str, FloatArray]
    measures: Mapping[str, float]


@dataclass(frozen=True, slots=True, eq=False)
class TrueSole:
    """A claw from below, in the bearing plane's x and y; mm and degrees."""

    outline: FloatArray
    shape: SoleShape


def silhouette(rings: FloatArray) -> FloatArray:
    """Return the outline (N, 2) of a surface of rings (S, R, 2) projected into a plane.

    Neighbouring rings bound a slice; seen across the axis of a claw a slice covers its convex hull.
    """
    slices = [shapely.convex_hull(shapely.MultiPoint(np.concatenate(pair))) for pair in pairwise(rings)]
    union = shapely.unary_union(slices).buffer(1e-6)
    if union.geom_type != "Polygon":
        union = max(union.geoms, key=lambda part: part.area)
    outline = shapely.simplify(shapely.Polygon(union.exterior), _OUTLINE_STEP)
    found: FloatArray = np.asarray(outline.exterior.coords)[:-1]
    return found


def true_sole(points: FloatArray, toward: FloatArray) -> TrueSole:
    """Return the truth of the sole view of one claw.

    Parameters
    ----------
    points : float64 (S, R, 3)
        The claw's rings in the foot frame or the world, x from heel to toe.
    toward : float64 (2,)
        Roughly to the other claw.
    """
    outline = silhouette(points[..., :2])
    # A short, broad claw has as much area at the toe: which end is the heel is known here.
    return TrueSole(outline, measure_sole(outline, toward, principal_axis(outline, np.array([1.0, 0.0]))))


def true_foot(outer: TrueSole, inner: TrueSole) -> dict[str, float]:
    """Return the measures of both claws against each other."""
    return measure_foot(outer.shape, inner.shape)


def true_profile(
    points: FloatArray, coronet: FloatArray, bulb: FloatArray, direction: FloatArray
) -> TrueProfile | None:
    """Return the truth of the side view of one claw, None where the claw has no bearing line.

    Parameters
    ----------
    points : float64 (S, R, 3)
        The claw's rings in the foot frame or the world, z up.
    coronet, bulb : float64 (3,)
        C and B.
    direction : float64 (2,)
        The claw's heel-to-toe direction in the ground plane.
    """
    forward = direction / np.hypot(*direction)

    def flat(place: FloatArray) -> FloatArray:
        result: FloatArray = np.stack([place[..., :2] @ forward, place[..., 2]], axis=-1)
        return result

    outline = silhouette(flat(points))
    if shapely.LinearRing(outline).is_ccw:
        outline = outline[::-1]
    ring = shapely.LinearRing(outline)
    c, b = flat(coronet), flat(bulb)
    at_c, at_b = ring.project(shapely.Point(c)), ring.project(shapely.Point(b))
    on_c, on_b = np.array(ring.interpolate(at_c).coords[0]), np.array(ring.interpolate(at_b).coords[0])
    toe = outline[int(np.argmax(np.hypot(*(outline - on_b).T)))]
    at_t = ring.project(shapely.Point(toe))
    border = _between(outline, ring, at_c, at_t)[::-1]  # clockwise with y up: from C down to T
    profile = Profile(outline, border, toe, on_c, on_b)
    bearing = find_bearing(outline, toe, on_c, on_b)
    if bearing is None:
        return None
    return TrueProfile(outline, {"C": on_c, "T": toe, "B": on_b}, measure_side(profile, bearing))


def _between(outline: FloatArray, ring: shapely.LinearRing, start: float, stop: float) -> FloatArray:
    """Return the part of a ring from one position along it on to another."""
    length = ring.length
    span = (stop - start) % length
    steps = np.linspace(0.0, span, max(40, int(span)))
    return np.array([ring.interpolate((start + step) % length).coords[0] for step in steps])
