"""The outlines of a photo's claws: what a person drew, else what the segmenter finds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from clawvision.errors import PhotoRefused
from clawvision.outline.learned.network import packaged_network
from clawvision.outline.learned.segmenter import LearnedSegmenter
from clawvision.outline.naming import Side, sole_name, toe_side
from clawvision.outline.segmenter import FoundClaw, ReferenceTeller, Segmentation, Segmenter, ViewTeller
from clawvision.outline.sidecar import Sidecar, SidecarClaw, check_inside
from clawvision.photo.frame import points_in_photo
from clawvision.reasons import reason
from clawvision.types import (
    WHOLE,
    ClawName,
    ClawOutline,
    Engine,
    FloatArray,
    Outlines,
    Photo,
    PhotoRequest,
    Reason,
    Reduction,
    Scale,
    Settings,
    View,
    frozen_array,
)

SIDECAR_SIGMA_PX = 1.0
"""Standard error of a line drawn by hand on the enlarged picture, pixels of the file; common practice."""

_CLEAR_ODDS = 2.0
_UNCLEAR_VIEW = 0.4  # most confidence of an outline whose view is inferred on little evidence
_SAME_CLAW = 0.75  # intersection over union from which a drawn and a found outline are of one claw
_DRAWN: tuple[View, ...] = ("front", "rear")  # views for which there is no automatic segmenter


def find_outlines(
    photo: Photo,
    scale: Scale,
    request: PhotoRequest,
    settings: Settings,
    sidecar: Sidecar | None = None,
    *,
    segmenter: Segmenter | None = None,
) -> Outlines:
    """Find the outlines of the claws that a photo shows.

    What the sidecar gives always counts. The segmenter fills in what it does not give: the other claw of a sole
    view, the outline of a claw of which only landmarks are given.

    Parameters
    ----------
    photo
        The upright photo.
    scale
        Camera and pose of the reference.
    request
        The manifest's row: view, foot and claw where known.
    settings
        ``min_confidence`` below which an automatic outline needs a person's look.
    sidecar
        What a person drew, in pixels of the file, or None.
    segmenter
        The automatic segmenter. By default the learned one, or where its model does not run the classical one.

    Returns
    -------
    Outlines
        In a side view one claw; in a sole view one or two.

    Raises
    ------
    PhotoRefused
        ``no_claw`` where there is no outline at all, ``sidecar_invalid`` where the sidecar does not fit the photo.
    """
    segmenter = segmenter or default_segmenter(settings.engine)
    if sidecar is not None:
        check_inside(sidecar, *photo.file_size)
        sidecar = _in_photo(sidecar, photo.reduction)
    stated = request.view or (sidecar.view if sidecar else None)
    expected_toe = toe_side(request.foot, request.claw or "outer")
    found: Segmentation | None = None
    if stated is None:
        view, found = _infer_view(photo, scale, segmenter, sidecar, expected_toe)
    else:
        view = stated
    given, assumed = _given(sidecar, view, request)
    wanted = 2 if view == "sole" else 1
    complete = sum(claw.outline_px is not None for claw in given.values()) >= wanted
    # The network tells the helical twist, which no drawn outline shows.
    if found is None and view not in _DRAWN and (not complete or isinstance(segmenter, LearnedSegmenter)):
        found = segmenter.segment(photo, scale, view, toe=expected_toe)
    automatic = _automatic(found, view, request, given)
    drawn_px = SIDECAR_SIGMA_PX / photo.reduction.by
    claws = _merged(given, automatic, wanted if view not in _DRAWN else len(given), drawn_px)
    claws = [_with_twist(claw, found, settings) for claw in claws]
    if not claws:
        raise PhotoRefused(reason("no_claw"))
    reasons: list[Reason] = []
    if found is not None and _is_classical(segmenter):
        reasons.append(reason("learned_outline_missing"))
    if stated is None:
        reasons.append(reason("view_inferred", view=view))
    if view == "side" and assumed:
        reasons.append(reason("claw_assumed"))
    if view == "sole" and request.foot is None and any(claw.name in ("left", "right") for claw in claws):
        reasons.append(reason("foot_unknown"))
    reasons.extend(_doubts(claws, found, view, photo, settings))
    leg_axis = sidecar.leg_axis_px if sidecar is not None else None
    return Outlines(view, stated is None, tuple(claws), tuple(reasons), leg_axis)


def rough_references(photo: Photo, segmenter: Segmenter) -> tuple[FloatArray, ...]:
    """Return rough outlines (N, 2) in pixels of what a segmenter takes for references; none where it knows of none."""
    return segmenter.rough_references(photo) if isinstance(segmenter, ReferenceTeller) else ()


def default_segmenter(engine: Engine = "opencv") -> Segmenter:
    """Return the learned segmenter; the classical one where the model is missing, altered or does not run.

    Raises
    ------
    MissingExtraError
        If the engine that is to run the network is not installed.
    """
    network = packaged_network(engine)
    if network is not None:
        return LearnedSegmenter(network)
    from clawvision.outline.classical import ClassicalSegmenter  # rarely needed, and takes its time to load

    return ClassicalSegmenter()


def _is_classical(segmenter: Segmenter) -> bool:
    if isinstance(segmenter, LearnedSegmenter):
        return False
    from clawvision.outline.classical import ClassicalSegmenter

    return isinstance(segmenter, ClassicalSegmenter)


def _in_photo(sidecar: Sidecar, reduction: Reduction) -> Sidecar:
    """Return what a person drew in pixels of the photo."""
    if reduction == WHOLE:
        return sidecar

    def moved(points: FloatArray | None) -> FloatArray | None:
        return None if points is None else frozen_array(reduction.to_photo(points))

    claws = {
        name: SidecarClaw(moved(claw.outline_px), points_in_photo(claw.landmarks_px, reduction))
        for name, claw in sidecar.claws.items()
    }
    return replace(sidecar, claws=claws, leg_axis_px=moved(sidecar.leg_axis_px))


def _infer_view(
    photo: Photo, scale: Scale, segmenter: Segmenter, sidecar: Sidecar | None, toe: Side | None
) -> tuple[View, Segmentation | None]:
    """Tell the view from the sidecar's claws where it has any, else by looking for both and weighing the evidence."""
    if sidecar is not None and (len(sidecar.claws) == 2 or {"left", "right"} & set(sidecar.claws)):
        return "sole", None
    if sidecar is not None and any(key in claw.landmarks_px for claw in sidecar.claws.values() for key in "CBH"):
        return "side", None
    if sidecar is not None and None in sidecar.claws:
        return "side", None
    if isinstance(segmenter, ViewTeller):
        told = segmenter.odds(photo, "sole")
        if told is None:
            return "side", Segmentation(())
        view: View = "sole" if told > 0 else "side"
        return view, _doubted(segmenter.segment(photo, scale, view, toe=toe), told)
    side = segmenter.segment(photo, scale, "side", toe=toe)
    sole = segmenter.segment(photo, scale, "sole")
    if not side.claws or not sole.claws:
        return ("sole", sole) if sole.claws else ("side", side)
    odds = sole.evidence - side.evidence
    chosen = sole if odds > 0 else side
    return ("sole" if odds > 0 else "side"), _doubted(chosen, odds)


