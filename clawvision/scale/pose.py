"""The pose of the reference before the camera, by maximum a posteriori, with its covariance.

One solver serves every kind of reference. Markers fix all six degrees of freedom; a ruler does not show its
turn about its own axis, two points show neither tilt: there a Gaussian prior on the tilt (a reference is held
roughly square to the camera) bounds what the picture does not tell, and its width goes into the covariance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from clawvision.scale.plane import undistort
from clawvision.types import Camera, FloatArray, Reference, Scale, frozen_array

# Standard deviation of the reference's normal from the camera's axis, rad, in each of the two directions.
_TILT_SD = {"card": 0.26, "id1": 0.26, "ruler": 0.16, "points": 0.16}
# White spreads over black, more where it is burnt out: how far the edges of a printed thing seem moved, mm
# (standard deviation), one value for each marker since light and shade may share a card.
_BLEED_SD_MM = {"card": 0.2, "id1": 0.25, "ruler": 0.3, "points": 0.0}
_MAX_ITERATIONS = 60


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """Matched points ready for the fit: pixels without lens distortion, mm, and the direction of bleed."""

    pixels: FloatArray  # (N, 2), relative to the principal point
    points: FloatArray  # (N, 3), z = 0
    bleed: FloatArray  # (N, 3, K), K things that bleed
    bleed_sd: float
    tilt_sd: float
    focal: FloatArray  # (2,)
    sigma: float


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    rotation: FloatArray
    translation: FloatArray
    residuals: FloatArray  # (N, 2) px
    information: FloatArray  # (6 + K, 6 + K): rotation vector, translation, bleed
    cost: float


def bleed_directions(reference: Reference) -> FloatArray:
    """Return where each point of the reference moves when white spreads by 1 mm, float64 (N, 2, K).

    K is the number of things that bleed by themselves. A marker's black square shrinks: each corner moves inwards
    along both axes. A light plain card grows. Of a ruler the second line of ticks lies at a y that is only roughly
    known. Points given by hand keep their place (K = 0).
    """
    points = reference.points_mm
    zeros = np.zeros(len(points))
    if reference.kind == "card":
        groups = points.reshape(-1, 4, 2)
        inward = np.sign(groups.mean(axis=1, keepdims=True) - groups)
        return np.asarray(inward[..., None] * np.eye(len(groups))[:, None, None, :]).reshape(-1, 2, len(groups))
    if reference.kind == "id1":
        return np.asarray(np.sign(points - points.mean(axis=0))[..., None])
    if reference.kind == "ruler" and np.any(points[:, 1] != 0):
        return np.asarray(np.column_stack((zeros, (points[:, 1] != 0).astype(float)))[..., None])
    return np.zeros((*points.shape, 0))


def _problem(reference: Reference, camera: Camera, sigma: float) -> _Problem:
    focal = np.array([camera.fx, camera.fy])
    zeros = np.zeros(len(reference.points_mm))
    directions = bleed_directions(reference)
    return _Problem(
        pixels=undistort(camera, reference.points_px) * focal,
        points=np.column_stack((reference.points_mm, zeros)),
        bleed=np.concatenate((directions, np.zeros_like(directions[:, :1])), axis=1),
        bleed_sd=_BLEED_SD_MM[reference.kind],
        tilt_sd=_TILT_SD[reference.kind],
        focal=focal,
        sigma=sigma,
    )


def _exp(vector: Any) -> FloatArray:
    return np.asarray(cv2.Rodrigues(np.asarray(vector, dtype=np.float64).reshape(3, 1))[0], dtype=np.float64)


def _evaluate(problem: _Problem, rotation: FloatArray, translation: FloatArray, bleed: FloatArray) -> FloatArray | None:
    camera_points = (problem.points + problem.bleed @ bleed) @ rotation.T + translation
    depth = camera_points[:, 2:]
    if float(depth.min()) <= 1.0:
        return None
    return problem.pixels - problem.focal * camera_points[:, :2] / depth


def _cost(problem: _Problem, rotation: FloatArray, bleed: FloatArray, residuals: FloatArray) -> float:
    cost = float((residuals**2).sum()) / problem.sigma**2
    cost += float(rotation[0, 2] ** 2 + rotation[1, 2] ** 2) / problem.tilt_sd**2
    if len(bleed):
        cost += float(bleed @ bleed) / problem.bleed_sd**2
    return cost


def _linearise(
    problem: _Problem, rotation: FloatArray, translation: FloatArray, bleed: FloatArray, residuals: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return information (6 + K, 6 + K) and right-hand side (6 + K,) of the normal equations."""
    turned = (problem.points + problem.bleed @ bleed) @ rotation.T
    x, y, z = (turned + translation).T
    fx, fy = problem.focal
    # d pixel / d camera point, one row for each coordinate
    by_point = np.zeros((2 * len(x), 3))
    by_point[0::2, 0] = fx / z
    by_point[0::2, 2] = -fx * x / z**2
    by_point[1::2, 1] = fy / z
    by_point[1::2, 2] = -fy * y / z**2
    a, b, c = by_point.T
    q, r, s = np.repeat(turned, 2, axis=0).T
    jacobian = np.empty((2 * len(x), 6 + len(bleed)))
    # d (exp(w) q) / dw = -[q]x, so a row a gives q × a
    jacobian[:, 0] = r * c - s * b
    jacobian[:, 1] = s * a - q * c
    jacobian[:, 2] = q * b - r * a
    jacobian[:, 3:6] = by_point
    if len(bleed):
        spread = np.matmul(rotation, problem.bleed)
        jacobian[:, 6:] = np.matmul(by_point.reshape(-1, 2, 3), spread).reshape(-1, len(bleed))
    information: FloatArray = jacobian.T @ jacobian / problem.sigma**2
    right: FloatArray = jacobian.T @ residuals.reshape(-1) / problem.sigma**2
    # prior on the normal n = R e_z: d n / dw = -[n]x, first two rows
    nx, ny, nz = rotation[:, 2]
    prior = np.array([(0.0, nz, -ny), (-nz, 0.0, nx)]) / problem.tilt_sd
    information[:3, :3] += prior.T @ prior
    right[:3] -= prior.T @ np.array([nx, ny]) / problem.tilt_sd
    if len(bleed):
        information[6:, 6:] += np.eye(len(bleed)) / problem.bleed_sd**2
        right[6:] -= bleed / problem.bleed_sd**2
    return information, right


