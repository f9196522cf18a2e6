"""The front and rear views: how each claw is rolled, and how its sole is tilted against the leg.

Both need outlines (or landmarks) of both claws, which for these views a person draws; the rear view also needs the
leg's axis.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import shapely

from clawvision.measure.budget import Values, unavailable, with_uncertainty
from clawvision.measure.curve import following, outward_normals, resample_closed, slope_of
from clawvision.measure.viewing import Viewing, outline_modes, shared_causes, viewing_of
from clawvision.types import (
    ClawName,
    ClawOutline,
    ClawResult,
    FloatArray,
    Measure,
    Scale,
    View,
    frozen_mapping,
)

_POINTS = 200
_HULL_TOLERANCE_MM = 0.3
_RIDGE_SHARES = (0.2, 0.7)
"""Between these shares of its height a claw's outline follows the ridge: above it slants, below it is rounded."""
_U_RIDGE_DEG = 4.0
"""How far the middle of a claw's outline strays from its dorsal ridge, standard deviation (status J)."""
_U_MODEL_DEG = 1.0
_EPSILON = 1e-9


def _angle(direction: FloatArray, base: FloatArray, side: FloatArray) -> float:
    """Return the angle of ``direction`` from ``base``, positive towards ``side``, degrees."""
    return float(np.degrees(np.arctan2(direction @ side, direction @ base)))


def _across(axis: FloatArray, toward: FloatArray) -> FloatArray:
    """Return the unit normal of ``axis`` that points the way of ``toward``."""
    normal: FloatArray = np.array([-axis[1], axis[0]]) / np.hypot(*axis)
    return normal if normal @ toward >= 0 else -normal


