"""What stands where in a scene: the foot, the camera, the reference, ground and wall, hands, pipes, ropes and straw.

World frame, mm, right-handed: x from heel to toe, y to the left as seen from above with the toes ahead, z up from
the bearing plane. A left foot's outer claw lies at positive y, a right foot's at negative y. In the camera's
frame x is right, y down, z ahead.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from clawvision.scenes.shape import FootShape, sample_foot
from clawvision.types import FloatArray

SceneView = Literal["side", "sole", "front", "rear", "none"]
VIEWS: tuple[SceneView, ...] = ("side", "sole", "front", "rear", "none")

STEPS = 16
"""Points along each tube's path."""
HAND_TUBES = 7
HANDS, PIPES, ROPES, BOXES, STALKS = 2, 4, 2, 2, 500
TUBES = HANDS * HAND_TUBES + PIPES + ROPES
_ABSENT = -1.0e6
SAME_FOOT = (
    "outer",
    "inner",
    "gap",
    "splay_outer",
    "splay_inner",
    "roll_outer",
    "roll_inner",
    "shift",
    "leg_scale",
    "hair_overhang",
    "hair_amount",
    "dewclaw",
    "family",
)
"""What stays the same between photos of one foot."""
_FRAME = 1024.0
_DIAGONAL = 1280.0
_FULL_FRAME_MM = 43.2666
_FOCAL_35MM = (24, 26, 27, 28, 35, 48, 50, 52, 70, 77)
"""Width, in pixels, of the picture that focal lengths here belong to."""


@dataclass(frozen=True, slots=True, eq=False)
class Viewpoint:
    """A camera: ``focal`` in pixels of a picture 1024 wide, ``position`` (3,) mm, ``rotation`` (3, 3) with the rows right,
    down and ahead, ``distortion`` the first radial coefficient.
    """

    focal: float
    position: FloatArray
    rotation: FloatArray
    distortion: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """One scene's composition. What a scene does not have lies far behind the camera.

    ``card`` (3, 3): its top left corner, and the vectors along its top and down its left edge, mm. ``paths``
    (TUBES, STEPS, 3) with ``wide`` (TUBES, STEPS) half widths and ``deep_share`` (TUBES,); ``boxes`` (BOXES, 4, 3):
    centre and three half axes; ``stalks`` (STALKS, 3, 3): start, stop, half width; ``planes`` (2, 2, 3): a point and
    the normal of the ground and of the wall. ``light`` (3,) points to the key light.
    """

    view: SceneView
    near: Literal["outer", "inner"]
    right_foot: bool
    foot: FootShape
    neighbour: FootShape | None
    neighbour_origin: FloatArray
    viewpoint: Viewpoint
    has_card: bool
    card: FloatArray
    bare_hands: tuple[bool, bool]
    paths: FloatArray
    wide: FloatArray
    deep_share: FloatArray
    boxes: FloatArray
    stalks: FloatArray
    planes: FloatArray
    light: FloatArray


def unit(vector: FloatArray) -> FloatArray:
    """Return a vector of length 1."""
    scaled: FloatArray = vector / max(float(np.linalg.norm(vector)), 1e-12)
    return scaled


def look_at(position: FloatArray, target: FloatArray, up: FloatArray, roll_deg: float) -> FloatArray:
    """Return the rotation (3, 3) of a camera at ``position`` that looks at ``target``, turned by ``roll_deg``."""
    ahead = unit(target - position)
    right = unit(np.cross(ahead, up))
    down = np.cross(ahead, right)
    angle = np.radians(roll_deg)
    return np.stack([np.cos(angle) * right + np.sin(angle) * down, np.cos(angle) * down - np.sin(angle) * right, ahead])


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


def _ring(centre: FloatArray, up: FloatArray, long: float, wide: float, thick: float) -> tuple[FloatArray, FloatArray]:
    """Return the path of a rope laid around a leg."""
    forward = unit(np.array([up[2], 0.0, -up[0]]))
    lateral = np.array([0.0, 1.0, 0.0])
    turn = np.linspace(0.0, 2 * np.pi, STEPS)
    path = centre + long * np.cos(turn)[:, None] * forward + wide * np.sin(turn)[:, None] * lateral
    return path, np.full(STEPS, thick)


