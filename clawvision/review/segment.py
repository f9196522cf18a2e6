"""An outline from a few clicks: on horn, and on what is not horn.

Where the network sees the claw that the first click means, its answer is the beginning and the clicks put it right
(`clawvision.review.prior`). Else a graph cut on a reduced crop of the photo (OpenCV's GrabCut), which learns from the
clicks and from the outline so far what horn looks like. Where there is an outline that somebody drew or the program
found, a click that contradicts it opens it around the click, and nowhere else: what is right elsewhere stays as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import shapely

from clawvision.outline.learned.crop import Pyramid
from clawvision.outline.learned.read_out import regions
from clawvision.photo.shrink import shrink
from clawvision.review.edges import snapped
from clawvision.review.prior import Prior, bent
from clawvision.types import ByteArray, FloatArray

MAX_SEEDS = 200
_SIDE = 300
"""Longer side of the reduced crop, pixels: the cut takes about half a second."""
_MARGIN = 0.25
"""What is looked at around outline and clicks, as a share of their extent."""
_FREE_SHARE = 0.35
"""Without an outline so far, half the extent of what is looked at around a click, as a share of the photo's side."""
_BAND = 0.06
"""Half width of the band along an outline from clicks alone that may change, as a share of its extent."""
_ROOM = 0.03
"""Added to the reach of what a click opens, as a share of the outline's extent."""
_OPEN = 1.6
"""A click that contradicts the outline opens it up to so many times the way from the click to the outline."""
_OPEN_ANEW = 2.0
_DISC = 3
"""Radius of a click, pixels of the reduced crop."""
_JOIN = 0.3
"""Half width of the strip from a contradicting click to the outline, as a share of its length."""
_OWN = 0.3
"""A click is sure of its surroundings up to this share of the way to the nearest click of the other kind, or to the
outline so far."""
_LEAST_HELD = 20
"""A piece counts as held by a click from so many pixels of it."""
_NEIGHBOUR_ODDS = 5.0
"""Log odds against horn where another claw lies."""
_BRIDGES = (0.0, 2.0, 4.0, 8.0, 16.0)
"""Half widths of gaps that are closed between pieces that clicks hold, pixels of the reduced crop."""
_ROUNDS = 4
_SPACING = 1.2
"""Spacing of the outline's points, pixels of the reduced crop."""


@dataclass(frozen=True, slots=True)
class Seeds:
    """Clicks on horn and on what is not horn: (N, 2) and (M, 2), pixels of the photo."""

    horn: FloatArray
    other: FloatArray


@dataclass(frozen=True, slots=True)
class _View:
    """The reduced crop: its picture, its corner in the photo, its pixels per pixel of the photo."""

    picture: ByteArray
    corner: FloatArray
    scale: FloatArray

    def place(self, points: FloatArray) -> FloatArray:
        out: FloatArray = (points - self.corner + 0.5) * self.scale - 0.5
        return out

    def back(self, points: FloatArray) -> FloatArray:
        out: FloatArray = (points + 0.5) / self.scale - 0.5 + self.corner
        return out


def segment(
    pixels: ByteArray,
    seeds: Seeds,
    outline: FloatArray | None = None,
    neighbours: Sequence[FloatArray] = (),
    *,
    anew: bool = False,
    pyramid: Pyramid | None = None,
    prior: Prior | None = None,
) -> FloatArray | None:
    """Return the outline (N, 2) that goes with the clicks; None where they leave nothing.

    Parameters
    ----------
    pixels
        The upright photo, uint8 (H, W, 3) RGB.
    seeds
        The clicks; at least one on horn where there is no outline so far.
    outline
        The outline so far, pixels.
    neighbours
        Outlines of other claws, which this one does not cover.
    anew
        The outline so far comes from such clicks alone: nothing of it is sure, and a band along it may change too.
    pyramid
        The photo with its halvings, where there is one already; for the last step to the edge.
    prior
        What the network makes of the photo. It serves where no outline is given, or one from clicks alone.
    """
    if outline is None and not len(seeds.horn):
        return None
    if prior is not None and (outline is None or anew):
        corrected = _corrected(pixels, seeds, neighbours, prior, pyramid)
        if corrected is not None:
            return corrected
    view = _view(pixels, seeds, outline)
    labels, opened = _labels(view, seeds, outline, neighbours, anew)
    if outline is not None and not opened and not anew:
        return outline
    if not np.isin(labels, (cv2.GC_FGD, cv2.GC_PR_FGD)).any():
        return None
    if not np.isin(labels, (cv2.GC_BGD, cv2.GC_PR_BGD)).any():
        labels[[0, -1]] = labels[:, [0, -1]] = cv2.GC_BGD  # the cut needs an example of either kind
    smooth = cv2.bilateralFilter(view.picture, 5, 25, 3)
    cut = labels.copy()
    state = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.setRNGSeed(0)  # the same clicks give the same outline
    cv2.grabCut(smooth, cut, (0, 0, 1, 1), state[0], state[1], _ROUNDS, cv2.GC_INIT_WITH_MASK)
    region = np.isin(cut, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.uint8)
    line = _traced(region, labels)
    if line is None:
        return None
    found = _at_edge(pyramid or Pyramid(pixels), view.back(line), 2.0 / float(view.scale.min()))
    if outline is None or anew:
        return found
    return _within(outline, found, [(view.back(centre), reach / float(view.scale.mean())) for centre, reach in opened])


