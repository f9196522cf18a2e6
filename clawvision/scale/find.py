"""Which reference a photo holds, in order of trust, and the scale that it gives."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from clawvision.errors import PhotoRefused
from clawvision.photo.frame import camera_in_photo, reference_in_photo
from clawvision.reasons import reason
from clawvision.scale.camera import camera_for
from clawvision.scale.card import find_card
from clawvision.scale.edges import straight_segments
from clawvision.scale.geometry import MARKER_ORIGINS
from clawvision.scale.id1 import find_id1
from clawvision.scale.points import reference_from_points
from clawvision.scale.pose import solve_scale
from clawvision.scale.ruler import find_ruler
from clawvision.scale.ruler_near import find_ruler_near
from clawvision.types import (
    WHOLE,
    ByteArray,
    Camera,
    FloatArray,
    Photo,
    PhotoRequest,
    Reason,
    Reference,
    Scale,
    Settings,
    View,
    frozen_array,
)

DEFAULT_HELD_OFFSET_MM = 25.0
"""Half a claw's width: a card held flat against the abaxial wall lies so far before the profile's plane."""
# Half the width of claws that are 40 to 60 mm wide, and how a hand holds a card against a curved wall.
U_HELD_OFFSET_MM = 3.5
# How level a card can be held with what it stands for (common practice).
U_LEVEL_OFFSET_MM = 2.5
_WINDOW_MARGIN = 0.25
"""What is looked at around a box, as a share of its longer side: the box is rough, and edges want room."""
_LEAST_WINDOW_PX = 24
_LONG = 4.0
"""What is so many times as long as wide is no card: that is 1.6 times, and at most 3 times as it is seen."""
_LONGISH = 1.9
"""Of a ruler's outline a part may be missing, or a finger may belong to it; that of a square card is less long."""
_BY_EDGES = {"id1": "plain card", "ruler": "ruler"}
_CONFIRMED = 0.1
"""Part of a reference that a rough outline covers at least, though it may miss most of it (status J)."""
_LONG_SEGMENT_SIDE = 480
"""Around something long its edges are looked for in a picture so large: they run through all of it."""


def _offset(kind: str, view: View | None, request: PhotoRequest) -> tuple[float, float, Reason | None]:
    """Return the offset, its standard uncertainty, and the note where it is a default."""
    held = view == "side" and kind in ("card", "id1")
    if request.offset_mm is not None:
        # A card that stands in line with the toe or lies level is given a small offset; one held against the
        # wall a large one, and the doubt is about how thick this claw is.
        held = held and abs(request.offset_mm) > 10.0
        return request.offset_mm, U_HELD_OFFSET_MM if held else U_LEVEL_OFFSET_MM, None
    offset = DEFAULT_HELD_OFFSET_MM if held else 0.0
    return offset, U_HELD_OFFSET_MM if held else U_LEVEL_OFFSET_MM, reason("offset_default", offset=offset)


def with_offset(scale: Scale, view: View | None, request: PhotoRequest) -> Scale:
    """Return the scale with the offset that goes with ``view``.

    Parameters
    ----------
    scale
        A scale found before the view was known.
    view
        What the photo shows; None leaves the plane of the reference itself.
    request
        Its ``offset_mm`` wins over the view's default.
    """
    offset, u_offset, note = _offset(scale.reference.kind, view, request)
    reasons = tuple(r for r in scale.reasons if r.code != "offset_default")
    return replace(
        scale, offset_mm=offset, u_offset_mm=u_offset, reasons=(*reasons, note) if note is not None else reasons
    )


def find_reference(
    pixels: ByteArray,
    request: PhotoRequest,
    settings: Settings,
    camera: Camera,
) -> Reference | None:
    """Return the reference that is trusted most: printed card, plain card, ruler.

    Parameters
    ----------
    pixels : uint8 (H, W, 3)
        The upright photo.
    request
        Its ``tick_mm`` wins over the settings'.
    settings
        Print scale of the card and its tolerance, default tick spacing.
    camera
        Camera of these pixels.
    """
    grey = _grey(pixels)
    card = find_card(grey)
    if card is not None:
        return _as_printed(card, settings)
    return _by_edges(pixels, grey, request, settings, camera)


def _grey(pixels: ByteArray) -> ByteArray:
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def _as_printed(card: Reference, settings: Settings) -> Reference:
    return replace(card, points_mm=frozen_array(card.points_mm * settings.print_scale), u_size_rel=settings.u_print_rel)


