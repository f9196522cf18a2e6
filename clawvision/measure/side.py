"""Side-view measures of one claw, from its profile in millimetres.

Everything is planar here: the profile's points lie in the claw's own profile plane (see ``depth`` for how
they get there). Definitions follow docs/measures.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely

from clawvision.measure.curve import centroid, following, resample_open, straight_line
from clawvision.types import FloatArray

SIDE_UNITS: Mapping[str, str] = {
    "toe_length": "mm",
    "dorsal_arc": "mm",
    "toe_angle": "deg",
    "wall_angle": "deg",
    "dorsal_concavity": "mm",
    "heel_height": "mm",
    "dorsal_height": "mm",
    "bearing_length": "mm",
    "diagonal": "mm",
    "toe_lift": "mm",
}

_HULL_TOLERANCE_MM = 0.3
"""Hull edges are joined within this: a smaller bend of the sole is the outline's own noise."""
_DORSAL_CHORDS = 20


@dataclass(frozen=True, slots=True, eq=False)
class Bearing:
    """The bearing line: a point on it and its unit direction from heel to toe, and the unit normal into the claw."""

    point: FloatArray
    forward: FloatArray
    upward: FloatArray

    def height(self, points: FloatArray) -> FloatArray:
        """Return the signed distance of points (..., 2) above the line."""
        result: FloatArray = (points - self.point) @ self.upward
        return result

    def along(self, points: FloatArray) -> FloatArray:
        """Return the position of points (..., 2) along the line, towards the toe."""
        result: FloatArray = (points - self.point) @ self.forward
        return result


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """A claw's profile: the closed outline (N, 2), the dorsal border from T to C (M, 2), T, C and B (2,)."""

    outline: FloatArray
    dorsal: FloatArray
    toe: FloatArray
    coronet: FloatArray
    bulb: FloatArray


def find_bearing(outline: FloatArray, toe: FloatArray, coronet: FloatArray, bulb: FloatArray) -> Bearing | None:
    """Find the bearing line of a profile.

    Of the underside edges of the outline's convex hull whose perpendicular strip holds the outline's
    centroid of area, the longest.

    Returns
    -------
    Bearing or None
        None where no such edge exists.
    """
    joined = shapely.convex_hull(shapely.MultiPoint(outline)).simplify(_HULL_TOLERANCE_MM, preserve_topology=False)
    corners = np.asarray(joined.exterior.coords)[:-1]
    middle = centroid(outline)
    # The underside faces away from the coronet, seen across the line from bulb to toe.
    across = toe - bulb
    normal = np.array([-across[1], across[0]])
    if (coronet - bulb) @ normal < 0:
        normal = -normal
    normal = normal / np.hypot(*normal)
    best: tuple[float, Bearing] | None = None
    for start, stop in zip(corners, following(corners), strict=True):
        edge = stop - start
        length = float(np.hypot(*edge))
        if length == 0:
            continue
        forward = edge / length * np.sign(edge @ across)
        upward = np.array([-forward[1], forward[0]])
        if upward @ (middle - start) < 0:
            upward = -upward
        if upward @ normal < 0.3:
            continue
        reach = float((middle - start) @ edge) / length
        if not 0.0 <= reach <= length:
            continue
        if best is None or length > best[0]:
            best = (length, Bearing(start, forward, upward))
    return None if best is None else best[1]


def heel_point(profile: Profile, bearing: Bearing) -> FloatArray:
    """Return H: the outline's extreme point halfway between rearwards along the bearing line and downwards."""
    direction = -(bearing.forward + bearing.upward)
    found: FloatArray = profile.outline[int(np.argmax(profile.outline @ direction))]
    return found


def _angle_to_bearing(direction: FloatArray, bearing: Bearing) -> float:
    """Return the angle between a direction up the dorsal wall and the bearing line towards the heel, degrees."""
    return float(np.degrees(np.arctan2(direction @ bearing.upward, -(direction @ bearing.forward))))


def wall_line(dorsal: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the least-squares line through the half of the dorsal border next to the coronet: point, direction up."""
    half = resample_open(dorsal, 2 * _DORSAL_CHORDS + 1)[_DORSAL_CHORDS:]
    return straight_line(half)


def measure_side(profile: Profile, bearing: Bearing) -> dict[str, float]:
    """Return all side-view measures of a profile, mm and degrees, by name."""
    chord = profile.coronet - profile.toe
    toe_length = float(np.hypot(*chord))
    border = resample_open(profile.dorsal, _DORSAL_CHORDS + 1)
    normal = np.array([-chord[1], chord[0]]) / toe_length
    if (profile.bulb - profile.toe) @ normal < 0:
        normal = -normal
    away = (border - profile.toe) @ normal
    heel = heel_point(profile, bearing)
    return {
        "toe_length": toe_length,
        "dorsal_arc": float(np.hypot(*np.diff(border, axis=0).T).sum()),
        "toe_angle": _angle_to_bearing(chord, bearing),
        "wall_angle": _angle_to_bearing(wall_line(profile.dorsal)[1], bearing),
        "dorsal_concavity": float(away[int(np.argmax(np.abs(away)))]),
        "heel_height": float(bearing.height(profile.bulb)),
        "dorsal_height": float(bearing.height(profile.coronet)),
        "bearing_length": float(bearing.along(profile.toe) - bearing.along(heel)),
        "diagonal": float(np.hypot(*(profile.toe - profile.bulb))),
        "toe_lift": float(bearing.height(profile.toe)),
    }
