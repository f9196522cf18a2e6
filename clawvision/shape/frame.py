"""One frame for all claws, so that outlines of different feet, claws and photos can lie over one another.

Input is as the measuring plane has it: mm, x right, y down. The standard frame is mm with y up. See docs/shape.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal, get_args

import numpy as np
import shapely

from clawvision.errors import UsageError
from clawvision.measure.curve import (
    arc_positions,
    centroid,
    chain,
    following,
    resample_closed,
    resample_open,
    signed_area,
)
from clawvision.measure.side import Profile, find_bearing, heel_point
from clawvision.measure.side_landmarks import run_from_toe
from clawvision.measure.sole import find_long_axis, principal_axis
from clawvision.plain import plain
from clawvision.types import ClawName, FloatArray, Foot, frozen_array

ShapeView = Literal["side", "sole"]

_NEEDED: Mapping[str, frozenset[str]] = {"side": frozenset("CTB"), "sole": frozenset()}
_KNOWN: Mapping[str, frozenset[str]] = {"side": frozenset("CTBH"), "sole": frozenset("KT")}
_MOST_OFF_MM = 10.0
"""A landmark farther from its outline belongs to another claw or photo (J): hair hides some mm, not so many."""

SECTIONS: Mapping[str, Mapping[tuple[str, str], int]] = {
    "side": {("T", "C"): 20, ("C", "B"): 20, ("B", "H"): 10, ("H", "T"): 30},
    "sole": {("T", "E"): 32, ("E", "T"): 32},
}
"""From landmark to landmark, and how many semilandmarks lie between: some 4 mm apart on an ordinary claw (J)."""


def _no_landmarks() -> Mapping[str, FloatArray]:
    return MappingProxyType({})


@dataclass(frozen=True, slots=True, eq=False)
class ClawShape:
    """One claw's outline as it was measured.

    Attributes
    ----------
    outline : float64 (N, 2)
        Closed, first point not repeated, mm in the measuring plane: x right, y down.
    landmarks : mapping of float64 (2,)
        Side view: C, T, B, and H where it is known. Sole view: K and T where they are known. Same frame as the outline.
    day : float, optional
        Days since any fixed date, for change over time.
    """

    outline: FloatArray
    view: ShapeView
    claw: ClawName
    foot: Foot | None = None
    landmarks: Mapping[str, FloatArray] = field(default_factory=_no_landmarks)
    animal: str = ""
    day: float | None = None

    def __post_init__(self) -> None:
        if self.view not in get_args(ShapeView):
            raise UsageError(f"{self.name}: no shape is made of a {self.view} view.", "Give side or sole outlines.")
        outline = np.asarray(self.outline, dtype=np.float64)
        if outline.ndim != 2 or outline.shape[1] != 2 or len(outline) < 8 or not np.isfinite(outline).all():
            raise UsageError(f"{self.name}: the outline is not a list of points.", "Give at least 8 finite x, y in mm.")
        if np.array_equal(outline[0], outline[-1]):
            raise UsageError(f"{self.name}: the outline's first point is repeated.", "Leave out the last point.")
        if not shapely.Polygon(outline).is_valid:
            raise UsageError(f"{self.name}: the outline crosses itself.", "Draw it once around the horn.")
        marks = {name: np.asarray(point, dtype=np.float64) for name, point in self.landmarks.items()}
        missing, strange = _NEEDED[self.view] - set(marks), set(marks) - _KNOWN[self.view]
        if missing:
            raise UsageError(f"{self.name}: landmark {', '.join(sorted(missing))} is missing.", "Give C, T and B.")
        if strange:
            known = ", ".join(sorted(_KNOWN[self.view]))
            raise UsageError(f"{self.name}: no landmark {plain(sorted(strange)[0])} is known.", f"Known are {known}.")
        for name, point in marks.items():
            if point.shape != (2,) or not np.isfinite(point).all():
                raise UsageError(f"{self.name}: landmark {name} is no point.", "Give x and y in mm.")
        if self.view == "sole" and self.foot is None and self.claw in ("outer", "inner"):
            raise UsageError(
                f"{self.name}: on which side of the claw the cleft lies is not known.",
                "Name the foot, or call the claws left and right as seen with the toes up.",
            )
        object.__setattr__(self, "outline", frozen_array(outline))
        frozen = {name: frozen_array(point) for name, point in marks.items()}
        object.__setattr__(self, "landmarks", MappingProxyType(frozen))

    @property
    def name(self) -> str:
        """Return what the claw is called in messages and pictures."""
        words = (plain(self.animal), self.foot or "", f"{self.claw} claw")
        return " ".join(word for word in words if word)


@dataclass(frozen=True, slots=True, eq=False)
class StandardShape:
    """A claw in the standard frame, mm, y up.

    ``outline`` (N, 2) starts at T and runs counterclockwise: in the side view along the dorsal border to C, over B and
    H back to T; in the sole view along the abaxial border to the heel end E, along the axial border back to T.
    ``at`` has the index of each landmark that lies on it, ``landmarks`` the places (K too). ``mirrored`` is true where
    the frame shows the mirror image of the photo.
    """

    source: ClawShape
    outline: FloatArray
    landmarks: Mapping[str, FloatArray]
    at: Mapping[str, int]
    mirrored: bool


def _with_landmarks(
    name: str, outline: FloatArray, marks: Mapping[str, FloatArray]
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Return the outline with a vertex at the place nearest to each landmark, and these places."""
    ring = shapely.LinearRing(outline)
    along = arc_positions(outline, closed=True)
    places: dict[str, float] = {}
    for mark, point in marks.items():
        off = float(shapely.distance(ring, shapely.Point(point)))
        if off > _MOST_OFF_MM:
            raise UsageError(
                f"{name}: landmark {mark} lies {off:.0f} mm from the outline.",
                "Check that both are of one claw, in mm, in one frame.",
            )
        place = float(shapely.line_locate_point(ring, shapely.Point(point)))
        nearest = float(along[int(np.argmin(np.abs(along - place)))])
        # no vertex right beside another one: an edge without length has no direction
        places[mark] = (nearest if abs(nearest - place) < 1e-9 * along[-1] else place) % along[-1]
    where = np.unique(np.concatenate((along[:-1], list(places.values()))))
    closed = np.vstack((outline, outline[:1]))
    line = np.column_stack([np.interp(where, along, closed[:, axis]) for axis in (0, 1)])
    return line, {mark: line[int(np.searchsorted(where, place))] for mark, place in places.items()}


