"""The printed scale card, found by its markers: coarse search on a reduced picture, corners at full size."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from clawvision.reasons import reason
from clawvision.scale.edges import halvings, refine_quad
from clawvision.scale.geometry import MARKER_DICTIONARY, MARKER_ORIGINS, card_corners, marker_corners
from clawvision.types import ByteArray, FloatArray, Reference, frozen_array

# Long sides of the reduced pictures. The smallest finds most cards in a few milliseconds, the next ones those
# that are small in the picture; a marker that only shows in a larger one has too few pixels to be of use.
_SMALLEST_SIDE = 1100
_LARGEST_SIDE = 2200
_MIN_LIKENESS = 0.62  # correlation with the marker as drawn; a blurred one still has 0.7
_CELLS = 6  # a 4 × 4 marker with its black border
SIGMA_CORNER_PX = 0.10
"""Standard error of a marker's corner, one coordinate: lines fitted to its edges, seen on synthetic photos."""
SIGMA_ONE_MARKER_PX = 0.25
"""The same where nothing else in the picture vouches for the marker."""


@cache
def _dictionary() -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))


@cache
def _detector() -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    # Corners are refined at full size by line fits, so the search need not.
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    parameters.adaptiveThreshWinSizeMin = 7
    parameters.adaptiveThreshWinSizeMax = 23
    parameters.adaptiveThreshWinSizeStep = 16
    parameters.minMarkerPerimeterRate = 0.03
    # Blur rounds a marker's outline and runs its cells together: only the middle of a cell tells its colour.
    parameters.polygonalApproxAccuracyRate = 0.06
    parameters.perspectiveRemovePixelPerCell = 8
    parameters.perspectiveRemoveIgnoredMarginPerCell = 0.3
    # Wrong bits in the border are wet, glossy or muddy spots; the code itself is read without correction.
    parameters.maxErroneousBitsInBorderRate = 0.25
    parameters.errorCorrectionRate = 0.0
    return cv2.aruco.ArucoDetector(_dictionary(), parameters)


def _sharpened(grey: ByteArray) -> ByteArray:
    values = grey.astype(np.float32)
    softened = cv2.GaussianBlur(values, (0, 0), 3.0)
    values *= 3.5
    values -= np.multiply(softened, 2.5, out=softened)
    return np.asarray(cv2.convertScaleAbs(np.maximum(values, 0.0, out=values)), dtype=np.uint8)


def _detect(grey: ByteArray, factor: float = 1.0, origin: tuple[int, int] = (0, 0)) -> list[tuple[int, FloatArray]]:
    """Return the markers with ids of the card as (id, corners (4, 2)) in pixels of the full picture."""
    corners, ids, _ = _detector().detectMarkers(grey)
    if ids is None or len(corners) == 0:
        return []
    found = []
    for marker_id, quad in zip(np.reshape(ids, -1), corners, strict=True):
        if int(marker_id) in MARKER_ORIGINS:
            # A pixel's centre is at whole numbers in both pictures, so the half pixel moves with the factor.
            points = (np.reshape(quad, (4, 2)).astype(np.float64) + 0.5) * factor - 0.5 + np.array(origin)
            found.append((int(marker_id), points))
    return found


def _homography(found: dict[int, FloatArray]) -> FloatArray | None:
    source = np.concatenate([marker_corners(i) for i in sorted(found)])
    target = np.concatenate([found[i] for i in sorted(found)])
    matrix, _ = cv2.findHomography(source, target, 0)
    if matrix is None or not np.all(np.isfinite(matrix)):
        return None
    return np.asarray(matrix, dtype=np.float64)


def _map(matrix: FloatArray, points: FloatArray) -> FloatArray:
    return np.asarray(cv2.perspectiveTransform(points.reshape(-1, 1, 2), matrix), dtype=np.float64).reshape(-1, 2)


def _side(quad: FloatArray) -> float:
    """Return the mean side of a quadrilateral, pixels."""
    return float(np.linalg.norm(quad - np.roll(quad, -1, axis=0), axis=1).mean())


