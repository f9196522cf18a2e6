"""The classical segmenter: no learned look, only what is known of the shape of horn and how it stands out.

1. `field`: the photo around the reference, about a millimetre a pixel: colour, texture, edges, kinds of look.
2. `candidates`: closed contours traced from seeds all over it; the most claw-like ones traced again, guided
   by the shapes that claws have.
3. The best one (side view), or the best two that belong together (sole view), traced anew from changed beginnings:
   what they agree in is sure.
4. `tip`: in a side view the toe followed to its end.
5. `fine`: each point moved to the edge in the photo itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely

from clawvision.outline.candidates import Candidates, ShownView, propose, refine, retrace, sift
from clawvision.outline.field import Field, make_field
from clawvision.outline.fine import FineOutline, fine_picture, to_edges
from clawvision.outline.naming import Side, sides
from clawvision.outline.pairs import pair_traits, toe_direction
from clawvision.outline.rays import shape_of
from clawvision.outline.segmenter import FoundClaw, Segmentation
from clawvision.outline.tip import grow
from clawvision.outline.weights import CONFIDENCE, PAIR, RANK, SIFT, Weights
from clawvision.types import FloatArray, Photo, Scale, View

DOUBT = (
    "rank",
    "pair",
    "margin",
    "agreement",
    "worst_agreement",
    "clear",
    "least_clear",
    "toe_clear",
    "toe_blunt",
    "parted",
    "unlike",
    "grown",
    "toe_sure",
)
"""The traits from which the confidence follows."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """The fitted weights of the steps, exchangeable so that a scene can be judged by weights that never saw it."""

    sift: Weights
    rank: Weights
    pair: Weights | None
    confidence: Weights | None


@dataclass(frozen=True, slots=True, eq=False)
class Draft:
    """A claw before its confidence is known.

    ``fine`` is its outline, ``toe`` the direction of the toe, ``doubt`` the traits named in `DOUBT`.
    """

    fine: FineOutline
    toe: FloatArray
    doubt: FloatArray


class ClassicalSegmenter:
    """Finds claws by tracing closed contours and weighing how claw-like they are."""

    def segment(self, photo: Photo, scale: Scale, view: View, *, toe: Side | None = None) -> Segmentation:
        """See `Segmenter.segment`. Knows side and sole views; in others it finds nothing."""
        if view not in ("side", "sole"):
            return Segmentation(())
        judgement = Judgement(SIFT[view], RANK[view], PAIR if view == "sole" else None, CONFIDENCE[view])
        field = make_field(photo, scale)
        drafts = draft(photo, field, view, toe, judgement)
        return _finished(field, drafts, view, judgement)


def draft(photo: Photo, field: Field, view: ShownView, toe: Side | None, judgement: Judgement) -> list[Draft]:
    """Return the claws of a field, one or two, or none."""
    contours = sift(field, propose(field, view), view, judgement.sift)
    if len(contours.points) < 2:
        return []
    candidates = refine(field, contours, view, toe)
    scores = judgement.rank.score(candidates.traits)
    if view == "side":
        order = np.argsort(-scores, kind="stable")
        rows, pair, margin = [int(order[0])], 0.0, _margin(candidates, scores, int(order[0]))
    else:
        pairs, found = pair_traits(candidates, scores)
        if not len(pairs) or judgement.pair is None:
            return []
        pair_scores = judgement.pair.score(found)
        best = int(pair_scores.argmax())
        rows, pair = [int(row) for row in pairs[best]], float(pair_scores[best])
        others = ~np.isin(pairs, pairs[best]).any(axis=1)
        margin = pair - float(pair_scores[others].max(initial=-10.0))
    drafts = [_settled(photo, field, candidates, row, view, toe, judgement, pair, margin) for row in rows]
    if view == "sole":
        first, second = drafts
        direction, sure = toe_direction(
            field, (first.fine.points_mm, second.fine.points_mm), np.stack((first.toe, second.toe))
        )
        drafts = [replace(each, toe=direction, doubt=_with_toe(each.doubt, sure)) for each in drafts]
    return drafts


def _with_toe(doubt: FloatArray, sure: float) -> FloatArray:
    out = doubt.copy()
    out[DOUBT.index("toe_sure")] = min(sure, 3.0)
    return out


def _margin(candidates: Candidates, scores: FloatArray, best: int) -> float:
    """Return by how much the best candidate's score exceeds that of the best one elsewhere."""
    _, centre, _, length, _ = shape_of(candidates.contours.points)
    elsewhere = np.hypot(*(centre - centre[best]).T) > 0.35 * length[best]
    return float(scores[best] - scores[elsewhere].max(initial=-10.0))