def _begin_at(line: FloatArray, start: int) -> FloatArray:
    return chain(line, start, start - 1)


def _indices(line: FloatArray, marks: Mapping[str, FloatArray]) -> dict[str, int]:
    return {name: int(np.argmin(np.hypot(*(line - point).T))) for name, point in marks.items()}


def _standard_side(shape: ClawShape) -> StandardShape:
    outline, marks = _with_landmarks(shape.name, shape.outline, shape.landmarks)
    bearing = find_bearing(outline, marks["T"], marks["C"], marks["B"])
    if bearing is None:
        raise UsageError(
            f"{shape.name}: the outline has no edge to stand on.",
            "Check the outline and its landmarks, or leave it out.",
        )
    if "H" not in marks:
        profile = Profile(outline, np.array([marks["T"], marks["C"]]), marks["T"], marks["C"], marks["B"])
        marks["H"] = heel_point(profile, bearing)
    line, at = run_from_toe(outline, marks)
    line = _begin_at(line, at["T"])
    turn = np.column_stack((bearing.forward, bearing.upward))
    origin = marks["H"] - bearing.height(marks["H"]) * bearing.upward
    line = (line - origin) @ turn
    placed = {mark: (point - origin) @ turn for mark, point in marks.items()}
    at = _indices(line, placed)
    if not (0 == at["T"] < at["C"] < at["B"] < at["H"]) or signed_area(line) <= 0:
        raise UsageError(
            f"{shape.name}: the landmarks do not follow one another as toe, coronet, bulb, heel.", "Check their names."
        )
    # in a frame with y down, forward and upward of a picture with the toe to the right turn from +x to -y
    mirrored = bool(np.linalg.det(turn) > 0)
    return StandardShape(shape, frozen_array(line), _frozen(placed), MappingProxyType(at), mirrored)