def _corrected(
    pixels: ByteArray, seeds: Seeds, neighbours: Sequence[FloatArray], prior: Prior, pyramid: Pyramid | None
) -> FloatArray | None:
    """Return the network's outline of the claw that the first click means, put right by all clicks.

    The clicks hold all that is known: the outline so far is not needed. None where the network sees no claw there.
    """
    meant = prior.meant(seeds.horn[0]) if len(seeds.horn) else None
    if meant is None:
        return None
    claw, rough = meant
    view = _view(pixels, seeds, rough)
    height, width = view.picture.shape[:2]
    corners = view.back(np.array([(0.0, 0.0), (width - 1.0, 0.0), (0.0, height - 1.0)]))
    horn, other = view.place(seeds.horn), view.place(seeds.other)
    extent = float(np.ptp(view.place(rough), axis=0).max())
    odds = bent(prior.odds(claw, corners, (width, height)), view.picture, horn, other, extent)
    for neighbour in neighbours:
        odds[_filled(odds.shape, view.place(neighbour)) > 0] = -_NEIGHBOUR_ODDS
    pieces = regions(odds.astype(np.float32), least=_LEAST_HELD)
    if not pieces:
        return None
    line = _even(np.asarray(_as_one(pieces, horn).exterior.coords)[:-1])
    return _at_edge(pyramid or Pyramid(pixels), view.back(line), 1.0 / float(view.scale.min()))


def _as_one(pieces: Sequence[shapely.Polygon], horn: FloatArray) -> shapely.Polygon:
    """Return the pieces that hold clicks on horn, made one; the largest where none does. Pieces are largest first."""
    clicked = shapely.points(horn)
    whole = shapely.union_all([piece for piece in pieces if shapely.contains(piece, clicked).any()] or pieces[:1])
    for reach in _BRIDGES:
        closed = whole.buffer(reach).buffer(-reach)
        if closed.geom_type == "Polygon":
            return closed
    return max(shapely.get_parts(whole), key=lambda part: float(part.area))


def _view(pixels: ByteArray, seeds: Seeds, outline: FloatArray | None) -> _View:
    height, width = pixels.shape[:2]
    known = np.vstack([seeds.horn, seeds.other, *([] if outline is None else [outline])])
    low, high = known.min(axis=0), known.max(axis=0)
    room = _MARGIN * float((high - low).max()) if outline is not None else 0.0
    least = _FREE_SHARE * max(height, width) if outline is None else 0.0
    middle, half = (low + high) / 2, np.maximum((high - low) / 2 + room, least)
    left, top = np.floor(np.clip(middle - half, 0, (width - 9, height - 9))).astype(int)
    right, bottom = np.ceil(np.clip(middle + half + 1, (left + 8, top + 8), (width, height))).astype(int)
    factor = min(_SIDE / max(right - left, bottom - top), 1.0)
    size = max(round((right - left) * factor), 8), max(round((bottom - top) * factor), 8)
    picture = shrink(pixels[top:bottom, left:right], size)
    return _View(
        np.ascontiguousarray(picture),
        np.array([left, top], dtype=np.float64),
        np.array([size[0] / (right - left), size[1] / (bottom - top)]),
    )


