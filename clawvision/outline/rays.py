"""Closed contours around seeds: the best way round through rays cast from each seed, all seeds at once.

A claw's silhouette is star-shaped about its middle in both views, or nearly so. Rays leave a seed in evenly spread
directions of an ellipse; on each ray the contour may lie at any of some radii, and neighbouring rays at like
ones. The contour that best parts the looks inside from those outside and runs along edges is found by
dynamic programming, which finds the global optimum and knows no leaks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clawvision.outline.field import Field, Float32Array, IntArray
from clawvision.types import FloatArray

ANGLES = 32
RADII = 18
SEMI_MM = (60.0, 26.0)
NEAREST, FARTHEST = 0.35, 1.95  # of the ellipse
_SPAN = FARTHEST - NEAREST
_STEPS = 2  # by how many radii neighbouring rays may differ
_STIFFNESS = 0.6  # cost of a change by the whole span of radii between neighbouring rays

_REACH = np.linspace(NEAREST, FARTHEST, RADII)


@dataclass(frozen=True, slots=True, eq=False)
class Rays:
    """Rays from S seeds. ``points`` float32 (S, ANGLES, RADII, 2) mm; ``look`` int (S, A, R); ``edge`` (S, A, R)."""

    points: Float32Array
    look: IntArray
    edge: Float32Array


@dataclass(frozen=True, slots=True, eq=False)
class Contours:
    """A closed contour for each seed.

    ``place`` int (S, A) is the radius index on each ray, ``points`` float (S, A, 2) mm; ``own`` and ``around``
    (S, kinds) the smoothed distribution of looks within and just outside; ``differs`` (S, 8) how unlike the
    looks just outside each eighth of the contour are to those within, 0 to 1; ``edge`` (S, 8) its mean edge.
    """

    place: IntArray
    points: FloatArray
    own: FloatArray
    around: FloatArray
    differs: FloatArray
    edge: FloatArray
    radii: int


def shape_of(points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return area, centroid, long axis (unit), length and width of contours (S, A, 2): mm², mm, 1, mm, mm."""
    following = np.roll(points, -1, axis=1)
    cross = points[..., 0] * following[..., 1] - following[..., 0] * points[..., 1]
    twice = np.where(np.abs(cross.sum(axis=1)) < 1e-6, 1e-6, cross.sum(axis=1))
    centre = ((points + following) * cross[..., None]).sum(axis=1) / (3.0 * twice)[:, None]
    p, q = points - centre[:, None], following - centre[:, None]
    cross0 = p[..., 0] * q[..., 1] - q[..., 0] * p[..., 1]
    total = np.where(np.abs(cross0.sum(axis=1)) < 1e-6, 1e-6, cross0.sum(axis=1)) * 6.0
    xx = (cross0 * (p[..., 0] ** 2 + p[..., 0] * q[..., 0] + q[..., 0] ** 2)).sum(axis=1) / total
    yy = (cross0 * (p[..., 1] ** 2 + p[..., 1] * q[..., 1] + q[..., 1] ** 2)).sum(axis=1) / total
    xy = (
        cross0 * (2 * p[..., 0] * p[..., 1] + p[..., 0] * q[..., 1] + q[..., 0] * p[..., 1] + 2 * q[..., 0] * q[..., 1])
    ).sum(axis=1) / (2.0 * total)
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    axis = np.stack((np.cos(angle), np.sin(angle)), axis=-1)
    along = (p * axis[:, None]).sum(axis=2)
    across = p[..., 1] * axis[:, None, 0] - p[..., 0] * axis[:, None, 1]
    return np.abs(twice) / 2.0, centre, axis, np.ptp(along, axis=1), np.ptp(across, axis=1)


def cast_rays(field: Field, centres: FloatArray, axis: FloatArray) -> Rays:
    """Cast rays from seeds ``centres`` (S, 2) mm with their ellipse's long axis in direction ``axis`` (S,) rad."""
    reach = np.broadcast_to(_REACH, (len(centres), ANGLES, RADII))
    return _cast(field, centres, axis, np.broadcast_to(np.array(SEMI_MM), (len(centres), 2)), reach)


