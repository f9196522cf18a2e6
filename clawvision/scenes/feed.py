"""Endless training pictures made on the spot: the same seed and number always give the same batch on one device."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import current_process, get_context
from typing import cast

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from clawvision.scenes.look import (
    CameraEffects,
    Look,
    collate,
    collate_effects,
    sample_camera_effects,
    sample_look,
)
from clawvision.scenes.mesh import normalised
from clawvision.scenes.photograph import photograph
from clawvision.scenes.references import ReferenceTexture, sample_reference
from clawvision.scenes.render import (
    Cameras,
    Scenes,
    build,
    cameras,
    labels_of,
    lit_by,
    marks_of,
    surfels_of,
)
from clawvision.scenes.shade import shade
from clawvision.scenes.shape import FootShape
from clawvision.scenes.stage import VIEWS, SceneView, Stage, sample_stage
from clawvision.training.batch import Batch, Group

HEIGHT, WIDTH = 576, 768
FINE = (384, 512)
COARSE = (192, 256)
FILL = 0.68
"""Share of the fine crop's width or height that the horn's box fills."""
_GREY = 114.0
_TAKES = 2
_REFERENCES = 96
_AHEAD = 24
_VIEW_SHARES = (0.46, 0.42, 0.035, 0.035, 0.05)


@dataclass(frozen=True, slots=True, eq=False)
class Pictures:
    """A batch of rendered photos and what is true of them.

    ``photo`` float32 (B, 3, H, W) sRGB 0..1; ``labels`` int64 (B, H, W) as `labels_of`; ``landmarks`` (B, 9, 2) px;
    ``toe``, ``down`` (B, 2) unit directions in the picture; ``swapped`` (B,) bool: claw_a is the inner claw;
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
    swapped: Tensor
    flaws: tuple[str, ...]
    families: tuple[dict[str, str], ...]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What kind of pictures: ``plain`` and ``tight`` (its share) as `sample_stage` has them, ``flawed`` the share with a
    flaw of the camera, ``bare`` the share without a reference, ``takes`` how many photos of each scene."""

    held_out: bool = False
    plain: bool = False
    tight: float = 0.4
    flawed: float = 0.08
    bare: float = 0.2
    takes: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """One scene as drawn at random: composition, appearance and what the camera does to the picture."""

    stage: Stage
    look: Look
    effects: tuple[CameraEffects, ...]


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
    stage = sample_stage(
        rng,
        view,
        held_out=wanted.held_out,
        plain=wanted.plain,
        tight=bool(rng.random() < wanted.tight) and not wanted.plain,
        reference_size=(reference.width_mm, reference.height_mm) if there else None,
        foot=foot,
        right_foot=right_foot,
    )
    look = sample_look(rng, held_out=wanted.held_out, view=view)
    effects = tuple(sample_camera_effects(rng, flawed=wanted.flawed) for _ in range(wanted.takes))
    return Drawn(stage, look, effects)


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
    surfels, fragments = surfels_of(scenes, fine, height * finer, width * finer)
    rig = look.values.light
    middle = torch.tensor([55.0, 0.0, 40.0], device=device)
    light = torch.where((rig.kind == 0)[:, None], scenes.light, normalised(rig.position - middle))
    look = replace(look, values=replace(look.values, light=replace(rig, direction=scenes.light)))
    lit = lit_by(scenes, light, surfels.point)
    lit = torch.where((rig.kind == 2)[:, None, None], torch.ones_like(lit), lit)
    linear = shade(surfels, look, lit, fine.position, card)
    distance = (surfels.point - fine.position[:, None, None]).norm(dim=-1)
    solid = torch.isfinite(fragments.depth) | (surfels.kind > 0)
    distance = torch.where(solid, distance, torch.full_like(distance, 2.0e4))
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
        again(marks.swapped),
        tuple(effect.flaw for row in effects for effect in row),
        tuple({**one.look.families, "shape": one.stage.foot.family} for one in drawn) * takes,
    )


def _sampled(layers: Tensor, matrix: Tensor, size: tuple[int, int], scale: Tensor) -> Tensor:
    """Resample layers (B, C, H, W) at ``matrix`` @ (x, y, 1), reduced first where ``scale`` (B,) shrinks them."""
    height, width = size
    device = layers.device
    y, x = torch.meshgrid(
        torch.arange(height, device=device, dtype=torch.float32),
        torch.arange(width, device=device, dtype=torch.float32),
        indexing="ij",
    )
    spots = torch.stack([x, y, torch.ones_like(x)], dim=-1).view(1, -1, 3) @ matrix.transpose(1, 2)
    spots = spots.view(len(layers), height, width, 2)
    result = torch.zeros(len(layers), layers.shape[1], height, width, device=device)
    level = torch.log2(scale.clamp_min(1.0)).round().long().clamp_max(3)
    reduced = layers
    for step in range(4):
        rows = (level == step).nonzero()[:, 0]
        if step:
            reduced = functional.avg_pool2d(reduced, 2)
        if len(rows):
            factor = 2.0**step
            at = (spots[rows] + 0.5) / factor
            grid = torch.stack([at[..., 0] / reduced.shape[3], at[..., 1] / reduced.shape[2]], dim=-1) * 2 - 1
            result[rows] = functional.grid_sample(
                reduced[rows], grid, mode="bilinear", padding_mode="zeros", align_corners=False
            )
    return result


def _layers(pictures: Pictures) -> Tensor:
    """Return photo, five masks and where the photo is at all, (B, 9, H, W)."""
    label = pictures.labels
    masks = [label == 1, label == 2, (label == 3) | (label == 6), label == 4, label == 5]
    stacked = torch.stack(masks, dim=1).float()
    return torch.cat([pictures.photo * 255.0, stacked, torch.ones_like(stacked[:, :1])], dim=1)


def _crop_frame(pictures: Pictures, chance: torch.Generator) -> tuple[Tensor, Tensor]:
    """Return the matrices (B, 2, 3) from fine crop to photo and their scales (B,)."""
    device = pictures.photo.device
    count = len(pictures.photo)

    def draw(low: float, high: float) -> Tensor:
        return low + (high - low) * torch.rand(count, generator=chance, device=device)

    view = torch.tensor([VIEWS.index(stage.view) for stage in pictures.stages], device=device)
    turned = torch.tensor([[1.0, 0.0]], device=device)
    posed = (view <= 1)[:, None]
    x_axis = torch.where(posed, -pictures.toe, turned.expand(count, 2))
    y_axis = torch.stack([-x_axis[:, 1], x_axis[:, 0]], dim=-1)
    flip = ((y_axis * pictures.down).sum(dim=-1) < 0) & (view == 0)
    y_axis = torch.where(flip[:, None], -y_axis, y_axis)
    angle = draw(-12.0, 12.0) * torch.pi / 180
    cos, sin = torch.cos(angle)[:, None], torch.sin(angle)[:, None]
    x_axis, y_axis = cos * x_axis + sin * y_axis, cos * y_axis - sin * x_axis

    step = 4
    horn = ((pictures.labels == 1) | (pictures.labels == 2))[:, ::step, ::step]
    height, width = horn.shape[1:]
    y, x = torch.meshgrid(
        torch.arange(height, device=device) * step, torch.arange(width, device=device) * step, indexing="ij"
    )
    u = x[None] * x_axis[:, :1, None] + y[None] * x_axis[:, 1:, None]
    v = x[None] * y_axis[:, :1, None] + y[None] * y_axis[:, 1:, None]
    there = horn.flatten(1).sum(dim=1) > 40

    def ends(values: Tensor) -> tuple[Tensor, Tensor]:
        big = torch.full_like(values, 1e6)
        low = torch.where(horn, values, big).flatten(1).amin(dim=1)
        high = torch.where(horn, values, -big).flatten(1).amax(dim=1)
        size = float(max(pictures.photo.shape[2:]))
        return torch.where(there, low, 0.2 * size * torch.ones_like(low)), torch.where(
            there, high, 0.7 * size * torch.ones_like(high)
        )

    u0, u1 = ends(u)
    v0, v1 = ends(v)
    scale = torch.maximum((u1 - u0) / (FILL * FINE[1]), (v1 - v0) / (FILL * FINE[0])) * draw(0.82, 1.24)
    centre_u = 0.5 * (u0 + u1) + draw(-0.07, 0.07) * FINE[1] * scale
    centre_v = 0.5 * (v0 + v1) + draw(-0.07, 0.07) * FINE[0] * scale
    first = x_axis * scale[:, None]
    second = y_axis * scale[:, None]
    middle = centre_u[:, None] * x_axis + centre_v[:, None] * y_axis
    origin = middle - first * 0.5 * (FINE[1] - 1) - second * 0.5 * (FINE[0] - 1)
    return torch.stack([first, second, origin], dim=-1), scale


def _whole_frame(pictures: Pictures, chance: torch.Generator, rows: list[int]) -> tuple[Tensor, Tensor]:
    """Return the matrices (M, 2, 3) from coarse picture to photo, and their scales: the whole photo, turned."""
    device = pictures.photo.device
    count = len(rows)
    height, width = pictures.photo.shape[2:]

    def draw() -> Tensor:
        return torch.rand(count, generator=chance, device=device)

    sole = torch.tensor([pictures.stages[row].view == "sole" for row in rows], device=device)
    quarter = (draw() * 4).long()
    quarter = torch.where(~sole & (draw() < 0.75), torch.zeros_like(quarter), quarter)
    angle = quarter * (torch.pi / 2) + torch.where(draw() < 0.2, draw() - 0.5, 0.1 * (draw() - 0.5))
    cos, sin = torch.cos(angle), torch.sin(angle)
    wide = torch.where(quarter % 2 == 0, float(width), float(height))
    high = torch.where(quarter % 2 == 0, float(height), float(width))
    scale = torch.maximum(wide / COARSE[1], high / COARSE[0]) * (0.7 + 0.5 * draw())
    first = torch.stack([cos, sin], dim=-1) * scale[:, None]
    second = torch.stack([-sin, cos], dim=-1) * scale[:, None]
    middle = torch.tensor([0.5 * (width - 1), 0.5 * (height - 1)], device=device)[None]
    middle = middle + (torch.stack([draw(), draw()], dim=-1) - 0.5) * scale[:, None] * 30.0
    origin = middle - first * 0.5 * (COARSE[1] - 1) - second * 0.5 * (COARSE[0] - 1)
    return torch.stack([first, second, origin], dim=-1), scale


def _group(
    pictures: Pictures, rows: list[int], layers: Tensor, matrix: Tensor, scale: Tensor, size: tuple[int, int]
) -> Group:
    """Gather what is true of crops of some of the pictures."""
    device = layers.device
    sampled = _sampled(layers[rows], matrix, size, scale)
    there = sampled[:, 8:9]
    picture = sampled[:, :3] + _GREY * (1.0 - there)
    masks = (sampled[:, 3:8] > 0.5).to(torch.uint8)
    inverse = torch.linalg.inv(matrix[:, :, :2])
    landmarks = ((pictures.landmarks[rows] - matrix[:, None, :, 2]) @ inverse.transpose(1, 2)).nan_to_num(-1e4)
    limit = torch.tensor([size[1] - 1.0, size[0] - 1.0], device=device)
    inside = ((landmarks >= 2.0) & (landmarks <= limit - 2.0)).all(dim=-1)
    stages = [pictures.stages[row] for row in rows]
    view = torch.tensor([VIEWS.index(stage.view) for stage in stages], device=device)

    def turned(direction: Tensor) -> Tensor:
        return normalised((inverse @ direction[rows][..., None])[..., 0])

    visible = masks[:, :2].flatten(2).sum(dim=2)
    has_claw = (visible > size[0] * size[1] // 2000).float()
    posed = (view <= 1) & (has_claw.sum(dim=1) > 0)
    swapped = pictures.swapped[rows]
    both = torch.tensor(
        [[stage.foot.outer.helical_twist, stage.foot.inner.helical_twist] for stage in stages], device=device
    )
    twist = torch.where(swapped[:, None], both.flip(1), both)
    has_twist = has_claw * (view <= 1)[:, None]
    has_twist[:, 1] *= (view == 1).float()
    tips = torch.where((view == 0)[:, None, None], landmarks[:, [1, 1]], landmarks[:, [4, 5]])
    hidden = _hidden(tips, masks[:, :2], size) * (view <= 1)[:, None]
    hidden[:, 1] *= (view == 1).float()
    flawed = torch.tensor([pictures.flaws[row] != "none" for row in rows], device=device)
    needed = torch.where((view == 0)[:, None], inside[:, [0, 1, 2]], inside[:, [4, 5, 6]])
    usable = posed & ~flawed & (hidden.sum(dim=1) == 0) & needed.all(dim=1)
    return Group(
        picture=picture,
        masks=masks,
        landmarks=landmarks,
        seen=inside.float(),
        view=view,
        toe=turned(pictures.toe),
        has_toe=posed.float(),
        down=turned(pictures.down),
        has_down=(posed & (view == 0)).float(),
        twist=twist.float(),
        has_twist=has_twist,
        usable=usable.float(),
        hidden_tip=hidden,
        has_claw=has_claw,
    )


def _hidden(tips: Tensor, masks: Tensor, size: tuple[int, int]) -> Tensor:
    """Return 1 for claws with no horn in view at their tip (B, 2)."""
    near = functional.max_pool2d(masks.float(), 13, stride=1, padding=6)
    column = tips[..., 0].round().long().clamp(0, size[1] - 1)
    row = tips[..., 1].round().long().clamp(0, size[0] - 1)
    batch = torch.arange(len(tips), device=tips.device)[:, None]
    claw = torch.arange(2, device=tips.device)[None]
    shown = near[batch, claw, row, column]
    inside = (tips >= 0).all(-1) & (tips[..., 0] <= size[1] - 1) & (tips[..., 1] <= size[0] - 1)
    return 1.0 - shown * inside.float()


def _draw_batch(seed: int, number: int, count: int, held_out: bool, references: list[ReferenceTexture]) -> list[Drawn]:
    """Draw the scenes of a training batch; ``references`` are without their textures."""
    rng = np.random.default_rng([seed, number])
    views = [cast(SceneView, str(view)) for view in rng.choice(VIEWS, count, p=_VIEW_SHARES)]
    chosen = _chosen(seed, number, count)
    wanted = Wanted(held_out=held_out, plain=bool(rng.random() < 0.35), tight=0.6, takes=_TAKES)
    return [
        draw_scene((seed, number, index), view, wanted, references[chosen[index]]) for index, view in enumerate(views)
    ]


def _chosen(seed: int, number: int, count: int) -> list[int]:
    """Return which of the prepared references lies in each scene."""
    chosen: list[int] = np.random.default_rng([seed, number, 1]).integers(0, _REFERENCES, count).tolist()
    return chosen


class SceneFeed:
    """Batches of ``fine`` crops and ``coarse`` whole photos, two of each scene.

    Parameters
    ----------
    seed
        The same seed and number give the same batch.
    device
        Where to render.
    fine, coarse
        Pictures in a batch; ``coarse`` at most ``fine``.
    held_out
        Families that training never sees.
    workers
        Processes that draw scenes ahead; 0 draws them in this one. They change nothing but the speed.
    """

    def __init__(
        self, seed: int, device: torch.device, fine: int, coarse: int, held_out: bool = False, workers: int = 0
    ) -> None:
        self.seed = seed
        self.device = device
        self.scenes = max(1, fine // _TAKES)
        self.coarse = coarse
        self.held_out = held_out
        bank = [sample_reference(np.random.default_rng([seed, 99, index])) for index in range(_REFERENCES)]
        self._cards = torch.from_numpy(np.stack([one.texture for one in bank])).to(device)
        self._bank = [replace(one, texture=one.texture[:1, :1]) for one in bank]
        self._pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn")) if workers else None
        self._ahead: dict[int, Future[list[Drawn]]] = {}

    def _drawn(self, number: int) -> list[Drawn]:
        if self._pool is None:
            return _draw_batch(self.seed, number, self.scenes, self.held_out, self._bank)
        for later in range(number, number + _AHEAD):
            if later not in self._ahead:
                self._ahead[later] = self._pool.submit(
                    _draw_batch, self.seed, later, self.scenes, self.held_out, self._bank
                )
        return self._ahead.pop(number).result()

    def batch(self, number: int) -> Batch:
        """Return batch ``number``."""
        drawn = self._drawn(number)
        card = self._cards[_chosen(self.seed, number, self.scenes)].float() / 255.0
        seed = self.seed * 7919 + number
        pictures = render(drawn, card, self.device, height=HEIGHT, width=WIDTH, seed=seed)
        chance = torch.Generator(device=self.device)
        chance.manual_seed(seed)
        layers = _layers(pictures)
        matrix, scale = _crop_frame(pictures, chance)
        rows = list(range(len(pictures.photo)))
        fine = _group(pictures, rows, layers, matrix, scale, FINE)
        rows = rows[: self.coarse]
        matrix, scale = _whole_frame(pictures, chance, rows)
        return Batch(fine=fine, coarse=_group(pictures, rows, layers, matrix, scale, COARSE))


def make_feed(*, seed: int, device: torch.device, fine: int, coarse: int, held_out: bool) -> SceneFeed:
    """Make a feed of scenes for the training."""
    alone = device.type == "cpu" or current_process().daemon  # a daemon may have no children
    workers = 0 if alone else max(1, (os.cpu_count() or 2) - 3)
    return SceneFeed(seed, device, fine, coarse, held_out, workers)