def _settled(
    photo: Photo,
    field: Field,
    candidates: Candidates,
    row: int,
    view: ShownView,
    toe: Side | None,
    judgement: Judgement,
    pair: float,
    margin: float,
) -> Draft:
    """Trace a candidate anew, take the best result, and collect what there is to doubt."""
    again = retrace(field, candidates, row, view, toe)
    scores = judgement.rank.score(again.traits)
    best = int(scores.argmax())
    polygons = [shapely.Polygon(points).buffer(0) for points in again.contours.points]
    shared = [_iou(polygons[best], polygon) for k, polygon in enumerate(polygons) if k != best]
    points = again.contours.points[best]
    picture = fine_picture(photo, field, points, _MARGIN_MM)
    grown = 0.0
    if view == "side":
        points, grown = grow(picture, points, again.fitted.toe[best])
    fine = to_edges(picture, points)
    toe_clear, toe_blunt = _toe(fine, again.fitted.toe[best])
    doubt = np.array(
        [
            scores[best],
            pair,
            min(margin, 10.0),
            float(np.mean(shared)),
            float(np.min(shared)),
            float(fine.clear.mean()),
            float(_running_mean(fine.clear, _WINDOW).min()),
            toe_clear,
            toe_blunt,
            float(np.minimum(again.contours.differs[best], 0.3).min()),
            float(again.fitted.unlike[best]),
            grown / 10.0,
            0.0,
        ]
    )
    turned = min(10.0 * float(again.fitted.turned[best]), 1.0)
    return Draft(fine, again.fitted.toe[best] * turned, doubt)


def _running_mean(values: FloatArray, window: int) -> FloatArray:
    padded = np.concatenate((values, values[: window - 1]))
    out: FloatArray = np.convolve(padded, np.full(window, 1.0 / window), mode="valid")
    return out


def _toe(fine: FineOutline, direction: FloatArray) -> tuple[float, float]:
    """Return how clear the edge is around the toe, and the toe's angle in right angles: a toe cut short is blunt."""
    points = fine.points_mm
    tip = int((points @ direction).argmax())
    near = np.take(np.arange(len(points)), np.arange(tip - _WINDOW, tip + _WINDOW + 1), mode="wrap")
    one, other = points[near[0]] - points[tip], points[near[-1]] - points[tip]
    cosine = one @ other / max(float(np.hypot(*one) * np.hypot(*other)), 1e-9)
    return float(fine.clear[near].mean()), float(np.arccos(np.clip(cosine, -1.0, 1.0)) / (np.pi / 2))


def _iou(a: shapely.Geometry, b: shapely.Geometry) -> float:
    union = a.union(b).area
    return float(a.intersection(b).area / union) if union > 0 else 0.0


def _finished(field: Field, drafts: list[Draft], view: Literal["side", "sole"], judgement: Judgement) -> Segmentation:
    if not drafts or judgement.confidence is None:
        return Segmentation(())
    doubt = np.stack([each.doubt for each in drafts])
    confidence = 1.0 / (1.0 + np.exp(-judgement.confidence.score(doubt)))
    placed: tuple[Side | None, ...] = (None,)
    separated = True
    polygons = [shapely.Polygon(each.fine.points_mm).buffer(0) for each in drafts]
    if view == "sole":
        centres = [np.array(polygon.centroid.coords[0]) for polygon in polygons]
        placed = sides(centres[0], centres[1], drafts[0].toe)
        overlap = polygons[0].intersection(polygons[1]).area / min(polygon.area for polygon in polygons)
        separated = overlap < _OVERLAP
        # Both claws must be right for a comparison, and an error of one drags the other along.
        confidence = np.minimum(confidence, 0.5 * (confidence + confidence.min()))
    px = field.factor / field.step_mm
    claws = []
    for each, polygon, side, sure in zip(drafts, polygons, placed, confidence, strict=True):
        if polygon.geom_type != "Polygon":
            polygon = max(polygon.geoms, key=lambda part: part.area)
        outline = field.to_photo(np.asarray(polygon.exterior.coords)[:-1])
        sigma = px * float(np.hypot(_SIGMA_MM, 4.0 * (1.0 - each.doubt[DOUBT.index("agreement")])))
        claws.append(FoundClaw(outline, float(sure), sigma, side))
    # A good pair of soles is what tells the views apart: one claw-like contour is found in nearly every picture.
    evidence = drafts[0].doubt[DOUBT.index("pair")] + _PAIR_ODDS if view == "sole" else 0.0
    return Segmentation(tuple(claws), separated, float(evidence))


_MARGIN_MM = 66.0  # around a claw, for a toe that reaches farther
_WINDOW = 7  # points of the fine outline, 14 mm
_SIGMA_MM = 2.2  # standard error of an automatic edge, against the truth of rendered feet
_PAIR_ODDS = 0.9  # added to a pair's score: a score of so much less is as likely in a side view
_OVERLAP = 0.03  # share of the smaller claw from which two outlines count as not separated