def cleft_is_right(claw: ClawName, foot: Foot | None) -> bool:
    """Return whether a sole photo with the toes up shows the cleft to the right of a claw.

    The outer claw of a left foot is on the right there, that of a right foot on the left (docs/measures.md).
    """
    if claw in ("left", "right") or foot is None:
        return claw == "left"
    return (claw == "outer") == (foot[0] == "R")


def _standard_sole(shape: ClawShape) -> StandardShape:
    outline, marks = shape.outline, dict(shape.landmarks)
    if not {"K", "T"} <= set(marks):
        hint = marks["T"] - centroid(outline) if "T" in marks else None
        axis = find_long_axis(outline, principal_axis(outline, hint))
        marks = {"K": axis.heel_centre, "T": axis.toe} | marks
    heel = marks.pop("K")
    outline, marks = _with_landmarks(shape.name, outline, marks)
    up = (marks["T"] - heel) / np.hypot(*(marks["T"] - heel))
    right = np.array([-up[1], up[0]])  # as seen in the photo, whose y is down
    mirrored = not cleft_is_right(shape.claw, shape.foot)
    turn = np.column_stack((-right if mirrored else right, up))
    line = (outline - heel) @ turn
    end = _heel_end(shape.name, line)
    line, placed = _with_landmarks(shape.name, line, {"T": (marks["T"] - heel) @ turn, "E": end})
    line = line if signed_area(line) > 0 else line[::-1]
    line = _begin_at(line, _indices(line, placed)["T"])
    at = _indices(line, placed)
    placed["K"] = np.zeros(2)
    return StandardShape(shape, frozen_array(line), _frozen(placed), MappingProxyType(at), mirrored)


def _heel_end(name: str, line: FloatArray) -> FloatArray:
    """Return where the long axis, x = 0, leaves the outline behind the heel."""
    after = following(line)
    crosses = (line[:, 0] <= 0) != (after[:, 0] <= 0)
    first, last = line[crosses], after[crosses]
    met = first[:, 1] - first[:, 0] * (last[:, 1] - first[:, 1]) / (last[:, 0] - first[:, 0])
    if not len(met) or met.min() >= 0:
        raise UsageError(f"{name}: K does not lie inside the outline.", "Check the landmarks K and T.")
    return np.array([0.0, met.min()])


def _frozen(marks: Mapping[str, FloatArray]) -> Mapping[str, FloatArray]:
    return MappingProxyType({name: frozen_array(point) for name, point in marks.items()})


def standard_frame(shape: ClawShape) -> StandardShape:
    """Return a claw in the standard frame of its view.

    Side: the origin is the foot of the perpendicular from H on the bearing line, x runs along that line from heel to
    toe, y is height above it, so that every toe points to the right. Sole: the origin is K, y runs along the long axis
    to T, x towards the cleft.

    Raises
    ------
    UsageError
        If a landmark is not on the outline, the landmarks are out of order, or the outline has no edge to stand on.
    """
    return _standard_side(shape) if shape.view == "side" else _standard_sole(shape)


def resample(shape: StandardShape, count: int = 200) -> FloatArray:
    """Return ``count`` points evenly spaced along the outline, from T counterclockwise, mm."""
    if count < 8:
        raise UsageError(f"{count} points do not draw a claw.", "Ask for at least 8.")
    return resample_closed(shape.outline, count)


def semilandmarks(shape: StandardShape, between: Mapping[tuple[str, str], int] | None = None) -> FloatArray:
    """Return landmarks and evenly spaced points between them, from T counterclockwise, mm.

    The points are not slid: each keeps its share of the way between its landmarks.

    Parameters
    ----------
    shape : StandardShape
        The claw.
    between : mapping, optional
        How many points lie between two landmarks, for each of the view's `SECTIONS`.

    Returns
    -------
    float64 (P, 2)
        84 points of a side view, 66 of a sole view, unless told otherwise.
    """
    usual = SECTIONS[shape.source.view]
    counts = usual if between is None else between
    if set(counts) != set(usual) or min(counts.values()) < 0:
        names = ", ".join("–".join(section) for section in usual)
        raise UsageError("The sections for the semilandmarks are not those of the view.", f"Give a count for {names}.")
    parts = []
    for start, stop in usual:
        border = chain(shape.outline, shape.at[start], shape.at[stop])
        parts.append(resample_open(border, counts[start, stop] + 2)[:-1])
    return np.vstack(parts)
