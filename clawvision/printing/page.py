"""Paper sizes and the lines that show whether a print came out true to size."""

from __future__ import annotations

from typing import Literal

from clawvision.printing.drawing import Element, Line, Text

Paper = Literal["a4", "letter"]

PAPERS: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height, mm: ISO 216 A4 and ANSI/ASME Y14.1 size A."""

CHECK_LENGTH = 100.0
"""Length of a page's check lines, mm."""


def check_lines(across: tuple[float, float], down: tuple[float, float]) -> list[Element]:
    """Return two 100 mm check lines, since a printer may stretch one direction and not the other.

    Parameters
    ----------
    across
        Left end of the line along x, mm.
    down
        Upper end of the line along y, mm.
    """
    elements: list[Element] = []
    (x, y), length = across, CHECK_LENGTH
    elements.append(Line(x, y, x + length, y))
    for mm in range(0, int(length) + 1, 10):
        half = 1.5 if mm in (0, length) else 0.7
        elements.append(Line(x + mm, y - half, x + mm, y + half))
    elements.append(Text(x + length + 2.5, y + 0.9, "check line: 100 mm", 2.6))
    x, y = down
    elements.append(Line(x, y, x, y + length))
    for mm in range(0, int(length) + 1, 10):
        half = 1.5 if mm in (0, length) else 0.7
        elements.append(Line(x - half, y + mm, x + half, y + mm))
    elements.append(Text(x, y + length + 4.5, "100 mm", 2.4, "middle"))
    return elements
