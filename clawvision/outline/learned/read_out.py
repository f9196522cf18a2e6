"""From the network's logits to outlines and landmarks in pixels of the photo."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from skimage.measure import find_contours

from clawvision.outline.learned.contract import (
    LANDMARK_STEP,
    LANDMARKS,
    MASK_STEP,
    MASKS,
    Float32Array,
    Outputs,
    cell_to_picture,
)
from clawvision.outline.learned.crop import Crop
from clawvision.types import FloatArray, Landmark

_LEG = MASKS.index("leg")
_OCCLUDER = MASKS.index("occluder")
_LEAST_CELLS = 60.0
"""A claw covers at least so many cells of a mask; what is smaller is a speck."""
_PIECE = 0.05
"""A piece of horn counts that has this share of the largest piece's area, if something in front parts the two."""
_SLOPE_LOGIT = 1.6
"""Logit at one standard error from an edge of normally distributed place: ln(Φ(1) / Φ(-1)) is 1.66."""
_LEAST_FIRM = 0.25
_MOST_SIGMA = 8.0
_NEAR, _FAR = 3, 6
"""Cells around a heat map's peak that give the landmark's place, and beyond which heat speaks for another place."""
_RIVAL = 0.5
"""Weight of the second place's squared distance in the variance. Fitted on half of the held-out scenes: heat spread
thin over the picture says nothing about the error, a second peak does."""


@dataclass(frozen=True, slots=True, eq=False)
class MaskOutline:
    """A claw's outline from its mask.

    ``polygon`` is in pixels of the photo; ``bridged`` the share of its area that something in front hides;
    ``sigma_px`` the standard error of the edge's place that the mask's slope tells, pixels of the photo; ``margin``
    the mean absolute logit inside, how sure the network is of the claw as a whole.
    """

    polygon: shapely.Polygon
    bridged: float
    sigma_px: float
    margin: float


def parted(outputs: Outputs) -> Float32Array:
    """Return the logits (2, h, w) of the two claws, each cell left to the likelier one."""
    a, b = outputs.masks[0], outputs.masks[1]
    return np.stack((np.minimum(a, a - b), np.minimum(b, b - a)))


def regions(logits: Float32Array, least: float = _LEAST_CELLS) -> list[shapely.Polygon]:
    """Return the regions of positive logits (h, w) as simple polygons in cells, largest first, holes filled.

    The border lies where the logit, interpolated between cells, is zero.
    """
    rows, columns = np.nonzero(logits > 0.0)
    if len(rows) < least:
        return []
    # Contours cost as many cells as they look at: only those around what is positive.
    top, left = max(int(rows.min()) - 1, 0), max(int(columns.min()) - 1, 0)
    part = logits[top : int(rows.max()) + 2, left : int(columns.max()) + 2]
    # Beyond the picture there is nothing: the contour closes half a cell outside.
    padded = np.pad(part, 1, constant_values=-float(np.abs(part).max()))
    found: list[shapely.Polygon] = []
    for contour in find_contours(padded, 0.0):  # type: ignore[no-untyped-call]
        if len(contour) < 4:
            continue
        polygon = largest(shapely.Polygon(contour[:, ::-1] + (left - 1.0, top - 1.0)).buffer(0))
        if polygon is not None and polygon.area >= least:
            found.append(shapely.Polygon(polygon.exterior))
    found.sort(key=lambda polygon: -polygon.area)
    kept: list[shapely.Polygon] = []
    for polygon in found:
        if not any(other.contains(polygon.representative_point()) for other in kept):
            kept.append(polygon)
    return kept


def largest(shape: shapely.Geometry) -> shapely.Polygon | None:
    """Return the largest polygon of a shape; None where it has none."""
    parts = [part for part in getattr(shape, "geoms", [shape]) if part.geom_type == "Polygon" and not part.is_empty]
    return max(parts, key=lambda part: part.area) if parts else None


def outline_of(
    logits: Float32Array, outputs: Outputs, crop: Crop, reference_px: FloatArray | None
) -> MaskOutline | None:
    """Return a claw's outline from its logits (h, w), None where there is no claw.

    Where a hand, a rope or the reference lies in front of the horn, the convex hull bridges what it hides.
    """
    pieces = regions(logits)
    if not pieces:
        return None
    hidden = shapely.unary_union(regions(outputs.masks[_OCCLUDER], least=8.0))
    if reference_px is not None:
        card = shapely.Polygon(_to_cells(crop.from_photo(reference_px))).convex_hull
        pieces = [part for part in (largest(piece.difference(card)) for piece in pieces) if part is not None]
        hidden = hidden.union(card)
    horn, bridged = _bridged(pieces, hidden)
    if horn is None or horn.area < _LEAST_CELLS:
        return None
    points = np.asarray(horn.exterior.coords)[:-1]
    polygon = largest(shapely.Polygon(crop.to_photo(cell_to_picture(points, MASK_STEP))).buffer(0))
    if polygon is None:
        return None
    inside = logits[logits > 0.0]
    return MaskOutline(
        shapely.Polygon(polygon.exterior),
        bridged,
        edge_sigma(logits, points, outputs.masks[_LEG]) * MASK_STEP / crop.scale,
        float(inside.mean()),
    )