def _doubted(found: Segmentation, odds: float) -> Segmentation:
    """Return what was found, with less confidence where the view is unclear: all measures may be wrong then."""
    if abs(odds) >= _CLEAR_ODDS:
        return found
    claws = tuple(replace(claw, confidence=min(claw.confidence, _UNCLEAR_VIEW)) for claw in found.claws)
    return replace(found, claws=claws)


def _given(sidecar: Sidecar | None, view: View, request: PhotoRequest) -> tuple[dict[ClawName, SidecarClaw], bool]:
    """Return the sidecar's claws by their final names, and whether the name of a side view's claw is assumed."""
    asked: ClawName = request.claw or "outer"
    if sidecar is None:
        return {}, request.claw is None
    if view == "side":
        if any(name in ("left", "right") for name in sidecar.claws):
            raise _misfit(sidecar, "the claw of a side view is outer or inner, not left or right")
        if None in sidecar.claws:
            return {asked: sidecar.claws[None]}, request.claw is None
        # The file may name another claw than the manifest does not name; of two claws the asked one counts.
        name = asked if asked in sidecar.claws else next(iter(sidecar.claws))
        if request.claw is not None and name != request.claw:
            raise _misfit(sidecar, f"it describes the {name} claw, the manifest asks for the {request.claw} one")
        return {name: sidecar.claws[name]} if name else {}, False
    if None in sidecar.claws:
        raise _misfit(sidecar, f"in a {view} view it must name the claws (outer, inner)")
    named: dict[ClawName, SidecarClaw] = {}
    for name, claw in sidecar.claws.items():
        if name in ("left", "right"):
            if view != "sole":
                raise _misfit(sidecar, f"in a {view} view the claws are outer and inner, not left and right")
            named[sole_name(name, request.foot)] = claw
        elif name is not None:
            named[name] = claw
    return named, False


def _misfit(sidecar: Sidecar, detail: str) -> PhotoRefused:
    return PhotoRefused(reason("sidecar_invalid", sidecar=sidecar.file, detail=detail))


