"""A little scene of ellipsoids, cylinders and planes, ray cast in closed form, to shade without the rasteriser."""

from __future__ import annotations

import math

import torch
from torch import Tensor

from clawvision.scenes.surfels import Kind, Surfels

FAR = 1e9


def _ellipsoid(origin: Tensor, ray: Tensor, centre: Tensor, radii: Tensor) -> tuple[Tensor, Tensor]:
    o, d = (origin - centre) / radii, ray / radii
    a, b, c = (d * d).sum(-1), (o * d).sum(-1), (o * o).sum(-1) - 1
    root = b * b - a * c
    t = (-b - root.clamp_min(0).sqrt()) / a
    t = torch.where((root > 0) & (t > 1e-2), t, torch.full_like(t, FAR))
    normal = (origin + t[..., None] * ray - centre) / radii**2
    return t, normal / normal.norm(dim=-1, keepdim=True).clamp_min(1e-9)


def _cylinder(origin: Tensor, ray: Tensor, centre: Tensor, radius: float, axis: int, low: float, high: float):
    keep = [k for k in range(3) if k != axis]
    o, d = (origin - centre)[..., keep], ray[..., keep]
    a, b, c = (d * d).sum(-1).clamp_min(1e-9), (o * d).sum(-1), (o * o).sum(-1) - radius**2
    root = b * b - a * c
    t = (-b - root.clamp_min(0).sqrt()) / a
    along = origin[..., axis] + t * ray[..., axis]
    t = torch.where((root > 0) & (t > 1e-2) & (along > low) & (along < high), t, torch.full_like(t, FAR))
    normal = torch.zeros_like(ray)
    normal[..., keep] = (o + t[..., None] * d) / radius
    return t, normal


def _plane(origin: Tensor, ray: Tensor, point: Tensor, normal: Tensor) -> tuple[Tensor, Tensor]:
    slope = (ray * normal).sum(-1)
    t = ((point - origin) * normal).sum(-1) / torch.where(slope.abs() < 1e-6, torch.full_like(slope, 1e-6), slope)
    t = torch.where(t > 1e-2, t, torch.full_like(t, FAR))
    return t, (normal * -torch.sign(slope)[..., None]).expand_as(ray)


def _objects(sole: bool) -> list[tuple]:
    v = torch.tensor
    claw = v([52.0, 24.0, 34.0])
    ground = 420.0 if sole else -0.5
    result: list[tuple] = [
        (Kind.GROUND, 0, "plane", v([0.0, 0, ground]), v([0.0, 0, 1])),
        (Kind.HORN, 0, "ellipsoid", v([0.0, -27.0, 18.0]), claw),
        (Kind.HORN, 1, "ellipsoid", v([0.0, 27.0, 18.0]), claw),
        (Kind.LEG, 0, "cylinder", v([-18.0, 0, 0]), 36.0, 2, 34.0, 400.0),
        (Kind.DEWCLAW, 0, "ellipsoid", v([-56.0, -14.0, 90.0]), v([16.0, 8.0, 12.0])),
        (Kind.GLOVE if sole else Kind.SKIN, 0, "cylinder", v([0.0, -70, 92]), 9.0, 0, 80.0, 130.0),
        (Kind.SLEEVE, 0, "cylinder", v([0.0, -70, 92]), 20.0, 0, 130.0, 300.0),
        (Kind.PIPE, 0, "cylinder", v([-150.0, 60.0, 0]), 18.0, 2, -1000.0, 1000.0),
        (Kind.ROPE, 0, "cylinder", v([-18.0, 0.0, 0]), 39.0, 2, 110.0, 122.0),
        (Kind.STRAW, 0, "cylinder", v([0.0, -80.0, 2.0]), 2.0, 0, -120.0, 60.0),
        (Kind.WOOD, 0, "cylinder", v([0.0, 90.0, 30.0]), 30.0, 0, 60.0, 250.0),
        (Kind.CARD, 0, "card", v([60.0, -62.0, 88.0]), v([0.0, 0, 1.0]) if sole else v([0.0, 1.0, 0])),
    ]
    if not sole:
        result.append((Kind.WALL, 0, "plane", v([0.0, 700, 0]), v([0.0, 1, 0])))
    return result


def _hit(item: tuple, origin: Tensor, ray: Tensor) -> tuple[Tensor, Tensor]:
    match item[2]:
        case "plane":
            return _plane(origin, ray, item[3], item[4])
        case "ellipsoid":
            return _ellipsoid(origin, ray, item[3], item[4])
        case "card":
            t, normal = _plane(origin, ray, item[3], item[4])
            place = origin + t[..., None] * ray - item[3]
            height = place[..., 1] if item[4][2] > 0 else place[..., 2]
            inside = (place[..., 0].abs() < 42.8) & (height.abs() < 27)
            return torch.where(inside, t, torch.full_like(t, FAR)), normal
        case _:
            return _cylinder(origin, ray, *item[3:])