@dataclass(frozen=True, slots=True, eq=False)
class _Extent:
    """What the camera has to frame: ``middle`` (3,) and ``size`` mm along the foot; ``tip_x`` of the longer toe."""

    middle: FloatArray
    size: float
    tip_x: float


def _extent(foot: FootShape) -> _Extent:
    reach = []
    for claw in (foot.outer, foot.inner):
        drop = claw.coronet_z - claw.toe_lift
        reach.append(claw.coronet_x + np.sqrt(max(claw.toe_length**2 - drop**2, 25.0)))
    tip = float(max(reach))
    return _Extent(np.array([0.5 * tip - 8.0, 0.0, 30.0]), tip + 14.0, tip)


def _viewpoint(
    rng: np.random.Generator, view: SceneView, extent: _Extent, side: float, *, tight: bool, plain: bool
) -> Viewpoint:
    """Draw a camera. ``side`` is the sign of y on which it stands in a side view. ``plain``: as a careful user would."""
    focal = float(rng.choice(_FOCAL_35MM) * _DIAGONAL / _FULL_FRAME_MM)
    share = float(rng.uniform(0.45, 0.85) if tight else rng.uniform(0.22, 0.7))
    distance = max(focal * extent.size / (share * _FRAME), 230.0)
    if view == "side":
        if plain or rng.random() < 0.75:
            azimuth, elevation = rng.normal(0.0, 7.0 if plain else 12.0), rng.uniform(3.0, 14.0 if plain else 22.0)
        else:
            azimuth, elevation = rng.uniform(-50.0, 50.0), rng.uniform(5.0, 48.0)
        roll = rng.normal(0.0, 4.0)
        if not plain and rng.random() < 0.12:
            roll += rng.choice([-90.0, 90.0, 180.0])
        a, e = np.radians(azimuth), np.radians(elevation)
        away = np.array([np.sin(a) * np.cos(e), side * np.cos(a) * np.cos(e), np.sin(e)])
        up = np.array([0.0, 0.0, 1.0])
    elif view == "sole":
        tilt = abs(rng.normal(0.0, 5.0 if plain else 9.0)) if plain or rng.random() < 0.85 else rng.uniform(10.0, 38.0)
        turn = rng.uniform(0.0, 2 * np.pi)
        away = np.array([np.sin(np.radians(tilt)) * np.cos(turn), np.sin(np.radians(tilt)) * np.sin(turn), 0.0])
        away[2] = -np.cos(np.radians(tilt))
        up = np.array([1.0, 0.0, 0.0])
        roll = rng.choice([0.0, 90.0, 180.0, 270.0]) + rng.normal(0.0, 10.0)
        if not plain and rng.random() < 0.2:
            roll = rng.uniform(0.0, 360.0)
    else:
        elevation = rng.uniform(5.0, 35.0)
        a, e = np.radians(rng.normal(0.0, 12.0)), np.radians(elevation)
        front = 1.0 if view == "front" else -1.0
        away = np.array([front * np.cos(a) * np.cos(e), np.sin(a), np.sin(e)])
        if view == "rear":
            away[2] = -abs(away[2]) * rng.uniform(-1.0, 0.3)
        up = np.array([0.0, 0.0, 1.0])
        roll = rng.normal(0.0, 6.0)
    away = unit(away)
    middle = extent.middle + (np.array([0.0, side * 15.0, 0.0]) if view == "side" else 0.0)
    position = middle + away * distance
    frame = distance / focal * _FRAME
    loose = 0.5 * max(0.0, 0.9 - share)
    across = rng.uniform(-1.0, 1.0, 2) * np.array([0.9, 0.6]) * loose * frame * 0.8
    rotation = look_at(position, middle, up, roll)
    target = middle + rotation[0] * across[0] + rotation[1] * across[1]
    rotation = look_at(position, target, up, roll)
    return Viewpoint(focal, position, rotation, float(rng.normal(0.0, 0.015)))


