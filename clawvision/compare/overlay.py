"""What lies between two outlines that were laid over one another: the horn that came off, in mm²."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely

from clawvision.compare.register import MOST_NEW_SHARE, Fit, Seen, hairline
from clawvision.measure.budget import COVERAGE_FACTOR
from clawvision.types import FloatArray

_OFF_HAIR_MM = 4.0
"""How far off the hairline horn begins to count: hair lies over the border there (status J)."""
_WHOLE = 0.7
"""Share of an outline's error that moves it in or out as a whole, see `outline_modes` of the measuring chain."""


@dataclass(frozen=True, slots=True, eq=False)
class Overlay:
    """Two outlines in the frame of the photo from before, and the areas between them, mm².

    ``off`` is where horn was and is not any more, ``new`` the reverse, which a perfect fit would leave empty.
    ``net`` is off less new: errors of the borders, which add to both, cancel in it. ``u_net`` is expanded (k = 2).
    """

    before: FloatArray
    after: FloatArray
    off: shapely.Geometry
    new: shapely.Geometry
    off_mm2: float
    new_mm2: float
    net_mm2: float
    u_net_mm2: float


def lay_over(before: Seen, after: Seen, fit: Fit, view: str, u_lower_mm: float = 0.0) -> Overlay:
    """Return what lies between the outline from before and the one from after as ``fit`` places it.

    Parameters
    ----------
    before, after
        The claw in both photos.
    fit
        Of the two.
    view
        In the side view only what lies below the hairline counts.
    u_lower_mm
        Standard uncertainty of how far the bearing edge came up, in addition to what fit and outlines leave.
    """
    old, new = polygon(before.outline), polygon(fit.place(after.outline))
    if view == "side":
        marks = {name: fit.place(place[None])[0] for name, place in after.marks.items()}
        zone = below_hairline(before.outline, before.marks, fit.place(after.outline), marks)
    else:
        zone = old.union(new).buffer(1.0)
    old_in, new_in = old.intersection(zone), new.intersection(zone)
    off, grown = old_in.difference(new_in), new_in.difference(old_in)
    net = old_in.area - new_in.area
    steps = (math.radians(0.2), 0.2, 0.2)
    slopes = np.array(
        [(_moved_area(after, fit, zone, index, step) - new_in.area) / step for index, step in enumerate(steps)]
    )
    variance = max(float(slopes @ fit.covariance @ slopes), 0.0)
    for part, seen in ((old_in, before), (new_in, after)):
        variance += (part.length * _WHOLE * seen.u_outline) ** 2 + (2.0 * part.area * seen.u_scale_rel) ** 2
    bearing = _longest(new_in)
    variance += (bearing * u_lower_mm) ** 2
    return Overlay(
        np.asarray(old.exterior.coords)[:-1],
        np.asarray(new.exterior.coords)[:-1],
        off,
        grown,
        float(off.area),
        float(grown.area),
        float(net),
        COVERAGE_FACTOR * math.sqrt(variance),
    )


def not_alike(overlay: Overlay) -> str | None:
    """Return why two outlines that fit at the coronet are not of one claw seen alike, None where they may be."""
    share = overlay.new_mm2 / max(polygon(overlay.before).area, 1.0)
    if share <= MOST_NEW_SHARE:
        return None
    return (
        f"the two photos do not fit on one another: horn on {100 * share:.0f} % of the claw that was not there before; "
        "different claw or angle?"
    )


def polygon(points: FloatArray) -> shapely.Polygon:
    """Return the largest simple polygon that a closed outline bounds."""
    shape = shapely.Polygon(points).buffer(0)
    if shape.geom_type != "Polygon":
        shape = max(shape.geoms, key=lambda part: part.area)
    return shapely.Polygon(shape.exterior)


def below_hairline(
    before: FloatArray, marks: Mapping[str, FloatArray], after: FloatArray, marks_after: Mapping[str, FloatArray]
) -> shapely.Geometry:
    """Return where horn counts in a side view: on the sole's side of the line from C to B, off both hairlines."""
    coronet, bulb = marks["C"], marks["B"]
    along = (bulb - coronet) / np.hypot(*(bulb - coronet))
    down = np.array([-along[1], along[0]])
    if (before.mean(axis=0) - coronet) @ down < 0:
        down = -down
    start = (coronet + bulb) / 2.0
    # As far as it can matter.
    far = 600.0
    half = shapely.Polygon(
        [start - far * along, start + far * along, start + far * along + far * down, start - far * along + far * down]
    )
    for line in (hairline(before, marks), hairline(after, marks_after)):
        half = half.difference(shapely.LineString(line).buffer(_OFF_HAIR_MM))
    return half


def _moved_area(after: Seen, fit: Fit, zone: shapely.Geometry, index: int, step: float) -> float:
    moved = replace(fit, angle=fit.angle + step) if index == 0 else replace(fit, shift=fit.shift + _unit(index, step))
    return float(polygon(moved.place(after.outline)).intersection(zone).area)


def _unit(index: int, step: float) -> FloatArray:
    moved = np.zeros(2)
    moved[index - 1] = step
    return moved


def _longest(shape: shapely.Geometry) -> float:
    """Return the length of the longer side of the least rectangle around a shape: about that of the bearing edge."""
    box = np.asarray(shapely.minimum_rotated_rectangle(shape).exterior.coords)
    return float(np.hypot(*np.diff(box, axis=0).T).max())
