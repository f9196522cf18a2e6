"""The sole view of a foot: from the outlines of its claws in pixels to measures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from clawvision.measure.budget import unavailable, with_uncertainty
from clawvision.measure.curve import outward_normals, resample_closed, straight_line
from clawvision.measure.depth import SOLE_SPREAD, square_on
from clawvision.measure.sole import (
    FOOT_UNITS,
    SOLE_UNITS,
    SoleShape,
    find_long_axis,
    foot_axis,
    measure_foot,
    measure_sole,
    principal_axis,
)
from clawvision.measure.twist import helical_twist
from clawvision.measure.viewing import Viewing, outline_modes, placed, shared_causes, viewing_of
from clawvision.scale.plane import project_plane
from clawvision.types import (
    ClawName,
    ClawOutline,
    ClawResult,
    FloatArray,
    Measure,
    Scale,
    frozen_array,
    frozen_mapping,
)

_POINTS = 240
_RESIDUAL = {"sole_length": 0.4, "sole_width": 0.7, "sole_area": 25.0, "axial_twist": 1.5}
"""Standard deviation of what the depth model leaves, found on rendered claws of known form (status J)."""
_FLANK_SEEN_MM = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class _Claw:
    """A claw's outline as prepared, and all its shapes: nominal, and with each cause moved."""

    source: ClawOutline
    line_px: FloatArray
    nominal: SoleShape
    flank_mm: float
    moved: tuple[tuple[str, SoleShape], ...]


def _shape(
    line_px: FloatArray,
    other_px: FloatArray,
    viewing: Viewing,
    near: SoleShape | None = None,
    heel_to_toe_px: FloatArray | None = None,
) -> tuple[SoleShape, float]:
    """Return the claw's measured sole and the largest shift by which a seen flank was taken off.

    A shape hardly different (``near``) gives the axes to start from. ``heel_to_toe_px`` (2, 2) are points near the
    heel's end and near the toe, where they are known.
    """
    seen = viewing.locate(line_px)
    slope = viewing.slopes(line_px)
    toward = viewing.locate(other_px[None, :])[0] - seen.mean(axis=0)
    hint = None if heel_to_toe_px is None else np.subtract(*viewing.locate(heel_to_toe_px[::-1]))
    outline = seen
    shift = np.zeros(len(seen))
    for _ in range(2):
        direction = near.axis.direction if near else find_long_axis(outline, principal_axis(outline, hint)).direction
        across = np.array([-direction[1], direction[0]])
        across = across * np.sign(across @ toward)
        outline, shift = square_on(seen, slope, direction, across, outline, viewing.sole)
    principal = near.axis.principal if near else principal_axis(outline, hint)
    return measure_sole(outline, toward, principal), float(shift.max())


def _prepare(claw: ClawOutline, other_px: FloatArray, nominal: Viewing, shared: list[tuple[str, Viewing]]) -> _Claw:
    assert claw.outline_px is not None
    line = resample_closed(claw.outline_px, _POINTS)
    ends = None
    if {"T", "heel"} <= set(claw.found):
        ends = np.array([(claw.found[name].x, claw.found[name].y) for name in ("heel", "T")])
    shape, flank = _shape(line, other_px, nominal, heel_to_toe_px=ends)
    moved = [(name, _shape(line, other_px, viewing, shape)[0]) for name, viewing in shared]
    build = nominal.sole
    for part in ("bulge", "height", "lean_mm", "lift"):
        changed = replace(build, **{part: getattr(build, part) + getattr(SOLE_SPREAD, part)})
        name = f"build_{part.removesuffix('_mm')}.{claw.name}"
        moved.append((name, _shape(line, other_px, replace(nominal, sole=changed), shape)[0]))
    for number, shift in enumerate(outline_modes(outward_normals(line, 3), claw.sigma_px), 1):
        moved.append((f"outline_{number}.{claw.name}", _shape(line + shift, other_px, nominal, shape)[0]))
    return _Claw(claw, line, shape, flank, tuple(moved))


def measure_sole_claws(
    claws: tuple[ClawOutline, ...], scale: Scale
) -> tuple[dict[ClawName, ClawResult], dict[str, Measure], dict[str, FloatArray]]:
    """Measure the claws of a sole view, each and against one another.

    Parameters
    ----------
    claws
        One or two claws with outlines.
    scale
        Camera, pose and measuring plane.

    Returns
    -------
    claws : dict of ClawResult
    foot_measures : dict of Measure
        Outer against inner; unavailable where a claw is missing or the foot is not known.
    foot_guides_px : dict
        ``foot_axis`` (2, 2) and ``cleft`` (2, 2).
    """
    outlined = [claw for claw in claws if claw.outline_px is not None]
    results: dict[ClawName, ClawResult] = {claw.name: _unmeasured(claw) for claw in claws if claw.outline_px is None}
    if not outlined:
        return results, _no_foot("no outline"), {}
    middles = [np.asarray(claw.outline_px).mean(axis=0) for claw in outlined]
    nominal = viewing_of(scale)
    shared = shared_causes(nominal, "sole")
    prepared: dict[ClawName, _Claw] = {}
    for index, claw in enumerate(outlined):
        # A lone claw's cleft is not known; the reference point then decides only the sign of its twist.
        other = middles[1 - index] if len(outlined) == 2 else scale.reference.outline_px.mean(axis=0)
        prepared[claw.name] = _prepare(claw, other, nominal, shared)
    for name, claw_shapes in prepared.items():
        results[name] = _claw_result(claw_shapes, scale, alone=len(outlined) == 1)
    if {"outer", "inner"} <= set(prepared):
        outer, inner = prepared["outer"], prepared["inner"]
        return results, _foot(outer, inner, known=True), _foot_guides(outer, inner, scale)
    if {"left", "right"} <= set(prepared):
        left, right = prepared["left"], prepared["right"]
        return results, _foot(left, right, known=False), _foot_guides(left, right, scale)
    return results, _no_foot("only one claw was found"), {}


