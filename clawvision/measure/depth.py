"""Where the edges that a photo shows lie in depth, and what follows for the outline.

A camera sees the contour of a solid body, not its outline in one plane. From the side the lower edge is the
abaxial bearing edge, half a claw's width in front of the profile. From below the bulb overhangs behind the
bearing plane, and where the camera looks past the bearing edge the flank of the wall shows up to the coronet.
Here a claw of usual build, scaled to the one in the photo, says how deep each piece of edge lies; the ray
through that piece then gives its place in the wanted plane. The shape's numbers are this project's own, read
off rendered claws of known form (status J); how far single claws stray from them is a part of the
uncertainty (``SIDE_SPREAD``, ``SOLE_SPREAD``).

Depth is counted in mm along the reference's z: away from the camera.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clawvision.measure.curve import outward_normals, smooth_closed
from clawvision.types import FloatArray

_STATION = np.array([0.0, 0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95, 1.0])
"""Share of the claw's length from the heel's rear to the toe tip."""
_ABAXIAL_EDGE = np.array([0.0, 0.05, 0.345, 0.45, 0.50, 0.515, 0.50, 0.46, 0.385, 0.275, 0.11, 0.0])
"""Distance of the abaxial bearing edge from the profile plane, in claw widths."""
_AXIAL_EDGE = np.array([0.0, 0.10, 0.36, 0.41, 0.41, 0.40, 0.36, 0.33, 0.30, 0.25, 0.14, 0.0])
"""Distance of the axial bearing edge from the profile plane, in claw widths."""


@dataclass(frozen=True, slots=True)
class SideModel:
    """What the side view cannot show of a claw.

    ``width_mm`` is the claw's width. ``hair_coronet_mm`` is how far the hairline hides the dorsal border;
    ``hair_bulb_mm`` and ``round_bulb_mm`` are how far B lies above, and before, the corner that is seen.
    """

    width_mm: float = 54.0
    hair_coronet_mm: float = 2.0
    hair_bulb_mm: float = 2.7
    round_bulb_mm: float = 2.4


USUAL_SIDE = SideModel()
SIDE_SPREAD = SideModel(width_mm=4.5, hair_coronet_mm=1.0, hair_bulb_mm=1.1, round_bulb_mm=1.3)
"""Standard deviation of each part of the model between claws."""


@dataclass(frozen=True, slots=True)
class SoleModel:
    """Multipliers and shifts of the usual build, for the sole view.

    ``bulge`` multiplies the depth at which wall and bulb stand out farthest, ``height`` the height of the flank's
    upper edge; ``lean_mm`` adds to how far that edge leans in; ``lift`` multiplies the rise of a long toe.
    """

    bulge: float = 1.0
    height: float = 1.0
    lean_mm: float = 0.0
    lift: float = 1.0


USUAL_SOLE = SoleModel()
SOLE_SPREAD = SoleModel(bulge=0.09, height=0.08, lean_mm=0.9, lift=0.35)
"""Standard deviation of each part of the model between claws."""


def underside_depth(share: FloatArray, camera_height: float, model: SideModel) -> FloatArray:
    """Return how far in front of the profile plane (positive: nearer) the seen lower edge lies, mm.

    Parameters
    ----------
    share : float64 (N,)
        Place along the claw, 0 at the heel's rear, 1 at the toe tip.
    camera_height
        Height of the camera over the bearing line, mm. From above the near (abaxial) edge of the sole is the
        lowest that shows, from below the far (axial) one.
    model
        The claw's width.
    """
    edge = _ABAXIAL_EDGE if camera_height >= 0 else -_AXIAL_EDGE
    depth: FloatArray = model.width_mm * np.interp(share, _STATION, edge)
    return depth


# The sole view. A piece of wall with outward normal n reaches farthest out at depth ``bulge`` behind the bearing
# plane and recedes as a parabola from there; its upper end is the flank's edge, ``height`` deep and leaning in.
_SHARE = np.array([0.0, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0])
_BULGE_ABAXIAL = np.array([17.0, 16.5, 15.5, 15.5, 7.0, 2.5, 1.0])
_BULGE_AXIAL = np.array([17.0, 16.5, 14.0, 4.0, 2.0, 1.5, 1.0])
_ROUND_ABAXIAL = np.array([11.0, 12.0, 16.0, 26.0, 22.0, 10.0, 5.0])
_ROUND_AXIAL = np.array([11.0, 12.0, 20.0, 15.0, 10.0, 5.0, 5.0])
_LEAN_AT_MM = np.array([0.0, 50.0, 60.0, 67.0, 75.0, 90.0])
_LEAN_ABAXIAL = np.array([5.5, 5.5, 7.0, 9.0, 11.0, 11.0])
_LEAN_AXIAL = np.array([1.2, 1.0, 1.2, 2.5, 5.0, 6.0])
_BULB_HEIGHT_MM = 33.0
_CORONET_HEIGHT_MM = 62.0
_CORONET_AT_MM = 70.0
"""The corner C lies about this far before the heel's rear, however long the toe has grown."""
_LIFT_FROM_MM = 150.0
_LIFT_SLOPE = 0.17
"""A toe grown beyond this sole length tends to rise off the ground, by so much of the excess."""
_LIFT_SHARE = 0.75
"""The rise begins this share of the way to the tip."""


