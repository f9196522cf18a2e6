"""What shapes claws have: a small statistical model of each view's silhouette, drawn from parametric claws.

The parametric claws span what horn can look like (short and long toes, steep and flat, high and low heels, hollow
and bulging walls). Their radii about the centroid, in a frame scaled to length and width, have few principal
modes. A traced contour is projected on these modes: the projection is the nearest claw-like shape, the rest how unlike
a claw the contour is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clawvision.outline.naming import Side
from clawvision.outline.rays import whitened
from clawvision.types import FloatArray

SHAPE_ANGLES = 64
_SAMPLES = 400
_MODES = {"side": 8, "sole": 7}
_LIMIT = 2.2  # standard deviations a mode may take


@dataclass(frozen=True, slots=True, eq=False)
class ShapeModel:
    """Mean radii (A,), orthonormal modes (m, A) and their standard deviations (m,)."""

    mean: FloatArray
    modes: FloatArray
    deviation: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """The nearest claw-like shapes of S contours.

    ``points`` (S, A, 2) mm; ``unlike`` (S,) root mean square departure of the contour's radii from them;
    ``toe`` (S, 2) unit direction from heel to toe; ``turned`` how much larger the departure is with the toe at
    the other end.
    """

    points: FloatArray
    unlike: FloatArray
    toe: FloatArray
    turned: FloatArray


def side_shapes(count: int, random: np.random.Generator) -> FloatArray:
    """Return random side profiles (n, k, 2), mm, toe to the left, y down."""
    toe_length = random.uniform(55.0, 190.0, count)
    angle = np.radians(random.uniform(20.0, 62.0, count))
    # Long toes lie flat.
    angle = np.minimum(angle, np.arcsin(np.clip(95.0 / toe_length, 0.0, 0.95)))
    hair = random.uniform(58.0, 105.0, count)
    fall = np.radians(random.uniform(-4.0, 42.0, count))
    hollow = random.uniform(-0.03, 0.10, count)
    coronet = np.stack((toe_length * np.cos(angle), -toe_length * np.sin(angle)), axis=-1)
    bulb = coronet + hair[:, None] * np.stack((np.cos(fall), np.sin(fall)), axis=-1)
    height = np.maximum(-bulb[:, 1], 14.0)
    bulb[:, 1] = -height
    toe = np.zeros((count, 2))
    heel = np.stack((bulb[:, 0] - 0.30 * height, np.zeros(count)), axis=-1)
    rear = np.stack((bulb[:, 0] + random.uniform(0.1, 0.6, count) * height, -0.15 * height), axis=-1)
    t = np.linspace(0.0, 1.0, 24)
    dorsal = _line(coronet, toe, t)
    inward = np.stack((np.sin(angle), np.cos(angle)), axis=-1) * (hollow * toe_length)[:, None]
    dorsal += (4 * t * (1 - t))[None, :, None] * inward[:, None, :]
    under = _line(toe, heel, t[1:])
    # Some soles are not flat: the toe is lifted, or the middle bulges.
    under[..., 1] -= (random.uniform(-4.0, 12.0, count)[:, None] * (1 - t[1:]) ** 3)[:, :]
    dorsal[:, -1] = under[:, 0]
    s = np.linspace(0.0, 1.0, 12)[1:]
    back = (
        heel[:, None] * ((1 - s) ** 2)[None, :, None]
        + rear[:, None] * (2 * s * (1 - s))[None, :, None]
        + bulb[:, None] * (s**2)[None, :, None]
    )
    crown = _line(bulb, coronet, t[1:-1])
    sag = random.uniform(-3.0, 6.0, count)
    crown[..., 1] += sag[:, None] * (4 * t * (1 - t))[1:-1]
    out: FloatArray = np.concatenate((dorsal, under, back, crown), axis=1)
    return out


def sole_shapes(count: int, random: np.random.Generator) -> FloatArray:
    """Return random soles (n, k, 2), mm, toe to the left, of either side."""
    length = random.uniform(90.0, 225.0, count)
    width = random.uniform(40.0, 68.0, count)
    full = random.uniform(0.28, 0.45, count)[:, None]
    power = random.uniform(1.7, 3.0, count)[:, None]
    axial = random.uniform(0.30, 0.5, count)[:, None]
    bend = random.uniform(-0.05, 0.14, count)[:, None]
    u = (0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, 40)))[None, :]
    heel = np.sqrt(np.maximum(1 - ((full - u) / full) ** 2, 0.0))
    toe = 1 - (np.maximum(u - full, 0.0) / (1 - full)) ** power
    profile = np.where(u < full, heel, toe) * width[:, None]
    shift = bend * length[:, None] * u**2
    x = -length[:, None] * u
    one = np.stack((x, -(1 - axial) * profile + shift), axis=-1)
    other = np.stack((x, axial * profile + shift), axis=-1)[:, -2:0:-1]
    out: FloatArray = np.concatenate((one, other), axis=1)
    out[count // 2 :, :, 1] *= -1.0
    return out


def _line(a: FloatArray, b: FloatArray, t: FloatArray) -> FloatArray:
    out: FloatArray = a[:, None, :] * (1 - t)[None, :, None] + b[:, None, :] * t[None, :, None]
    return out


@cache
def shape_model(view: Literal["side", "sole"]) -> ShapeModel:
    """Return the model of a view's silhouettes, toe towards angle 0; of side profiles the crown towards -90°."""
    random = np.random.default_rng(20)
    shapes = (side_shapes if view == "side" else sole_shapes)(_SAMPLES, random)
    shapes = shapes * (-1.0, 1.0)  # toe to the right, which is angle 0
    frame = whitened(shapes, np.tile([1.0, 0.0], (_SAMPLES, 1)))
    radii = frame.radii(SHAPE_ANGLES)
    mean = radii.mean(axis=0)
    _, scale, modes = np.linalg.svd(radii - mean, full_matrices=False)
    kept = _MODES[view]
    return ShapeModel(mean, modes[:kept], scale[:kept] / np.sqrt(_SAMPLES))


