"""What shows in every pixel of a batch of scenes, and whether the key light reaches it."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from clawvision.scenes.build import Scenes
from clawvision.scenes.cameras import Cameras
from clawvision.scenes.mesh import Mesh, normalised
from clawvision.scenes.raster import rasterise
from clawvision.scenes.surfels import Kind, Surfels

_SHADOW_SIZE = 640
_SHADOW_REACH = 330.0
_SHADOW_BIAS = 1.0
_SHADOW_LIFT = 2.5


def lit_by(scenes: Scenes, light: Tensor, points: Tensor, normals: Tensor) -> Tensor:
    """Return how much of a key light reaches points.

    Parameters
    ----------
    scenes
        What throws shadows.
    light : (B, 3)
        Unit directions to the light.
    points : (B, H, W, 3)
        World, mm.

    Returns
    -------
    Tensor
        (B, H, W): 0 in shadow, 1 in the light, between at a shadow's edge; 1 too for all that lies beyond the reach
        of the shadow map, 330 mm from the foot.

    ``normals`` (B, H, W, 3) are the surface's: a point is asked for a little above it, or the surface would shade
    itself where the light grazes it.
    """
    points = points + _SHADOW_LIFT * normals
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

    # a depth map as seen from the light, looked up at five places to soften its edges
    mesh = scenes.mesh
    depth = rasterise(seen(mesh.points), mesh.faces, _SHADOW_SIZE, _SHADOW_SIZE).depth
    batch, height, width = points.shape[:3]
    at = seen(points.reshape(batch, -1, 3))
    total = torch.zeros(batch, height * width, device=device)
    grid = at[..., :2] / (_SHADOW_SIZE - 1) * 2 - 1
    for dx, dy in ((0.0, 0.0), (1.3, 0.4), (-0.4, 1.3), (-1.3, -0.4), (0.4, -1.3)):
        shift = torch.tensor([dx, dy], device=device) * 2 / _SHADOW_SIZE
        nearest = functional.grid_sample(
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


def surfels_of(scenes: Scenes, camera: Cameras, height: int, width: int) -> Surfels:
    """Find what shows in every pixel: the scene's mesh, else the ground, the wall or the sky."""
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
    return Surfels(kind, part, point, normal, local, attr)


def _vertex_normals(mesh: Mesh) -> Tensor:
    corners = mesh.points[:, mesh.faces]
    flat = torch.linalg.cross(corners[:, :, 1] - corners[:, :, 0], corners[:, :, 2] - corners[:, :, 0])
    normals = torch.zeros_like(mesh.points)
    for corner in range(3):
        normals.index_add_(1, mesh.faces[:, corner], flat)
    return normalised(normals)
