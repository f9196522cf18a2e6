"""The side view of one claw: from its outline in pixels to measures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely

from clawvision.measure.budget import unavailable, with_uncertainty
from clawvision.measure.curve import arc_positions, chain, outward_normals, resample_closed, slope_of, straight_line
from clawvision.measure.depth import SIDE_SPREAD, underside_depth
from clawvision.measure.side import (
    SIDE_UNITS,
    Bearing,
    Profile,
    find_bearing,
    heel_point,
    measure_side,
    wall_line,
)
from clawvision.measure.side_landmarks import SideLandmarks, find_side_landmarks, run_from_toe
from clawvision.measure.twist import helical_twist
from clawvision.measure.viewing import Viewing, along_claw, outline_modes, placed, shared_causes, viewing_of
from clawvision.scale.plane import mm_per_px, project_plane
from clawvision.types import ClawOutline, ClawResult, FloatArray, Measure, Scale, frozen_array, frozen_mapping

_POINTS = 360
_HAIR_NOTCH_MM = 2.5
"""Notches of the hairline up to twice this wide are hair tips over horn, not the horn's edge."""

_ROUNDS, _SETTLED_MM = 6, 0.05
_WALL_FROM, _WALL_TO = 0.55, 0.92
"""Shares of the dorsal border, from the toe, that show how it runs on under the hair."""
_FLAT_MM = (2.0, 0.8)
"""How far from the bearing line the lower edge may run and still count as its support, first and then."""
_HEEL_END = 0.12

_RESIDUAL = {
    "toe_length": 0.5,
    "dorsal_arc": 0.5,
    "toe_angle": 0.5,
    "wall_angle": 0.9,
    "dorsal_concavity": 1.3,
    "heel_height": 0.6,
    "dorsal_height": 0.6,
    "bearing_length": 1.5,
    "diagonal": 0.7,
    "toe_lift": 1.1,
}
"""Standard deviation of what the depth model leaves, found on rendered claws of known form (status J)."""


_TIP_SIGMAS = 3.0
"""Standard error of the outline's own tip in standard errors of the outline: at a tip two edges meet (status J; of 0 to
6, this weight gave the least error of T on 45 rendered side views, of the samples and of a held-out set)."""
_HIDDEN = 0.5
_U_TOLD_SHARE = 0.29
"""Standard uncertainty of the share, a half, by which the segmenter's C and B count against the corners that show with
hair led on: any share from 0 to 1 may be the right one. The segmenter learned from scenes of one maker, the usual hair
was read off another's (status J), and each is the better one on its own maker's pictures."""


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """The outline as prepared: evenly spaced, running T → C → B → heel → T, and the corners on it.

    ``placed`` are landmarks taken as they are, in pixels: those that a person gave. ``told`` are C and B as the
    segmenter found them: it places them where the horn begins under the hair as it has learned it, which counts by
    ``told_share`` against the corner that shows, led on by a usual amount of hair. ``tip`` is the segmenter's T,
    ``tip_share`` how much it counts against the outline's own tip.
    """

    line_px: FloatArray
    marks: SideLandmarks
    placed: Mapping[str, tuple[float, float]]
    told: Mapping[str, tuple[float, float]]
    tip: tuple[float, float] | None = None
    tip_share: float = 0.0
    told_share: float = 0.5


def _fill_notches(outline_px: FloatArray, radius_px: float) -> FloatArray:
    """Return the outline with narrow notches filled: the envelope of the horn seen between hair tips."""
    shape = shapely.Polygon(shapely.LinearRing(outline_px).simplify(0.04 * radius_px)).buffer(0)
    shape = shape.buffer(radius_px, quad_segs=4).buffer(-radius_px, quad_segs=4)
    if shape.geom_type != "Polygon":
        shape = max(shape.geoms, key=lambda part: part.area)
    return np.asarray(shape.exterior.coords)[:-1]


def _prepare(claw: ClawOutline, scale: Scale) -> _Seen:
    assert claw.outline_px is not None
    size = mm_per_px(scale, claw.outline_px.mean(axis=0))
    line = resample_closed(_fill_notches(claw.outline_px, _HAIR_NOTCH_MM / size), _POINTS)
    viewing = viewing_of(scale)
    middle = line.mean(axis=0)
    above = viewing.locate(np.array([middle, middle - (0.0, 1.0)]))
    up = (above[1] - above[0]) / np.hypot(*(above[1] - above[0]))
    marks = find_side_landmarks(viewing.locate(line), up)
    line = line[::-1] if marks.flipped else line
    found = {name: (mark.x, mark.y) for name, mark in claw.found.items() if name in "TCB"}
    around = found | {name: point for name, point in claw.given.items() if name in "TCB"}
    line, at = run_from_toe(line, {name: np.array(point) for name, point in around.items()})
    marks = replace(
        marks,
        toe=at.get("T", marks.toe),
        coronet=at.get("C", marks.coronet),
        bulb=at.get("B", marks.bulb),
    )
    told = {name: point for name, point in found.items() if name != "T" and name not in claw.given}
    if "T" in claw.given or "T" not in claw.found:
        return _Seen(line, marks, claw.given, told)
    tip = claw.found["T"]
    own = (_TIP_SIGMAS * claw.sigma_px) ** 2
    share = 1.0 if claw.hidden_tip > _HIDDEN else own / (own + tip.sigma_px**2)
    return _Seen(line, marks, claw.given, told, (tip.x, tip.y), share)


