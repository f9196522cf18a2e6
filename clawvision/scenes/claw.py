"""The surface of claws, for a whole batch at once, from the numbers of `clawvision.scenes.shape`."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from clawvision.scenes.shape import CLAW_FIELDS

STATIONS = 72
SOLE_POINTS = 12
WALL_POINTS = 20


@dataclass(frozen=True, slots=True, eq=False)
class ClawSurface:
    """Rings of points around each claw, from the heel to the toe, in the claw's own frame, mm.

    All float32. ``points`` (B, S, R, 3): the first ``SOLE_POINTS`` of a ring cross the sole from the axial edge to the
    abaxial one, then come the abaxial wall upwards and the axial wall downwards. ``local`` the same before bending and
    twisting.
    ``attr`` (B, S, R, 4) as `Surfels` has it for HORN. ``coronet``, ``bulb`` (B, 3): the landmarks C and B.
    """

    points: Tensor
    local: Tensor
    attr: Tensor
    coronet: Tensor
    bulb: Tensor


def _cap(share: Tensor) -> Tensor:
    """Return a quarter circle: 0 at ``share`` 0, 1 from ``share`` 1 on."""
    return torch.sqrt((1.0 - (1.0 - share.clamp(0.0, 1.0)) ** 2).clamp_min(1e-6))


def _ramp(value: Tensor, start: float, stop: float) -> Tensor:
    return ((value - start) / (stop - start)).clamp(0.0, 1.0)


def profile(number: dict[str, Tensor], x: Tensor) -> tuple[Tensor, Tensor]:
    """Return the heights (B, S) of a claw's upper and lower border at ``x`` (B, S), before any twist, mm."""
    xb, zb, xc, zc = number["bulb_x"], number["bulb_z"], number["coronet_x"], number["coronet_z"]
    rear = xb - number["bulb_depth"]
    belly = zb * number["bulb_belly"]
    tip_x, tip_z = toe(number)
    # upper border: the bulb, the coronet, the dorsal wall
    bulb = belly + (zb - belly) * _cap((x - rear) / number["bulb_depth"])
    along = (x - xb) / (xc - xb)
    coronet = zb + (zc - zb) * along + 2.5 * (along * (1.0 - along)).clamp_min(0.0)
    down = ((x - xc) / (tip_x - xc)).clamp(0.0, 1.0)
    chord = torch.hypot(tip_x - xc, zc - tip_z)
    slant = chord / (tip_x - xc)
    wall = zc + (tip_z - zc) * down - number["hollow"] * slant * 4.0 * down * (1.0 - down)
    upper = torch.where(x < xb, bulb, torch.where(x < xc, coronet, wall))
    # lower border: the bulb's underside, the bearing surface, the lifted toe
    start = rear + number["bulb_depth"] + 0.25 * belly
    under = belly * (1.0 - _cap((x - rear) / (start - rear)))
    lift_x = number["lift_from"] * tip_x
    lift = ((x - lift_x) / (tip_x - lift_x)).clamp(0.0, 1.0) ** 2
    lower = under + number["toe_lift"] * lift
    # a worn tip: the borders meet in a small round end instead of a point
    room = number["tip_round"]
    height = (upper - lower).clamp_min(0.0) + number["tip_thickness"] * down
    middle = lower + 0.5 * height
    height = height * _cap((tip_x - x) / room)
    lower = torch.where(x > tip_x - room, middle - 0.5 * height, lower)
    return lower + height, lower


def toe(number: dict[str, Tensor]) -> tuple[Tensor, Tensor]:
    """Return x and z (B, 1) of the dorsal border's lower end, before any twist, mm."""
    tip_z = number["toe_lift"]
    drop = number["coronet_z"] - tip_z
    tip_x = number["coronet_x"] + torch.sqrt((number["toe_length"] ** 2 - drop**2).clamp_min(25.0))
    return tip_x, tip_z


