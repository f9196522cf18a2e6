"""Closed contours that may be claws: traced from seeds all over the picture, sifted, then traced again more finely."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clawvision.outline.field import Field
from clawvision.outline.naming import Side
from clawvision.outline.rays import Contours, cast_around, cast_rays, first_looks, shape_of, trace
from clawvision.outline.shapes import Fitted, fit_shapes
from clawvision.outline.traits import traits
from clawvision.outline.weights import Weights
from clawvision.types import FloatArray

ShownView = Literal["side", "sole"]

_GRID_MM = 20.0
_NEAR_MM = 45.0  # seeds nearer to the middle of the reference would lie on it
_FAR_MM = {"side": 240.0, "sole": 200.0}
_AXES = {"side": np.radians([-25.0, 0.0, 25.0]), "sole": np.radians(np.arange(0.0, 180.0, 30.0))}
_KEPT = 24
_FIRST_LOOKS = 2.2
Passes = tuple[tuple[float, float, float], ...]
# Passes of the finer tracing: span of the band, weight of looks, cost of leaving the fitted shape.
_PASSES: Passes = ((0.40, 0.75, 0.03), (0.35, 0.75, 0.03), (0.25, 0.75, 0.02))
# Changed beginnings: stretch of the toe's half, stretch across.
_CHANGES = ((1.0, 1.0), (1.35, 1.0), (1.8, 0.9), (0.75, 1.0), (1.0, 1.25), (1.0, 0.8))
_RETRACE: Passes = ((0.30, 0.75, 0.02), (0.25, 0.75, 0.01), (0.25, 0.50, 0.0))
_FINE_ANGLES, _FINE_RADII = 64, 32


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Finely traced contours with their traits (S, t), and the claw-like shapes fitted to them."""

    contours: Contours
    traits: FloatArray
    fitted: Fitted


def propose(field: Field, view: ShownView) -> Contours:
    """Trace contours from seeds all over the field and return all of them."""
    centres, axes = _seeds(field, view)
    rays = cast_rays(field, centres, axes)
    own, around = first_looks(field, rays)
    contours = trace(field, rays, own, around, looks=_FIRST_LOOKS)
    return trace(field, rays, contours.own, contours.around, looks=_FIRST_LOOKS)


def sift(field: Field, contours: Contours, view: ShownView, weights: Weights) -> Contours:
    """Return the most claw-like contours, no two of them nearly the same."""
    scores = weights.score(traits(field, contours, view))
    _, centre, _, length, width = shape_of(contours.points)
    kept: list[int] = []
    for i in np.argsort(-scores, kind="stable"):
        near = (
            np.hypot(*(centre[i] - centre[j])) < 9.0
            and abs(np.log(length[i] / length[j])) < 0.2
            and abs(np.log(width[i] / width[j])) < 0.2
            for j in kept
        )
        if not any(near):
            kept.append(int(i))
        if len(kept) == _KEPT:
            break
    return take(contours, np.array(kept, dtype=np.intp))


def refine(field: Field, contours: Contours, view: ShownView, toe: Side | None, passes: Passes = _PASSES) -> Candidates:
    """Trace contours again within a narrowing band around the claw-like shape nearest to each."""
    for span, looks, shape in passes:
        # Without a cost of leaving the shape the contour itself leads: shapes that no model foresees end so.
        middle = fit_shapes(contours.points, view, toe).points if shape else contours.points
        rays = cast_around(field, middle, _FINE_ANGLES, _FINE_RADII, span)
        contours = trace(field, rays, contours.own, contours.around, looks=looks, span=span / 0.8, shape=shape)
    fitted = fit_shapes(contours.points, view, toe)
    found = np.column_stack((traits(field, contours, view), fitted.unlike, np.minimum(fitted.turned, 0.1)))
    return Candidates(contours, found, fitted)


def retrace(field: Field, candidates: Candidates, row: int, view: ShownView, toe: Side | None) -> Candidates:
    """Trace one candidate anew from several changed beginnings: longer at the toe, shorter, wider, by looks alone."""
    contours = take(candidates.contours, np.full(len(_CHANGES), row, dtype=np.intp))
    axis = candidates.fitted.toe[row]
    points = contours.points.copy()
    centre = points[0].mean(axis=0)
    along = (points[0] - centre) @ axis
    across = (points[0] - centre) @ np.array([-axis[1], axis[0]])
    for k, (towards_toe, sideways) in enumerate(_CHANGES):
        stretched = np.where(along > 0, along * towards_toe, along)
        points[k] = centre + stretched[:, None] * axis + (across * sideways)[:, None] * np.array([-axis[1], axis[0]])
    return refine(field, replace(contours, points=points), view, toe, _RETRACE)


def _seeds(field: Field, view: ShownView) -> tuple[FloatArray, FloatArray]:
    width, height = field.size_mm
    x, y = np.meshgrid(np.arange(_GRID_MM / 2, width, _GRID_MM), np.arange(_GRID_MM / 2, height, _GRID_MM))
    centres = np.stack((x.ravel(), y.ravel()), axis=-1)
    away = np.linalg.norm(centres - field.reference_mm, axis=1)
    centres = centres[(away > _NEAR_MM) & (away < _FAR_MM[view])]
    axes = _AXES[view]
    return np.repeat(centres, len(axes), axis=0), np.tile(axes, len(centres))


def take(contours: Contours, rows: NDArray[np.intp]) -> Contours:
    """Return some of the contours."""
    return Contours(
        contours.place[rows],
        contours.points[rows],
        contours.own[rows],
        contours.around[rows],
        contours.differs[rows],
        contours.edge[rows],
        contours.radii,
    )