def _area(quad: FloatArray) -> float:
    x, y = quad[:, 0], quad[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _consistent(found: list[tuple[int, FloatArray]]) -> dict[int, FloatArray]:
    """Return the largest set of markers that one card explains.

    Every marker in turn proposes the card's place; others join it where they lie as it predicts. With two
    cards in the picture the one with more markers wins, then the larger.
    """
    best: dict[int, FloatArray] = {}
    best_rank = (0, 0.0)
    for seed_id, seed in found:
        matrix = _homography({seed_id: seed})
        if matrix is None or _area(seed) <= 0:
            continue
        group = {seed_id: seed}
        for other_id in MARKER_ORIGINS:
            if other_id == seed_id:
                continue
            predicted = _map(matrix, marker_corners(other_id))
            # A marker's own corners, half a pixel off, carried four marker sides away.
            allowed = 0.35 * _side(seed) + 4.0
            near = [
                (float(np.abs(quad - predicted).max()), quad)
                for marker_id, quad in found
                if marker_id == other_id and _area(quad) > 0
            ]
            near = [item for item in near if item[0] < allowed]
            if near:
                group[other_id] = min(near, key=lambda item: item[0])[1]
        rank = (len(group), sum(_area(quad) for quad in group.values()))
        if rank > best_rank:
            best, best_rank = group, rank
    return best


@cache
def _template(marker_id: int) -> FloatArray:
    """Return a marker with one white cell around, 8 × 8 cells of 4 pixels, as float64 (32, 32)."""
    picture = np.asarray(cv2.aruco.generateImageMarker(_dictionary(), marker_id, 4 * _CELLS))
    framed = np.full((32, 32), 255.0)
    framed[4:28, 4:28] = picture
    return framed


def _likeness(grey: ByteArray, quad: FloatArray, marker_id: int) -> float:
    """Return the correlation of the picture at ``quad`` with the marker, -1 to 1."""
    source = np.array([(3.5, 3.5), (27.5, 3.5), (27.5, 27.5), (3.5, 27.5)])
    matrix, _ = cv2.findHomography(source, quad, 0)
    if matrix is None:
        return -1.0
    x, y, right, below = _box(quad, grey, 0.3)
    if right - x < 8 or below - y < 8:
        return -1.0
    shift = np.array([(1.0, 0.0, -x), (0.0, 1.0, -y), (0.0, 0.0, 1.0)])
    crop = grey[y:below, x:right]
    # One pixel of the rectified marker may cover several of the photo.
    blur = _side(quad) / 24.0
    if blur > 1.5:
        crop = np.asarray(cv2.GaussianBlur(crop, (0, 0), 0.4 * blur), dtype=np.uint8)
    seen = cv2.warpPerspective(
        crop, shift @ matrix, (32, 32), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float64)
    # Inside the black square only: its frame would make any dark square like any marker.
    seen = seen[4:28, 4:28]
    expected = _template(marker_id)[4:28, 4:28]
    seen -= seen.mean()
    spread = float(seen.std())
    if spread < 4.0:
        return -1.0
    return float((seen * (expected - expected.mean())).mean() / (spread * expected.std()))


def _box(quad: FloatArray, grey: ByteArray, margin: float) -> tuple[int, int, int, int]:
    """Return left, top, right, bottom of a crop around ``quad``, half-open, ``margin`` of its size wider."""
    low, high = quad.min(axis=0), quad.max(axis=0)
    pad = margin * (high - low) + 3
    left, top = np.maximum(np.floor(low - pad), 0).astype(int)
    right, below = np.minimum(np.ceil(high + pad) + 1, (grey.shape[1], grey.shape[0])).astype(int)
    return int(left), int(top), int(right), int(below)


def _refined(grey: ByteArray, quad: FloatArray) -> FloatArray | None:
    """Return a marker's corners at full size, or None where fewer than four straight edges show."""
    # Two passes: the first catches up with the reduced picture's error, the second sits centred on the edges.
    reach = _side(quad) / _CELLS
    for part in (0.75, 0.6):
        refined = refine_quad(grey, quad, reach * part, sign=+1, rms_limit=max(0.35, 0.012 * _side(quad)))
        if refined is None or float(np.abs(refined - quad).max()) > max(1.2 * reach, 3.0):
            return None
        quad = refined
    return quad


def _detect_near(grey: ByteArray, quad: FloatArray) -> list[tuple[int, FloatArray]]:
    """Detect markers about ``quad`` at a good size, as the picture is and sharpened."""
    left, top, right, below = _box(quad, grey, 1.0)
    zoom = min(max(64.0 / _side(quad), 0.1), 3.0)
    how = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
    crop = np.asarray(
        cv2.resize(grey[top:below, left:right], None, fx=zoom, fy=zoom, interpolation=how), dtype=np.uint8
    )
    return [hit for version in (crop, _sharpened(crop)) for hit in _detect(version, 1.0 / zoom, (left, top))]


def _with_missing(grey: ByteArray, found: dict[int, FloatArray]) -> dict[int, FloatArray]:
    """Look for the markers not yet found where the found ones say that they must be."""
    matrix = _homography(found)
    if matrix is None:
        return found
    complete = dict(found)
    for marker_id in MARKER_ORIGINS:
        if marker_id in found:
            continue
        predicted = _map(matrix, marker_corners(marker_id))
        inside = (predicted.min(axis=0) >= 0).all() and (predicted.max(axis=0) <= np.array(grey.shape[::-1]) - 1).all()
        if not inside or _area(predicted) <= 0.2 * _area(next(iter(found.values()))):
            continue
        refined = _refined(grey, predicted)
        good = refined is not None and _likeness(grey, refined, marker_id) > _MIN_LIKENESS
        if not good and len(found) == 1:
            # One marker predicts too roughly for a direct look: search the surroundings.
            near = [q for i, q in _detect_near(grey, predicted) if i == marker_id]
            if near:
                refined = _refined(grey, min(near, key=lambda q: float(np.abs(q - predicted).max())))
                good = refined is not None and _likeness(grey, refined, marker_id) > _MIN_LIKENESS
        if good and refined is not None:
            complete[marker_id] = refined
    return complete


def _drop_misfits(found: dict[int, FloatArray]) -> dict[int, FloatArray]:
    """Drop the marker that fits worst while one card does not explain all of them."""
    while len(found) > 1:
        matrix = _homography(found)
        if matrix is None:
            return {}
        errors = {i: float(np.abs(_map(matrix, marker_corners(i)) - quad).max()) for i, quad in found.items()}
        worst = max(errors, key=lambda i: errors[i])
        # Lens distortion and a bent card leave some hundredths of a marker's side.
        if errors[worst] < max(1.5, 0.04 * _side(found[worst])):
            return found
        if len(found) == 2:
            # Two that disagree: nothing tells which one is wrong.
            return {}
        found = {i: quad for i, quad in found.items() if i != worst}
    return found


def _search(grey: ByteArray, picture: ByteArray, factor: float) -> dict[int, FloatArray]:
    """Return the markers of one card that a reduced picture shows, with corners at full size."""
    group: dict[int, FloatArray] = {}
    for marker_id, quad in _consistent(_detect(picture, factor)).items():
        refined = _refined(grey, quad)
        if refined is not None and _likeness(grey, refined, marker_id) > _MIN_LIKENESS:
            group[marker_id] = refined
    if len(group) == 1:
        group = _with_missing(grey, group)
    if len(group) >= 2:
        group = _with_missing(grey, group)
    return _drop_misfits(group)


def find_card(grey: ByteArray, *, glance: bool = False) -> Reference | None:
    """Find the printed scale card.

    Parameters
    ----------
    grey : uint8 (H, W)
        The upright photo.
    glance
        Whether to look for it in the smallest picture only, and to know it by two markers at least: that takes a third
        of the time where there is none.

    Returns
    -------
    Reference or None
        Kind ``card`` with four points for each marker found, in the order of ``marker_ids``; with the reason
        ``one_marker`` and a wider ``sigma_px`` where only one shows. None where there is no marker of the card.
    """
    pictures = halvings(grey, _SMALLEST_SIDE, _LARGEST_SIDE)
    best: dict[int, FloatArray] = {}
    for picture, factor in pictures[:1] if glance else pictures:
        best = max(best, _search(grey, picture, factor), key=len)
        if len(best) >= 2:
            break
    else:
        if glance:
            return None
        # Out of focus the code's cells run together; sharpening parts them again.
        picture, factor = pictures[0]
        best = max(best, _search(grey, _sharpened(picture), factor), key=len)
    if not best:
        return None
    matrix = _homography(best)
    if matrix is None:
        return None
    ids = tuple(sorted(best))
    single = len(ids) == 1
    return Reference(
        kind="card",
        points_px=frozen_array(np.concatenate([best[i] for i in ids])),
        points_mm=frozen_array(np.concatenate([marker_corners(i) for i in ids])),
        sigma_px=SIGMA_ONE_MARKER_PX if single else SIGMA_CORNER_PX,
        outline_px=frozen_array(_map(matrix, card_corners())),
        marker_ids=ids,
        reasons=(reason("one_marker"),) if single else (),
    )