def _place_card(
    rng: np.random.Generator,
    view: SceneView,
    extent: _Extent,
    viewpoint: Viewpoint,
    side: float,
    size: tuple[float, float],
    *,
    plain: bool,
) -> tuple[FloatArray, FloatArray, float]:
    """Return the card's corner and edges (3, 3), the way its holder comes from, and the offset of the measuring plane
    behind it, mm."""
    width, height = size
    spread = 2.0 if plain else 9.0
    if view != "sole":
        offset = float(rng.normal(25.0, 3.0) if plain or rng.random() < 0.6 else rng.uniform(-5.0, 60.0))
        right = np.array([-side, 0.0, 0.0])
        down = np.array([0.0, 0.0, -1.0])
        normal = np.array([0.0, side, 0.0])
        claw_y = side * 29.0
        place = str(rng.choice(["ahead", "behind", "above"]))
        # clear of the claw: before the toe, behind the heel, or above the toe
        across = width if width < 150.0 else height
        if place == "ahead":
            middle = np.array([extent.tip_x + 12.0 + 0.5 * across + rng.uniform(0, 25), 0.0, rng.uniform(25.0, 90.0)])
        elif place == "behind":
            middle = np.array([-32.0 - 0.5 * across - rng.uniform(0, 25), 0.0, rng.uniform(25.0, 95.0)])
        else:
            middle = np.array([100.0 + 0.5 * across + rng.uniform(0.0, 40.0), 0.0, rng.uniform(85.0, 125.0)])
        middle[1] = claw_y + side * offset
        outward = unit(np.array([middle[0] - 40.0, 0.0, abs(middle[2] - 10.0) + 30.0]))
    else:
        offset = float(rng.normal(0.0, 2.0) if plain or rng.random() < 0.7 else rng.uniform(-30.0, 40.0))
        right, down, normal = np.array([0.0, 1.0, 0.0]), np.array([-1.0, 0.0, 0.0]), np.array([0.0, 0.0, -1.0])
        turn = rng.choice([0.0, np.pi / 2, np.pi, -np.pi / 2]) + rng.normal(0.0, 0.15)
        right, down = np.cos(turn) * right + np.sin(turn) * down, np.cos(turn) * down - np.sin(turn) * right
        beside = rng.choice([-1.0, 1.0])
        span = abs(0.5 * width * right[1]) + abs(0.5 * height * down[1])
        middle = np.array([rng.uniform(-10.0, extent.tip_x), beside * (66.0 + span + rng.uniform(0.0, 30.0)), -offset])
        if rng.random() < 0.2:
            span = abs(0.5 * width * right[0]) + abs(0.5 * height * down[0])
            middle = np.array([extent.tip_x + 15.0 + span, rng.uniform(-40.0, 40.0), -offset])
        outward = unit(np.array([middle[0] - 60.0, middle[1], 0.0]))
    tip = rng.normal(0.0, np.radians(spread), 2)
    spin = rng.normal(0.0, np.radians(5.0)) + (
        rng.choice([0.0, np.pi / 2, np.pi, -np.pi / 2]) if rng.random() < 0.3 else 0.0
    )
    if width > 150.0 and view != "sole":
        spin += np.pi / 2
    right, down = np.cos(spin) * right + np.sin(spin) * down, np.cos(spin) * down - np.sin(spin) * right
    right = unit(right + tip[0] * normal)
    down = unit(down + tip[1] * normal)
    corner = middle - 0.5 * width * right - 0.5 * height * down
    return np.stack([corner, width * right, height * down]), outward, offset


def _pipes(
    rng: np.random.Generator, view: SceneView, viewpoint: Viewpoint, count: int
) -> tuple[FloatArray, FloatArray]:
    """Return the paths and half widths of bars behind the foot, seldom before it."""
    paths = np.full((PIPES, STEPS, 3), _ABSENT)
    widths = np.ones((PIPES, STEPS))
    right, down, ahead = viewpoint.rotation
    for index in range(count):
        behind = rng.uniform(90.0, 420.0) if rng.random() < 0.93 else -rng.uniform(60.0, 120.0)
        middle = viewpoint.position + ahead * (
            np.linalg.norm(viewpoint.position - np.array([50.0, 0.0, 30.0])) + behind
        )
        middle = middle + right * rng.uniform(-260.0, 260.0) + down * rng.uniform(-200.0, 120.0)
        angle = rng.choice([0.0, np.pi / 2]) + rng.normal(0.0, 0.12)
        along = np.cos(angle) * right + np.sin(angle) * down + ahead * rng.normal(0.0, 0.1)
        path, width = _rod(middle - along * 900.0, middle + along * 900.0, rng.uniform(10.0, 32.0))
        paths[index], widths[index] = path, width
    return paths, widths