def widths(number: dict[str, Tensor], x: Tensor) -> tuple[Tensor, Tensor]:
    """Return half the width (B, S) and the place of the midline (B, S) at ``x``, before any twist, mm."""
    tip_x, _ = toe(number)
    rear = number["bulb_x"] - number["bulb_depth"]
    along = (x - rear) / (tip_x - rear)
    half = 0.5 * number["width"] * _cap((x - rear) / number["heel_round"])
    start = number["taper_from"]
    taper = 1.0 - number["taper"] * ((along - start) / (1.0 - start)).clamp(0.0, 1.0) ** number["taper_power"]
    half = half * taper * _cap((tip_x - x) / number["toe_round"])
    sweep = number["axial_sweep"] * (torch.sin(3.0 * along.clamp(0.0, 1.0)) - 0.3)
    middle = sweep - number["turn_in"] * _ramp(along, 0.35, 1.0) ** 2
    return half, middle


def claw_surface(vectors: Tensor) -> ClawSurface:
    """Build the surface of claws.

    Parameters
    ----------
    vectors : float32 (B, K)
        One row a claw, in the order of ``CLAW_FIELDS``.
    """
    device = vectors.device
    number = {name: vectors[:, index : index + 1] for index, name in enumerate(CLAW_FIELDS)}
    rear = number["bulb_x"] - number["bulb_depth"]
    tip_x, _ = toe(number)
    # denser towards both ends, where the surface turns fast
    even = torch.linspace(0.0, 1.0, STATIONS, device=device)
    share = (0.75 * (0.5 - 0.5 * torch.cos(torch.pi * even)) + 0.25 * even)[None, :]
    x = rear + (tip_x - rear) * (share * 0.9985 + 0.0005)
    upper, lower = profile(number, x)
    half, middle = widths(number, x)
    height = (upper - lower).clamp_min(0.05)

    across = torch.linspace(-1.0, 1.0, SOLE_POINTS, device=device)[None, None, :]
    turn = torch.linspace(0.0, torch.pi / 2, WALL_POINTS + 1, device=device)[1:][None, None, :]
    over_wall = _ramp((x - number["coronet_x"]) / 12.0, -1.0, 1.0)[..., None]
    power = 0.3 + (number["ridge"][..., None] - 0.3).clamp_min(0.0) * over_wall
    out = torch.cos(turn).clamp_min(0.0) ** power
    rise = torch.sin(turn) ** 1.15
    under = number["undercut"][..., None]

    def side(sign: float, slope: Tensor) -> tuple[Tensor, Tensor]:
        up = height[..., None] * rise
        wide = half[..., None] * out * (1.0 - under * torch.exp(-up / 7.0))
        lean = slope[..., None] * torch.minimum(up, half[..., None] * 1.2) * out
        return sign * (wide - lean.minimum(0.8 * wide)), lower[..., None] + up

    sole_y = across * half[..., None] * (1.0 - under)
    arch = number["sole_hollow"][..., None] * (1.0 - across**2) * _ramp(half / 12.0, 0.2, 1.0)[..., None]
    sole_z = lower[..., None] + torch.minimum(arch, 0.4 * height[..., None])
    ab_y, ab_z = side(1.0, number["slope_abaxial"])
    ax_y, ax_z = side(-1.0, number["slope_axial"])
    y = torch.cat([sole_y, ab_y, ax_y.flip(-1)], dim=-1)
    z = torch.cat([sole_z, ab_z, ax_z.flip(-1)], dim=-1)
    flat = torch.stack([x[..., None].expand_as(y), y, z], dim=-1)

    rough = _unevenness(flat, number["rough_seed"]) * number["rough"][..., None]
    fade = _ramp(half / 8.0, 0.0, 1.0)[..., None]
    y = y * (1.0 + rough * fade / half[..., None].clamp_min(6.0)) + middle[..., None]
    z = z + 0.6 * rough.roll(5, -1) * _ramp((z - lower[..., None]) / 15.0, 0.0, 1.0) * over_wall
    y, z = _twisted(number, x, y, z, middle, lower, height)

    points = torch.stack([flat[..., 0], y, z], dim=-1)
    coronet, bulb = _landmarks(points, x, number)
    return ClawSurface(points, flat, _attributes(number, flat, (x - rear) / (tip_x - rear)), coronet, bulb)


