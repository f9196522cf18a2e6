"""A drawing in mm, described once and written by several writers: origin top left, x right, y down."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Anchor = Literal["start", "middle", "end"]

BLACK = 0.0
WHITE = 1.0
CUT_GREY = 0.55
"""Light enough not to be taken for the card's edge, dark enough to cut along."""


@dataclass(frozen=True, slots=True)
class Rect:
    """A filled rectangle without border; ``grey`` is 0 for black to 1 for white."""

    x: float
    y: float
    width: float
    height: float
    grey: float = BLACK


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line with square-cut ends, along x or along y.

    Raises
    ------
    ValueError
        If it runs aslant: nothing in these drawings does, and the pixel writer draws exact edges only along the axes.
    """

    x1: float
    y1: float
    x2: float
    y2: float
    width: float = 0.15
    grey: float = BLACK

    def __post_init__(self) -> None:
        if self.x1 != self.x2 and self.y1 != self.y2:
            raise ValueError("A line of a drawing runs along x or along y.")

    def as_rect(self) -> Rect:
        """Return the area that the stroke covers."""
        half = self.width / 2
        if self.y1 == self.y2:
            return Rect(min(self.x1, self.x2), self.y1 - half, abs(self.x2 - self.x1), self.width, self.grey)
        return Rect(self.x1 - half, min(self.y1, self.y2), self.width, abs(self.y2 - self.y1), self.grey)


@dataclass(frozen=True, slots=True)
class Arc:
    """Part of a circle's line; angles in degrees from +x towards +y (clockwise as seen), ``start`` < ``end``."""

    x: float
    y: float
    radius: float
    start: float
    end: float
    width: float = 0.15
    grey: float = BLACK


@dataclass(frozen=True, slots=True)
class Text:
    """One line of text; (x, y) lies on its baseline, ``size`` is the height of the em square, mm.

    Raises
    ------
    ValueError
        If ``content`` holds other than ASCII characters: the writers' fonts share no others.
    """

    x: float
    y: float
    content: str
    size: float
    anchor: Anchor = "start"

    def __post_init__(self) -> None:
        if not self.content.isascii():
            raise ValueError(f"The fonts cannot be trusted to show all of {self.content!r}.")


Element = Rect | Line | Arc | Text


@dataclass(frozen=True, slots=True)
class Drawing:
    """One page: its size in mm, what lies on it from back to front, and its title."""

    width: float
    height: float
    title: str
    elements: tuple[Element, ...]


def moved(elements: tuple[Element, ...], dx: float, dy: float) -> tuple[Element, ...]:
    """Return the same elements shifted by (dx, dy) mm."""
    return tuple(_moved(element, dx, dy) for element in elements)


def _moved(element: Element, dx: float, dy: float) -> Element:
    match element:
        case Rect(x, y, width, height, grey):
            return Rect(x + dx, y + dy, width, height, grey)
        case Line(x1, y1, x2, y2, width, grey):
            return Line(x1 + dx, y1 + dy, x2 + dx, y2 + dy, width, grey)
        case Arc(x, y, radius, start, end, width, grey):
            return Arc(x + dx, y + dy, radius, start, end, width, grey)
        case Text(x, y, content, size, anchor):
            return Text(x + dx, y + dy, content, size, anchor)
