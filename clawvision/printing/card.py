"""The scale card as a drawing, and a page full of them."""

from __future__ import annotations

from clawvision.printing.drawing import CUT_GREY, Arc, Drawing, Element, Line, Text, moved
from clawvision.printing.markers import marker
from clawvision.printing.page import PAPERS, Paper, check_lines
from clawvision.scale import geometry

GAP = 6.0
"""Least distance between two cards on a page, mm, so that a slip of the knife spoils one card at most."""
_TOP, _BOTTOM, _LEFT, _RIGHT = 34.0, 8.0, 20.0, 8.0

_INSTRUCTIONS = (
    "1. Measure both check lines on this page with a good ruler: each must be 100 mm long. If not, print again at"
    ' "actual size" (100 %).',
    "2. If they still are not: divide what they measure by 100 and tell clawvision. 99 mm long means"
    " --print-scale 0.99. If the two lines differ, use another printer.",
    "3. Cut along the marks. Keep the card flat, matt and clean. Disinfect it between feet, as you do knife,"
    " disc and gloves, and never carry one to another farm.",
)


def scale_card() -> tuple[Element, ...]:
    """Return one card: outline to cut along, four markers, 50 mm check ruler, a few words in the middle."""
    return (*_outline(), *_markers(), *_ruler(), *_words())


def card_page(paper: Paper) -> Drawing:
    """Return a page with as many cards as fit, cutting marks, check lines and what to do with them."""
    width, height = PAPERS[paper]
    step_x, step_y = geometry.CARD_WIDTH + GAP, geometry.CARD_HEIGHT + GAP
    columns = int((width - _LEFT - _RIGHT + GAP) // step_x)
    rows = int((height - _TOP - _BOTTOM + GAP) // step_y)
    left = _LEFT + (width - _LEFT - _RIGHT - columns * step_x + GAP) / 2
    elements: list[Element] = [Text(left, 10.5, "clawvision scale cards: print at 100 % on matt white card", 4.5)]
    elements += [Text(left, 15.2 + 3.8 * row, line, 2.6) for row, line in enumerate(_INSTRUCTIONS)]
    elements += check_lines(across=(left, 27.4), down=(12.0, _TOP + 20.0))
    card = (*_cutting_marks(), *scale_card())
    for row in range(rows):
        for column in range(columns):
            elements += moved(card, left + column * step_x, _TOP + row * step_y)
    return Drawing(width, height, "clawvision scale cards", tuple(elements))


def _outline() -> list[Element]:
    """Return the card's rounded edge as a thin grey line; the scissors follow it, the detector ignores it."""
    w, h, r = geometry.CARD_WIDTH, geometry.CARD_HEIGHT, geometry.CORNER_RADIUS
    stroke = {"width": 0.1, "grey": CUT_GREY}
    return [
        Line(r, 0.0, w - r, 0.0, **stroke),
        Line(w, r, w, h - r, **stroke),
        Line(r, h, w - r, h, **stroke),
        Line(0.0, r, 0.0, h - r, **stroke),
        Arc(r, r, r, 180.0, 270.0, **stroke),
        Arc(w - r, r, r, 270.0, 360.0, **stroke),
        Arc(w - r, h - r, r, 0.0, 90.0, **stroke),
        Arc(r, h - r, r, 90.0, 180.0, **stroke),
    ]


def _markers() -> list[Element]:
    return [
        element
        for marker_id, (x, y) in geometry.MARKER_ORIGINS.items()
        for element in marker(geometry.MARKER_DICTIONARY, marker_id, x, y, geometry.MARKER_SIZE)
    ]


def _ruler() -> list[Element]:
    """Return the check ruler; ticks point up and figures hang below, all of it 2 mm clear of the markers."""
    (left, right), y = geometry.CHECK_RULER_X, geometry.CHECK_RULER_Y
    elements: list[Element] = [Line(left, y, right, y)]
    for mm in range(round(right - left) + 1):
        tall = 2.4 if mm % 10 == 0 else 1.8 if mm % 5 == 0 else 1.2
        elements.append(Line(left + mm, y - tall, left + mm, y))
        if mm % 10 == 0:
            elements.append(Text(left + mm, y + 2.2, str(mm), 2.0, "middle"))
    return elements


def _words() -> list[Element]:
    middle = geometry.CARD_WIDTH / 2
    return [
        Text(middle, 8.5, "clawvision scale card", 3.2, "middle"),
        Text(middle, 13.0, "85.60 x 53.98 mm", 2.4, "middle"),
        Text(middle, 16.5, "ISO/IEC 7810 size ID-1", 2.4, "middle"),
        Text(middle, 35.5, "The ruler must measure 50 mm.", 2.4, "middle"),
        Text(middle, 40.0, "Hold it flat, out of glare,", 2.4, "middle"),
        Text(middle, 43.5, "nothing over the corners.", 2.4, "middle"),
        Text(middle, 48.0, "Disinfect between feet.", 2.4, "middle"),
    ]


def _cutting_marks() -> list[Element]:
    """Return the marks outside of each corner that show where the straight cuts run."""
    near, far = 0.8, GAP / 2 - 0.2
    w, h = geometry.CARD_WIDTH, geometry.CARD_HEIGHT
    marks: list[Element] = []
    for y in (0.0, h):
        marks += [Line(-far, y, -near, y), Line(w + near, y, w + far, y)]
    for x in (0.0, w):
        marks += [Line(x, -far, x, -near), Line(x, h + near, x, h + far)]
    return marks