def _stalks(rng: np.random.Generator, plane: FloatArray, viewpoint: Viewpoint, count: int) -> FloatArray:
    """Return straw strewn over the ground, with a few stalks on end."""
    stalks = np.full((STALKS, 3, 3), _ABSENT)
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
    turn = rng.uniform(0.0, 2 * np.pi, (count, 1))
    along = (
        np.cos(turn) * first + np.sin(turn) * second + normal * np.clip(rng.normal(0.0, 0.12, (count, 1)), -0.05, 0.6)
    )
    length = rng.uniform(25.0, 150.0, (count, 1))
    half = rng.uniform(0.8, 2.6, (count, 1))
    facing = unit(viewpoint.position - middle)
    side = np.cross(along, facing)
    side = side / np.maximum(np.linalg.norm(side, axis=1, keepdims=True), 1e-6) * half
    stalks[:count, 0] = at - 0.5 * length * along
    stalks[:count, 1] = at + 0.5 * length * along
    stalks[:count, 2] = side
    return stalks


def sample_stage(
    rng: np.random.Generator,
    view: SceneView,
    *,
    held_out: bool = False,
    plain: bool = False,
    tight: bool = False,
    reference_size: tuple[float, float] | None = (85.6, 53.98),
    foot: FootShape | None = None,
    right_foot: bool | None = None,
) -> Stage:
    """Draw a scene's composition.

    Parameters
    ----------
    rng
        Source of chance.
    view
        What the photo is to show; ``none``: no foot at all.
    held_out
        Shapes of families that training never sees.
    plain
        A photo as a careful user takes it by the photo guide, else one with all that can go wrong.
    tight
        Frame the foot closely.
    reference_size
        Width and height of the reference in mm, None for a photo without one.
    foot, right_foot
        The foot and whether it is a right one, where another photo of it is there already.
    """
    lifted = view in ("sole", "rear") or (view != "none" and rng.random() < 0.3)
    drawn = sample_foot(rng, held_out=held_out, lifted=view in ("sole", "rear"))
    if foot is not None:  # the same horn, the leg as this photo has it
        drawn = replace(drawn, **{name: getattr(foot, name) for name in SAME_FOOT})
    foot = drawn
    extent = _extent(foot)
    chosen = bool(rng.random() < 0.5)
    right_foot = chosen if right_foot is None else right_foot
    near: Literal["outer", "inner"] = "outer" if rng.random() < 0.6 else "inner"
    side = (1.0 if near == "outer" else -1.0) * (-1.0 if right_foot else 1.0)
    viewpoint = _viewpoint(rng, view if view != "none" else "side", extent, side, tight=tight, plain=plain)
    right, down, ahead = viewpoint.rotation

    if view in ("sole", "rear") and view == "sole":
        normal = unit(np.array([rng.normal(0, 0.2), rng.normal(0, 0.2), -1.0]))
        planes = np.array([[[60.0, 0.0, rng.uniform(90.0, 420.0)], normal], [[0.0, 0.0, 3000.0], [0.0, 0.0, -1.0]]])
    else:
        depth = -rng.uniform(8.0, 260.0) if lifted else 0.0
        back = unit(np.array([-ahead[0], -ahead[1], 0.0]) + rng.normal(0, 0.15, 3) * np.array([1, 1, 0]))
        planes = np.array([[[0.0, 0.0, depth], [0.0, 0.0, 1.0]], [-back * rng.uniform(250.0, 2500.0), back]])

    paths = np.full((TUBES, STEPS, 3), _ABSENT)
    wide = np.ones((TUBES, STEPS))
    deep_share = np.ones(TUBES)
    deep_share[[5, 5 + HAND_TUBES]] = 0.45

    has_card = reference_size is not None
    card = np.full((3, 3), _ABSENT)
    holder: FloatArray | None = None
    if reference_size is not None:
        card, outward, _ = _place_card(rng, view, extent, viewpoint, side, reference_size, plain=plain)
        if rng.random() < 0.75:
            middle = card[0] + 0.5 * card[1] + 0.5 * card[2]
            half = 0.5 * min(np.linalg.norm(card[1]), np.linalg.norm(card[2]))
            holder = middle + outward * half * rng.uniform(0.55, 1.0)
            facing = unit(viewpoint.position - middle)
            way = outward + rng.normal(0.0, 0.35, 3)
            paths[:HAND_TUBES], wide[:HAND_TUBES] = hand(rng, holder + facing * rng.choice([-14.0, 9.0]), way, facing)
    share = 0.12 if plain else 0.3
    if view != "none" and rng.random() < share:
        claw_y = side * rng.uniform(0.0, 45.0) if view == "side" else rng.uniform(-60.0, 60.0)
        z = rng.uniform(40.0, 120.0) if view == "side" else rng.uniform(-8.0, 60.0)
        spot = np.array([rng.uniform(-40.0, extent.tip_x + 20.0), claw_y, z])
        facing = unit(viewpoint.position - spot)
        way = right * rng.normal() + down * rng.normal() + 0.3 * ahead
        start, stop = HAND_TUBES, 2 * HAND_TUBES
        paths[start:stop], wide[start:stop] = hand(rng, spot + facing * rng.uniform(0.0, 25.0), way, facing)
    if rng.random() < 0.3:
        start = HANDS * HAND_TUBES
        bars, half = _pipes(rng, view, viewpoint, int(rng.integers(1, PIPES + 1)))
        paths[start : start + PIPES], wide[start : start + PIPES] = bars, half
    if view != "none" and rng.random() < 0.3:
        lean = np.radians(foot.pastern_deg)
        up = np.array([-np.cos(lean), 0.0, np.sin(lean)])
        claw = foot.outer
        base = np.array([0.5 * (claw.coronet_x + claw.bulb_x), 0.0, 0.5 * (claw.coronet_z + claw.bulb_z)])
        height = rng.uniform(35.0, 100.0)
        thick = rng.uniform(3.0, 9.0)
        for index in range(int(rng.integers(1, ROPES + 1))):
            row = HANDS * HAND_TUBES + PIPES + index
            centre = base + up * (height + index * 2.1 * thick)
            paths[row], wide[row] = _ring(centre, up, 38.0 * foot.leg_scale, 44.0 * foot.leg_scale, thick)
    boxes = np.full((BOXES, 4, 3), _ABSENT)
    boxes[:, 1:] = 0.0
    if view in ("side", "front") and not lifted and rng.random() < 0.15:  # the foot stands on a plank
        thick = rng.uniform(15.0, 60.0)
        boxes[0] = [
            [60.0, 0.0, -0.5 * thick],
            [rng.uniform(200, 600), 0.0, 0.0],
            [0.0, rng.uniform(60, 140), 0.0],
            [0, 0, 0.5 * thick],
        ]
        planes[0, 0, 2] = -thick
    if view == "sole" and rng.random() < 0.05:  # a block between the claws
        boxes[1] = [
            [rng.uniform(40, 90), 0.0, rng.uniform(-5, 20)],
            [rng.uniform(15, 40), 0, 0],
            [0, rng.uniform(4, 14), 0],
            [0, 0, rng.uniform(10, 25)],
        ]
    littered = int(rng.integers(20, STALKS + 1)) if rng.random() < 0.35 else 0
    stalks = _stalks(rng, planes[0], viewpoint, littered)

    neighbour: FootShape | None = None
    origin = np.zeros(3)
    if view in ("side", "front", "rear") and rng.random() < 0.45:
        neighbour = sample_foot(rng, held_out=held_out, lifted=False)
        origin = np.array([rng.uniform(-220.0, 220.0), -side * rng.uniform(130.0, 330.0), planes[0, 0, 2]])
    spread = rng.normal(0.0, 0.75, 2)
    light = unit(-ahead * rng.uniform(-0.1, 1.0) + right * spread[0] - down * (0.35 + abs(spread[1])))
    return Stage(
        view=view,
        near=near,
        right_foot=right_foot,
        foot=foot,
        neighbour=neighbour,
        neighbour_origin=origin,
        viewpoint=viewpoint,
        has_card=has_card,
        card=card,
        bare_hands=(bool(rng.random() < 0.4), bool(rng.random() < 0.4)),
        paths=paths,
        wide=wide,
        deep_share=deep_share,
        boxes=boxes,
        stalks=stalks,
        planes=planes,
        light=light,
    )