def _labels(
    view: _View, seeds: Seeds, outline: FloatArray | None, neighbours: Sequence[FloatArray], anew: bool
) -> tuple[ByteArray, list[tuple[FloatArray, float]]]:
    """Return what is known before the cut, in GrabCut's four words, and where the outline is opened: centre, reach."""
    opened: list[tuple[FloatArray, float]] = []
    shape = view.picture.shape[:2]
    horn, other = view.place(seeds.horn), view.place(seeds.other)
    if outline is None:
        labels = _from_clicks(shape, horn, other)
    else:
        labels, opened = _from_outline(shape, view.place(outline), horn, other, anew)
    line = None if outline is None else view.place(outline)
    for neighbour in neighbours:
        labels[_filled(shape, view.place(neighbour)) > 0] = cv2.GC_BGD
    for points, opposite, label in ((other, horn, cv2.GC_BGD), (horn, other, cv2.GC_FGD)):
        for x, y in points:
            way = float(np.hypot(*(opposite - (x, y)).T).min()) if len(opposite) else 0.0
            if line is not None:
                way = min(way or np.inf, float(np.hypot(*(line - (x, y)).T).min()))
            cv2.circle(labels, (round(x), round(y)), max(round(_OWN * way), _DISC), label, -1)
    if line is not None:
        _joined(labels, line, horn, other)
    return labels, opened


def _joined(labels: ByteArray, outline: FloatArray, horn: FloatArray, other: FloatArray) -> None:
    """Join each click that contradicts the outline to its own side by the shortest way, so that it is no island."""
    line = np.round(outline).astype(np.float32)
    for points, label in ((other, cv2.GC_BGD), (horn, cv2.GC_FGD)):
        for x, y in points:
            deep = cv2.pointPolygonTest(line, (float(x), float(y)), True)
            if (deep > 0) == (label == cv2.GC_BGD):
                nearest = outline[np.hypot(*(outline - (x, y)).T).argmin()]
                width = max(round(2 * _JOIN * abs(deep)), _DISC)
                beyond = nearest + (nearest - (x, y)) / max(abs(deep), 1.0) * _DISC
                ends = [(round(float(u)), round(float(v))) for u, v in ((x, y), beyond)]
                cv2.line(labels, ends[0], ends[1], label, width)


