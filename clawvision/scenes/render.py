"""From compositions to pictures: surfaces, projection, visibility, shadow, labels and landmarks of a batch of scenes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import torch
from torch import Tensor

from clawvision.scenes.foot import Foot, FootNumbers, PlacedClaw, build_foot
from clawvision.scenes.mesh import Mesh, Piece, bars, grid_faces, join, normalised, tube
from clawvision.scenes.raster import Fragments, rasterise
from clawvision.scenes.shape import FootShape, claw_vector
from clawvision.scenes.stage import BOXES, HAND_TUBES, HANDS, PIPES, ROPES, Stage
from clawvision.scenes.surfels import Kind, Surfels

LANDMARKS = ("C", "T", "B", "H", "tip_a", "tip_b", "heel_a", "heel_b", "cleft")
_SHADOW_SIZE = 640
_SHADOW_REACH = 330.0
_SHADOW_BIAS = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Cameras:
    """A batch of cameras: ``focal`` (B,) px, ``centre`` (2,) px, ``position`` (B, 3), ``rotation`` (B, 3, 3), rows right, down
    and ahead, ``distortion`` (B,)."""

    focal: Tensor
    centre: tuple[float, float]
    position: Tensor
    rotation: Tensor
    distortion: Tensor

    def project(self, points: Tensor) -> Tensor:
        """Project world points (B, N, 3), mm: x and y in pixels and the depth in mm, (B, N, 3)."""
        seen = (points - self.position[:, None]) @ self.rotation.transpose(1, 2)
        depth = seen[..., 2]
        safe = torch.where(depth.abs() < 1e-3, torch.full_like(depth, 1e-3), depth)
        x, y = seen[..., 0] / safe, seen[..., 1] / safe
        bend = 1.0 + self.distortion[:, None] * (x * x + y * y).clamp_max(1.0)
        focal = self.focal[:, None]
        return torch.stack([focal * bend * x + self.centre[0], focal * bend * y + self.centre[1], depth], dim=-1)

    def rays(self, height: int, width: int) -> Tensor:
        """Return the unit directions, world, (B, H, W, 3), in which the pixels look."""
        device = self.focal.device
        y, x = torch.meshgrid(
            torch.arange(height, device=device, dtype=torch.float32),
            torch.arange(width, device=device, dtype=torch.float32),
            indexing="ij",
        )
        focal = self.focal[:, None, None]
        u, v = (x - self.centre[0])[None] / focal, (y - self.centre[1])[None] / focal
        k = self.distortion[:, None, None]
        a, b = u, v
        for _ in range(4):
            bend = 1.0 + k * (a * a + b * b).clamp_max(1.0)
            a, b = u / bend, v / bend
        seen = torch.stack([a, b, torch.ones_like(a)], dim=-1)
        return normalised(torch.einsum("bhwk,bkj->bhwj", seen, self.rotation))


@dataclass(frozen=True, slots=True, eq=False)
class Scenes:
    """A batch of scenes as surfaces."""

    stages: tuple[Stage, ...]
    mesh: Mesh
    outer: PlacedClaw
    inner: PlacedClaw
    side: Tensor
    """(B,): the sign of y on which the outer claw lies."""
    present: Tensor
    """(B,) bool: whether there is a foot at all."""
    light: Tensor
    planes: Tensor
    bare: Tensor
    """(B, 2) bool: hands without gloves."""


def foot_numbers(feet: Sequence[FootShape], device: torch.device) -> FootNumbers:
    """Gather feet into tensors."""
    values = {}
    for field in fields(FootNumbers):
        rows = [
            claw_vector(getattr(foot, field.name)) if field.name in ("outer", "inner") else [getattr(foot, field.name)]
            for foot in feet
        ]
        values[field.name] = torch.tensor(np.array(rows), dtype=torch.float32, device=device)
    return FootNumbers(**values)


def _tensor(values: object, device: torch.device) -> Tensor:
    return torch.tensor(np.array(values), dtype=torch.float32, device=device)


def _into_world(piece: Piece, side: Tensor, origin: Tensor, shown: Tensor) -> Piece:
    """Mirror a foot frame's piece into the world, shift it, and send it away where it is not ``shown``."""
    flip = torch.stack([torch.ones_like(side), side, torch.ones_like(side)], dim=-1)[:, None]
    points = piece.points * flip + origin[:, None]
    points = torch.where(shown[:, None, None], points, torch.full_like(points, -1.0e6))
    return replace(piece, points=points)


