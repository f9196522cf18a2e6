"""What stands and lies about the foot: hands, bars, ropes, straw, and where the reference is held."""

from __future__ import annotations

import numpy as np

from clawvision.scenes.viewpoint import Extent, SceneView, Viewpoint, unit
from clawvision.types import FloatArray

STEPS = 16
"""Points along each tube's path."""
HAND_TUBES = 7
PIPES, STALKS = 4, 500
_ABOUT_TOE = 12
ABSENT = -1.0e6
"""Coordinate of all that a scene does not have: so far away, and in one place, that it covers no pixel."""

_PROFILE_PLANE = 29.0
"""About how far from the foot's middle plane a claw's profile plane lies, mm."""
_CLAW_MIDDLE = 55.0
"""About how far before the heel a claw turns about when its toes spread, mm."""
_QUARTERS = (0.0, np.pi / 2, np.pi, -np.pi / 2)


def _rod(start: FloatArray, stop: FloatArray, radius: float) -> tuple[FloatArray, FloatArray]:
    """Return the path (STEPS, 3) and half widths (STEPS,) of a rod with round ends."""
    length = float(np.linalg.norm(stop - start))
    share = 0.5 - 0.5 * np.cos(np.linspace(0.02, np.pi - 0.02, STEPS))
    place = share * (length + 2 * radius) - radius
    beyond = np.maximum(np.maximum(-place, place - length), 0.0)
    return start + place[:, None] * unit(stop - start), np.sqrt(np.maximum(radius**2 - beyond**2, 0.05))


def _bent(points: list[FloatArray], radius: float) -> tuple[FloatArray, FloatArray]:
    """Return the path and half widths of a finger through given joints."""
    joints = np.array(points)
    lengths = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(joints, axis=0), axis=1))]
    share = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, STEPS))
    at = share * lengths[-1]
    path = np.stack([np.interp(at, lengths, joints[:, axis]) for axis in range(3)], axis=1)
    path[1:-1] = 0.25 * path[:-2] + 0.5 * path[1:-1] + 0.25 * path[2:]
    ends = np.minimum(at, lengths[-1] - at)
    return path, radius * np.sqrt(np.clip(1 - (1 - np.clip(ends / radius, 0.02, 1.0)) ** 2, 0.01, 1.0))