def ground_direction(outlines: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Return the unit direction down, at right angles to the line that both claws stand on.

    The line is the edge of the common convex hull that touches both outlines, on the side where they are widest
    apart from the legs: of the two such edges, the lower in the picture's frame of the points (y down).
    """
    hull = np.asarray(shapely.convex_hull(shapely.MultiPoint(np.vstack(outlines))).exterior.coords)[:-1]
    edges = following(hull) - hull
    owner = [int(np.hypot(*(outlines[1] - corner).T).min() < _EPSILON) for corner in hull]
    bridges = [i for i in range(len(hull)) if owner[i] != owner[(i + 1) % len(hull)]]
    middle = hull.mean(axis=0)
    normals = np.array([_across(edges[i], hull[i] - middle) for i in bridges])
    return np.asarray(normals[int(np.argmax(normals[:, 1]))])


def ridge_direction(outline: FloatArray, down: FloatArray) -> FloatArray:
    """Return the unit direction, coronet to toe, of the line through the middles of an outline's level cuts."""
    across = np.array([-down[1], down[0]])
    depth, side = outline @ down, outline @ across
    levels = depth.min() + np.linspace(*_RIDGE_SHARES, 15) * np.ptp(depth)
    middles = []
    for level in levels:
        crosses = (depth <= level) != (following(depth) <= level)
        share = (level - depth[crosses]) / (following(depth) - depth)[crosses]
        met = side[crosses] + share * (following(side) - side)[crosses]
        middles.append((met.min() + met.max()) / 2.0)
    slope, _ = slope_of(levels, np.array(middles))
    direction: FloatArray = (down + slope * across) / np.hypot(1.0, slope)
    return direction


def roll(outline: FloatArray, other: FloatArray, down: FloatArray, ridge: FloatArray | None = None) -> float:
    """Return a claw's roll in the front view, degrees, positive where the toe end turns towards the cleft.

    Parameters
    ----------
    outline, other : float64 (N, 2)
        This claw and its partner, mm.
    down : float64 (2,)
        Unit vector along the foot's axis, to the ground.
    ridge : float64 (2,), optional
        Direction of the dorsal ridge, coronet to toe, where landmarks give it.
    """
    direction = ridge_direction(outline, down) if ridge is None else ridge
    return _angle(direction, down, _across(down, other.mean(axis=0) - outline.mean(axis=0)))


def sole_tilt(outline: FloatArray, other: FloatArray, leg: FloatArray) -> float:
    """Return the tilt of a claw's bearing edge in the rear view, degrees, positive where the abaxial edge is higher.

    Parameters
    ----------
    outline, other : float64 (N, 2)
        This claw and its partner, mm.
    leg : float64 (2,)
        The leg's axis, pointing to the foot.
    """
    down = leg / np.hypot(*leg)
    to_cleft = _across(down, other.mean(axis=0) - outline.mean(axis=0))
    joined = shapely.convex_hull(shapely.MultiPoint(outline)).simplify(_HULL_TOLERANCE_MM, preserve_topology=False)
    corners = np.asarray(joined.exterior.coords)[:-1]
    edges = following(corners) - corners
    middle = corners.mean(axis=0)
    facing = np.array([_across(edge, start - middle) @ down for edge, start in zip(edges, corners, strict=True)])
    lengths = np.where(facing > 0.5, np.hypot(*edges.T), 0.0)
    edge = edges[int(np.argmax(lengths))]
    edge = edge * np.sign(edge @ to_cleft)
    return _angle(edge, to_cleft, down)


def measure_ends(
    claws: tuple[ClawOutline, ...], scale: Scale, view: View, leg_axis_px: FloatArray | None
) -> dict[ClawName, ClawResult]:
    """Measure ``roll`` (front) or ``sole_tilt`` (rear) of each claw.

    Parameters
    ----------
    claws
        The claws, outer before inner.
    scale
        Camera, pose and measuring plane.
    view
        ``front`` or ``rear``.
    leg_axis_px
        Two points on the leg's axis, upper one first; only for the rear view.
    """
    name = "roll" if view == "front" else "sole_tilt"
    outlined = {claw.name: claw for claw in claws if claw.outline_px is not None}
    why = None
    if len(outlined) < 2:
        why = "it needs the outlines of both claws"
    elif view == "rear" and leg_axis_px is None:
        why = "it needs the leg's axis"
    if why is not None:
        return {claw.name: _result(claw, {name: unavailable("deg", why)}) for claw in claws}
    first, second = outlined.values()
    return {
        claw.name: _measured(claw, partner, scale, view, leg_axis_px)
        for claw, partner in ((first, second), (second, first))
    }


def _measured(
    claw: ClawOutline, partner: ClawOutline, scale: Scale, view: View, leg_axis_px: FloatArray | None
) -> ClawResult:
    line = resample_closed(np.asarray(claw.outline_px), _POINTS)
    other_px = resample_closed(np.asarray(partner.outline_px), _POINTS)
    nominal = viewing_of(scale)
    drawn = view == "front" and {"C", "T"} <= set(claw.given)

    def values(viewing: Viewing, shift: FloatArray | float = 0.0) -> Values:
        outline, other = viewing.locate(line + shift), viewing.locate(other_px)
        if view == "rear":
            assert leg_axis_px is not None
            upper, lower = viewing.locate(np.asarray(leg_axis_px))
            return {"sole_tilt": sole_tilt(outline, other, lower - upper)}
        ridge = None
        if drawn:
            coronet, toe = viewing.locate(np.array([claw.given["C"], claw.given["T"]]))
            ridge = (toe - coronet) / np.hypot(*(toe - coronet))
        return {"roll": roll(outline, other, ground_direction((outline, other)), ridge)}

    measures = _propagated(values, nominal, view, line, claw, ridge_seen=drawn or view == "rear")
    return _result(claw, measures)


def _propagated(
    values: Callable[..., Values],
    nominal: Viewing,
    view: View,
    line: FloatArray,
    claw: ClawOutline,
    *,
    ridge_seen: bool,
) -> dict[str, Measure]:
    moved = [(cause, values(viewing)) for cause, viewing in shared_causes(nominal, view)]
    for number, shift in enumerate(outline_modes(outward_normals(line, 3), claw.sigma_px), 1):
        moved.append((f"outline_{number}.{claw.name}", values(nominal, shift)))
    name = "roll" if view == "front" else "sole_tilt"
    residual = {name: (f"model.{claw.name}", _U_MODEL_DEG if ridge_seen else _U_RIDGE_DEG)}
    return with_uncertainty(values(nominal), moved, {name: "deg"}, residual)


def _result(claw: ClawOutline, measures: Mapping[str, Measure]) -> ClawResult:
    return ClawResult(
        name=claw.name,
        outline_px=claw.outline_px,
        landmarks_px=claw.given,
        confidence=claw.confidence,
        source=claw.source,
        measures=frozen_mapping(measures),
    )
