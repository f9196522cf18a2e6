"""Fits the scene maker's own parametric claw to what a side and a sole view show of a claw (analysis by synthesis).

The claw has its own frame, mm: x to the toe, y to the abaxial side, z up. A view is a plane with two axes of that
frame, seen from a point in front of it; a silhouette is compared along the outward normals of the outline that was
seen. Damped least squares (Levenberg 1944, Marquardt 1963) over shape and poses together; needs torch.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
import torch

from clawvision.measure.curve import outward_normals, resample_closed
from clawvision.scenes.claw import claw_surface
from clawvision.scenes.shape import CLAW_FIELDS, claw_vector, sample_foot
from clawvision.types import FloatArray

POINTS = 100
"""Points of an outline that are compared."""
_REACH_MM = 20.0
"""A point of the surface counts less by its distance along the outline squared, over twice this."""
_ALIKE_MM = 10.0
"""Errors of an outline's points closer than this are much alike, and count as one."""
_HUBER = 2.0
_HAIR_MM = 4.0
"""Doubt of the outline where hair hangs over the coronet."""
_WIDER = 1.5
"""The prior is this much wider than the spread of shapes that the scene maker draws for training."""
_TWIST = CLAW_FIELDS.index("helical_twist")
TWIST_PRIOR = (15.0, 25.0)
_FIRST_ROUNDS = 8
_STEP = 5e-3
"""Of the prior's width, for derivatives by differences."""
_TWIST_LIMITS = (-10.0, 75.0)
_FIXED = ("rough", "rough_seed")
_FREE = tuple(index for index, name in enumerate(CLAW_FIELDS) if name not in _FIXED)
_SIGNED = ("bulb_x", "hollow", "turn_in", "slope_axial", "sole_hollow", "axial_sweep", "helical_twist")
_AXES = {"side": (0, 2, 1, 1.0), "sole": (0, 1, 2, -1.0)}
"""Of each view: which axes of the claw's frame lie in its plane, which leads to the camera, and its sign."""


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """One view of a claw, in the claw's frame as far as it is known.

    ``outline`` (N, 2) and the places of ``marks`` (C, B of a side view) lie in the view's plane, ``centre`` (3,) is
    the camera's: two axes of the plane and the distance before it, infinite for a silhouette seen square on. ``sigma``
    and the third number of marks are standard errors, mm. ``turn_sd`` are the standard errors of the claw's pose about
    x, y and z, degrees; ``depth_sd`` of its distance, mm. ``hairy``: the outline ends at hair between C and B.
    """

    view: str
    outline: FloatArray
    marks: Mapping[str, FloatArray]
    centre: FloatArray
    sigma: float
    turn_sd: tuple[float, float, float]
    depth_sd: float
    hairy: bool


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted twist with its standard error from the curvature of the misfit, degrees."""

    twist_deg: float
    sigma_deg: float
    misfit: float
    """Half the sum of squares, prior included."""
    rms_mm: float
    """Of the distances to both outlines."""


@cache
def prior() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return mean, standard deviation, lower and upper limit of each of a claw's numbers, (K,)."""
    rng = np.random.default_rng(5)
    feet = [sample_foot(rng, held_out=False, lifted=False) for _ in range(1500)]
    drawn = np.array([claw_vector(claw) for foot in feet for claw in (foot.outer, foot.inner)])
    mean, spread = drawn.mean(axis=0), _WIDER * drawn.std(axis=0)
    low, high = mean - 3.5 * spread, mean + 3.5 * spread
    for index, name in enumerate(CLAW_FIELDS):
        if name not in _SIGNED:
            low[index] = max(low[index], 0.5 * drawn[:, index].min())
    mean[_TWIST], spread[_TWIST] = TWIST_PRIOR
    low[_TWIST], high[_TWIST] = _TWIST_LIMITS
    for name in _FIXED:
        mean[CLAW_FIELDS.index(name)] = 0.0
    return mean, spread, low, high


@dataclass(frozen=True, slots=True, eq=False)
class _Edge:
    """An outline made ready: places, outward normals, tangents (N, 2), and each point's standard error (N,)."""

    sight: Sight
    points: FloatArray
    normals: FloatArray
    sigma: FloatArray
    alike: float


def _edge(sight: Sight) -> _Edge:
    points = resample_closed(sight.outline, POINTS)
    normals = outward_normals(points, 1)
    sigma = np.full(POINTS, sight.sigma)
    if sight.hairy and {"C", "B"} <= set(sight.marks):
        coronet, bulb = sight.marks["C"][:2], sight.marks["B"][:2]
        along = (coronet - bulb) / np.hypot(*(coronet - bulb))
        place = (points - bulb) @ along
        off = np.abs((points - bulb) @ np.array([-along[1], along[0]]))
        sigma[(off < 12.0) & (place > -3.0) & (place < np.hypot(*(coronet - bulb)) + 3.0)] += _HAIR_MM
    step = float(np.hypot(*(points[1] - points[0])))
    return _Edge(sight, points, normals, sigma, float(np.sqrt(max(_ALIKE_MM / step, 1.0))))