def _by_edges(
    pixels: ByteArray,
    grey: ByteArray,
    request: PhotoRequest,
    settings: Settings,
    camera: Camera,
    window: _Window | None = None,
) -> Reference | None:
    """Return a reference without markers, of a photo or near the rough outline in a window: plain card, ruler.

    Near something longish a ruler comes first: what is printed on one and lies around it may make up a card. Of
    something long the ticks are counted one by one before its rows are looked at as a whole, which takes longer.
    """
    tick_mm = settings.tick_mm if request.tick_mm is None else request.tick_mm
    is_long = window is not None and _is_long(window.rough_px)
    segments = straight_segments(pixels, _LONG_SEGMENT_SIDE) if is_long else straight_segments(pixels)

    def counted() -> Reference | None:
        sides = segments if window is None else _with_long_sides(segments, window.rough_px)
        return _with_note(find_ruler(grey, tick_mm, sides), request, tick_mm)

    if window is None:
        return find_id1(pixels, camera, segments) or counted()
    if is_long and (ruler := counted()) is not None:
        return ruler
    if _is_long(window.rough_px, _LONGISH) and (ruler := window.ruler(tick_mm)) is not None:
        return _with_note(ruler, request, tick_mm)
    plain = _plain_about(window, segments, is_long)
    return plain if plain is not None or is_long else counted()


def _with_note(ruler: Reference | None, request: PhotoRequest, tick_mm: float) -> Reference | None:
    """Return a ruler with the note that its ticks were assumed, where they were."""
    if ruler is None or request.tick_mm is not None:
        return ruler
    return replace(ruler, reasons=(*ruler.reasons, reason("tick_assumed", tick=tick_mm)))


def _is_long(rough_px: FloatArray, times: float = _LONG) -> bool:
    """Tell whether a rough outline (N, 2) is rather a ruler's than a card's."""
    sides = cv2.minAreaRect(rough_px.astype(np.float32))[1]
    return max(sides) > times * min(sides)


@dataclass(frozen=True, slots=True, eq=False)
class _Window:
    """A part of a photo, its camera, the pixel (2,) of the photo that is its first, the rough outline in it, and the
    whole photo with its camera."""

    pixels: ByteArray
    camera: Camera
    low: NDArray[np.int64]
    rough_px: FloatArray
    whole: ByteArray
    whole_camera: Camera

    def moved(self, found: Reference | None) -> Reference | None:
        """Return what was found in the part in pixels of the photo."""
        return _moved(found, self.low)

    def ruler(self, tick_mm: float) -> Reference | None:
        """Return the ruler that begins in the part, in its pixels; it may go on outside."""
        margin = int(np.ptp(self.rough_px, axis=0).max())
        first = np.maximum(self.low - margin, 0)
        width, height = self.pixels.shape[1], self.pixels.shape[0]
        around = self.whole[first[1] : self.low[1] + height + margin, first[0] : self.low[0] + width + margin]
        found = find_ruler_near(_grey(np.ascontiguousarray(around)), tick_mm, self.rough_px + (self.low - first))
        return _moved(found, first - self.low)


def _moved(found: Reference | None, by: NDArray[np.int64]) -> Reference | None:
    if found is None:
        return None
    return replace(found, points_px=frozen_array(found.points_px + by), outline_px=frozen_array(found.outline_px + by))


def _plain_about(window: _Window, segments: tuple[FloatArray, float], is_long: bool) -> Reference | None:
    """Return a plain card by the segments of a window, pixels of it, and by what lies about the window as well.

    The rough outline may miss a good part of the card.
    """
    ends, factor = segments
    in_whole = (ends + np.tile(window.low, 2) / factor, factor)
    rough_px = None if is_long else window.rough_px + window.low
    return _moved(find_id1(window.whole, window.whole_camera, in_whole, rough_px), -window.low)


def _with_long_sides(segments: tuple[FloatArray, float], rough_px: FloatArray) -> tuple[FloatArray, float]:
    """Add the long sides of a rough outline to the segments along which a ruler's ticks are looked for."""
    corners = np.asarray(cv2.boxPoints(cv2.minAreaRect(rough_px.astype(np.float32))), dtype=np.float64)
    sides = np.hstack((corners, np.roll(corners, -1, axis=0)))
    length = np.hypot(sides[:, 2] - sides[:, 0], sides[:, 3] - sides[:, 1])
    found, factor = segments
    return np.vstack(((sides[np.argsort(-length, kind="stable")[:2]] + 0.5) / factor - 0.5, found)), factor


def _window(rough_px: FloatArray, pixels: ByteArray, camera: Camera) -> _Window | None:
    """Return the part of the photo around a rough outline (N, 2); None where there is hardly any.

    What is small in the photo, or lost among the many straight edges of a wall, is found from near.
    """
    height, width = pixels.shape[:2]
    least, greatest = rough_px.min(axis=0), rough_px.max(axis=0)
    margin = _WINDOW_MARGIN * float((greatest - least).max())
    low = np.clip(np.floor(least - margin), 0, (width - 1, height - 1)).astype(int)
    high = np.clip(np.ceil(greatest + margin) + 1, 1, (width, height)).astype(int)
    if (high - low).min() < _LEAST_WINDOW_PX:
        return None
    part = np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]])
    shown = replace(
        camera, width=part.shape[1], height=part.shape[0], cx=camera.cx - float(low[0]), cy=camera.cy - float(low[1])
    )
    return _Window(part, shown, low, rough_px - low, pixels, camera)


