"""Drawings as SVG, in mm."""

from __future__ import annotations

import math
from xml.sax.saxutils import escape

from clawvision.printing.drawing import Arc, Drawing, Element, Line, Rect, Text


def write_svg(drawing: Drawing) -> bytes:
    """Return the drawing as an SVG file; one user unit is one mm."""
    width, height = _number(drawing.width), _number(drawing.height)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm"'
        f' viewBox="0 0 {width} {height}" font-family="Helvetica, Arial, sans-serif">',
        f"<title>{escape(drawing.title)}</title>",
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>',
        *(_element(element) for element in drawing.elements),
        "</svg>",
    ]
    return ("\n".join(lines) + "\n").encode("utf-8")


def _element(element: Element) -> str:
    match element:
        case Rect(x, y, width, height, grey):
            return (
                f'<rect x="{_number(x)}" y="{_number(y)}" width="{_number(width)}" height="{_number(height)}"'
                f' fill="{_colour(grey)}"/>'
            )
        case Line(x1, y1, x2, y2, width, grey):
            return (
                f'<line x1="{_number(x1)}" y1="{_number(y1)}" x2="{_number(x2)}" y2="{_number(y2)}"'
                f' stroke="{_colour(grey)}" stroke-width="{_number(width)}"/>'
            )
        case Arc(x, y, radius, start, end, width, grey):
            x1, y1 = x + radius * math.cos(math.radians(start)), y + radius * math.sin(math.radians(start))
            x2, y2 = x + radius * math.cos(math.radians(end)), y + radius * math.sin(math.radians(end))
            large = int(end - start > 180.0)
            return (
                f'<path d="M {_number(x1)} {_number(y1)} A {_number(radius)} {_number(radius)} 0 {large} 1'
                f' {_number(x2)} {_number(y2)}" fill="none" stroke="{_colour(grey)}" stroke-width="{_number(width)}"/>'
            )
        case Text(x, y, content, size, anchor):
            return (
                f'<text x="{_number(x)}" y="{_number(y)}" font-size="{_number(size)}" text-anchor="{anchor}">'
                f"{escape(content)}</text>"
            )


def _number(value: float) -> str:
    """Return ``value`` to a tenth of a micrometre, without needless zeros."""
    return f"{value:.4f}".rstrip("0").rstrip(".")


def _colour(grey: float) -> str:
    return "#" + f"{round(grey * 255):02x}" * 3