def _contour_shift(
    place_mm: FloatArray, length_mm: float, slope: FloatArray, axial: FloatArray, model: SoleModel
) -> FloatArray:
    """Return how far outside the square-on silhouette the seen contour lies, mm, (N,).

    ``slope`` is how far the ray moves along the outward normal per mm of depth: positive where it slips past
    the body's widest place (the contour is then seen too small), negative where the flank shows. ``axial`` blends from
    the abaxial (0) to the axial side (1).
    """
    share = place_mm / length_mm

    def blend(abaxial: FloatArray, axial_side: FloatArray, at: FloatArray, where: FloatArray) -> FloatArray:
        mixed: FloatArray = (1 - axial) * np.interp(where, at, abaxial) + axial * np.interp(where, at, axial_side)
        return mixed

    bulge = model.bulge * blend(_BULGE_ABAXIAL, _BULGE_AXIAL, _SHARE, share)
    roundness = blend(_ROUND_ABAXIAL, _ROUND_AXIAL, _SHARE, share)
    # The support function of the parabola: linear in the slope where the flank shows, saturating where the ray
    # slips by below the bearing edge.
    slipping = np.clip(slope, 0.0, bulge / (2.0 * roundness))
    body = -bulge * np.where(slope > 0, slipping, slope) + roundness * slipping**2
    corner = min(_CORONET_AT_MM, 0.62 * length_mm)
    rising = _BULB_HEIGHT_MM + (_CORONET_HEIGHT_MM - _BULB_HEIGHT_MM) * place_mm / corner
    falling = _CORONET_HEIGHT_MM * (length_mm - place_mm) / (length_mm - corner)
    height = model.height * np.minimum(rising, falling)
    lean = blend(_LEAN_ABAXIAL, _LEAN_AXIAL, _LEAN_AT_MM, place_mm) + model.lean_mm
    result: FloatArray = np.maximum(body, -slope * height - lean)
    return result


def square_on(
    seen: FloatArray, slope: FloatArray, axis: FloatArray, to_cleft: FloatArray, around: FloatArray, model: SoleModel
) -> tuple[FloatArray, FloatArray]:
    """Return the silhouette as seen square on, from the contour as photographed.

    Parameters
    ----------
    seen : float64 (N, 2)
        The contour cast on the bearing plane, mm, evenly spaced.
    slope : float64 (N, 2)
        Movement of each point's ray per mm of depth.
    axis : float64 (2,)
        Unit long axis of the claw, heel to toe.
    to_cleft : float64 (2,)
        Unit vector across it, towards the other claw.
    around : float64 (N, 2)
        The best guess so far of the silhouette, point by point; gives the normals.
    model
        The claw's build.

    Returns
    -------
    outline : float64 (N, 2)
    shift : float64 (N,)
        How far each point was moved inwards.
    """
    normals = outward_normals(smooth_closed(around, 2 * (len(around) // 40) + 1), max(1, len(around) // 75))
    along = around @ axis
    start = along.min()
    length = along.max() - start
    place = along - start
    axial = np.clip(0.5 + normals @ to_cleft, 0.0, 1.0)
    shift = _contour_shift(place, float(length), (slope * normals).sum(axis=1), axial, model)
    rise = model.lift * _LIFT_SLOPE * max(0.0, float(length) - _LIFT_FROM_MM)
    lifted = rise * np.clip((place / length - _LIFT_SHARE) / (1.0 - _LIFT_SHARE), 0.0, 1.0)
    return seen - shift[:, None] * normals + slope * lifted[:, None], shift
