"""Sole-view measures of each claw and of both together, from square-on silhouettes in millimetres."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from clawvision.measure.curve import centroid, clip_halfplane, following, second_moments, signed_area, slope_of
from clawvision.types import FloatArray

SOLE_UNITS: Mapping[str, str] = {
    "sole_length": "mm",
    "sole_width": "mm",
    "sole_area": "mm2",
    "axial_twist": "deg",
}
FOOT_UNITS: Mapping[str, str] = {
    "length_difference": "mm",
    "width_difference": "mm",
    "area_difference": "mm2",
    "length_difference_percent": "percent",
    "width_difference_percent": "percent",
    "area_difference_percent": "percent",
    "splay": "deg",
    "apparent_length_difference": "mm",
    "toe_overlap": "mm",
}

_MIDLINE_SHARES = np.arange(10, 91, 5) / 100.0
_WIDTH_SHARES = np.linspace(0.1, 0.9, 61)


@dataclass(frozen=True, slots=True, eq=False)
class LongAxis:
    """K, T (2,) and the unit vector from K to T."""

    heel_centre: FloatArray
    toe: FloatArray
    direction: FloatArray
    principal: FloatArray
    """The major principal axis, heel to toe, from which the search began."""


def _heel_third(outline: FloatArray, direction: FloatArray) -> FloatArray:
    along = outline @ direction
    low, high = along.min(), along.max()
    return clip_halfplane(outline, direction, float(low + (high - low) / 3.0))


def principal_axis(outline: FloatArray, heel_to_toe: FloatArray | None = None) -> FloatArray:
    """Return an outline's major principal axis, a unit vector from heel to toe.

    ``heel_to_toe`` (2,) is roughly that direction where it is known; else the heel end is the one whose third holds
    more area.
    """
    _, vectors = np.linalg.eigh(second_moments(outline))
    axis: FloatArray = vectors[:, 1]
    if heel_to_toe is not None:
        return axis if axis @ heel_to_toe >= 0 else -axis
    backwards = abs(signed_area(_heel_third(outline, axis))) < abs(signed_area(_heel_third(outline, -axis)))
    return -axis if backwards else axis


def find_long_axis(outline: FloatArray, principal: FloatArray | None = None) -> LongAxis:
    """Find a claw's long axis.

    The major principal axis first; K is the centroid of the third of the length at the heel end, T the outline's
    farthest point from K on the toe side, the axis K→T; once more with thirds along the new axis.

    Parameters
    ----------
    outline : float64 (N, 2)
        The claw.
    principal : float64 (2,), optional
        The principal axis, heel to toe, where it is known well enough from an outline hardly different.
    """
    if principal is None:
        principal = principal_axis(outline)
    direction = principal
    heel = toe = np.zeros(2)
    for _ in range(2):
        heel = centroid(_heel_third(outline, direction))
        arms = outline - heel
        reach = np.where(arms @ direction > 0, np.hypot(arms[:, 0], arms[:, 1]), 0.0)
        toe = outline[int(np.argmax(reach))]
        direction = (toe - heel) / np.hypot(*(toe - heel))
    return LongAxis(heel, toe, direction, principal)


@dataclass(frozen=True, slots=True, eq=False)
class SoleShape:
    """A claw's sole, measured: the axis, the unit vector to the cleft, the values and what the picture draws."""

    axis: LongAxis
    to_cleft: FloatArray
    values: Mapping[str, float]
    midline: FloatArray
    widest: FloatArray
    ends: FloatArray
    """Where the long axis's extent begins and ends, (2, 2), on the axis's line."""
    outline: FloatArray
    """The outline as measured, (N, 2)."""