def _automatic(
    found: Segmentation | None, view: View, request: PhotoRequest, given: dict[ClawName, SidecarClaw]
) -> dict[ClawName, ClawOutline]:
    """Return what the segmenter found, by name."""
    if found is None or not found.claws:
        return {}
    if view == "side":
        name: ClawName = next(iter(given), request.claw or "outer")
        return {name: _outline_of(name, found.claws[0])}
    named: dict[ClawName, ClawOutline] = {}
    for claw, name in zip(found.claws, _sole_names(found, request, given), strict=True):
        named[name] = _outline_of(name, claw)
    return named


def _sole_names(found: Segmentation, request: PhotoRequest, given: dict[ClawName, SidecarClaw]) -> list[ClawName]:
    """Name the claws of a sole view by the foot, or by the claw that a person named where the foot is unknown."""
    names = [sole_name(claw.side or "left", request.foot) for claw in found.claws]
    if request.foot is not None or not {"outer", "inner"} & set(given):
        return names
    # The found claw nearest to a named one is that claw; another one is its partner.
    name = next(iter(given))
    middle = _middle(given[name])
    away = [float(np.hypot(*(claw.outline_px.mean(axis=0) - middle))) for claw in found.claws]
    partner: ClawName = "inner" if name == "outer" else "outer"
    return [name if distance == min(away) else partner for distance in away]


def _middle(claw: SidecarClaw) -> FloatArray:
    points = claw.outline_px if claw.outline_px is not None else np.array(list(claw.landmarks_px.values()))
    middle: FloatArray = points.mean(axis=0)
    return middle


def _outline_of(name: ClawName, claw: FoundClaw) -> ClawOutline:
    return ClawOutline(
        name,
        frozen_array(claw.outline_px),
        claw.confidence,
        claw.sigma_px,
        "automatic",
        found=claw.landmarks,
        hidden_tip=claw.hidden_tip,
        twist=claw.twist,
        lean=claw.lean,
    )


def _merged(
    given: dict[ClawName, SidecarClaw], automatic: dict[ClawName, ClawOutline], at_most: int, drawn_px: float
) -> list[ClawOutline]:
    """Return each claw once, outer before inner: the sidecar's where it gives one, else the automatic one."""
    claws: list[ClawOutline] = []
    for name, claw in given.items():
        if claw.outline_px is not None:
            claws.append(ClawOutline(name, claw.outline_px, 1.0, drawn_px, "sidecar", claw.landmarks_px))
        elif name in automatic:
            claws.append(replace(automatic[name], given=claw.landmarks_px))
        else:
            claws.append(ClawOutline(name, None, 1.0, drawn_px, "sidecar", claw.landmarks_px))
    for name, outline in automatic.items():
        if name not in given and len(claws) < at_most:
            claws.append(outline)
    order = ("outer", "inner", "left", "right")
    return sorted(claws, key=lambda claw: order.index(claw.name))


def _with_twist(claw: ClawOutline, found: Segmentation | None, settings: Settings) -> ClawOutline:
    """Return a drawn claw with the twist that the segmenter tells of it, if it surely found the same claw."""
    if claw.source != "sidecar" or claw.outline_px is None or found is None:
        return claw
    drawn = shapely.Polygon(claw.outline_px).buffer(0)
    for other in found.claws:
        seen = shapely.Polygon(other.outline_px).buffer(0)
        alike = drawn.intersection(seen).area > _SAME_CLAW * drawn.union(seen).area
        if alike and other.confidence >= settings.min_confidence:
            return replace(claw, twist=other.twist)
    return claw


def _doubts(
    claws: list[ClawOutline], found: Segmentation | None, view: View, photo: Photo, settings: Settings
) -> list[Reason]:
    reasons: list[Reason] = []
    automatic = [claw for claw in claws if claw.source == "automatic"]
    weakest = min((claw.confidence for claw in automatic), default=1.0)
    if weakest < settings.min_confidence:
        reasons.append(reason("outline_doubtful", confidence=weakest))
    if view == "sole":
        if len(claws) < 2:
            reasons.append(reason("one_claw_only"))
        if automatic and found is not None and not found.separated:
            reasons.append(reason("claws_not_separated"))
    for claw in claws:
        if claw.outline_px is not None and _cut(claw, photo):
            reasons.append(reason("claw_cut", claw=claw.name))
    return reasons


def _cut(claw: ClawOutline, photo: Photo) -> bool:
    """Tell whether more of the outline than a grazing touch lies on the picture's edge."""
    points = claw.outline_px
    assert points is not None
    at_edge = (
        (points[:, 0] < 1.5)
        | (points[:, 1] < 1.5)
        | (points[:, 0] > photo.width - 2.5)
        | (points[:, 1] > photo.height - 2.5)
    )
    if at_edge.sum() < 2:
        return False
    on_edge = points[at_edge]
    extent = on_edge.max(axis=0) - on_edge.min(axis=0)
    return float(extent.max()) > 0.01 * max(photo.width, photo.height)