def build(stages: Sequence[Stage], seed: int, device: torch.device) -> Scenes:
    """Build the surfaces of a batch of scenes.

    Parameters
    ----------
    stages
        The compositions.
    seed
        Of the hairs.
    device
        Where to build.
    """
    chance = torch.Generator(device=device)
    chance.manual_seed(seed)
    side = _tensor([-1.0 if stage.right_foot else 1.0 for stage in stages], device)
    present = torch.tensor([stage.view != "none" for stage in stages], device=device)
    nowhere = torch.zeros(len(stages), 3, device=device)
    foot = build_foot(foot_numbers([stage.foot for stage in stages], device), chance)
    pieces = [_into_world(piece, side, nowhere, present) for piece in foot.pieces]
    if any(stage.neighbour is not None for stage in stages):
        other = build_foot(
            foot_numbers([stage.neighbour or stage.foot for stage in stages], device), chance, first_claw=2, hair=False
        )
        shown = torch.tensor([stage.neighbour is not None for stage in stages], device=device)
        origin = _tensor([stage.neighbour_origin for stage in stages], device)
        pieces += [_into_world(piece, side, origin, shown) for piece in other.pieces]
    pieces += _props(stages, device)
    return Scenes(
        tuple(stages),
        join(pieces),
        foot.outer,
        foot.inner,
        side,
        present,
        _tensor([stage.light for stage in stages], device),
        _tensor([stage.planes for stage in stages], device),
        torch.tensor([stage.bare_hands for stage in stages], device=device),
    )


def _props(stages: Sequence[Stage], device: torch.device) -> list[Piece]:
    paths = _tensor([stage.paths for stage in stages], device)
    wide = _tensor([stage.wide for stage in stages], device)
    deep = wide * _tensor([stage.deep_share for stage in stages], device)[..., None]
    view_up = _tensor([stage.viewpoint.rotation[2] for stage in stages], device)
    pieces = []
    for row in range(paths.shape[1]):
        kind, part = _slot(row)
        across = torch.linalg.cross(paths[:, row, -1] - paths[:, row, 0] + 1e-3, view_up)
        if kind is Kind.ROPE:  # a closed ring: its own upright, not the chord, says what lies across
            across = torch.linalg.cross(paths[:, row, 4] - paths[:, row, 12], paths[:, row, 0] - paths[:, row, 8])
        pieces.append(tube(kind, part, paths[:, row], across, wide[:, row], deep[:, row], 12))
    boxes = _tensor([stage.boxes for stage in stages], device)
    for row in range(BOXES):
        pieces.append(_box(boxes[:, row], row))
    stalks = _tensor([stage.stalks for stage in stages], device)
    number = torch.linspace(0.0, 1.0, stalks.shape[1], device=device).expand(len(stages), -1)
    pieces.append(bars(Kind.STRAW, 0, stalks[:, :, 0], stalks[:, :, 1], stalks[:, :, 2], number))
    pieces.append(_card(_tensor([stage.card for stage in stages], device)))
    return pieces


def _slot(row: int) -> tuple[Kind, int]:
    if row < HANDS * HAND_TUBES:
        part = row // HAND_TUBES
        return (Kind.SLEEVE if row % HAND_TUBES == HAND_TUBES - 1 else Kind.SKIN), part
    row -= HANDS * HAND_TUBES
    return (Kind.PIPE, row) if row < PIPES else (Kind.ROPE, row - PIPES)


def _box(box: Tensor, part: int) -> Piece:
    """Build boxes (B, 4, 3): centre and three half axes."""
    device = box.device
    points, attrs = [], []
    for axis in range(3):
        for sign in (-1.0, 1.0):
            normal, u, v = box[:, 1 + axis] * sign, box[:, 1 + (axis + 1) % 3], box[:, 1 + (axis + 2) % 3]
            for a, b in ((-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)):
                points.append(box[:, 0] + normal + a * u + b * v)
                attrs.append([0.5 + 0.5 * a, 0.5 + 0.5 * b, 0.0, 0.3])
    place = torch.stack(points, dim=1)
    attr = torch.tensor(attrs, device=device).expand(len(box), -1, -1)
    base = torch.arange(6, device=device)[:, None] * 4
    faces = torch.cat([base + torch.tensor([0, 1, 2], device=device), base + torch.tensor([0, 2, 3], device=device)])
    return Piece(Kind.WOOD, part, place, place, attr, faces)


