"""Landmarks of a claw seen from the side, found on its outline: T, C, B (and where the chains part).

The outline's points are taken in a plane parallel to the claw's profile, in mm; only shapes matter, so
that any rotation and mirror image gives the same points. What is *up* comes from the claw itself: the
dorsal border ends in the corner C, the sole does not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from clawvision.measure.curve import chain
from clawvision.types import FloatArray


@dataclass(frozen=True, slots=True)
class SideLandmarks:
    """Indices into a closed outline that runs T → C (dorsal border) → B (hairline) → rear and sole → T."""

    toe: int
    coronet: int
    bulb: int
    flipped: bool
    """True where the outline had to be reversed to run that way; the indices belong to the reversed one."""


def _prefix_residuals(points: FloatArray) -> FloatArray:
    """Return for every prefix of a chain the squared residual of its best parametric quadratic, (N,)."""
    count = len(points)
    t = np.linspace(0.0, 1.0, count)
    basis = np.stack([np.ones(count), t, t * t], axis=1)
    gram = np.cumsum(basis[:, :, None] * basis[:, None, :], axis=0) + 1e-9 * np.eye(3)
    moment = np.cumsum(basis[:, :, None] * points[:, None, :], axis=0)
    energy = np.cumsum((points**2).sum(axis=1))
    explained = (np.linalg.solve(gram, moment) * moment).sum(axis=(1, 2))
    residuals: FloatArray = np.maximum(0.0, energy - explained)
    residuals[:3] = 0.0
    return residuals


def _corner(points: FloatArray) -> int:
    """Return the index that best parts a chain into two smooth pieces.

    Each piece is a parametric quadratic, which follows a concave dorsal wall or a round bulb but not a corner.
    """
    centred = points - points.mean(axis=0)
    total = _prefix_residuals(centred) + _prefix_residuals(centred[::-1])[::-1]
    return 5 + int(np.argmin(total[5:-5]))


def _tip(points: FloatArray) -> tuple[int, int]:
    """Return the indices of the toe and of the point farthest from it: the sharper end of the diameter."""
    count = len(points)
    step = max(1, count // 120)
    coarse = np.arange(0, count, step)
    gaps = np.hypot(*(points[coarse][:, None, :] - points[coarse][None, :, :]).transpose(2, 0, 1))
    a, b = np.unravel_index(int(np.argmax(gaps)), gaps.shape)
    first, second = int(coarse[a]), int(coarse[b])
    length = float(gaps[a, b])

    def opening(index: int) -> float:
        near = np.hypot(*(points - points[index]).T)
        ring = np.abs(near - 0.16 * length) < 0.03 * length
        if not ring.any():
            return np.inf
        # the spread of directions to the outline some way off: small at a sharp tip
        arms = points[ring] - points[index]
        angles = np.arctan2(arms[:, 1], arms[:, 0])
        middle = np.angle(np.exp(1j * angles).mean())
        return float(np.std(np.angle(np.exp(1j * (angles - middle)))))

    return (first, second) if opening(first) <= opening(second) else (second, first)


def find_side_landmarks(points: FloatArray, up: FloatArray) -> SideLandmarks:
    """Find T, C and B on a closed outline of one claw's horn.

    Parameters
    ----------
    points : float64 (N, 2)
        Outline, evenly spaced, mm, any rotation or mirror.
    up : float64 (2,)
        The direction that is up in the picture; it only decides where the shape alone does not.

    Returns
    -------
    SideLandmarks
    """
    toe, rear = _tip(points)
    chord = points[rear] - points[toe]
    normal = np.array([-chord[1], chord[0]]) / np.hypot(*chord)
    away = (points - points[toe]) @ normal / np.hypot(*chord)
    # The coronet stands farther from the line toe–heel than the sole does. Where that is not clear, up in the
    # picture is up on the claw.
    lean = float(away.max() + away.min()) + 0.15 * float(normal @ up)
    dorsal_at = int(np.argmax(away)) if lean > 0 else int(np.argmin(away))
    flipped = (dorsal_at - toe) % len(points) > (rear - toe) % len(points)
    if flipped:
        last = len(points) - 1
        return _corners(points[::-1], last - toe, last - rear, flipped)
    return _corners(points, toe, rear, flipped)


def _corners(line: FloatArray, toe: int, rear: int, flipped: bool) -> SideLandmarks:
    """Find C and B on an outline that runs from the toe along the dorsal border."""
    count = len(line)
    coronet = _farthest_from_chord(line, toe, rear)
    # the heel's lower rear, away from the corner C: a far end of the chord that the bulb's top stands out from
    back = line[rear] - line[toe]
    back = back / np.hypot(*back)
    down = line[rear] - line[coronet]
    down = down - (down @ back) * back
    down = down / max(float(np.hypot(*down)), 1e-9)
    rest = (coronet + np.arange((toe - coronet) % count + 1)) % count
    heel = int(rest[int(np.argmax(line[rest] @ (back + down)))])
    bulb = _farthest_from_chord(line, coronet, heel)
    # B stays where the rounded corner stands out farthest: parting the chain there is drawn to the hollow that
    # hair leaves in front of the bulb.
    coronet = _refine(line, _between(toe, coronet, 0.45, count), coronet, _between(coronet, bulb, 0.6, count))
    toe = _near_maximum(np.hypot(*(line - line[bulb]).T), toe, count)
    return SideLandmarks(toe, coronet, bulb, flipped)


def _farthest_from_chord(line: FloatArray, start: int, stop: int) -> int:
    """Return the index between ``start`` and ``stop`` (forward) that lies farthest from their chord."""
    points = chain(line, start, stop)
    chord = points[-1] - points[0]
    away = np.abs((points - points[0]) @ np.array([-chord[1], chord[0]]))
    return (start + int(np.argmax(away))) % len(line)


def _between(start: int, stop: int, share: float, count: int) -> int:
    """Return the index a ``share`` of the way forward from ``start`` to ``stop``."""
    return (start + round(share * ((stop - start) % count))) % count


def _refine(line: FloatArray, start: int, guess: int, stop: int) -> int:
    """Return the corner near ``guess`` on the chain from ``start`` to ``stop``."""
    points = chain(line, start, stop)
    if len(points) < 16:
        return guess
    return (start + _corner(points)) % len(line)


def _near_maximum(values: FloatArray, start: int, count: int) -> int:
    """Return the index of the largest value within a twelfth of the outline of ``start``."""
    window = (start + np.arange(-count // 12, count // 12 + 1)) % count
    return int(window[int(np.argmax(values[window]))])


def run_from_toe(line: FloatArray, marks: Mapping[str, FloatArray]) -> tuple[FloatArray, dict[str, int]]:
    """Return a closed outline (N, 2) and the index nearest to each landmark (2,).

    Where T, C and B are all there it runs from T along the dorsal border to C: landmarks know the way round better than
    the shape does.
    """
    at = {name: int(np.argmin(np.hypot(*(line - point).T))) for name, point in marks.items()}
    if {"T", "C", "B"} <= set(at) and (at["C"] - at["T"]) % len(line) > (at["B"] - at["T"]) % len(line):
        line = line[::-1]
        at = {name: len(line) - 1 - index for name, index in at.items()}
    return line, at
