"""Finds places for labels: near what they name, off the claw, off each other."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from clawvision.types import FloatArray

_CELL = 10
"""Pixels to a cell of the map that is searched."""
_CLAW, _LABEL, _CARD, _LINE = 60.0, 400.0, 6.0, 15.0
_CROSSED = 4.0
"""Cost of each twentieth of a leader that would run through another label."""
_ON_CLAW = 0.25
"""The same for the claw."""
_TANGLED = 8.0
"""Cost of each other leader that one would cross: crossed leaders are read the wrong way."""
_WRONG_SIDE = 6.0
"""Cost of a place that lies nearer to the other claw than to the one that is named."""
_TRIED = 24
"""How many of the best places are looked at for their leaders."""
_MOST_ON_CLAW = 0.03
"""Share of a label that may lie on the claw before it is left out of the picture."""

Box = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a label goes: its box (left, top, right, bottom) and the end of its leader on the box's edge."""

    box: Box
    leader_end: tuple[float, float]


class Placer:
    """A coarse map of the picture that knows what must not be covered.

    Parameters
    ----------
    width, height : int
        Size of the picture, pixels.
    """

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        shape = (max(1, height // _CELL), max(1, width // _CELL))
        self._cost: NDArray[np.float32] = np.zeros(shape, dtype=np.float32)
        self._claw: NDArray[np.uint8] = np.zeros(shape, dtype=np.uint8)
        self._taken: NDArray[np.uint8] = np.zeros(shape, dtype=np.uint8)
        self._leaders: list[tuple[FloatArray, FloatArray]] = []
        rows, columns = np.indices(shape, dtype=np.float32)
        self._x, self._y = columns * _CELL, rows * _CELL

    def claw(self, outline: FloatArray) -> None:
        """Keep labels off the inside of ``outline`` (N, 2)."""
        cv2.fillPoly(self._claw, [_cells(outline)], 1)
        self._cost[self._claw > 0] = _CLAW

    def area(self, outline: FloatArray) -> None:
        """Rather keep labels off the inside of ``outline`` (N, 2)."""
        mask = np.zeros_like(self._claw)
        cv2.fillPoly(mask, [_cells(outline)], 1)
        self._cost[mask > 0] += _CARD

    def line(self, points: FloatArray) -> None:
        """Rather keep labels off the line through ``points`` (N, 2)."""
        mask = np.zeros_like(self._claw)
        cv2.polylines(mask, [_cells(points)], False, 1, 2)
        self._cost[mask > 0] += _LINE

    def block(self, box: Box) -> None:
        """Forbid the box."""
        left, top, right, bottom = (value // _CELL for value in box)
        where = (slice(max(top, 0), max(bottom + 1, 0)), slice(max(left, 0), max(right + 1, 0)))
        self._cost[where] = _LABEL
        self._taken[where] = 1

    def place(
        self,
        anchor: FloatArray,
        width: int,
        height: int,
        *,
        leader: bool = True,
        sides: tuple[FloatArray, FloatArray] | None = None,
    ) -> Place | None:
        """Find the best box for a label and take it.

        Parameters
        ----------
        anchor : float64 (2,)
            What the label names.
        width, height : int
            The label's size, pixels.
        leader : bool
            Whether a leader will run from anchor to box, and has to be kept free too.
        sides : tuple of float64 (2,)
            Middle of the claw that the label belongs to, and of the other one.

        Returns
        -------
        Place or None
            None where every place covers the claw or another label.
        """
        # One cell more each way: the label's own margin.
        columns, rows = width // _CELL + 2, height // _CELL + 2
        if rows >= self._cost.shape[0] or columns >= self._cost.shape[1]:
            return None
        covered = _sums(self._cost, columns, rows) / (columns * rows)
        allowed = (_sums(self._taken, columns, rows) == 0) & (
            _sums(self._claw, columns, rows) <= _MOST_ON_CLAW * columns * rows
        )
        if not allowed.any():
            return None
        shape = covered.shape
        left, top = self._x[: shape[0], : shape[1]], self._y[: shape[0], : shape[1]]
        near_x = np.clip(anchor[0], left, left + width)
        near_y = np.clip(anchor[1], top, top + height)
        away = np.hypot(near_x - anchor[0], near_y - anchor[1])
        # A place a tenth of the picture away is as bad as a label that is a third covered by lines.
        cost = covered + away * (14.0 / max(self.width, self.height))
        if sides is not None:
            own, other = (np.hypot(left + width / 2 - side[0], top + height / 2 - side[1]) for side in sides)
            cost[other < own] += _WRONG_SIDE
        cost[~allowed] = np.inf
        best = self._best(cost, anchor, width, height) if leader else int(np.argmin(cost))
        row, column = divmod(best, shape[1])
        x, y = column * _CELL + _CELL // 2, row * _CELL + _CELL // 2
        box = (x, y, x + width, y + height)
        self.block(box)
        end = (float(np.clip(anchor[0], box[0], box[2])), float(np.clip(anchor[1], box[1], box[3])))
        if leader:
            self.line(np.array([anchor, end]))
            self._leaders.append((np.asarray(anchor, dtype=np.float64), np.array(end)))
        return Place(box, end)

    def spot(self, point: FloatArray, away: FloatArray, distance: float, radius: float) -> FloatArray:
        """Take a place for a letter near ``point``: in direction ``away``, or turned from it where lines are.

        Returns
        -------
        float64 (2,)
            Centre of the letter's disc.
        """
        angles = np.radians([0, 30, -30, 60, -60, 90, -90, 120, -120])
        turned = [_turned(away, float(angle)) * distance + point for angle in angles]
        low, high = np.full(2, radius), np.array([self.width, self.height]) - radius
        centres = [np.clip(centre, low, high) for centre in turned]
        costs = [self._cost_at(centre, radius) + 0.6 * index for index, centre in enumerate(centres)]
        centre: FloatArray = centres[int(np.argmin(costs))]
        x, y = float(centre[0]), float(centre[1])
        self.block((int(x - radius), int(y - radius), int(x + radius), int(y + radius)))
        return centre

    def _cost_at(self, centre: FloatArray, radius: float) -> float:
        left, top = (max(int(value), 0) // _CELL for value in centre - radius)
        right, bottom = (max(int(value), 0) // _CELL + 1 for value in centre + radius)
        part = self._cost[top:bottom, left:right]
        return float(part.mean()) if part.size else 0.0

    def _best(self, cost: NDArray[np.float64], anchor: FloatArray, width: int, height: int) -> int:
        """Return the flat index of the cheapest place, what its leader runs through counted in."""
        flat = cost.ravel()
        count = min(_TRIED * 16, flat.size)
        # Among equal costs argpartition's choice depends on the processor; which value is the last one does not.
        near = np.flatnonzero(flat <= np.partition(flat, count - 1)[count - 1])
        # Neighbouring places are alike, so that some of the best ones are enough.
        tried = near[np.argsort(flat[near], kind="stable")][:count:16]
        rows, columns = np.divmod(tried, cost.shape[1])
        left, top = columns * _CELL, rows * _CELL
        ends = np.column_stack((np.clip(anchor[0], left, left + width), np.clip(anchor[1], top, top + height)))
        steps = np.linspace(0.1, 1.0, 20)[:, None, None]
        path = ((anchor + (ends - anchor) * steps) / _CELL).astype(np.intp)
        x = np.clip(path[..., 0], 0, self._taken.shape[1] - 1)
        y = np.clip(path[..., 1], 0, self._taken.shape[0] - 1)
        crossed = _CROSSED * self._taken[y, x].sum(axis=0) + _ON_CLAW * self._claw[y, x].sum(axis=0)
        for other in self._leaders:
            crossed += _TANGLED * _crosses(anchor, ends, *other)
        return int(tried[int(np.argmin(flat[tried] + crossed))])


def _crosses(start: FloatArray, ends: FloatArray, a: FloatArray, b: FloatArray) -> NDArray[np.bool_]:
    """Return which of the segments from ``start`` to each of ``ends`` (N, 2) cross the segment a–b."""

    def side(p: FloatArray, q: FloatArray, r: FloatArray) -> FloatArray:
        area: FloatArray = (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (
            r[..., 0] - p[..., 0]
        )
        return area

    apart = side(start, ends, a) * side(start, ends, b) < 0
    between = side(a, b, start) * side(a, b, ends) < 0
    return np.asarray(apart & between, dtype=np.bool_)


def _turned(vector: FloatArray, angle: float) -> FloatArray:
    cosine, sine = np.cos(angle), np.sin(angle)
    turned: FloatArray = np.array([[cosine, -sine], [sine, cosine]]) @ vector
    return turned


def _cells(points: FloatArray) -> NDArray[np.int32]:
    limited = np.clip(np.asarray(points, dtype=np.float64).reshape(-1, 2), -1e5, 1e5)
    return np.round(limited / _CELL - 0.5).astype(np.int32)


def _sums(grid: NDArray[np.float32] | NDArray[np.uint8], columns: int, rows: int) -> NDArray[np.float64]:
    """Return the sum under every window of the grid, by its top left cell."""
    total = cv2.integral(np.ascontiguousarray(grid, dtype=np.float32), sdepth=cv2.CV_64F)
    window = total[rows:, columns:] - total[:-rows, columns:] - total[rows:, :-columns] + total[:-rows, :-columns]
    return np.asarray(window, dtype=np.float64)