@dataclass(frozen=True, slots=True, eq=False)
class Whitened:
    """Contours in the frame of their own ellipse: centroid, long axis, half length and half width.

    ``phi`` and ``radius`` (S, A) are polar coordinates of the points in that frame.
    """

    centre: FloatArray
    axis: FloatArray
    semi: FloatArray
    phi: FloatArray
    radius: FloatArray

    def radii(self, angles: int) -> FloatArray:
        """Return the radius in evenly spread directions, (S, angles), beginning at the long axis."""
        wanted = 2 * np.pi * np.arange(angles) / angles
        pairs = zip(self.phi, self.radius, strict=True)
        return np.stack([np.interp(wanted, phi, radius, period=2 * np.pi) for phi, radius in pairs])

    def points(self, radii: FloatArray) -> FloatArray:
        """Return the points at radii (S, angles) in evenly spread directions, (S, angles, 2) mm."""
        phi = 2 * np.pi * np.arange(radii.shape[1]) / radii.shape[1]
        u = radii * np.cos(phi) * self.semi[:, :1]
        v = radii * np.sin(phi) * self.semi[:, 1:]
        x = self.centre[:, :1] + u * self.axis[:, :1] - v * self.axis[:, 1:]
        y = self.centre[:, 1:] + u * self.axis[:, 1:] + v * self.axis[:, :1]
        out: FloatArray = np.stack((x, y), axis=-1)
        return out


def whitened(points: FloatArray, axis: FloatArray | None) -> Whitened:
    """Return contours (S, A, 2) in the frame of their ellipse, along ``axis`` (S, 2) or their own long axis."""
    _, centre, own, length, width = shape_of(points)
    semi = np.maximum(np.stack((length, width), axis=-1) / 2.0, 1.0)
    axis = own if axis is None else axis
    relative = points - centre[:, None]
    u = (relative[..., 0] * axis[:, None, 0] + relative[..., 1] * axis[:, None, 1]) / semi[:, None, 0]
    v = (relative[..., 1] * axis[:, None, 0] - relative[..., 0] * axis[:, None, 1]) / semi[:, None, 1]
    return Whitened(centre, axis, semi, np.arctan2(v, u), np.hypot(u, v))


def cast_around(field: Field, points: FloatArray, angles: int, radii: int, span: float) -> Rays:
    """Cast rays that cover a band around contours ``points`` (S, A, 2) mm: each radius times 1 ± ``span``."""
    frame = whitened(points, None)
    base = np.maximum(frame.radii(angles), 0.2)
    reach = base[:, :, None] * np.linspace(1 - span, 1 + span, radii)
    direction = np.arctan2(frame.axis[:, 1], frame.axis[:, 0])
    return _cast(field, frame.centre, direction, frame.semi, reach)


def _cast(field: Field, centres: FloatArray, axis: FloatArray, semi: FloatArray, reach: FloatArray) -> Rays:
    angles = reach.shape[1]
    phi = 2 * np.pi * np.arange(angles) / angles
    u = reach * (semi[:, :1] * np.cos(phi))[:, :, None]
    v = reach * (semi[:, 1:] * np.sin(phi))[:, :, None]
    c, s = np.cos(axis)[:, None, None], np.sin(axis)[:, None, None]
    x = (centres[:, 0, None, None] + u * c - v * s).astype(np.float32)
    y = (centres[:, 1, None, None] + u * s + v * c).astype(np.float32)
    normal = _normals(reach, phi, semi, c, s)
    look = field.look_at(x, y)
    edge = field.edge_at(x, y, normal)
    return Rays(np.stack((x, y), axis=-1), look, edge)


