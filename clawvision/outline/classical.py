"""The classical segmenter: no learned look, only what is known of the shape of horn and how it stands out.

1. `field`: the photo around the reference, about a millimetre a pixel: colour, texture, edges, kinds of look.
2. `candidates`: closed contours traced from seeds all over it; the most claw-like ones traced again, guided
   by the shapes that claws have.
3. The best one (side view), or the best two that belong together (sole view), traced anew from changed beginnings:
   what they agree in is sure.
4. `fine`: each point moved to the edge in the photo itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from clawvision.outline.candidates import Candidates, ShownView, propose, refine, retrace, sift
from clawvision.outline.field import Field, make_field
from clawvision.outline.fine import FineOutline, to_edges
from clawvision.outline.naming import Side, sides
from clawvision.outline.pairs import pair_traits
from clawvision.outline.rays import shape_of
from clawvision.outline.segmenter import FoundClaw, Segmentation
from clawvision.outline.weights import CONFIDENCE, PAIR, RANK, SIFT, Weights
from clawvision.types import FloatArray, Photo, Scale, View

DOUBT = ("rank", "pair", "margin", "agreement", "worst_agreement", "clear", "least_clear", "unlike", "moved")
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
    """A claw before its confidence is known: outline in the field's millimetres, direction of the toe, traits (t,)."""

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
    return [_settled(photo, field, candidates, row, view, toe, judgement, pair, margin) for row in rows]


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
    fine = to_edges(photo, field, again.contours.points[best])
    eighths = np.array([part.mean() for part in np.array_split(fine.clear, 8)])
    doubt = np.array(
        [
            scores[best],
            pair,
            min(margin, 10.0),
            float(np.mean(shared)),
            float(np.min(shared)),
            float(fine.clear.mean()),
            float(eighths.min()),
            float(again.fitted.unlike[best]),
            float(np.sqrt((fine.moved**2).mean())),
        ]
    )
    return Draft(fine, again.fitted.toe[best] * (1.0 + 20.0 * again.fitted.turned[best]), doubt)


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
        placed = sides(centres[0], centres[1], toe_direction(drafts))
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
    return Segmentation(tuple(claws), separated)


def toe_direction(drafts: list[Draft]) -> FloatArray:
    """Return the direction from heels to toes of a pair of soles: the one the surer of the two says."""
    first, second = drafts[0].toe, drafts[1].toe
    if first @ second >= 0:
        return first + second
    return first - second if np.hypot(*first) > np.hypot(*second) else second - first


_SIGMA_MM = 1.0  # standard error of a well-seen edge, against the truth of rendered feet
_OVERLAP = 0.03  # share of the smaller claw from which two outlines count as not separated