def _from_clicks(shape: tuple[int, ...], horn: FloatArray, other: FloatArray) -> ByteArray:
    """Every pixel by its nearest click; the crop's border is not horn."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    to_border = np.minimum.reduce([rows, columns, shape[0] - 1 - rows, shape[1] - 1 - columns]).astype(np.float64)
    to_horn = _nearest(rows, columns, horn)
    to_other = np.minimum(_nearest(rows, columns, other), to_border)
    labels = np.where(to_horn < to_other, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    labels[to_border < 2] = cv2.GC_BGD
    return labels


def _nearest(rows: np.ndarray, columns: np.ndarray, points: FloatArray) -> FloatArray:
    away = np.full(rows.shape, np.inf)
    for x, y in points:
        away = np.minimum(away, np.hypot(columns - x, rows - y))
    return away


def _from_outline(
    shape: tuple[int, ...], outline: FloatArray, horn: FloatArray, other: FloatArray, anew: bool
) -> tuple[ByteArray, list[tuple[FloatArray, float]]]:
    """The outline so far counts, except around clicks that contradict it."""
    inside = _filled(shape, outline)
    extent = float(np.ptp(outline, axis=0).max())
    labels = np.where(inside > 0, cv2.GC_FGD, cv2.GC_BGD).astype(np.uint8)
    if anew:
        deep = cv2.distanceTransform(inside, cv2.DIST_L2, 5) + cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
        band = deep <= max(_BAND * extent, 3.0)
        labels[band] = np.where(inside > 0, cv2.GC_PR_FGD, cv2.GC_PR_BGD)[band]
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    nearer_horn = _nearest(rows, columns, horn) < _nearest(rows, columns, other)
    line = np.round(outline, 2).astype(np.float32)
    opened = []
    for points, wrong in ((horn, False), (other, True)):
        for point in points:
            away = cv2.pointPolygonTest(line, (float(point[0]), float(point[1])), True)
            if (away > 0) == wrong:
                reach = (_OPEN_ANEW if anew else _OPEN) * abs(away) + _ROOM * extent
                opened.append((point, reach))
                disc = np.hypot(columns - point[0], rows - point[1]) <= reach
                # In what is opened, nearness to the clicks counts beside the outline.
                likely = (inside > 0) != (disc & (nearer_horn != wrong))
                labels[disc] = np.where(likely, cv2.GC_PR_FGD, cv2.GC_PR_BGD)[disc]
    return labels, opened


def _within(outline: FloatArray, found: FloatArray, opened: Sequence[tuple[FloatArray, float]]) -> FloatArray | None:
    """Return the outline with what was found in its place where it was opened."""
    zone = shapely.union_all([shapely.Point(*centre).buffer(reach) for centre, reach in opened])
    before, after = (shapely.make_valid(shapely.Polygon(line)) for line in (outline, found))
    whole = before.difference(zone).union(after.intersection(zone))
    # Where both meet at the zone's rim the rounding of the arithmetic may leave a slit.
    healed = whole.buffer(0.05, join_style="mitre").buffer(-0.05, join_style="mitre")
    pieces = [part for part in shapely.get_parts(healed) if part.geom_type == "Polygon"]
    if not pieces:
        return None
    ring = np.asarray(max(pieces, key=lambda part: part.area).exterior.coords)[:-1]
    return np.array(ring, dtype=np.float64)


def _filled(shape: tuple[int, ...], outline: FloatArray) -> ByteArray:
    mask = np.zeros(shape[:2], dtype=np.uint8)
    cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], 1, shift=4)
    return mask


def _traced(region: ByteArray, labels: ByteArray) -> FloatArray | None:
    """Return the outline of the pieces that hold what surely is horn, made one, without holes and whiskers."""
    room = 24
    wide = cv2.copyMakeBorder(region, room, room, room, room, cv2.BORDER_CONSTANT)
    sure = cv2.copyMakeBorder((labels == cv2.GC_FGD).astype(np.uint8), room, room, room, room, cv2.BORDER_CONSTANT)
    opened = np.asarray(cv2.morphologyEx(wide, cv2.MORPH_OPEN, _disc(5)), dtype=np.uint8) | (wide & sure)
    count, pieces = cv2.connectedComponents(opened)
    holds = [int((sure[pieces == k] > 0).sum()) for k in range(1, count)]
    if not holds:
        return None
    kept = np.isin(pieces, [k + 1 for k, held in enumerate(holds) if held >= _LEAST_HELD or held == max(holds)])
    whole = kept.astype(np.uint8)
    for size in range(5, 2 * room, 6):  # pieces that a hair or a stripe of dirt parts
        if cv2.connectedComponents(whole)[0] <= 2:
            break
        whole = np.asarray(cv2.morphologyEx(kept.astype(np.uint8), cv2.MORPH_CLOSE, _disc(size)), dtype=np.uint8)
    contours, _ = cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    best = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(np.float64) - room
    polygon = shapely.Polygon(best).buffer(0.5, join_style="mitre") if len(best) >= 4 else None
    if polygon is None or polygon.geom_type != "Polygon" or polygon.area < 30:
        return None
    return _even(np.asarray(polygon.exterior.coords)[:-1])


def _disc(size: int) -> ByteArray:
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), dtype=np.uint8)


def _even(ring: FloatArray) -> FloatArray:
    """Return the outline as points of even spacing, without the steps of the pixels."""
    line = np.vstack((ring, ring[:1]))
    along = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))))
    count = max(int(along[-1] / _SPACING), 24)
    at = np.arange(count) * along[-1] / count
    even = np.stack([np.interp(at, along, line[:, k]) for k in (0, 1)], axis=-1)
    padded = np.vstack((even[-2:], even, even[:2]))
    kernel = np.array([1.0, 3.0, 4.0, 3.0, 1.0]) / 12.0
    return np.stack([np.convolve(padded[:, k], kernel, mode="valid") for k in (0, 1)], axis=-1)


def _at_edge(pyramid: Pyramid, outline: FloatArray, reach_px: float) -> FloatArray:
    """Return the outline at the photo's own edge, or as it was where that would make it cross itself."""
    moved = snapped(pyramid, outline, 0, len(outline) - 1, reach_px)
    return moved if shapely.Polygon(moved).is_valid else outline