def _normals(reach: FloatArray, phi: FloatArray, semi: FloatArray, c: FloatArray, s: FloatArray) -> Float32Array:
    """Return the normal that the contour through the middle of the rays has at each, float32 (S, A, 1, 2)."""
    middle = reach[:, :, reach.shape[2] // 2]
    u, v = middle * semi[:, :1] * np.cos(phi), middle * semi[:, 1:] * np.sin(phi)
    du, dv = np.roll(u, -1, axis=1) - np.roll(u, 1, axis=1), np.roll(v, -1, axis=1) - np.roll(v, 1, axis=1)
    size = np.maximum(np.hypot(du, dv), 1e-9)
    nu, nv = (dv / size)[:, :, None], (-du / size)[:, :, None]
    return np.stack((nu * c - nv * s, nu * s + nv * c), axis=-1).astype(np.float32)


def first_looks(field: Field, rays: Rays) -> tuple[FloatArray, FloatArray]:
    """Return looks within and around before there is a contour: near the seed, and at the rays' far ends."""
    own = field.spread(rays.look[:, :, :5].reshape(len(rays.look), -1))
    around = field.spread(rays.look[:, :, -5:].reshape(len(rays.look), -1))
    return own, around


def trace(
    field: Field,
    rays: Rays,
    own: FloatArray,
    around: FloatArray,
    *,
    looks: float,
    span: float = 1.0,
    shape: float = 0.0,
) -> Contours:
    """Find the best contour round each seed, given the looks expected within and around it.

    ``looks`` weighs the looks along a whole ray against an edge at the contour. ``span`` is the length of the rays
    as a share of the first search's, so that weights keep their meaning. ``shape`` is the cost of a departure from
    the middle of the rays by a tenth of the radius.
    """
    seeds = len(rays.look)
    ratio = np.clip(np.log((own + 2e-3) / (around + 2e-3)), -1.5, 1.5).astype(np.float32)
    inner = np.take_along_axis(ratio, rays.look.reshape(seeds, -1), axis=1).reshape(rays.look.shape)
    radii = rays.look.shape[2]
    gain = rays.edge + np.float32(looks * span / radii) * np.cumsum(inner, axis=2)
    if shape:
        half = 0.5 * (radii - 1)
        off = (np.arange(radii) - half) / half * (span * _SPAN / 2) / 0.1
        gain = gain - np.float32(shape) * np.minimum(off**2, 6.0).astype(np.float32)
    place = best_ring(gain, np.float32(_STIFFNESS * span / radii))
    return _contours(field, rays, place)


def best_ring(gain: Float32Array, stiffness: np.float32) -> IntArray:
    """Return the closed ring of radii with the largest gain, int (S, A).

    ``gain`` is (S, A, R); ``stiffness`` the cost of each radius by which neighbouring rays differ. The walk begins a
    quarter turn early and ends a quarter turn late, so that its free ends do not show in the turn between.
    """
    seeds, angles, radii = gain.shape
    extra = angles // 4
    order = [*range(angles - extra, angles), *range(angles), *range(extra)]
    # Totals of all steps are kept, padded; the way back is told from them, where it goes only.
    totals = np.full((len(order), seeds, radii + 2 * _STEPS), -1e6, np.float32)
    totals[0, :, _STEPS:-_STEPS] = gain[:, order[0]]
    for turn, angle in enumerate(order[1:], start=1):
        before = totals[turn - 1]
        best = before[:, _STEPS : _STEPS + radii].copy()
        for move in range(1, _STEPS + 1):
            cost = stiffness * np.float32(move)
            np.maximum(best, before[:, _STEPS - move : _STEPS - move + radii] - cost, out=best)
            np.maximum(best, before[:, _STEPS + move : _STEPS + move + radii] - cost, out=best)
        totals[turn, :, _STEPS:-_STEPS] = best + gain[:, angle]
    moves = np.arange(-_STEPS, _STEPS + 1)
    costs = stiffness * np.abs(moves).astype(np.float32)
    rows = np.arange(seeds)
    here = totals[-1].argmax(axis=1)
    ring = np.zeros((seeds, angles), np.int32)
    for turn in range(len(order) - 1, -1, -1):
        if extra <= turn < extra + angles:
            ring[:, order[turn]] = here - _STEPS
        if turn:
            near = np.clip(here[:, None] + moves, 0, radii + 2 * _STEPS - 1)
            choice = (totals[turn - 1][rows[:, None], near] - costs).argmax(axis=1)
            here = near[rows, choice]
    return ring


def _contours(field: Field, rays: Rays, place: IntArray) -> Contours:
    seeds, angles = place.shape
    radii = rays.look.shape[2]
    rows = np.arange(seeds)[:, None]
    angle = np.arange(angles)[None, :]
    # Well inside, as shares of each radius, and just outside.
    shares = np.array([0.15, 0.45, 0.7, 0.85])
    deep = np.maximum((place[:, :, None] * shares).astype(np.int32), 0)
    within = rays.look[rows[:, :, None], angle[:, :, None], deep]
    gap = max(round(0.06 * radii), 1)
    beyond = np.minimum(place[:, :, None] + gap * np.array([1, 2, 3]), radii - 1)
    outside = rays.look[rows[:, :, None], angle[:, :, None], beyond]
    own = field.spread(within.reshape(seeds, -1))
    around = field.spread(outside.reshape(seeds, -1))
    root = np.sqrt(own)
    eighth = angles // 8
    differs = np.stack(
        [
            1.0
            - (root * np.sqrt(field.spread(outside[:, k * eighth : (k + 1) * eighth].reshape(seeds, -1)))).sum(axis=1)
            for k in range(8)
        ],
        axis=-1,
    )
    edge = rays.edge[rows, angle, place].reshape(seeds, 8, eighth).mean(axis=2)
    points = rays.points[rows, angle, place].astype(np.float64)
    return Contours(place, points, own, around, differs, edge.astype(np.float64), radii)
