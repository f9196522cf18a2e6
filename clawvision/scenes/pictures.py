"""From scenes as drawn at random to photos and what is true of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from clawvision.scenes.build import Scenes, build
from clawvision.scenes.cameras import Cameras, cameras
from clawvision.scenes.look import (
    CameraEffects,
    Look,
    collate,
    collate_effects,
    sample_camera_effects,
    sample_look,
)
from clawvision.scenes.marks import Marks, labels_of, marks_of
from clawvision.scenes.mesh import normalised
from clawvision.scenes.photograph import photograph
from clawvision.scenes.references import ReferenceTexture
from clawvision.scenes.render import lit_by, surfels_of
from clawvision.scenes.shade import shade
from clawvision.scenes.shape import FootShape
from clawvision.scenes.stage import Stage, sample_stage
from clawvision.scenes.surfels import Kind
from clawvision.scenes.viewpoint import SceneView

_TRIES = 60
_FRAME_HALF = np.array([500.0, 372.0])
"""Half of a picture 1024 wide less the room around it, px."""


@dataclass(frozen=True, slots=True, eq=False)
class Pictures:
    """A batch of rendered photos and what is true of them.

    ``photo`` float32 (B, 3, H, W) sRGB 0..1; ``labels`` int64 (B, H, W) as `labels_of`; ``landmarks`` (B, 9, 2) px;
    ``toe``, ``down`` (B, 2) unit directions in the picture; ``lean`` (B,) degrees by which the near claw of a side view
    turns its toe away from the camera, nan in other views; ``swapped`` (B,) bool: claw_a is the inner claw;
    ``flaws`` name what makes a photo unfit. ``scenes`` and ``camera`` are of the first take only.
    """

    stages: tuple[Stage, ...]
    scenes: Scenes
    camera: Cameras
    photo: Tensor
    labels: Tensor
    landmarks: Tensor
    toe: Tensor
    down: Tensor
    lean: Tensor
    swapped: Tensor
    flaws: tuple[str, ...]
    families: tuple[dict[str, str], ...]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What kind of pictures: ``plain`` and ``tight`` (its share) as `sample_stage` has them, ``flawed`` the share with
    a flaw of the camera, ``bare`` the share without a reference, ``takes`` how many photos of each scene.
    ``careful``: the whole reference is in the picture and the camera is held steady in fair light.
    """

    held_out: bool = False
    plain: bool = False
    tight: float = 0.4
    flawed: float = 0.08
    bare: float = 0.2
    takes: int = 1
    careful: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """One scene as drawn at random: composition, appearance and what the camera does to the picture."""

    stage: Stage
    look: Look
    effects: tuple[CameraEffects, ...]


def reference_in_frame(stage: Stage) -> bool:
    """Tell whether the whole reference lies in a picture of 4 : 3, with a little room around it."""
    camera = stage.viewpoint
    corners = np.array(
        [stage.card[0] + u * stage.card[1] + v * stage.card[2] for u, v in ((0, 0), (1, 0), (1, 1), (0, 1))]
    )
    seen = (corners - camera.position) @ camera.rotation.T
    if (seen[:, 2] < 1.0).any():
        return False
    place = camera.focal * seen[:, :2] / seen[:, 2:]
    return bool((np.abs(place) < _FRAME_HALF).all())


def steady(effects: CameraEffects) -> CameraEffects:
    """Return what the camera does in a steady hand and fair light: sharp, whole, little compressed, no stamp."""
    blur, exposure, noise = effects.blur.copy(), effects.exposure.copy(), effects.noise.copy()
    jpeg, stamp = effects.jpeg.copy(), effects.stamp.copy()
    blur[:3] = np.minimum(blur[:3], [0.0004, 0.0006, 0.0])
    exposure[2] = np.clip(exposure[2], -0.8, 0.5)
    noise[:2] = np.minimum(noise[:2], [0.008, 0.002])
    jpeg[0] = max(float(jpeg[0]), 70.0)
    stamp[0] = 0.0
    return replace(
        effects, blur=blur, exposure=exposure, noise=noise, jpeg=jpeg, stamp=stamp, size=np.zeros_like(effects.size)
    )


