"""What stands where in a scene: the foot, the camera, the reference, ground and wall, hands, pipes, ropes and straw.

World frame, mm, right-handed: x from heel to toe, y to the left as seen from above with the toes ahead, z up from
the bearing plane. A left foot's outer claw lies at positive y, a right foot's at negative y. In the camera's
frame x is right, y down, z ahead.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from clawvision.scenes.props import ABSENT, HAND_TUBES, PIPES, STALKS, STEPS, hand, pipes, place_card, ring, straw
from clawvision.scenes.shape import FootShape, sample_foot
from clawvision.scenes.viewpoint import Extent, SceneView, Viewpoint, extent_of, sample_viewpoint, unit
from clawvision.types import FloatArray

HANDS, ROPES, BOXES = 2, 2, 2
PLANK, BLOCK = range(BOXES)
"""Rows of a stage's boxes."""
TUBES = HANDS * HAND_TUBES + PIPES + ROPES
_PALMS = (5, 5 + HAND_TUBES)
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


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """One scene's composition. What a scene does not have lies at ``ABSENT``.

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


@dataclass(frozen=True, slots=True, eq=False)
class _Tubes:
    """The tubes of a scene while they are being laid, as `Stage` has them."""

    paths: FloatArray
    wide: FloatArray

    def lay(self, first: int, tubes: tuple[FloatArray, FloatArray]) -> None:
        """Put paths (K, STEPS, 3) and half widths (K, STEPS) from row ``first`` on."""
        stop = first + len(tubes[0])
        self.paths[first:stop], self.wide[first:stop] = tubes


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
    extent = extent_of(foot)
    chosen = bool(rng.random() < 0.5)
    right_foot = chosen if right_foot is None else right_foot
    near: Literal["outer", "inner"] = "outer" if rng.random() < 0.6 else "inner"
    side = (1.0 if near == "outer" else -1.0) * (-1.0 if right_foot else 1.0)
    viewpoint = sample_viewpoint(rng, view if view != "none" else "side", extent, side, tight=tight, plain=plain)
    right, down, ahead = viewpoint.rotation
    planes = _planes(rng, view, ahead, lifted=lifted)

    tubes = _Tubes(np.full((TUBES, STEPS, 3), ABSENT), np.ones((TUBES, STEPS)))
    card = np.full((3, 3), ABSENT)
    if reference_size is not None:
        splay = foot.splay_outer if near == "outer" else foot.splay_inner
        card, outward = place_card(rng, view, extent, side, reference_size, splay_deg=splay, plain=plain)
        if rng.random() < 0.75:
            tubes.lay(0, _holding_hand(rng, card, outward, viewpoint, plain=plain))
    if view != "none" and rng.random() < (0.12 if plain else 0.3):
        tubes.lay(HAND_TUBES, _other_hand(rng, view, extent, side, viewpoint))
    if rng.random() < 0.3:
        tubes.lay(HANDS * HAND_TUBES, pipes(rng, viewpoint))
    if view != "none" and rng.random() < 0.3:
        tubes.lay(HANDS * HAND_TUBES + PIPES, _ropes(rng, foot))
    boxes = _boxes(rng, view, lifted=lifted)
    planes[0, 0, 2] -= 2.0 * boxes[PLANK, 3, 2]  # the ground lies under the plank
    littered = int(rng.integers(20, STALKS + 1)) if rng.random() < 0.35 else 0
    near_y = side * (0.5 * foot.outer.width + foot.gap)
    toe = np.array([extent.tip_x - rng.uniform(0.0, 30.0), near_y, max(0.0, planes[0, 0, 2]) + 8.0])
    stalks = straw(rng, planes[0], viewpoint, littered, toe if rng.random() < 0.4 and not plain else None)

    neighbour: FootShape | None = None
    origin = np.zeros(3)
    if view in ("side", "front", "rear") and rng.random() < 0.45:
        neighbour = sample_foot(rng, held_out=held_out, lifted=False)
        origin = np.array([rng.uniform(-220.0, 220.0), -side * rng.uniform(130.0, 330.0), planes[0, 0, 2]])
    spread = rng.normal(0.0, 0.75, 2)
    light = unit(-ahead * rng.uniform(-0.1, 1.0) + right * spread[0] - down * (0.35 + abs(spread[1])))
    deep_share = np.ones(TUBES)
    deep_share[list(_PALMS)] = 0.45
    return Stage(
        view=view,
        near=near,
        right_foot=right_foot,
        foot=foot,
        neighbour=neighbour,
        neighbour_origin=origin,
        viewpoint=viewpoint,
        has_card=reference_size is not None,
        card=card,
        bare_hands=(bool(rng.random() < 0.4), bool(rng.random() < 0.4)),
        paths=tubes.paths,
        wide=tubes.wide,
        deep_share=deep_share,
        boxes=boxes,
        stalks=stalks,
        planes=planes,
        light=light,
    )


def _planes(rng: np.random.Generator, view: SceneView, ahead: FloatArray, *, lifted: bool) -> FloatArray:
    """Return the ground and the wall (2, 2, 3); behind a sole the ground is whatever lies beyond the foot."""
    if view == "sole":
        normal = unit(np.array([rng.normal(0, 0.2), rng.normal(0, 0.2), -1.0]))
        return np.array([[[60.0, 0.0, rng.uniform(90.0, 420.0)], normal], [[0.0, 0.0, 3000.0], [0.0, 0.0, -1.0]]])
    # Uneven ground: a standing claw leaves a black gap here and there.
    depth = -rng.uniform(8.0, 260.0) if lifted else -max(0.0, rng.normal(0.0, 1.5))
    back = unit(np.array([-ahead[0], -ahead[1], 0.0]) + rng.normal(0, 0.15, 3) * np.array([1, 1, 0]))
    return np.array([[[0.0, 0.0, depth], [0.0, 0.0, 1.0]], [-back * rng.uniform(250.0, 2500.0), back]])


def _holding_hand(
    rng: np.random.Generator, card: FloatArray, outward: FloatArray, viewpoint: Viewpoint, *, plain: bool
) -> tuple[FloatArray, FloatArray]:
    """Return the tubes of the hand that holds the reference by its outer edge, seldom from behind.

    A careful user's fingertips (``plain``) lie at the edge, one finger farther in at the most; others cover its face.
    """
    middle = card[0] + 0.5 * card[1] + 0.5 * card[2]
    half = 0.5 * min(np.linalg.norm(card[1]), np.linalg.norm(card[2]))
    if plain:
        sides = card[1:] / np.linalg.norm(card[1:], axis=1, keepdims=True)
        reaches = 0.5 * np.linalg.norm(card[1:], axis=1) / np.maximum(np.abs(sides @ outward), 1e-6)
        half = reaches.min()
    holder = middle + outward * half * (rng.uniform(0.9, 1.1) if plain else rng.uniform(0.55, 1.0))
    facing = unit(viewpoint.position - middle)
    way = outward + rng.normal(0.0, 0.35, 3)
    return hand(rng, holder + facing * rng.choice([-14.0, 9.0]), way, facing)


def _other_hand(
    rng: np.random.Generator, view: SceneView, extent: Extent, side: float, viewpoint: Viewpoint
) -> tuple[FloatArray, FloatArray]:
    """Return the tubes of a hand that reaches into the picture about the claws."""
    claw_y = side * rng.uniform(0.0, 45.0) if view == "side" else rng.uniform(-60.0, 60.0)
    z = rng.uniform(40.0, 120.0) if view == "side" else rng.uniform(-8.0, 60.0)
    spot = np.array([rng.uniform(-40.0, extent.tip_x + 20.0), claw_y, z])
    facing = unit(viewpoint.position - spot)
    right, down, ahead = viewpoint.rotation
    way = right * rng.normal() + down * rng.normal() + 0.3 * ahead
    return hand(rng, spot + facing * rng.uniform(0.0, 25.0), way, facing)


def _ropes(rng: np.random.Generator, foot: FootShape) -> tuple[FloatArray, FloatArray]:
    """Return one or two turns of rope around the pastern."""
    lean = np.radians(foot.pastern_deg)
    up = np.array([-np.cos(lean), 0.0, np.sin(lean)])
    claw = foot.outer
    base = np.array([0.5 * (claw.coronet_x + claw.bulb_x), 0.0, 0.5 * (claw.coronet_z + claw.bulb_z)])
    height = rng.uniform(35.0, 100.0)
    thick = rng.uniform(3.0, 9.0)
    turns = [
        ring(base + up * (height + index * 2.1 * thick), up, 38.0 * foot.leg_scale, 44.0 * foot.leg_scale, thick)
        for index in range(int(rng.integers(1, ROPES + 1)))
    ]
    return np.array([path for path, _ in turns]), np.array([wide for _, wide in turns])


def _boxes(rng: np.random.Generator, view: SceneView, *, lifted: bool) -> FloatArray:
    """Return a plank under a foot that stands, and a block between the claws, (BOXES, 4, 3)."""
    boxes = np.full((BOXES, 4, 3), ABSENT)
    boxes[:, 1:] = 0.0
    if view in ("side", "front") and not lifted and rng.random() < 0.15:
        thick = rng.uniform(15.0, 60.0)
        boxes[PLANK] = [
            [60.0, 0.0, -0.5 * thick],
            [rng.uniform(200, 600), 0.0, 0.0],
            [0.0, rng.uniform(60, 140), 0.0],
            [0, 0, 0.5 * thick],
        ]
    if view == "sole" and rng.random() < 0.1:
        boxes[BLOCK] = [
            [rng.uniform(40, 90), 0.0, rng.uniform(-5, 20)],
            [rng.uniform(15, 40), 0, 0],
            [0, rng.uniform(4, 14), 0],
            [0, 0, rng.uniform(10, 25)],
        ]
    return boxes
