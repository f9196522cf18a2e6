"""The calibration targets as drawings, one to a page."""

from __future__ import annotations

import numpy as np

from clawvision.printing.drawing import Drawing, Element, Rect, Text, moved
from clawvision.printing.markers import marker
from clawvision.printing.page import PAPERS, Paper, check_lines
from clawvision.scale.target import CHARUCO_DICTIONARY, TARGETS, Target, TargetKind

_TOP = 20.0


def target_page(kind: TargetKind, paper: Paper) -> Drawing:
    """Return a landscape page with the target, check lines and how to use it."""
    height, width = PAPERS[paper]
    target = TARGETS[kind]
    board_width, board_height = target.columns * target.square_mm, target.rows * target.square_mm
    left = (width - board_width) / 2 + 2.0  # the line along y needs a little more room on the left
    below = _TOP + board_height + 6.0
    elements: list[Element] = [
        Text(left, 9.0, f"clawvision lens target ({kind}): print at 100 %, glue flat on a board or on glass", 4.0),
        Text(
            left,
            14.0,
            "Take 10 to 20 photos of it, as far away as the claws will be: filling the picture, tilted 20 to 40"
            " degrees to each side, up and down, in every corner. Same camera, no zoom.",
            2.6,
        ),
        *moved(board(target), left, _TOP),
        *check_lines(across=(left, below), down=(left - 7.5, _TOP + 30.0)),
        Text(
            left + 136.0,
            below + 0.9,
            f"A square must measure {target.square_mm:g} mm; else give --square-mm. Keep it off the barn floor.",
            2.6,
        ),
    ]
    return Drawing(width, height, f"clawvision lens target ({kind})", tuple(elements))


def board(target: Target) -> tuple[Element, ...]:
    """Return the target itself, its top left corner at (0, 0)."""
    side = target.square_mm
    elements: list[Element] = [
        Rect(column * side, row * side, side, side)
        for row in range(target.rows)
        for column in range(target.columns)
        if (row + column) % 2 == 0
    ]
    if target.kind == "charuco":
        described = target.board()
        for marker_id, corners in zip(np.ravel(described.getIds()), described.getObjPoints(), strict=True):
            x, y = np.reshape(corners, (-1, 3))[0, :2]
            elements += marker(CHARUCO_DICTIONARY, int(marker_id), float(x), float(y), target.marker_mm)
    return tuple(elements)