def _attributes(number: dict[str, Tensor], flat: Tensor, along: Tensor) -> Tensor:
    """Return what the shader wants to know of each point (B, S, R, 4) of a claw as yet unbent: how far below the
    coronet's line it lies, whether on the sole, its share ``along`` (B, S) of the length, how near the sole's rim.
    """
    reach = number["coronet_x"] - number["bulb_x"]
    climb = number["coronet_z"] - number["bulb_z"]
    line = ((flat[..., 0] - number["bulb_x"][..., None]) * climb[..., None]) / reach[..., None]
    below = (number["bulb_z"][..., None] + line - flat[..., 2]) * (reach / torch.hypot(reach, climb))[..., None]
    sole = torch.zeros(flat.shape[2], device=flat.device)
    sole[:SOLE_POINTS] = 1.0
    rim = torch.zeros(flat.shape[2], device=flat.device)
    rim[:SOLE_POINTS] = torch.linspace(-1.0, 1.0, SOLE_POINTS, device=flat.device).abs() ** 3
    every = below.shape
    return torch.stack(
        [below.clamp_min(0.0), sole.expand(every), along[..., None].expand(every), rim.expand(every)], dim=-1
    )


def _unevenness(flat: Tensor, seed: Tensor) -> Tensor:
    """Return smooth bumps of about unit size over a surface (B, S, R, 3), different for each claw."""
    s = seed[..., None]
    a, b, c = flat[..., 0] / 17.0, flat[..., 1] / 11.0, flat[..., 2] / 13.0
    return (
        torch.sin(a * 1.7 + b + s)
        + torch.sin(b * 1.9 - c * 1.3 + 2.1 * s)
        + torch.sin(a * 3.1 + c * 2.2 + 0.7 * s)
        + torch.sin(a * 0.6 - b * 2.9 + 1.3 * s)
    ) * 0.6


def twist_share(along: Tensor) -> Tensor:
    """Return how much of the helical twist has come about at a share of the length: none in the heel third, all from
    0.8 on (the last fifth)."""
    return _ramp(along, 1.0 / 3.0, 0.8)


def _twisted(
    number: dict[str, Tensor], x: Tensor, y: Tensor, z: Tensor, middle: Tensor, lower: Tensor, height: Tensor
) -> tuple[Tensor, Tensor]:
    """Turn the rings about the claw's long axis, so that the sole at the toe comes to face the cleft."""
    rear = number["bulb_x"] - number["bulb_depth"]
    tip_x, _ = toe(number)
    turn = -torch.deg2rad(number["helical_twist"]) * twist_share((x - rear) / (tip_x - rear))
    turn = turn[..., None]
    axis_z = (lower + 0.45 * height)[..., None]
    dy, dz = y - middle[..., None], z - axis_z
    turned_y = middle[..., None] + dy * torch.cos(turn) - dz * torch.sin(turn)
    turned_z = axis_z + dy * torch.sin(turn) + dz * torch.cos(turn)
    # it still stands on the ground: the turned ring is lifted until its lowest point is where the sole was
    turned_z = turned_z + (lower[..., None] - turned_z.amin(dim=-1, keepdim=True)) * (turn != 0)
    return turned_y, turned_z


def _landmarks(points: Tensor, x: Tensor, number: dict[str, Tensor]) -> tuple[Tensor, Tensor]:
    """Return C and B (B, 3): the highest points of the rings at the coronet's two ends."""
    batch = torch.arange(len(points), device=points.device)

    def top(at: Tensor) -> Tensor:
        after = (x < at).sum(dim=1).clamp(1, x.shape[1] - 1)
        before = after - 1
        t = ((at[:, 0] - x[batch, before]) / (x[batch, after] - x[batch, before])).clamp(0.0, 1.0)[:, None]

        def highest(ring: Tensor) -> Tensor:
            return ring[batch, ring[..., 2].argmax(dim=1)]

        return (1.0 - t) * highest(points[batch, before]) + t * highest(points[batch, after])

    return top(number["coronet_x"]), top(number["bulb_x"])