def _nearest(line: FloatArray, point: FloatArray) -> int:
    return int(np.argmin(np.hypot(*(line - point).T)))


def _profile(
    seen: _Seen, viewing: Viewing, moved_px: FloatArray | None = None, start: Bearing | None = None
) -> tuple[Profile, Bearing] | None:
    """Return the profile in its own plane and the bearing line; None where no bearing line exists.

    The lower edge lies in front of the profile plane by an amount that depends on where along the bearing line it
    is, and the bearing line depends on the edge: a few rounds settle it to well under 0.1 mm. A near bearing line
    to ``start`` from saves most of them.
    """
    line_px = seen.line_px if moved_px is None else seen.line_px + moved_px
    marks = seen.marks
    outline = viewing.locate(line_px)
    given = {name: viewing.locate(np.array([point]))[0] for name, point in seen.placed.items()}
    told = {name: viewing.locate(np.array([point]))[0] for name, point in seen.told.items()}
    toe = given.get("T", outline[marks.toe])
    bearing = start or find_bearing(outline, toe, outline[marks.coronet], outline[marks.bulb])
    if bearing is None:
        return None
    after_bulb = (marks.bulb + np.arange((marks.toe - marks.bulb) % len(outline) + 1)) % len(outline)
    for _ in range(3 if start is None else 2):
        lowest = int(np.argmax(outline[after_bulb] @ -(bearing.forward + bearing.upward)))
        under = after_bulb[lowest:]
        along = bearing.along(outline)
        share = np.clip((along[under] - along.min()) / (bearing.along(toe) - along.min()), 0.0, 1.0)
        camera_height = float(bearing.height(viewing.scale.camera_centre[:2]))
        nearer = underside_depth(share, camera_height, viewing.side)
        outline[under] = viewing.locate(line_px[under], nearer)
        if start is None:
            found = find_bearing(outline, toe, outline[marks.coronet], outline[marks.bulb])
            if found is None:
                return None
            bearing = found
        bearing = _fit_to_sole(bearing, outline[under], float(np.ptp(along)))
    if "T" not in given:
        # With the lower edge in its place, the tip is no longer the lowest of what shows around it.
        tip_at = _farthest_near(outline, marks.toe, outline[marks.bulb])
        toe = outline[tip_at]
        if seen.tip is not None:
            toe = toe + seen.tip_share * (viewing.locate(np.array([seen.tip]))[0] - toe)
    else:
        tip_at = marks.toe
    border = chain(outline, tip_at, marks.coronet)
    if "C" in given:
        border = np.vstack((toe, border[1:-1], given["C"]))
    else:
        border = _up_to_the_horn(border, viewing.side.hair_coronet_mm)
        border[0] = toe
        border[-1] += seen.told_share * (told["C"] - border[-1]) if "C" in told else 0.0
    if "B" in given:
        bulb = given["B"]
    else:
        hidden = viewing.side.hair_bulb_mm * bearing.upward + viewing.side.round_bulb_mm * bearing.forward
        bulb = outline[marks.bulb] + hidden
        bulb = bulb + seen.told_share * (told["B"] - bulb) if "B" in told else bulb
    return Profile(outline, border, toe, border[-1], bulb), bearing


def _settled(seen: _Seen, viewing: Viewing) -> tuple[Profile, Bearing] | None:
    """Return the profile whose bearing line no further round moves, None where no bearing line exists.

    Every cause of uncertainty is evaluated from the line found here. Were it still on its way, as with a bump in the
    sole, each of them would count that way again.
    """
    found = _profile(seen, viewing)
    for _ in range(_ROUNDS):
        if found is None:
            return None
        again = _profile(seen, viewing, start=found[1])
        if again is None:
            return found
        ends = np.array((again[0].toe, again[0].bulb))
        moved = float(np.abs(again[1].height(ends) - found[1].height(ends)).max())
        found = again
        if moved < _SETTLED_MM:
            break
    return found