def _card(card: Tensor) -> Piece:
    device = card.device
    rows, columns = 7, 11
    v, u = torch.meshgrid(
        torch.linspace(0, 1, rows, device=device), torch.linspace(0, 1, columns, device=device), indexing="ij"
    )
    u, v = u.reshape(1, -1, 1), v.reshape(1, -1, 1)
    points = card[:, None, 0] + u * card[:, None, 1] + v * card[:, None, 2]
    attr = torch.cat([u, v, torch.zeros_like(u), torch.zeros_like(u)], dim=-1).expand(len(card), -1, -1)
    return Piece(Kind.CARD, 0, points, points, attr, grid_faces(rows, columns, device, closed=False))


def cameras(stages: Sequence[Stage], height: int, width: int, device: torch.device) -> Cameras:
    """Gather the scenes' cameras for pictures of a size, pixels."""
    views = [stage.viewpoint for stage in stages]
    return Cameras(
        _tensor([view.focal for view in views], device) * (max(height, width) / 1024.0),
        (0.5 * (width - 1), 0.5 * (height - 1)),
        _tensor([view.position for view in views], device),
        _tensor([view.rotation for view in views], device),
        _tensor([view.distortion for view in views], device),
    )


def lit_by(scenes: Scenes, light: Tensor, points: Tensor) -> Tensor:
    """Return 0 where a key light in the directions ``light`` (B, 3) does not reach points (B, H, W, 3), softened to 1
    where it does."""
    device = points.device
    centre = torch.tensor([55.0, 0.0, 40.0], device=device)
    first = normalised(torch.linalg.cross(light, torch.tensor([0.31, 0.9, 0.3], device=device).expand_as(light)))
    second = torch.linalg.cross(light, first)
    frame = torch.stack([first, second, -light], dim=1)
    scale = _SHADOW_SIZE / (2 * _SHADOW_REACH)

    def seen(at: Tensor) -> Tensor:
        turned = (at - centre) @ frame.transpose(1, 2)
        place = turned[..., :2] * scale + 0.5 * _SHADOW_SIZE
        return torch.cat([place, turned[..., 2:] + 5.0e3], dim=-1)

    mesh = scenes.mesh
    depth = rasterise(seen(mesh.points), mesh.faces, _SHADOW_SIZE, _SHADOW_SIZE).depth
    batch, height, width = points.shape[:3]
    at = seen(points.reshape(batch, -1, 3))
    total = torch.zeros(batch, height * width, device=device)
    grid = at[..., :2] / (_SHADOW_SIZE - 1) * 2 - 1
    for dx, dy in ((0.0, 0.0), (1.3, 0.4), (-0.4, 1.3), (-1.3, -0.4), (0.4, -1.3)):
        shift = torch.tensor([dx, dy], device=device) * 2 / _SHADOW_SIZE
        nearest = torch.nn.functional.grid_sample(
            depth[:, None].clamp_max(1e9),
            (grid + shift)[:, None],
            mode="nearest",
            padding_mode="border",
            align_corners=True,
        )[:, 0, 0]
        total += (nearest > at[..., 2] - _SHADOW_BIAS).float()
    lit = total / 5.0
    outside = (grid.abs() > 1).any(dim=-1)
    lit = torch.where(outside, torch.ones_like(lit), lit)
    return lit.view(batch, height, width)


