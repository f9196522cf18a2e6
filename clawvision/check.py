"""Whether a photo will do, told at once, while the animal is still held: the chain's own stages, without the measuring.

The photo is decoded once, as small as serves. The reference is searched for as in a run. Where what the network
tells of the whole picture does not settle it, the claws are looked at closer, as a run does: for a doubtful outline, a
hidden tip, and for light and sharpness where they lie.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from clawvision.checked import Answer, AskedView, Checked
from clawvision.errors import PhotoRefused
from clawvision.outline.find import default_segmenter, find_outlines, rough_references
from clawvision.outline.learned.contract import VIEWS
from clawvision.outline.learned.look import Glance
from clawvision.outline.learned.segmenter import LearnedSegmenter
from clawvision.outline.segmenter import Segmenter
from clawvision.photo.quality import EDGE_SHARE, judge_quality, too_dark_to_see
from clawvision.photo.read import read_photo
from clawvision.reasons import reason
from clawvision.scale.camera import camera_for
from clawvision.scale.find import find_scale, unconfirmed
from clawvision.types import (
    ClawName,
    ClawOutline,
    FloatArray,
    Outlines,
    Photo,
    PhotoRequest,
    Reason,
    Scale,
    Settings,
    View,
    frozen_array,
)

LONG_SIDE_PX = 1600
"""A photo is decoded no smaller than this, the size of the sample photos (status J)."""
_HIDDEN_TIP = 0.5
"""Probability from which a tip counts as hidden. Clean sample photos: up to 0.02 at a glance, 0.01 from nearer. With
the tip covered by a flat patch the glance gives 0.1 to 0.9 in side views and up to 0.2 in sole views; from nearer 13 of
18 covered soles give more than this, the others more than 0.1."""
_PERHAPS_HIDDEN_TIP = 0.1
"""From nearer, a probability above this is worth a word (status J)."""
_SURE_VIEW = 0.9
"""Probability of another view from which the photo is said to show that one (status J)."""
_ROUGH_SIGMA_PX = 4.0
_AT_FRAME = 0.006
"""The coarse pass knows the horn's border to half a cell, this share of the longer side: horn so near the frame is cut
off, or has no ground around it."""

_ORDER = (
    # Nothing can be seen or read
    *("file_missing", "unreadable", "file_empty", "file_too_large", "not_a_photo", "heic_extra_missing", "truncated"),
    *("picture_too_large", "picture_too_small", "too_dark_to_see"),
    # What must be in the picture
    *("no_reference", "no_claw", "other_view", "claw_cut", "claw_hidden", "one_claw_only"),
    # How it was taken
    *("reference_too_oblique", "blurred", "too_dark", "too_bright", "reference_oblique", "claw_small"),
    *("reference_small", "one_marker", "plain_card", "focal_assumed"),
)
"""The most important first: what a person mends before anything else. What is not named comes last."""
_AGAIN = frozenset(
    {
        *("blurred", "too_dark", "too_bright", "claw_cut", "claw_small", "claw_hidden", "other_view"),
        *("reference_oblique", "reference_small"),
    }
)
"""Reasons for a person's look that another photo mends, and of which a quick look is sure enough."""
_BUT = frozenset({"plain_card", "focal_assumed"})
"""Notes that are told: what leaves a usable photo, and is better next time."""


def check_photo(
    path: Path,
    *,
    name: str | None = None,
    view: AskedView | None = None,
    settings: Settings | None = None,
    segmenter: Segmenter | None = None,
) -> Checked:
    """Tell whether a photo will do, and what to change.

    Parameters
    ----------
    path
        The photo.
    name
        What it is called; the file's name by default.
    view
        The view that it is meant to show; by default whichever it shows.
    settings
        What a run may vary.
    segmenter
        What looks for the claws; the package's own by default. One that cannot look quickly tells nothing of them.

    Returns
    -------
    Checked
        ``take it again`` wherever a run would refuse the photo for what this looks at. ``will do`` is no promise: a run
        looks closer, and may still send the photo to a person.
    """
    settings = settings or Settings()
    request = PhotoRequest(path=path, name=name or path.name, view=view)
    segmenter = segmenter or default_segmenter(settings.engine)
    try:
        photo, notes = read_photo(path, name=request.name, settings=settings, long_side=LONG_SIDE_PX)
    except PhotoRefused as refusal:
        return _checked(request, None, [refusal.reason])
    seen = segmenter.glance(photo) if isinstance(segmenter, LearnedSegmenter) else None
    shown = view or (_likelier(seen) if seen is not None else None)
    content = [] if seen is None else _content(seen, view)
    reasons = list(notes)
    if not isinstance(segmenter, LearnedSegmenter):
        reasons.append(reason("learned_outline_missing"))
    elif seen is None:
        reasons.append(reason("no_claw"))
    try:
        camera = camera_for(photo.exif, photo.width, photo.height)
        scale = find_scale(photo, request, settings, camera, lambda: rough_references(photo, segmenter))
    except PhotoRefused as refusal:
        dark = too_dark_to_see(photo)
        reasons += [refusal.reason, *([dark] if dark is not None else [])]
        return _checked(request, shown, [*reasons, *content])
    reasons += scale.reasons
    if isinstance(segmenter, LearnedSegmenter):
        reasons += unconfirmed(scale.reference, rough_references(photo, segmenter))
    settled = _checked(request, shown, [*reasons, *content]).answer == "take it again"
    if settled or seen is None or shown is None:
        judged = _quality(photo, scale, seen, shown or "side")
        unsure = _unsure(judged, photo, seen, shown or "side").difference(content)
        return _checked(request, shown, [*reasons, *judged, *content], unsure)
    closer, doubted = _closer(photo, scale, replace(request, view=shown), settings, segmenter)
    return _checked(request, shown, [*reasons, *closer], doubted)