def _no_foot(why: str) -> dict[str, Measure]:
    return {name: unavailable(unit, why) for name, unit in FOOT_UNITS.items()}


def _unmeasured(claw: ClawOutline) -> ClawResult:
    return ClawResult(
        name=claw.name,
        outline_px=None,
        landmarks_px=claw.given,
        confidence=claw.confidence,
        source=claw.source,
        measures=frozen_mapping(
            {name: unavailable(unit, "it needs the claw's outline") for name, unit in SOLE_UNITS.items()}
        ),
    )


def _claw_result(claw: _Claw, scale: Scale, *, alone: bool) -> ClawResult:
    name = claw.source.name
    flags: dict[str, tuple[str, ...]] = {}
    if claw.flank_mm > _FLANK_SEEN_MM:
        flags = {measure: ("flank_seen",) for measure in ("sole_width", "sole_area", "axial_twist")}
    residual = {measure: (f"model.{name}", size) for measure, size in _RESIDUAL.items()}
    moved = [(cause, shape.values) for cause, shape in claw.moved]
    measures = with_uncertainty(claw.nominal.values, moved, SOLE_UNITS, residual, flags)
    if alone:
        measures["axial_twist"] = unavailable("deg", "the side of the cleft is not known with one claw only")
    measures |= helical_twist(claw.source)
    shape = claw.nominal
    axis = shape.axis
    heel = project_plane(scale, axis.heel_centre[None, :])[0]
    # The tip is drawn where it shows: a lifted or thick toe lies before or behind the bearing plane.
    toe = claw.line_px[int(np.argmax(np.hypot(*(claw.line_px - heel).T)))]
    return ClawResult(
        name=name,
        outline_px=claw.source.outline_px,
        landmarks_px=frozen_mapping(
            {"K": (float(heel[0]), float(heel[1])), "T": (float(toe[0]), float(toe[1])), **claw.source.given}
        ),
        confidence=claw.source.confidence,
        source=claw.source.source,
        measures=frozen_mapping(measures),
        guides_px=frozen_mapping(
            {
                "axis": frozen_array(project_plane(scale, shape.ends)),
                "midline": frozen_array(project_plane(scale, shape.midline)),
                "width": frozen_array(project_plane(scale, shape.widest)),
            }
        ),
        outline_mm=frozen_array(shape.outline),
        landmarks_mm=placed({"K": axis.heel_centre, "T": axis.toe}),
    )


def _foot(outer: _Claw, inner: _Claw, *, known: bool) -> dict[str, Measure]:
    """Return the two-claw measures. A cause that both claws share moves both at once, any other only its own."""
    moved: list[tuple[str, Mapping[str, float]]] = []
    of_outer, of_inner = dict(outer.moved), dict(inner.moved)
    for cause in [*of_outer, *(cause for cause in of_inner if cause not in of_outer)]:
        values = measure_foot(of_outer.get(cause, outer.nominal), of_inner.get(cause, inner.nominal))
        moved.append((cause, values))
    nominal = measure_foot(outer.nominal, inner.nominal)
    measures = with_uncertainty(nominal, moved, FOOT_UNITS, _foot_residual(outer, inner))
    if not known:
        why = "the foot is not named, so outer and inner cannot be told apart"
        for name in measures:
            if "difference" in name:
                unit = measures[name].unit
                measures[name] = unavailable(unit, why)
    return measures


def _foot_residual(outer: _Claw, inner: _Claw) -> dict[str, tuple[str, float]]:
    """Return what the model leaves in the two-claw measures: that of two claws, independent of each other.

    Splay and overlap have their own, found on rendered claws of known form (status J).
    """
    both = float(np.sqrt(2.0))
    residual: dict[str, tuple[str, float]] = {"splay": ("model.both", 1.2)}
    for part in ("length", "width", "area"):
        size = both * _RESIDUAL[f"sole_{part}"]
        mean = (outer.nominal.values[f"sole_{part}"] + inner.nominal.values[f"sole_{part}"]) / 2.0
        residual[f"{part}_difference"] = ("model.both", size)
        residual[f"{part}_difference_percent"] = ("model.both", 100.0 * size / mean)
    residual["apparent_length_difference"] = ("model.both", both * _RESIDUAL["sole_length"])
    residual["toe_overlap"] = ("model.both", 1.8)
    return residual


def _foot_guides(outer: _Claw, inner: _Claw, scale: Scale) -> dict[str, FloatArray]:
    middle, direction = foot_axis(outer.nominal, inner.nominal)
    reach = max(outer.nominal.values["sole_length"], inner.nominal.values["sole_length"])
    axis = np.array([middle - 0.3 * reach * direction, middle + 0.8 * reach * direction])
    # The cleft is drawn where the two outlines come nearest, along the foot's axis.
    gaps = np.hypot(*(outer.line_px[:, None, :] - inner.line_px[None, :, :]).transpose(2, 0, 1))
    near = np.argwhere(gaps < np.quantile(gaps, 0.002))
    cleft = (outer.line_px[near[:, 0]] + inner.line_px[near[:, 1]]) / 2.0
    middle, direction = straight_line(cleft)
    along = (cleft - middle) @ direction
    ends = middle + np.array([[along.min()], [along.max()]]) * direction
    return {"foot_axis": frozen_array(project_plane(scale, axis)), "cleft": frozen_array(ends)}