def draw_scene(
    seed: tuple[int, ...],
    view: SceneView,
    wanted: Wanted,
    reference: ReferenceTexture,
    *,
    foot: FootShape | None = None,
    right_foot: bool | None = None,
) -> Drawn:
    """Draw one scene; the same seed gives the same scene.

    Parameters
    ----------
    seed
        Source of all chance.
    view
        What the photo shows.
    wanted
        What kind of picture.
    reference
        The reference that lies in it, where there is one.
    foot, right_foot
        The foot and whether it is a right one, None where they are to be drawn.
    """
    rng = np.random.default_rng(seed)
    there = rng.random() >= wanted.bare

    def staged() -> Stage:
        return sample_stage(
            rng,
            view,
            held_out=wanted.held_out,
            plain=wanted.plain,
            tight=bool(rng.random() < wanted.tight) and not wanted.plain,
            reference_size=(reference.width_mm, reference.height_mm) if there else None,
            foot=foot,
            right_foot=right_foot,
        )

    stage = staged()
    for _ in range(_TRIES if wanted.careful and there else 0):
        if reference_in_frame(stage):
            break
        stage = staged()
    look = sample_look(rng, held_out=wanted.held_out, view=view)
    effects = tuple(sample_camera_effects(rng, flawed=wanted.flawed) for _ in range(wanted.takes))
    if wanted.careful:
        effects = tuple(steady(one) if one.flaw == "none" else one for one in effects)
    return Drawn(stage, look, effects)


def lean_of(marks: Marks, camera: Cameras) -> Tensor:
    """Return how far the near claws of side views turn their toes away from their cameras, (B,) degrees; else nan.

    The angle of the level heel-to-toe direction behind the plane at right angles to the ray that meets the claw midway
    between C and B.
    """
    ray = normalised(0.5 * (marks.places[:, 0] + marks.places[:, 2]) - camera.position)
    return torch.rad2deg(torch.asin((marks.forward * ray).sum(dim=-1).clamp(-1.0, 1.0)))


def render(
    drawn: Sequence[Drawn],
    card: Tensor,
    device: torch.device,
    *,
    height: int,
    width: int,
    finer: int = 1,
    seed: int = 0,
) -> Pictures:
    """Render scenes and photograph each as often as it has camera effects: first all scenes once, then all again.

    Parameters
    ----------
    drawn
        The scenes.
    card : float32 (B, h, w, 3)
        The references' textures, sRGB 0 to 1, on the device.
    device
        Where to render.
    height, width
        Of the photos, px.
    finer
        Render so many times finer and average.
    seed
        Of hairs and noise.
    """
    stages = [one.stage for one in drawn]
    scenes = build(stages, seed, device)
    camera = cameras(stages, height, width, device)
    fine = cameras(stages, height * finer, width * finer, device)
    look = collate([one.look for one in drawn], device)
    surfels = surfels_of(scenes, fine, height * finer, width * finer)
    rig = look.values.light
    middle = torch.tensor([55.0, 0.0, 40.0], device=device)
    light = torch.where((rig.kind == 0)[:, None], scenes.light, normalised(rig.position - middle))
    look = replace(look, values=replace(look.values, light=replace(rig, direction=scenes.light)))
    lit = lit_by(scenes, light, surfels.point, surfels.normal)
    lit = torch.where((rig.kind == 2)[:, None, None], torch.ones_like(lit), lit)
    linear = shade(surfels, look, lit, fine.position, card)
    distance = (surfels.point - fine.position[:, None, None]).norm(dim=-1)
    distance = torch.where(surfels.kind == int(Kind.SKY), torch.full_like(distance, 2.0e4), distance)
    marks = marks_of(scenes)
    labels = labels_of(surfels, marks.swapped)
    if finer > 1:
        linear = functional.avg_pool2d(linear.permute(0, 3, 1, 2), finer).permute(0, 2, 3, 1)
        labels = labels[:, finer // 2 :: finer, finer // 2 :: finer]
        distance = distance[:, finer // 2 :: finer, finer // 2 :: finer]
    generator = torch.Generator(device=device)
    generator.manual_seed(seed + 1)
    takes = len(drawn[0].effects)
    effects = [[one.effects[take] for one in drawn] for take in range(takes)]
    photos = [photograph(linear, collate_effects(row, device), generator, distance=distance) for row in effects]
    axis = torch.tensor([[20.0, 0.0, 0.0], [90.0, 0.0, 0.0], [50.0, 0.0, 50.0], [50.0, 0.0, 0.0]], device=device)
    ends = camera.project(axis.expand(len(stages), 4, 3))[..., :2]

    def again(values: Tensor) -> Tensor:
        return values.repeat(takes, *[1] * (values.dim() - 1))

    return Pictures(
        tuple(stages) * takes,
        scenes,
        camera,
        torch.cat(photos),
        again(labels),
        again(camera.project(marks.places)[..., :2]),
        again(normalised(ends[:, 1] - ends[:, 0])),
        again(normalised(ends[:, 3] - ends[:, 2])),
        again(lean_of(marks, camera)),
        again(marks.swapped),
        tuple(effect.flaw for row in effects for effect in row),
        tuple({**one.look.families, "shape": one.stage.foot.family} for one in drawn) * takes,
    )
