"""From compositions to surfaces: the meshes of a batch of scenes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import torch
from torch import Tensor

from clawvision.scale.geometry import CARD_HEIGHT, CARD_WIDTH, CORNER_RADIUS
from clawvision.scenes.foot import FootNumbers, PlacedClaw, build_foot
from clawvision.scenes.mesh import Mesh, Piece, bars, grid_faces, join, tube
from clawvision.scenes.props import ABSENT, HAND_TUBES, PIPES
from clawvision.scenes.shape import FootShape, claw_vector
from clawvision.scenes.stage import BOXES, HANDS, Stage
from clawvision.scenes.surfels import Kind


@dataclass(frozen=True, slots=True, eq=False)
class Scenes:
    """A batch of scenes as surfaces: ``mesh`` in the world frame, the claws in their foot's own."""

    stages: tuple[Stage, ...]
    mesh: Mesh
    outer: PlacedClaw
    inner: PlacedClaw
    side: Tensor
    """(B,): the sign of y on which the outer claw lies."""
    present: Tensor
    """(B,) bool: whether there is a foot at all."""
    light: Tensor
    """(B, 3): unit directions to the key light."""
    planes: Tensor
    """(B, 2, 2, 3): points and normals of the ground and of the wall."""
    bare: Tensor
    """(B, 2) bool: hands without gloves."""

    def to_world(self, points: Tensor) -> Tensor:
        """Take points (B, N, 3) of the foot frame to the world."""
        return points * _mirror(self.side)[:, None]


def _mirror(side: Tensor) -> Tensor:
    """Return the signs (B, 3) of the axes between the foot frame and the world."""
    return torch.stack([torch.ones_like(side), side, torch.ones_like(side)], dim=-1)


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
    points = piece.points * _mirror(side)[:, None] + origin[:, None]
    points = torch.where(shown[:, None, None], points, torch.full_like(points, ABSENT))
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
    foot = build_foot(foot_numbers([stage.foot for stage in stages], device), chance)
    pieces = [_into_world(piece, side, torch.zeros(1, 3, device=device), present) for piece in foot.pieces]
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
    """Return the reference, its corners rounded as those of a bank card, or hardly, where it is of another size."""
    device = card.device
    width, height = card[:, 1].norm(dim=-1)[:, None], card[:, 2].norm(dim=-1)[:, None]
    is_card = ((width - CARD_WIDTH).abs() < 0.1) & ((height - CARD_HEIGHT).abs() < 0.1)
    radius = torch.where(is_card, CORNER_RADIUS, 0.4)
    # rows lie close where the corners turn: quarter circles at both ends
    turn = torch.linspace(0, torch.pi / 2, 7, device=device)[None]
    drop, inset = radius * (1 - torch.sin(turn)), radius * (1 - torch.cos(turn))
    rows, columns = 2 * turn.shape[1], 11
    v = torch.cat([inset, height - inset.flip(-1)], dim=-1) / height
    start = torch.cat([drop, drop.flip(-1)], dim=-1) / width
    across = torch.linspace(0, 1, columns, device=device)
    u = (start[..., None] + (1 - 2 * start[..., None]) * across).reshape(len(card), -1, 1)
    v = v[..., None].expand(-1, -1, columns).reshape(len(card), -1, 1)
    points = card[:, None, 0] + u * card[:, None, 1] + v * card[:, None, 2]
    attr = torch.cat([u, v, torch.zeros_like(u), torch.zeros_like(u)], dim=-1)
    return Piece(Kind.CARD, 0, points, points, attr, grid_faces(rows, columns, device, closed=False))