def _windows(rough: Sequence[FloatArray], pixels: ByteArray, camera: Camera) -> list[_Window]:
    return [window for each in rough if (window := _window(each, pixels, camera)) is not None]


def _find_near(
    windows: Sequence[_Window], pixels: ByteArray, request: PhotoRequest, settings: Settings, camera: Camera
) -> Reference | None:
    """Return a reference that shows where one seems to lie, in the order of trust; a printed card wherever it shows.

    In a photo of many pixels this finds what a search of the whole photo finds, in a part of the time.
    """
    greys = [_grey(window.pixels) for window in windows]
    cards = (
        window.moved(find_card(grey, glance=_is_long(window.rough_px)))
        for window, grey in zip(windows, greys, strict=True)
    )
    card = next((found for found in cards if found is not None), None)
    if card is None or len(card.marker_ids) < len(MARKER_ORIGINS):
        card = find_card(_grey(pixels), glance=True) or card
    if card is not None:
        return _as_printed(card, settings)
    found = (
        window.moved(_by_edges(window.pixels, grey, request, settings, window.camera, window))
        for window, grey in zip(windows, greys, strict=True)
    )
    return next((each for each in found if each is not None), None)


def _find_in(window: _Window, request: PhotoRequest, settings: Settings) -> Reference | None:
    """Return the reference that is trusted most of those in a window."""
    grey = _grey(window.pixels)
    card = find_card(grey)
    if card is not None:
        return window.moved(_as_printed(card, settings))
    return window.moved(_by_edges(window.pixels, grey, request, settings, window.camera, window))


def unconfirmed(reference: Reference, rough: Sequence[FloatArray]) -> tuple[Reason, ...]:
    """Return a reason to look where a plain card or a ruler was found by its edges, and nothing else sees one there.

    Parameters
    ----------
    reference
        What was found.
    rough
        Rough outlines (N, 2), pixels, of all that looks like a reference to something that knows no edges.

    Notes
    -----
    Of 91 such finds in three held-out sets five were not confirmed; one of them was a stalk whose jagged edge passed
    for ticks, the others were right.
    """
    if reference.kind not in _BY_EDGES:
        return ()
    own = shapely.Polygon(reference.outline_px).convex_hull
    shapes = (shapely.Polygon(outline).buffer(0.0) for outline in rough if len(outline) > 3)
    if any(shape.intersection(own).area > _CONFIRMED * own.area for shape in shapes):
        return ()
    return (reason("reference_unconfirmed", reference=_BY_EDGES[reference.kind]),)


def find_scale(
    photo: Photo,
    request: PhotoRequest,
    settings: Settings,
    calibrated: Camera | None = None,
    where: Callable[[], Sequence[FloatArray]] = tuple,
) -> Scale:
    """Find the reference in a photo and where it lies before the camera.

    Parameters
    ----------
    photo
        The upright photo.
    request
        View, offset, tick spacing and given points (pixels of the file), as far as known.
    settings
        Print scale of the card and its tolerance, default tick spacing.
    calibrated
        Camera from a lens calibration that fits the photo, if there is one, for its pixels.
    where
        Tells rough outlines (N, 2), pixels, of what may be references, likeliest first. Asked only where the photo as a
        whole shows none; of a photo that was decoded smaller, at once.

    Returns
    -------
    Scale
        With the reasons ``one_marker``, ``plain_card``, ``tick_assumed``, ``focal_assumed`` and
        ``offset_default`` where they apply.

    Raises
    ------
    PhotoRefused
        If there is nothing of known size in the photo.
    UsageError
        If two given points cannot be used.
    """
    camera = calibrated or camera_in_photo(camera_for(photo.exif, *photo.file_size), photo)
    pixels = np.asarray(photo.pixels)
    # Front and rear views are drawn by hand: asking where a reference lies would be the only look at them.
    at_once = photo.reduction != WHOLE and request.view not in ("front", "rear")
    reference = None
    if at_once and (windows := _windows(where(), pixels, camera)):
        reference = _find_near(windows, pixels, request, settings, camera)
    if reference is None:
        reference = find_reference(pixels, request, settings, camera)
    if reference is None and not at_once:
        seen = (_find_in(window, request, settings) for window in _windows(where(), pixels, camera))
        reference = next((each for each in seen if each is not None), None)
    if reference is None and request.points is not None:
        reference = reference_in_photo(reference_from_points(request.points), photo.reduction)
    if reference is None:
        raise PhotoRefused(reason("no_reference"))
    scale = solve_scale(reference, camera, 0.0, U_LEVEL_OFFSET_MM)
    if camera.source == "assumed":
        scale = replace(scale, reasons=(*scale.reasons, reason("focal_assumed")))
    return with_offset(scale, request.view, request)