def hand(
    rng: np.random.Generator, tips: FloatArray, away: FloatArray, facing: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the tubes of a hand: four fingers, thumb, palm, sleeve.

    Parameters
    ----------
    rng
        Source of chance.
    tips : (3,)
        Where the fingertips are.
    away, facing : (3,)
        The way from the tips to the arm, and the way from the hand to the camera.
    """
    away = unit(away)
    facing = unit(facing - (facing @ away) * away)
    across = np.cross(away, facing)
    size = rng.uniform(0.85, 1.15)
    curl = rng.uniform(0.0, 1.0)
    paths, widths = [], []
    for index in range(4):
        offset = (index - 1.5) * 18.5 * size
        reach = (rng.uniform(-10, 14) if index else rng.uniform(-25, 10)) * size
        tip = tips + across * offset + away * reach - facing * curl * 14 * size
        knuckle = tips + across * offset * 0.95 + away * 34 * size + facing * (4 + 10 * curl) * size
        base = tips + across * offset * 0.9 + away * 80 * size
        path, width = _bent([tip, knuckle, base], rng.uniform(7.5, 10.0) * size)
        paths.append(path)
        widths.append(width)
    side = rng.choice([-1.0, 1.0])
    thumb_base = tips + across * side * 42 * size + away * 95 * size
    thumb_tip = tips + across * side * rng.uniform(5, 45) * size + away * rng.uniform(0, 40) * size + facing * 16 * size
    path, width = _bent([thumb_tip, 0.5 * (thumb_tip + thumb_base) + across * side * 10, thumb_base], 10.5 * size)
    paths.append(path)
    widths.append(width)
    path, width = _rod(tips + away * 85 * size, tips + away * 150 * size, 41 * size)
    paths.append(path)
    widths.append(width)
    bend = across * rng.uniform(-60, 60) + facing * rng.uniform(-50, 30)
    path, width = _rod(tips + away * 165 * size, tips + away * 430 * size + bend, rng.uniform(32, 46) * size)
    paths.append(path)
    widths.append(width)
    return np.array(paths), np.array(widths)


def ring(centre: FloatArray, up: FloatArray, long: float, wide: float, thick: float) -> tuple[FloatArray, FloatArray]:
    """Return the path of a rope laid around a leg."""
    forward = unit(np.array([up[2], 0.0, -up[0]]))
    lateral = np.array([0.0, 1.0, 0.0])
    turn = np.linspace(0.0, 2 * np.pi, STEPS)
    path = centre + long * np.cos(turn)[:, None] * forward + wide * np.sin(turn)[:, None] * lateral
    return path, np.full(STEPS, thick)


def place_card(
    rng: np.random.Generator,
    view: SceneView,
    extent: Extent,
    side: float,
    size: tuple[float, float],
    *,
    splay_deg: float,
    plain: bool,
) -> tuple[FloatArray, FloatArray]:
    """Lay or hold the reference beside the claws, about parallel to what is measured.

    A careful user (``plain``) holds it in line with the near claw's outside wall, others with the foot.

    Parameters
    ----------
    rng
        Source of chance.
    view
        What the photo shows.
    extent
        Of the foot, which the reference keeps clear of.
    side
        The sign of y on which the camera stands in a side view.
    size
        Width and height, mm.
    splay_deg
        How far the near claw's toe points away from the other claw.
    plain
        As a careful user holds it.

    Returns
    -------
    card : (3, 3)
        The top left corner and the vectors along the top and down the left edge, mm.
    outward : (3,)
        The unit direction from the foot in which its holder's hand lies.
    """
    width, height = size
    if view == "sole":
        middle, right, down, outward = _beside_soles(rng, extent, size, plain=plain)
        normal = np.array([0.0, 0.0, -1.0])
    else:
        middle, outward = _beside_wall(rng, extent, side, width if width < 150.0 else height, plain=plain)
        right, down, normal = np.array([-side, 0.0, 0.0]), np.array([0.0, 0.0, -1.0]), np.array([0.0, side, 0.0])
    tip = rng.normal(0.0, np.radians(2.0 if plain else 9.0), 2)
    spin = rng.normal(0.0, np.radians(5.0)) + (rng.choice(_QUARTERS) if rng.random() < 0.3 else 0.0)
    if width > 150.0 and view != "sole":  # a ruler is held upright
        spin += np.pi / 2
    right, down = _turned(right, down, spin)
    right = unit(right + tip[0] * normal)
    down = unit(down + tip[1] * normal)
    if plain and view != "sole":
        in_line = _about_upright(side * np.radians(splay_deg))
        right, down, outward = in_line @ right, in_line @ down, in_line @ outward
        about = np.array([_CLAW_MIDDLE, side * _PROFILE_PLANE, 0.0])
        middle = about + in_line @ (middle - about)
    corner = middle - 0.5 * width * right - 0.5 * height * down
    return np.stack([corner, width * right, height * down]), outward


def _about_upright(angle: float) -> FloatArray:
    """Return the rotation (3, 3) by ``angle`` from x towards y."""
    cos, sin = np.cos(angle), np.sin(angle)
    return np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])


def _turned(right: FloatArray, down: FloatArray, angle: float) -> tuple[FloatArray, FloatArray]:
    return np.cos(angle) * right + np.sin(angle) * down, np.cos(angle) * down - np.sin(angle) * right


def _beside_wall(
    rng: np.random.Generator, extent: Extent, side: float, across: float, *, plain: bool
) -> tuple[FloatArray, FloatArray]:
    """Return the middle of a reference ``across`` mm wide that is held before the near claw's profile plane, clear of
    the claw, and the way to its holder.
    """
    offset = float(rng.normal(25.0, 3.0) if plain or rng.random() < 0.6 else rng.uniform(-5.0, 60.0))
    place = str(rng.choice(["ahead", "behind", "above"]))
    if place == "ahead":
        middle = np.array([extent.tip_x + 12.0 + 0.5 * across + rng.uniform(0, 25), 0.0, rng.uniform(25.0, 90.0)])
    elif place == "behind":
        middle = np.array([-32.0 - 0.5 * across - rng.uniform(0, 25), 0.0, rng.uniform(25.0, 95.0)])
    else:
        middle = np.array([100.0 + 0.5 * across + rng.uniform(0.0, 40.0), 0.0, rng.uniform(85.0, 125.0)])
    middle[1] = side * _PROFILE_PLANE + side * offset
    return middle, unit(np.array([middle[0] - 40.0, 0.0, abs(middle[2] - 10.0) + 30.0]))


def _beside_soles(
    rng: np.random.Generator, extent: Extent, size: tuple[float, float], *, plain: bool
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the middle, right and down of a reference that lies about in the plane of the soles, and the way to its
    holder.
    """
    width, height = size
    offset = float(rng.normal(0.0, 2.0) if plain or rng.random() < 0.7 else rng.uniform(-30.0, 40.0))
    turn = rng.choice(_QUARTERS) + rng.normal(0.0, 0.15)
    right, down = _turned(np.array([0.0, 1.0, 0.0]), np.array([-1.0, 0.0, 0.0]), turn)
    beside = rng.choice([-1.0, 1.0])
    span = abs(0.5 * width * right[1]) + abs(0.5 * height * down[1])
    middle = np.array([rng.uniform(-10.0, extent.tip_x), beside * (66.0 + span + rng.uniform(0.0, 30.0)), -offset])
    if rng.random() < 0.2:  # beyond the toes
        span = abs(0.5 * width * right[0]) + abs(0.5 * height * down[0])
        middle = np.array([extent.tip_x + 15.0 + span, rng.uniform(-40.0, 40.0), -offset])
    return middle, right, down, unit(np.array([middle[0] - 60.0, middle[1], 0.0]))


def pipes(rng: np.random.Generator, viewpoint: Viewpoint) -> tuple[FloatArray, FloatArray]:
    """Return the paths (PIPES, STEPS, 3) and half widths (PIPES, STEPS) of bars behind the foot, seldom before it."""
    paths = np.full((PIPES, STEPS, 3), ABSENT)
    widths = np.ones((PIPES, STEPS))
    right, down, ahead = viewpoint.rotation
    distance = np.linalg.norm(viewpoint.position - np.array([50.0, 0.0, 30.0]))
    for index in range(int(rng.integers(1, PIPES + 1))):
        behind = rng.uniform(90.0, 420.0) if rng.random() < 0.93 else -rng.uniform(60.0, 120.0)
        middle = viewpoint.position + ahead * (distance + behind)
        middle = middle + right * rng.uniform(-260.0, 260.0) + down * rng.uniform(-200.0, 120.0)
        angle = rng.choice([0.0, np.pi / 2]) + rng.normal(0.0, 0.12)
        along = np.cos(angle) * right + np.sin(angle) * down + ahead * rng.normal(0.0, 0.1)
        paths[index], widths[index] = _rod(middle - along * 900.0, middle + along * 900.0, rng.uniform(10.0, 32.0))
    return paths, widths


def straw(
    rng: np.random.Generator, plane: FloatArray, viewpoint: Viewpoint, count: int, toe: FloatArray | None = None
) -> FloatArray:
    """Return stalks (STALKS, 3, 3) strewn over the ground, a few of them on end: start, stop and half width.

    Parameters
    ----------
    rng
        Source of chance.
    plane : (2, 3)
        A point of the ground and its normal.
    viewpoint
        The camera, which the stalks' broad sides face.
    count
        How many there are; the others are absent.
    toe : (3,), optional
        A toe's tip, about which a dozen of them lie and cover it now and then.
    """
    stalks = np.full((STALKS, 3, 3), ABSENT)
    stalks[:, 2] = 0.0
    if not count:
        return stalks
    point, normal = plane
    first = unit(np.cross(normal, np.array([0.3, 1.0, 0.2])))
    second = np.cross(normal, first)
    spread = rng.uniform(120.0, 420.0)
    spot = rng.normal(0.0, spread, (count, 2))
    middle = point + np.array([60.0, 0.0, 0.0]) - (np.array([60.0, 0.0, 0.0]) @ normal) * normal
    at = middle + spot[:, :1] * first + spot[:, 1:] * second + normal * rng.uniform(0.5, 9.0, (count, 1))
    if toe is not None:
        at[:_ABOUT_TOE] = toe + rng.normal(0.0, 1.0, (min(count, _ABOUT_TOE), 3)) * np.array([30.0, 22.0, 9.0])
    turn = rng.uniform(0.0, 2 * np.pi, (count, 1))
    rise = np.clip(rng.normal(0.0, 0.12, (count, 1)), -0.05, 0.6)
    along = np.cos(turn) * first + np.sin(turn) * second + normal * rise
    length = rng.uniform(25.0, 150.0, (count, 1))
    half = rng.uniform(0.8, 2.6, (count, 1))
    side = np.cross(along, unit(viewpoint.position - middle))
    side = side / np.maximum(np.linalg.norm(side, axis=1, keepdims=True), 1e-6) * half
    stalks[:count, 0] = at - 0.5 * length * along
    stalks[:count, 1] = at + 0.5 * length * along
    stalks[:count, 2] = side
    return stalks