def fit_shapes(points: FloatArray, view: Literal["side", "sole"], toe: Side | None) -> Fitted:
    """Fit the shape model to contours (S, A, 2) mm.

    ``toe`` is the side to which the toe of a side profile points, None where both must be tried.
    """
    model = shape_model(view)
    first = whitened(points, None)
    # Both ends may be the toe. In a side view the crown is up in the picture, so the picture says which way round.
    towards_right = np.where(first.axis[:, :1] >= 0, first.axis, -first.axis)
    fits = []
    for way, sign in (("right", 1.0), ("left", -1.0)):
        frame = whitened(points, towards_right * sign)
        radii = frame.radii(SHAPE_ANGLES)
        if view == "side" and way == "left":
            radii = radii[:, _mirror()]  # the model's crown is at -90° with the toe to the right
        fitted = _project(model, radii)
        unlike = np.sqrt(((fitted - radii) ** 2).mean(axis=1))
        if view == "side" and way == "left":
            fitted = fitted[:, _mirror()]
        if view == "side" and toe is not None and toe != way:
            unlike = unlike + 1.0
        fits.append((unlike, frame.points(fitted), frame.axis))
    better = fits[0][0] <= fits[1][0]
    return Fitted(
        np.where(better[:, None, None], fits[0][1], fits[1][1]),
        np.where(better, fits[0][0], fits[1][0]),
        np.where(better[:, None], fits[0][2], fits[1][2]),
        np.abs(fits[0][0] - fits[1][0]),
    )


def _mirror() -> NDArray[np.intp]:
    return (-np.arange(SHAPE_ANGLES, dtype=np.intp)) % SHAPE_ANGLES


def _project(model: ShapeModel, radii: FloatArray) -> FloatArray:
    """Return the nearest shape of the model, giving less weight to rays that stand far off it."""
    weight = np.ones_like(radii)
    fitted = np.broadcast_to(model.mean, radii.shape)
    for _ in range(3):
        rest = (radii - model.mean) * weight + (fitted - model.mean) * (1 - weight)
        part = np.clip(rest @ model.modes.T / model.deviation, -_LIMIT, _LIMIT) * model.deviation
        fitted = model.mean + part @ model.modes
        weight = 1.0 / (1.0 + ((radii - fitted) / 0.08) ** 2)
    out: FloatArray = np.maximum(fitted, 0.15)
    return out