def surfels_of(scenes: Scenes, camera: Cameras, height: int, width: int) -> tuple[Surfels, Fragments]:
    """Find what shows in every pixel, the ground, the wall and the sky behind all else."""
    mesh = scenes.mesh
    fragments = rasterise(camera.project(mesh.points), mesh.faces, height, width)
    batch = len(mesh.points)
    device = mesh.points.device
    hit = fragments.face >= 0
    scene, _, _ = hit.nonzero(as_tuple=True)
    face = fragments.face[hit]
    corners = mesh.faces[face]
    weights = fragments.weights[hit][..., None]

    def blend(values: Tensor) -> Tensor:
        return (values[scene[:, None], corners] * weights).sum(dim=1)

    shape = (batch, height, width)
    rays = camera.rays(height, width)
    kind = torch.zeros(shape, dtype=torch.int64, device=device)
    part = torch.zeros(shape, dtype=torch.int64, device=device)
    point, normal = rays.clone(), -rays
    local = rays.clone()
    attr = torch.zeros(*shape, 4, device=device)
    # a mesh's depth is along the camera's axis, a plane's distance along the ray
    axis = (rays * camera.rotation[:, None, None, 2]).sum(dim=-1)
    nearest = fragments.depth / axis
    for index, name in ((1, Kind.WALL), (0, Kind.GROUND)):
        at, up = scenes.planes[:, index, 0], scenes.planes[:, index, 1]
        slant = torch.einsum("bhwk,bk->bhw", rays, up)
        away = ((at - camera.position) * up).sum(dim=-1)[:, None, None] / torch.where(
            slant.abs() < 1e-6, torch.full_like(slant, 1e-6), slant
        )
        shows = (away > 1.0) & (slant < 0) & (away < nearest) & (away < 2.0e4)
        nearest = torch.where(shows, away, nearest)
        kind[shows] = int(name)
        point = torch.where(shows[..., None], camera.position[:, None, None] + away[..., None] * rays, point)
        normal = torch.where(shows[..., None], up[:, None, None].expand_as(normal), normal)
    solid = hit & (fragments.depth / axis <= nearest)
    keep = solid[hit]
    smooth = _vertex_normals(mesh)
    kind[solid] = mesh.kind[face][keep]
    part[solid] = mesh.part[face][keep]
    point[solid] = blend(mesh.points)[keep]
    normal[solid] = blend(smooth)[keep]
    local = torch.where(solid[..., None], local, point)
    local[solid] = blend(mesh.local)[keep]
    attr[solid] = blend(mesh.attr)[keep]
    normal = normalised(normal)
    normal = normal * -torch.sign((normal * rays).sum(dim=-1, keepdim=True) - 1e-6)
    # hands are of one mesh, gloved or not as the scene has it
    bare = scenes.bare[torch.arange(batch, device=device)[:, None, None], part.clamp_max(1)]
    kind = torch.where((kind == int(Kind.SKIN)) & ~bare, torch.full_like(kind, int(Kind.GLOVE)), kind)
    return Surfels(kind, part, point, normal, local, attr), fragments


def _vertex_normals(mesh: Mesh) -> Tensor:
    corners = mesh.points[:, mesh.faces]
    flat = torch.linalg.cross(corners[:, :, 1] - corners[:, :, 0], corners[:, :, 2] - corners[:, :, 0])
    normals = torch.zeros_like(mesh.points)
    for corner in range(3):
        normals.index_add_(1, mesh.faces[:, corner], flat)
    return normalised(normals)


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """True landmarks and directions of a batch of scenes.

    ``places`` (B, 9, 3): world, mm, in the order of ``LANDMARKS``, nan where the view has none. ``swapped`` (B,) bool:
    claw_a is the inner claw.
    """

    places: Tensor
    swapped: Tensor


def _bearing_heel(points: Tensor) -> Tensor:
    """Return the heel point H (B, 3) of claws (B, S, R, 3) in the foot frame: extreme rearwards and downwards."""
    flat = points.reshape(len(points), -1, 3)
    at = (-flat[..., 0] - flat[..., 2]).argmax(dim=1)
    return flat[torch.arange(len(flat), device=flat.device), at]


def _toe_from(points: Tensor, start: Tensor, plane: tuple[int, int]) -> Tensor:
    """Return the point (B, 3) of claws (B, S, R, 3) that lies farthest from ``start`` (B, 3) in a plane."""
    flat = points.reshape(len(points), -1, 3)
    gap = (flat - start[:, None])[..., list(plane)].norm(dim=-1)
    return flat[torch.arange(len(flat), device=flat.device), gap.argmax(dim=1)]