def _borders(along: FloatArray, across: FloatArray, at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the outermost ``across`` of the cuts at positions ``at`` along the axis, both sides, (M,) each."""
    next_along, next_across = following(along), following(across)
    below = along[None, :] <= at[:, None]
    cuts, points = np.nonzero(below != np.concatenate((below[:, 1:], below[:, :1]), axis=1))
    rise = next_along[points] - along[points]
    met = across[points] + (at[cuts] - along[points]) / rise * (next_across[points] - across[points])
    low_side, high_side = np.full(len(at), np.inf), np.full(len(at), -np.inf)
    np.minimum.at(low_side, cuts, met)
    np.maximum.at(high_side, cuts, met)
    return low_side, high_side


def measure_sole(outline: FloatArray, toward: FloatArray, principal: FloatArray | None = None) -> SoleShape:
    """Measure one claw's sole.

    Parameters
    ----------
    outline : float64 (N, 2)
        Square-on silhouette of the horn capsule, mm.
    toward : float64 (2,)
        Any vector that points roughly to the other claw.
    principal : float64 (2,), optional
        See `find_long_axis`.

    Returns
    -------
    SoleShape
    """
    axis = find_long_axis(outline, principal)
    direction = axis.direction
    across = np.array([-direction[1], direction[0]])
    if across @ toward < 0:
        across = -across
    a, b = outline @ direction, outline @ across
    start, length = float(a.min()), float(a.max() - a.min())
    place = start + _MIDLINE_SHARES * length
    lows, highs = _borders(a, b, np.concatenate((start + _WIDTH_SHARES * length, place)))
    count = len(_WIDTH_SHARES)
    low, high = lows[:count], highs[:count]
    widths = high - low
    at = int(np.argmax(widths))
    middle = (lows[count:] + highs[count:]) / 2.0
    heel_part, toe_part = _MIDLINE_SHARES < 0.51, _MIDLINE_SHARES > 0.59
    turn = np.arctan(slope_of(place[toe_part], middle[toe_part])[0]) - np.arctan(
        slope_of(place[heel_part], middle[heel_part])[0]
    )
    widest_at = start + _WIDTH_SHARES[at] * length
    on_axis = float(axis.heel_centre @ across)
    return SoleShape(
        axis=axis,
        to_cleft=across,
        values={
            "sole_length": length,
            "sole_width": float(widths[at]),
            "sole_area": abs(signed_area(outline)),
            "axial_twist": float(np.degrees(turn)),
        },
        midline=place[:, None] * direction + middle[:, None] * across,
        widest=np.array([widest_at * direction + low[at] * across, widest_at * direction + high[at] * across]),
        ends=np.array([start * direction + on_axis * across, (start + length) * direction + on_axis * across]),
        outline=outline,
    )


def foot_axis(outer: SoleShape, inner: SoleShape) -> tuple[FloatArray, FloatArray]:
    """Return the foot's axis: the midpoint of the two K and the unit bisector of the two long axes."""
    bisector = outer.axis.direction + inner.axis.direction
    return (outer.axis.heel_centre + inner.axis.heel_centre) / 2.0, bisector / np.hypot(*bisector)


def measure_foot(outer: SoleShape, inner: SoleShape) -> dict[str, float]:
    """Return the two-claw measures, outer against inner, by name."""
    values: dict[str, float] = {}
    for name in ("length", "width", "area"):
        first, second = outer.values[f"sole_{name}"], inner.values[f"sole_{name}"]
        values[f"{name}_difference"] = first - second
        values[f"{name}_difference_percent"] = 100.0 * (first - second) / ((first + second) / 2.0)
    middle, bisector = foot_axis(outer, inner)
    across = np.array([-bisector[1], bisector[0]])
    if across @ (inner.axis.heel_centre - outer.axis.heel_centre) < 0:
        across = -across
    turn = np.arctan2(inner.axis.direction @ across, inner.axis.direction @ bisector) - np.arctan2(
        outer.axis.direction @ across, outer.axis.direction @ bisector
    )
    values["splay"] = float(np.degrees(turn))
    values["apparent_length_difference"] = float((outer.axis.toe - inner.axis.toe) @ bisector)
    values["toe_overlap"] = float(max((outer.axis.toe - middle) @ across, -((inner.axis.toe - middle) @ across)))
    return values