def _to_cells(pixels: FloatArray) -> FloatArray:
    out: FloatArray = (pixels + 0.5) / MASK_STEP - 0.5
    return out


def _bridged(pieces: list[shapely.Polygon], hidden: shapely.Geometry) -> tuple[shapely.Polygon | None, float]:
    """Return the horn with what hides parts of it bridged by the convex hull, and the share of it that is hidden."""
    if not pieces:
        return None, 0.0
    if hidden.is_empty:
        return pieces[0], 0.0
    pieces = [piece for piece in pieces if piece.area >= _PIECE * pieces[0].area]
    seen = shapely.unary_union(pieces)
    # Half a cell more closes the crack that two contours leave between them.
    across = seen.convex_hull.intersection(hidden.buffer(0.6))
    if across.difference(seen).area < 1.0:
        return pieces[0], 0.0
    filled = seen.union(across)
    horn = largest(filled.buffer(0.6).buffer(-0.6))
    if horn is None:
        return None, 0.0
    horn = shapely.Polygon(horn.exterior)
    return horn, float(np.clip(1.0 - seen.intersection(horn).area / horn.area, 0.0, 1.0))


def edge_sigma(logits: Float32Array, points: FloatArray, leg: Float32Array) -> float:
    """Return the standard error of an edge (N, 2) in cells, from how steeply the logits cross it: root mean square.

    The edge against the leg is left out: where the horn begins under its hair, the landmarks tell and state themselves.
    """
    dx = cv2.Sobel(logits, cv2.CV_32F, 1, 0, scale=1 / 8)
    dy = cv2.Sobel(logits, cv2.CV_32F, 0, 1, scale=1 / 8)
    at = points.astype(np.float32)
    slope = cv2.remap(cv2.magnitude(dx, dy), at[None, :, 0], at[None, :, 1], cv2.INTER_LINEAR).ravel()
    sigma = _SLOPE_LOGIT / np.clip(slope.astype(np.float64), 0.1, None)
    hair = cv2.dilate((leg > 0.0).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    cells = np.clip(np.rint(points).astype(int), 0, np.array(logits.shape[::-1]) - 1)
    firm = ~hair[cells[:, 1], cells[:, 0]]
    if firm.mean() > _LEAST_FIRM:
        sigma = sigma[firm]
    return float(np.sqrt(np.mean(np.minimum(sigma, _MOST_SIGMA) ** 2)))


def landmarks_of(outputs: Outputs, crop: Crop, names: Iterable[str] = LANDMARKS) -> dict[str, Landmark]:
    """Return landmarks in pixels of the photo, by name.

    The place is the mean of the heat around its peak. The standard error is the stated one, widened by a second peak
    that lies elsewhere.
    """
    _, height, width = outputs.landmarks.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    stated = outputs.landmark_sigma
    found: dict[str, Landmark] = {}
    for name in names:
        logits = outputs.landmarks[LANDMARKS.index(name)]
        row, column = divmod(int(logits.argmax()), width)
        share = np.exp(logits - logits[row, column])
        share /= share.sum()
        near = (slice(max(row - _NEAR, 0), row + _NEAR + 1), slice(max(column - _NEAR, 0), column + _NEAR + 1))
        around = share[near] / share[near].sum()
        place = np.array([float((around * x[near]).sum()), float((around * y[near]).sum())])
        far = np.where((np.abs(x - column) > _FAR) | (np.abs(y - row) > _FAR), share, 0.0)
        rival_row, rival_column = divmod(int(far.argmax()), width)
        mass = float(far[(np.abs(x - rival_column) <= _NEAR) & (np.abs(y - rival_row) <= _NEAR)].sum())
        away = (rival_column - column) ** 2 + (rival_row - row) ** 2
        elsewhere = _RIVAL * mass * away / 2.0 * LANDMARK_STEP**2
        sigma = float(np.hypot(stated[LANDMARKS.index(name)], np.sqrt(elsewhere))) / crop.scale
        point = crop.to_photo(cell_to_picture(place, LANDMARK_STEP))
        found[name] = Landmark(float(point[0]), float(point[1]), sigma)
    return found


def joined(shapes: list[shapely.Polygon]) -> FloatArray:
    """Return the corners of all polygons, (N, 2)."""
    return np.concatenate([np.asarray(shape.exterior.coords)[:-1] for shape in shapes])