def _heel_and_toe(points: Tensor) -> tuple[Tensor, Tensor]:
    """Return the rear end and the toe tip (B, 3) of claws (B, S, R, 3) as the sole view sees them."""
    flat = points.reshape(len(points), -1, 3)
    middle = points.mean(dim=2)
    third = middle[:, : points.shape[1] // 3].mean(dim=1)
    toe = _toe_from(points, third, (0, 1))
    along = normalised((toe - third) * torch.tensor([1.0, 1.0, 0.0], device=points.device))
    rear = ((flat - toe[:, None]) * along[:, None]).sum(-1).argmin(dim=1)
    return flat[torch.arange(len(flat), device=flat.device), rear], toe


def marks_of(scenes: Scenes) -> Marks:
    """Return where the landmarks truly are."""
    device = scenes.side.device
    flip = torch.stack([torch.ones_like(scenes.side), scenes.side, torch.ones_like(scenes.side)], dim=-1)
    count = len(scenes.stages)
    places = torch.full((count, len(LANDMARKS), 3), float("nan"), device=device)
    swapped = torch.zeros(count, dtype=torch.bool, device=device)
    side_marks, sole_marks = [], []
    for claw in (scenes.outer, scenes.inner):
        # the claw's own profile plane is turned with its splay; its small angle moves T by nothing that shows
        toe = _toe_from(claw.points, claw.bulb, (0, 2))
        side_marks.append(
            torch.stack([claw.coronet, toe, claw.bulb, _bearing_heel(claw.points)], dim=1) * flip[:, None]
        )
        heel, tip = _heel_and_toe(claw.points)
        sole_marks.append(torch.stack([tip, heel], dim=1) * flip[:, None])
    for index, stage in enumerate(scenes.stages):
        if stage.view == "side":
            swap = stage.near == "inner"
            places[index, :4] = side_marks[int(swap)][index]
        elif stage.view == "sole":
            # seen from below with the toes up, a left foot's outer claw lies on the right
            swap = not stage.right_foot
            a, b = (sole_marks[1], sole_marks[0]) if swap else (sole_marks[0], sole_marks[1])
            places[index, 4], places[index, 5] = a[index, 0], b[index, 0]
            places[index, 6], places[index, 7] = a[index, 1], b[index, 1]
            places[index, 8] = _cleft(scenes, index)
        else:  # claw_a is the left one of the picture
            swap = stage.right_foot == (stage.view == "rear")
        swapped[index] = swap
    return Marks(places, swapped)


def _cleft(scenes: Scenes, index: int) -> Tensor:
    """Return the rear end of the cleft (3,), world: midway between the claws' innermost points of the heel third."""
    inward = []
    for claw, sign in ((scenes.outer, 1.0), (scenes.inner, -1.0)):
        heel = claw.points[index, : claw.points.shape[1] // 3].reshape(-1, 3)
        inward.append(heel[(heel[:, 1] * sign).argmin()])
    middle = 0.5 * (inward[0] + inward[1])
    return middle * torch.stack(
        [torch.ones_like(scenes.side[index]), scenes.side[index], torch.ones_like(scenes.side[index])]
    )


LABELS = ("background", "claw_a", "claw_b", "leg", "reference", "occluder", "dewclaw", "other horn")
_LABEL_OF = {
    Kind.LEG: 3,
    Kind.HAIR: 3,
    Kind.CARD: 4,
    Kind.SKIN: 5,
    Kind.GLOVE: 5,
    Kind.SLEEVE: 5,
    Kind.PIPE: 5,
    Kind.ROPE: 5,
    Kind.DEWCLAW: 6,
}


def labels_of(surfels: Surfels, swapped: Tensor) -> Tensor:
    """Return which of ``LABELS`` each pixel shows, int64 (B, H, W). The neighbouring foot counts as background, but for
    its horn; wood and straw count as occluders where they hide nothing too, but the ground's planks do not."""
    device = surfels.kind.device
    table = torch.zeros(len(Kind), dtype=torch.int64, device=device)
    for kind, label in _LABEL_OF.items():
        table[int(kind)] = label
    labels = table[surfels.kind]
    own = surfels.part < 2
    horn = surfels.kind == int(Kind.HORN)
    swap = swapped[:, None, None]
    is_a = horn & ((surfels.part == 0) ^ (swap & (surfels.part < 2)))
    labels = torch.where(horn & own, torch.where(is_a, 1, 2), labels)
    labels = torch.where(horn & ~own, 7, labels)
    foreign = (surfels.part == 1) & ((labels == 3) | (labels == 6))
    return torch.where(foreign, 0, labels)
