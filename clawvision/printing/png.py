"""Drawings as pixels, true to size by the resolution stored in the file."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from clawvision.printing.drawing import Anchor, Arc, Drawing, Rect, Text
from clawvision.printing.drawing import Line as DrawnLine
from clawvision.types import FloatArray

_ANCHORS: dict[Anchor, str] = {"start": "ls", "middle": "ms", "end": "rs"}


def write_png(drawing: Drawing, dpi: int = 600) -> bytes:
    """Return the drawing as a greyscale PNG file that states its resolution (chunk ``pHYs``)."""
    stream = io.BytesIO()
    render(drawing, dpi).save(stream, "PNG", dpi=(dpi, dpi))
    return stream.getvalue()


def render(drawing: Drawing, dpi: int) -> Image.Image:
    """Return the drawing as a greyscale picture of ``dpi`` pixels per inch.

    Edges that fall within a pixel are shaded by the share of it that is covered, so that a rectangle's size
    is true to far less than a pixel.
    """
    scale = dpi / 25.4
    canvas = np.full((round(drawing.height * scale), round(drawing.width * scale)), 255, dtype=np.uint8)
    for element in drawing.elements:
        match element:
            case Rect():
                _fill(canvas, element, scale)
            case DrawnLine():
                _fill(canvas, element.as_rect(), scale)
    picture = Image.fromarray(canvas)
    pen = ImageDraw.Draw(picture)
    for element in drawing.elements:
        match element:
            case Arc(x, y, radius, start, end, width, grey):
                outer = radius + width / 2
                # Pillow's box takes in its last pixel.
                box = (
                    (x - outer) * scale - 0.5,
                    (y - outer) * scale - 0.5,
                    (x + outer) * scale - 0.5,
                    (y + outer) * scale - 0.5,
                )
                pen.arc(box, start, end, fill=round(grey * 255), width=max(1, round(width * scale)))
            case Text(x, y, content, size, anchor):
                font = ImageFont.load_default(size=size * scale)
                pen.text((x * scale, y * scale), content, fill=0, font=font, anchor=_ANCHORS[anchor])
    return picture


def _fill(canvas: np.ndarray[tuple[int, int], np.dtype[np.uint8]], rect: Rect, scale: float) -> None:
    rows, share_y = _covered(rect.y * scale, (rect.y + rect.height) * scale, canvas.shape[0])
    columns, share_x = _covered(rect.x * scale, (rect.x + rect.width) * scale, canvas.shape[1])
    part = canvas[rows, columns].astype(np.float32)
    share = np.outer(share_y, share_x).astype(np.float32)
    canvas[rows, columns] = np.rint(part + share * (np.float32(rect.grey * 255) - part)).astype(np.uint8)


def _covered(first: float, last: float, size: int) -> tuple[slice, FloatArray]:
    """Return the pixels that an interval touches and the share of each that it covers."""
    low, high = max(int(np.floor(first)), 0), min(int(np.ceil(last)), size)
    edges = np.arange(low, max(high, low) + 1, dtype=np.float64)
    return slice(low, max(high, low)), np.diff(np.clip(edges, first, last))