def _rotations(turns: FloatArray) -> FloatArray:
    """Return rotations (B, 3, 3) about x, then y, then z by angles (B, 3), degrees."""
    (a, b, c), (d, e, f) = np.cos(np.radians(turns)).T, np.sin(np.radians(turns)).T
    zero, one = np.zeros_like(a), np.ones_like(a)

    def stack(*rows: FloatArray) -> FloatArray:
        return np.stack(rows, axis=-1).reshape(-1, 3, 3)

    about_x = stack(one, zero, zero, zero, a, -d, zero, d, a)
    about_y = stack(b, zero, e, zero, one, zero, -e, zero, b)
    about_z = stack(c, -f, zero, f, c, zero, zero, zero, one)
    turned: FloatArray = about_z @ about_y @ about_x
    return turned


def _seen(points: FloatArray, turns: FloatArray, moves: FloatArray, sight: Sight) -> FloatArray:
    """Return where points (B, N, 3) of claws so turned and moved (B, 3) show in a view's plane, (B, N, 2)."""
    placed = points @ _rotations(turns).transpose(0, 2, 1) + moves[:, None, :]
    across, up, ahead, sign = _AXES[sight.view]
    flat = placed[..., [across, up]]
    if not np.isfinite(sight.centre[2]):
        return flat
    nearer = sight.centre[2] / (sight.centre[2] - sign * placed[..., ahead])
    shown: FloatArray = sight.centre[:2] + (flat - sight.centre[:2]) * nearer[..., None]
    return shown


