"""The annotated picture: the photo, reduced, with everything that was measured on it, or why nothing was."""

from __future__ import annotations

from io import BytesIO

import cv2
import numpy as np
import shapely
from PIL import Image, ImageDraw

from clawvision.output.blur import blurred_around, kept_of
from clawvision.output.drawing import Canvas
from clawvision.output.overlay import Overlay, Text
from clawvision.output.panel import foot, head, sign
from clawvision.output.style import FAINT, PAPER, font
from clawvision.types import ByteArray, Photo, PhotoResult

LONG_SIDE = 1600
"""Longest side of the reduced photo, pixels."""
_SMALL = 1000
"""A photo smaller than this is enlarged to it, so that the letters stay in proportion."""
_NARROW = 900
"""The least width of the whole picture: room for its texts."""


def annotate(photo: Photo | None, result: PhotoResult, *, blur_background: bool = False) -> Image.Image:
    """Return the annotated picture of one photo.

    Parameters
    ----------
    photo
        The decoded photo; None where it could not be decoded.
    result
        What the chain made of it, in pixels of the file, of which ``photo`` may be a reduction.
    blur_background
        Make all but the measured foot and the reference unrecognisable before anything is drawn.

    Returns
    -------
    PIL.Image.Image
        RGB, without any metadata. The photo's part is at most 1600 pixels on its long side.
    """
    pixels, factor = _reduced(photo)
    height, width = pixels.shape[:2]
    full = max(width, _NARROW)
    size = round(full * 0.0245)
    texts: list[Text] = []
    if blur_background and photo is not None:
        # The centre of a pixel is at whole numbers in all pictures.
        reduction = photo.reduction
        kept = shapely.transform(kept_of(result), lambda points: (reduction.to_photo(points) + 0.5) * factor - 0.5)
        pixels = blurred_around(pixels, kept)
    if result.status == "refused":
        # Paled towards grey, so that nobody takes it for a measured one; a dark one stays visible.
        pixels = np.asarray(cv2.convertScaleAbs(pixels, alpha=0.5, beta=52), dtype=np.uint8)
    canvas = Canvas(pixels, max(1.5, max(width, height) / 500))
    if photo is not None:
        overlay = Overlay(canvas, result, factor, photo.reduction, round(max(14.0, width * 0.0245)))
        overlay.draw()
        texts = overlay.texts

    above, below = head(result, full, size), foot(result, full, size)
    top = sum(panel.height for panel in above)
    picture = Image.new("RGB", (full, top + height + sum(panel.height for panel in below)), PAPER)
    left = (full - width) // 2
    picture.paste(Image.fromarray(pixels), (left, top))
    pen = ImageDraw.Draw(picture)
    for text in texts:
        anchor = "mm" if text.centred else "lm"
        pen.text((left + text.x, top + text.y), text.text, font=font(text.size), fill=text.colour, anchor=anchor)
    if photo is None:
        pen.text((full / 2, top + height / 2), "no picture", font=font(size * 2), fill=FAINT, anchor="mm")
    at = 0
    for panel in above:
        panel.draw(pen, at)
        at += panel.height
    sign(pen, result, size, 0)
    at += height
    for panel in below:
        panel.draw(pen, at)
        at += panel.height
    return picture


def picture_bytes(photo: Photo | None, result: PhotoResult, *, blur_background: bool = False) -> bytes:
    """Return the annotated picture as JPEG, without EXIF, thumbnail or place.

    See ``annotate``.
    """
    buffer = BytesIO()
    annotate(photo, result, blur_background=blur_background).save(buffer, "JPEG", quality=80)
    return buffer.getvalue()


def _reduced(photo: Photo | None) -> tuple[ByteArray, float]:
    """Return a copy of the photo to draw on and its size relative to the photo."""
    if photo is None:
        return np.full((300, 1200, 3), 226, dtype=np.uint8), 1.0
    longest = max(photo.width, photo.height)
    pixels = photo.pixels
    if longest > LONG_SIDE:
        factor = LONG_SIDE / longest
        # OpenCV averages fast by two only; after that less than two is left, which needs no averaging.
        for _ in range(int(np.log2(1 / factor))):
            even = pixels[: len(pixels) // 2 * 2, : pixels.shape[1] // 2 * 2]
            if even.size == 0:
                break
            half = cv2.resize(even, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            pixels = np.asarray(half, dtype=np.uint8)
    elif longest < _SMALL:
        factor = _SMALL / longest
    else:
        return photo.pixels.copy(), 1.0
    size = (max(1, round(photo.width * factor)), max(1, round(photo.height * factor)))
    way = cv2.INTER_LINEAR if factor < 1 else cv2.INTER_CUBIC
    resized = cv2.resize(pixels, size, interpolation=way)
    return np.ascontiguousarray(resized, dtype=np.uint8), factor