def _closer(
    photo: Photo, scale: Scale, request: PhotoRequest, settings: Settings, segmenter: Segmenter
) -> tuple[list[Reason], frozenset[Reason]]:
    """Return what a run's own look at the claws has to say, and what of it does not suffice to turn a photo away."""
    try:
        outlines = find_outlines(photo, scale, request, settings, segmenter=segmenter)
    except PhotoRefused as refusal:
        return [refusal.reason], frozenset()
    hidden = {reason("claw_hidden", claw=claw.name): claw.hidden_tip for claw in outlines.claws}
    covered = {why for why, tip in hidden.items() if tip > _HIDDEN_TIP}
    perhaps = {why for why, tip in hidden.items() if tip > _PERHAPS_HIDDEN_TIP}
    judged = [*outlines.reasons, *judge_quality(photo, outlines, scale)]
    doubted = {each for each in (*judged, *perhaps) if each.code == "claw_hidden" and each not in covered}
    return [*judged, *sorted(perhaps, key=lambda why: why.message)], frozenset(doubted)


def _likelier(seen: Glance) -> AskedView:
    return "sole" if seen.odds("sole", "side") > 0 else "side"


def _content(seen: Glance, asked: AskedView | None) -> list[Reason]:
    """Return what the coarse pass has to say of what the picture shows."""
    wanted = asked or _likelier(seen)
    best = VIEWS[int(seen.views.argmax())]
    if best == "none" and seen.views.max() > _SURE_VIEW:
        return [reason("no_claw")]
    if best not in (wanted, "none") and seen.views.max() > _SURE_VIEW:
        return [reason("other_view", seen=best, asked=wanted)]
    found = []
    for claw, tip, name in zip(seen.claws_px, seen.hidden_tip, _names(wanted), strict=False):
        if claw is not None and tip > _HIDDEN_TIP:
            found.append(reason("claw_hidden", claw=name))
    if wanted == "sole" and any(claw is None for claw in seen.claws_px):
        found.append(reason("one_claw_only"))
    return found


def _names(view: View) -> tuple[ClawName, ...]:
    return ("left", "right") if view == "sole" else ("outer",)


def _quality(photo: Photo, scale: Scale, seen: Glance | None, view: View) -> tuple[Reason, ...]:
    rough = () if seen is None else zip(_names(view), seen.claws_px, strict=False)
    claws = tuple(
        ClawOutline(name, frozen_array(_to_frame(line, photo)), 0.0, _ROUGH_SIGMA_PX, "automatic")
        for name, line in rough
        if line is not None
    )
    return judge_quality(photo, Outlines(view, False, claws, ()), scale)


def _to_frame(line: FloatArray, photo: Photo) -> FloatArray:
    """Return a rough outline with what lies within its doubt of the photo's frame moved to it."""
    near = _AT_FRAME * max(photo.width, photo.height)
    far = np.array((photo.width - 1.0, photo.height - 1.0))
    moved: FloatArray = np.where(line < near, 0.0, np.where(line > far - near, far, line))
    return moved


def _unsure(judged: tuple[Reason, ...], photo: Photo, seen: Glance | None, view: View) -> frozenset[Reason]:
    """Return the reasons that rest on the rough outline alone: a hollow, a border near the frame but not at it."""
    lines = {} if seen is None else dict(zip(_names(view), seen.claws_px, strict=False))
    margin = max(1.0, EDGE_SHARE * max(photo.width, photo.height))
    far = np.array((photo.width - 1.0, photo.height - 1.0)) - margin
    near = [name for name, line in lines.items() if line is not None and (line > margin).all() and (line < far).all()]
    cut = {reason("claw_cut", claw=name) for name in near}
    return frozenset(each for each in judged if each.code == "claw_hidden" or each in cut)


def _checked(
    request: PhotoRequest, view: View | None, found: list[Reason], unsure: frozenset[Reason] = frozenset()
) -> Checked:
    place = {code: at for at, code in enumerate(_ORDER)}
    worth = [each for each in dict.fromkeys(found) if each.effect != "note" or each.code in _BUT]
    again = [each for each in worth if each not in unsure and (each.effect == "refused" or each.code in _AGAIN)]
    worth.sort(key=lambda each: (each not in again, place.get(each.code, len(place))))
    answer: Answer = "take it again" if again else "will do, but" if worth else "will do"
    return Checked(request.name, answer, view, tuple(worth))