class _Problem:
    """Residuals of a claw against its views, and their derivatives."""

    def __init__(self, sights: list[Sight], tie_sd: float, told: tuple[float, float] | None) -> None:
        self.edges = [_edge(sight) for sight in sights]
        self.tie_sd, self.told = tie_sd, told
        mean, spread, low, high = prior()
        free = list(_FREE)
        self.shapes = len(free)
        poses = len(sights)
        scale = [spread[free]]
        centre = [mean[free]]
        for sight in sights:
            moves = np.full(3, 400.0)
            moves[_AXES[sight.view][2]] = sight.depth_sd
            scale += [np.array(sight.turn_sd), moves]
            centre += [np.zeros(6)]
        self.scale, self.centre = np.concatenate(scale), np.concatenate(centre)
        self.low = np.concatenate([low[free], np.full(6 * poses, -np.inf)])
        self.high = np.concatenate([high[free], np.full(6 * poses, np.inf)])
        self.twist = free.index(_TWIST)
        self.base = mean

    def _surfaces(self, values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return surface points (B, N, 3), C and B (B, 2, 3), and the profile plane's y (B,), for claws (B, P)."""
        vectors = np.tile(self.base, (len(values), 1))
        vectors[:, list(_FREE)] = values[:, : self.shapes]
        surface = claw_surface(torch.from_numpy(vectors.astype(np.float32)))
        points = surface.points.reshape(len(values), -1, 3).numpy().astype(np.float64)
        marks = torch.stack([surface.coronet, surface.bulb], dim=1).numpy().astype(np.float64)
        return points, marks, marks[:, :, 1].mean(axis=1)

    def residuals(self, values: FloatArray, slopes: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return residuals (M,), derivatives (M, P) in units of the prior (empty if unwanted), distances (K,) mm."""
        step = _STEP * self.scale
        step[self.shapes :] = 0.01
        many = np.vstack([values, values + np.diag(step)]) if slopes else values[None]
        # poses move the surface without changing it
        points, marks, middle = self._surfaces(many[: self.shapes + 1])
        same = np.append(np.arange(len(points)), np.zeros(len(many) - len(points), dtype=int))
        parts, rows, distances = [], [], []
        for number, edge in enumerate(self.edges):
            pose = many[:, self.shapes + 6 * number :][:, :6]
            level = np.zeros((len(many), 1, 3))
            if edge.sight.view == "side":
                level[:, 0, 1] = middle[same]
            flat = _seen(points[:1] - level[:1], pose[:1, :3], pose[:1, 3:], edge.sight)[0]
            outwards = edge.normals @ flat.T - (edge.normals * edge.points).sum(axis=1)[:, None]
            squared = (edge.points**2).sum(axis=1)[:, None] - 2.0 * edge.points @ flat.T + (flat**2).sum(axis=1)
            nearness = outwards - (squared - outwards**2) / (2.0 * _REACH_MM)
            at = nearness.argmax(axis=1)
            off = nearness[np.arange(POINTS), at]
            distances.append(off)
            weight = np.sqrt(_HUBER / np.maximum(np.abs(off) / edge.sigma, _HUBER)) / (edge.sigma * edge.alike)
            parts.append(off * weight)
            wanted = [(index, edge.sight.marks[name]) for index, name in enumerate("CB") if name in edge.sight.marks]
            near = np.concatenate([points[:, at], marks], axis=1)[same] - level
            shown = _seen(near, pose[:, :3], pose[:, 3:], edge.sight)
            moved = shown[1:] - shown[0]
            rows.append((moved[:, :POINTS] * edge.normals).sum(-1).T * weight[:, None])
            for index, mark in wanted:
                parts.append((shown[0, POINTS + index] - mark[:2]) / mark[2])
                rows.append(moved[:, POINTS + index].T / mark[2])
        beliefs = [(values - self.centre) / self.scale]
        first, second = self.shapes, self.shapes + 6
        tied = len(self.edges) == 2
        if tied:
            beliefs.append(np.array([(values[first] - values[second]) / self.tie_sd]))
        if self.told is not None:
            beliefs.append(np.array([(values[self.twist] - self.told[0]) / self.told[1]]))
        residuals = np.concatenate([*parts, *beliefs])
        if not slopes:
            return residuals, np.empty((0, 0)), np.concatenate(distances)
        jacobian = np.vstack(rows) / step * self.scale
        extra = [np.eye(len(values))]
        if tied:
            row = np.zeros((1, len(values)))
            row[0, [first, second]] = self.scale[first] / self.tie_sd, -self.scale[second] / self.tie_sd
            extra.append(row)
        if self.told is not None:
            row = np.zeros((1, len(values)))
            row[0, self.twist] = self.scale[self.twist] / self.told[1]
            extra.append(row)
        return residuals, np.vstack([jacobian, *extra]), np.concatenate(distances)


def _start(problem: _Problem, twist_deg: float) -> FloatArray:
    """Return numbers to begin with, by what the outlines measure."""
    values = problem.centre.copy()
    names = [CLAW_FIELDS[index] for index in _FREE]

    def put(name: str, value: float) -> None:
        at = names.index(name)
        values[at] = float(np.clip(value, problem.low[at], problem.high[at]))

    for number, edge in enumerate(problem.edges):
        pose = problem.shapes + 6 * number
        marks = edge.sight.marks
        low, high = edge.points.min(axis=0), edge.points.max(axis=0)
        if edge.sight.view == "side":
            coronet, bulb = marks["C"][:2], marks["B"][:2]
            toe = edge.points[int(np.hypot(*(edge.points - bulb).T).argmax())]
            put("toe_length", float(np.hypot(*(coronet - toe))))
            put("coronet_z", coronet[1] - low[1])
            put("bulb_z", bulb[1] - low[1])
            put("toe_lift", max(toe[1] - low[1] - 2.0, 0.0))
            put("coronet_x", values[names.index("bulb_x")] + coronet[0] - bulb[0])
            values[pose + 3] = bulb[0] - values[names.index("bulb_x")]
            values[pose + 5] = low[1]
        else:
            put("width", 0.95 * (high[1] - low[1]))
            rear = values[names.index("bulb_x")] - values[names.index("bulb_depth")]
            values[pose + 3] = low[0] - rear
            values[pose + 4] = 0.5 * (low[1] + high[1])
    put("helical_twist", twist_deg)
    return values


def _descend(problem: _Problem, values: FloatArray, rounds: int) -> tuple[FloatArray, float]:
    damping = 1e-2
    residuals, jacobian, _ = problem.residuals(values, True)
    cost = 0.5 * float(residuals @ residuals)
    for _ in range(rounds):
        normal = jacobian.T @ jacobian
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -jacobian.T @ residuals)
        trial = np.clip(values + step * problem.scale, problem.low, problem.high)
        found, _, _ = problem.residuals(trial, False)
        lower = 0.5 * float(found @ found)
        if lower < cost:
            gain, values, damping = cost - lower, trial, max(damping / 4.0, 1e-6)
            residuals, jacobian, _ = problem.residuals(values, True)
            cost = lower
            if gain < 1e-3 * (1.0 + 0.01 * cost):
                break
        else:
            damping *= 6.0
            if damping > 1e6:
                break
    return values, cost


def fit_claw(
    sights: list[Sight],
    *,
    tie_sd: float,
    told: tuple[float, float] | None = None,
    starts: tuple[float, ...] = (5.0, 30.0),
    rounds: int = 30,
) -> Fit:
    """Fit a claw to one or two views.

    Parameters
    ----------
    sights
        The side view first; ``marks`` of a side view hold C and B.
    tie_sd
        Standard deviation of the difference of the claw's roll between the two views, degrees.
    told
        Helical twist known from elsewhere and its standard error, degrees.
    starts
        Twists to start from, degrees; the best after some steps goes on.
    rounds
        Most steps from there.
    """
    problem = _Problem(sights, tie_sd, told)
    ends = [_descend(problem, _start(problem, twist), _FIRST_ROUNDS) for twist in starts]
    values, cost = _descend(problem, min(ends, key=lambda end: end[1])[0], rounds)
    _, jacobian, distances = problem.residuals(values, True)
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    sigma = float(np.sqrt(covariance[problem.twist, problem.twist]) * problem.scale[problem.twist])
    return Fit(float(values[problem.twist]), sigma, cost, float(np.sqrt(np.mean(distances**2))))