def _farthest_near(outline: FloatArray, start: int, away_from: FloatArray) -> int:
    """Return the index, within a sixtieth of the outline of ``start``, that lies farthest from a point."""
    window = (start + np.arange(-len(outline) // 60, len(outline) // 60 + 1)) % len(outline)
    return int(window[int(np.argmax(np.hypot(*(outline[window] - away_from).T)))])


def _up_to_the_horn(border: FloatArray, hidden_mm: float) -> FloatArray:
    """Return the dorsal border led on under the hair to where the horn begins.

    Hair rounds the corner off, so that the last piece that is seen bends inwards: the straight line through
    the wall below it takes its place.
    """
    share = arc_positions(border, closed=False)
    share = share / share[-1]
    wall = border[(share > _WALL_FROM) & (share < _WALL_TO)]
    middle, direction = straight_line(wall)
    reach = float((border[-1] - middle) @ direction) + hidden_mm
    return np.vstack((border[share <= _WALL_TO], middle + reach * direction))


def _fit_to_sole(bearing: Bearing, under: FloatArray, length_mm: float) -> Bearing:
    """Return the bearing line laid through the lower edge along the hull's edge, by least squares.

    The hull's edge rests on two points of the outline, the line on all that lie between; the heel's round
    end is left out, since its depth is the least certain.
    """
    for tolerance in _FLAT_MM:
        along, height = bearing.along(under), bearing.height(under)
        flat = (np.abs(height) < tolerance) & (along > along.min() + _HEEL_END * length_mm)
        if np.count_nonzero(flat) < 8 or np.ptp(along[flat]) < 0.25 * length_mm:
            break
        slope, level = slope_of(along[flat], height[flat])
        forward = bearing.forward + slope * bearing.upward
        upward = bearing.upward - slope * bearing.forward
        stretch = np.hypot(1.0, slope)
        bearing = Bearing(bearing.point + level * bearing.upward, forward / stretch, upward / stretch)
    return bearing


def _values(found: tuple[Profile, Bearing] | None) -> dict[str, float]:
    return dict.fromkeys(SIDE_UNITS, float("nan")) if found is None else measure_side(*found)


def _own_causes(seen: _Seen, nominal: Viewing, claw: ClawOutline, start: Bearing) -> list[tuple[str, dict[str, float]]]:
    """Return the causes that belong to this claw alone, with the values each gives."""
    side = nominal.side
    moved: list[tuple[str, dict[str, float]]] = []
    parts = ["width_mm"]
    parts += [] if "C" in seen.placed else ["hair_coronet_mm"]
    parts += [] if "B" in seen.placed else ["hair_bulb_mm", "round_bulb_mm"]
    for part in parts:
        changed = replace(side, **{part: getattr(side, part) + getattr(SIDE_SPREAD, part)})
        moved.append(
            (
                f"build_{part.removesuffix('_mm')}.{claw.name}",
                _values(_profile(seen, replace(nominal, side=changed), start=start)),
            )
        )
    if seen.told:
        learned = replace(seen, told_share=seen.told_share + _U_TOLD_SHARE)
        moved.append((f"hair_learned.{claw.name}", _values(_profile(learned, nominal, start=start))))
    normals = outward_normals(seen.line_px, 4)
    for number, shift in enumerate(outline_modes(normals, claw.sigma_px), 1):
        moved.append((f"outline_{number}.{claw.name}", _values(_profile(seen, nominal, shift, start))))
    for name, mark in claw.found.items():
        if name in claw.given or name not in "TCB":
            continue
        for axis, letter in ((0, "x"), (1, "y")):
            if name == "T":
                assert seen.tip is not None
                changed_seen = replace(seen, tip=_moved(seen.tip, axis, mark.sigma_px))
            else:
                told = {**seen.told, name: _moved(seen.told[name], axis, mark.sigma_px)}
                changed_seen = replace(seen, told=told)
            at = _profile(changed_seen, nominal, start=start)
            moved.append((f"landmark_{name}_{letter}.{claw.name}", _values(at)))
    return moved


def _moved(point: tuple[float, float], axis: int, by_px: float) -> tuple[float, float]:
    return (point[0] + by_px, point[1]) if axis == 0 else (point[0], point[1] + by_px)


def measure_side_claw(claw: ClawOutline, scale: Scale) -> ClawResult:
    """Measure one claw seen from the side.

    Parameters
    ----------
    claw
        Its outline or landmarks, pixels.
    scale
        Camera, pose and measuring plane of the photo.

    Returns
    -------
    ClawResult
        Measures in mm and degrees; landmarks C, T, B, H in pixels, C and B where the horn begins under the hair.
    """
    if claw.outline_px is None:
        return _from_landmarks(claw, scale)
    seen = _prepare(claw, scale)
    nominal = viewing_of(scale)
    found = _settled(seen, nominal)
    if found is not None:
        nominal = along_claw(nominal, found[1].forward)
    if found is None:
        reason = "no edge of the outline's hull lies under its centroid, so there is no bearing line"
        empty: dict[str, Measure] = {name: unavailable(unit, reason) for name, unit in SIDE_UNITS.items()}
        return _result(claw, empty, {})
    profile, bearing = found
    moved = [
        (name, _values(_profile(seen, viewing, start=bearing))) for name, viewing in shared_causes(nominal, "side")
    ]
    moved += _own_causes(seen, nominal, claw, bearing)
    flags = {
        name: ("hairline_corrected",)
        for name in ("toe_length", "dorsal_arc", "dorsal_height")
        if "C" not in seen.placed
    }
    flags |= {name: ("hairline_corrected",) for name in ("heel_height", "diagonal") if "B" not in seen.placed}
    residual = {name: (f"model.{claw.name}", size) for name, size in _RESIDUAL.items()}
    measures = with_uncertainty(measure_side(profile, bearing), moved, SIDE_UNITS, residual, flags)
    measures |= helical_twist(claw)
    heel = heel_point(profile, bearing)
    points = {"C": profile.coronet, "T": profile.toe, "B": profile.bulb, "H": heel}
    pixels = dict(zip(points, project_plane(scale, np.array(list(points.values()))), strict=True))
    pixels |= {name: np.array(point) for name, point in claw.given.items()}
    pixels["H"] = seen.line_px[_nearest(profile.outline, heel)] if "H" not in claw.given else pixels["H"]
    result = _result(claw, measures, pixels, _guides(profile, bearing, scale, seen))
    return replace(result, outline_mm=frozen_array(profile.outline), landmarks_mm=placed(points))


def _guides(profile: Profile, bearing: Bearing, scale: Scale, seen: _Seen) -> dict[str, FloatArray]:
    """Return what the picture draws. The bearing line is drawn where its edge shows, not in the profile plane."""
    on_edge = np.abs(bearing.height(profile.outline)) < 1.0
    line = seen.line_px[on_edge]
    middle, direction = wall_line(profile.dorsal)
    reach = float(arc_positions(profile.dorsal, closed=False)[-1]) / 3.0
    guides = {
        "dorsal_border": frozen_array(project_plane(scale, profile.dorsal)),
        "wall_line": frozen_array(
            project_plane(scale, np.array([middle - reach * direction, middle + reach * direction]))
        ),
    }
    if len(line) > 2:
        centre, direction = straight_line(line)
        reaches = (seen.line_px - centre) @ direction
        guides["bearing_line"] = frozen_array(centre + np.array([[reaches.min()], [reaches.max()]]) * direction)
    return guides


def _result(
    claw: ClawOutline,
    measures: Mapping[str, Measure],
    pixels: Mapping[str, FloatArray],
    guides: Mapping[str, FloatArray] | None = None,
) -> ClawResult:
    return ClawResult(
        name=claw.name,
        outline_px=claw.outline_px,
        landmarks_px=placed(pixels),
        confidence=claw.confidence,
        source=claw.source,
        measures=frozen_mapping(measures),
        guides_px=frozen_mapping(guides),
    )


def _from_landmarks(claw: ClawOutline, scale: Scale) -> ClawResult:
    """Measure what given landmarks alone determine: straight distances in the profile plane."""
    given = {name: np.array(point) for name, point in claw.given.items()}
    nominal = viewing_of(scale)
    pairs = {"toe_length": ("C", "T"), "diagonal": ("T", "B")}
    pairs = {name: pair for name, pair in pairs.items() if set(pair) <= set(given)}

    def values(viewing: Viewing, shift: Mapping[str, FloatArray]) -> dict[str, float]:
        place = {name: viewing.locate((xy + shift.get(name, np.zeros(2)))[None, :])[0] for name, xy in given.items()}
        return {name: float(np.hypot(*(place[a] - place[b]))) for name, (a, b) in pairs.items()}

    moved = [(name, values(viewing, {})) for name, viewing in shared_causes(nominal, "side")]
    for name in given:
        for axis, letter in ((0, "x"), (1, "y")):
            shift = np.zeros(2)
            shift[axis] = claw.sigma_px
            moved.append((f"landmark_{name}_{letter}.{claw.name}", values(nominal, {name: shift})))
    measures = {name: unavailable(unit, "it needs the claw's outline") for name, unit in SIDE_UNITS.items()}
    measures |= with_uncertainty(values(nominal, {}), moved, SIDE_UNITS)
    return _result(claw, measures, given)