def _fit(problem: _Problem, rotation: FloatArray, translation: FloatArray) -> _Fit | None:
    """Refine a pose by Gauss–Newton, damped where a step would not go down."""
    bleed, damping = np.zeros(problem.bleed.shape[2]), 0.0
    residuals = _evaluate(problem, rotation, translation, bleed)
    if residuals is None:
        return None
    cost = _cost(problem, rotation, bleed, residuals)
    information, right = _linearise(problem, rotation, translation, bleed, residuals)
    for _ in range(_MAX_ITERATIONS):
        step = np.linalg.solve(information + damping * np.diag(np.diag(information)), right)
        turned = _exp(step[:3]) @ rotation
        moved = translation + step[3:6]
        spread = bleed + step[6:]
        tried = _evaluate(problem, turned, moved, spread)
        new_cost = np.inf if tried is None else _cost(problem, turned, spread, tried)
        if tried is None or new_cost > cost + 1e-9 * (1.0 + cost):
            damping = max(4.0 * damping, 1e-3)
            if damping > 1e8:
                break
            continue
        done = cost - new_cost < 1e-7 * (1.0 + new_cost) and damping == 0.0
        rotation, translation, bleed, residuals, cost = turned, moved, spread, tried, new_cost
        damping = 0.0 if damping < 1e-3 else damping / 8.0
        information, right = _linearise(problem, rotation, translation, bleed, residuals)
        if done:
            break
    return _Fit(rotation, translation, residuals, information, cost)


def _starts(problem: _Problem) -> list[tuple[FloatArray, FloatArray]]:
    """Return first guesses of the pose: the two of a flat target, else one square to the camera."""
    normalised = problem.pixels / problem.focal
    if np.ptp(problem.points[:, 1]) > 0.2 * np.ptp(problem.points[:, 0]):
        count, rotations, translations, *_ = cv2.solvePnPGeneric(
            problem.points[:, None, :],
            np.ascontiguousarray(normalised[:, None, :]),
            np.eye(3),
            None,
            flags=cv2.SOLVEPNP_IPPE,
        )
        found = [
            (_exp(rotations[i]), np.asarray(translations[i], dtype=np.float64).reshape(3)) for i in range(int(count))
        ]
        if found:
            return found
    first, last = normalised[0], normalised[-1]
    length_mm = float(np.linalg.norm(problem.points[-1] - problem.points[0]))
    along = last - first
    distance = length_mm / float(np.linalg.norm(along))
    turn = np.arctan2(along[1], along[0])
    rotation = _exp(np.array([0.0, 0.0, turn]))
    translation = np.append(first, 1.0) * distance - rotation @ problem.points[0]
    return [(rotation, translation)]


def _rotation_between(start: FloatArray, end: FloatArray) -> FloatArray:
    """Return the left rotation vector that takes ``start`` to ``end``."""
    return np.asarray(cv2.Rodrigues(end @ start.T)[0], dtype=np.float64).reshape(3)