def scene(
    *, sole: bool, towards_light: Tensor, width: int = 384, height: int = 288, zoom: float = 1.0
) -> tuple[Surfels, Tensor, Tensor]:
    """Return surfels, lit share and eye of one picture (batch axis of one)."""
    eye = torch.tensor([30.0, -80.0, -430.0]) if sole else torch.tensor([60.0, -430.0, 150.0])
    target = torch.tensor([20.0, -10.0, 30.0]) if sole else torch.tensor([10.0, 0.0, 50.0])
    forward = torch.nn.functional.normalize(target - eye, dim=0)
    hint = torch.tensor([0.0, 1.0, 0.0]) if sole else torch.tensor([0.0, 0.0, 1.0])
    right = torch.nn.functional.normalize(torch.linalg.cross(forward, hint), dim=0)
    below = torch.linalg.cross(forward, right)
    x = (torch.arange(width) + 0.5) / width - 0.5
    y = ((torch.arange(height) + 0.5) / height - 0.5) * height / width
    ray = forward + 0.75 / zoom * (x[None, :, None] * right + y[:, None, None] * below)
    ray = ray / ray.norm(dim=-1, keepdim=True)
    nearest = torch.full((height, width), FAR)
    kind = torch.zeros(height, width, dtype=torch.int64)
    part = torch.zeros_like(kind)
    normal = -ray
    objects = _objects(sole)
    for item in objects:
        t, found = _hit(item, eye, ray)
        closer = t < nearest
        nearest = torch.where(closer, t, nearest)
        kind[closer], part[closer] = int(item[0]), item[1]
        normal = torch.where(closer[..., None], found, normal)
    point = torch.where(kind[..., None] == Kind.SKY, ray, eye + nearest.clamp(max=1e5)[..., None] * ray)
    normal = torch.where((normal * ray).sum(-1, keepdim=True) > 0, -normal, normal)
    lit = torch.ones(height, width)
    start = point + 0.5 * normal
    light = towards_light / towards_light.norm()
    for item in objects:
        if item[0] not in (Kind.GROUND, Kind.WALL):
            t, _ = _hit(item, start, light.expand_as(start))
            lit = torch.where(t < FAR / 2, torch.zeros_like(lit), lit)
    local, attr = _own_frame(kind, part, point, normal, sole, objects)
    surfels = Surfels(kind[None], part[None], point[None], normal[None], local[None], attr[None])
    return surfels, lit[None], eye[None]


def _own_frame(
    kind: Tensor, part: Tensor, point: Tensor, normal: Tensor, sole: bool, objects: list[tuple]
) -> tuple[Tensor, Tensor]:
    local, attr = point.clone(), torch.zeros(*kind.shape, 4)
    for item in objects:
        mask = (kind == int(item[0])) & (part == item[1])
        here = point[mask] - (item[3] if item[0] != Kind.GROUND else 0)
        unit, zero = torch.linspace(0, 1, max(len(here), 1))[: len(here)], torch.zeros(len(here))
        match item[0]:
            case Kind.HORN:
                flat = (normal[mask][:, 2] < -0.8).float()
                edge = (here[:, 0] / 52) ** 2 + (here[:, 1] / 24) ** 2
                attr[mask] = torch.stack(
                    [48 - here[:, 2] - 14, flat, (here[:, 0] + 52) / 104, (edge * 2.2).clamp(0, 1) * flat], -1
                )
                local[mask] = here + torch.tensor([0.0, 0, 16.0])
            case Kind.CARD:
                second = here[:, 1] if sole else -here[:, 2]
                attr[mask] = torch.stack([here[:, 0] / 85.6 + 0.5, second / 54 + 0.5, zero, zero], -1)
            case Kind.GROUND | Kind.WALL:
                pass
            case Kind.LEG:
                around = torch.atan2(here[:, 1], here[:, 0]) / (2 * math.pi) + 0.5
                attr[mask] = torch.stack([here[:, 2] - 34, around, zero, zero + 0.4], -1)
            case _:
                axis = item[5] if item[2] == "cylinder" else 0
                keep = [k for k in range(3) if k != axis]
                around = torch.atan2(here[:, keep[0]], here[:, keep[1]]) / (2 * math.pi) + 0.5
                attr[mask] = torch.stack([here[:, axis], around, zero, zero + 0.5], -1)
                if item[0] == Kind.STRAW:
                    attr[mask] = torch.stack([(here[:, 0] + 120) / 180, around, zero, zero + 0.5], -1)
                del unit
                local[mask] = here
                unit = zero
    return local, attr


def joined(scenes: list[tuple[Surfels, Tensor, Tensor]]) -> tuple[Surfels, Tensor, Tensor]:
    """Return several scenes as one batch."""
    names = ("kind", "part", "point", "normal", "local", "attr")
    surfels = Surfels(**{name: torch.cat([getattr(s[0], name) for s in scenes]) for name in names})
    return surfels, torch.cat([s[1] for s in scenes]), torch.cat([s[2] for s in scenes])