def _noise(reference: Reference, fit: _Fit) -> float:
    """Return the noise of one coordinate, pixels: the stated one, or more where the residuals tell so."""
    freedom = fit.residuals.size - len(fit.information)
    if freedom < 1:
        return reference.sigma_px
    seen = float(np.sqrt((fit.residuals**2).sum() / freedom))
    return max(reference.sigma_px, seen)


def _solve(
    reference: Reference, camera: Camera, starts: list[tuple[FloatArray, FloatArray]] | None
) -> tuple[_Fit, FloatArray]:
    problem = _problem(reference, camera, reference.sigma_px)
    guesses = starts or _starts(problem)
    fits = sorted((f for f in (_fit(problem, *g) for g in guesses) if f is not None), key=lambda f: f.cost)
    if not fits:
        raise ValueError("the reference cannot lie before the camera")
    sigma = _noise(reference, fits[0])
    if sigma > reference.sigma_px:
        problem = replace(problem, sigma=sigma)
        fits = sorted(
            (f for f in (_fit(problem, g.rotation, g.translation) for g in fits) if f is not None),
            key=lambda f: f.cost,
        )
    best = fits[0]
    covariance: FloatArray = np.linalg.inv(best.information)[:6, :6].astype(np.float64)
    for other in fits[1:]:
        # A small flat target can be seen in two poses. Where the data hardly decide, the doubt is in the spread.
        weight = float(np.exp(-0.5 * min(other.cost - best.cost, 100.0)))
        if weight > 1e-3:
            apart = np.append(_rotation_between(best.rotation, other.rotation), other.translation - best.translation)
            if float(np.abs(apart[:3]).max()) > 1e-4:
                covariance = covariance + weight / (1.0 + weight) * np.outer(apart, apart)
    return best, covariance


def _rms(residuals: FloatArray) -> float:
    return float(np.sqrt((residuals**2).sum(axis=1).mean()))


def solve_scale(reference: Reference, camera: Camera, offset_mm: float, u_offset_mm: float) -> Scale:
    """Find the reference's pose by maximum a posteriori.

    Parameters
    ----------
    reference
        Matched points, pixels and mm. A card's points come in fours, one marker each.
    camera
        Camera of the photo.
    offset_mm, u_offset_mm
        Measuring plane behind the reference and its standard uncertainty, mm.

    Returns
    -------
    Scale
        ``pose_covariance`` is the inverse of the information at the optimum, with the noise as stated by the
        reference or as its residuals show, whichever is larger. The apparent shrinking of black on white is
        estimated along and does not bias the scale.

    Raises
    ------
    ValueError
        If no pose puts the reference before the camera.
    """
    fit, covariance = _solve(reference, camera, None)
    return Scale(
        reference=reference,
        camera=camera,
        rotation=frozen_array(fit.rotation),
        translation=frozen_array(fit.translation),
        pose_covariance=frozen_array(covariance),
        offset_mm=offset_mm,
        u_offset_mm=u_offset_mm,
        reprojection_px=_rms(fit.residuals),
        reasons=reference.reasons,
    )


def resolve(scale: Scale, *, focal_factor: float = 1.0, size_factor: float = 1.0) -> Scale:
    """Fit the pose again to the same pixels, with another focal length or another size of the reference.

    Parameters
    ----------
    scale
        The scale at its nominal values, from which the fit starts.
    focal_factor, size_factor
        Factors on the focal length and on the reference's size.

    Raises
    ------
    ValueError
        If no pose puts the reference before the camera.
    """
    camera = replace(scale.camera, fx=scale.camera.fx * focal_factor, fy=scale.camera.fy * focal_factor)
    reference = replace(scale.reference, points_mm=frozen_array(scale.reference.points_mm * size_factor))
    start = (np.array(scale.rotation), scale.translation * np.array([1.0, 1.0, focal_factor]) * size_factor)
    fit, covariance = _solve(reference, camera, [start])
    return replace(
        scale,
        reference=reference,
        camera=camera,
        rotation=frozen_array(fit.rotation),
        translation=frozen_array(fit.translation),
        pose_covariance=frozen_array(covariance),
        reprojection_px=_rms(fit.residuals),
    )


def perturb(scale: Scale, delta: FloatArray) -> Scale:
    """Return the scale with its pose moved by a left rotation vector (rad) and a translation (mm), shape (6,)."""
    change = np.asarray(delta, dtype=np.float64)
    return replace(
        scale,
        rotation=frozen_array(_exp(change[:3]) @ scale.rotation),
        translation=frozen_array(scale.translation + change[3:]),
    )
