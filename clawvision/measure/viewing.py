"""How a pixel is taken into the claw's plane, and everything about it that is not known exactly.

A ``Viewing`` holds one complete set of assumptions. Measuring again with one of them moved by its standard
uncertainty gives that cause's signed contribution (law of propagation, JCGM 100:2008, 5.1.2, by differences).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from clawvision.measure.depth import USUAL_SIDE, USUAL_SOLE, SideModel, SoleModel
from clawvision.scale.plane import meet, project, ray_directions
from clawvision.scale.pose import perturb, resolve
from clawvision.types import FloatArray, Scale, View, frozen_mapping

_U_YAW = {"side": 3.0, "sole": 0.8, "front": 3.0, "rear": 3.0}
_U_PITCH = {"side": 1.6, "sole": 0.8, "front": 3.0, "rear": 3.0}
"""Standard deviation of the angles between the reference's plane and the claw's, degrees: how well a card is held
parallel to a claw (status J; rendered photos with known truth show yaws of 2.4 (others' samples) to 2.8 (own scenes)
and a pitch of 1.6 from the side, 0.8 from below)."""
TOE_TURNS_IN_DEG = 1.0
"""A card in line with a claw's outside wall is not quite parallel to its profile plane, whose direction leads to a toe
that turns towards the cleft, away from the camera (status J: by 0.8 in others' samples, by 1.9 in own scenes)."""


@dataclass(frozen=True, slots=True, eq=False)
class Viewing:
    """A pose, where the claw's plane lies behind the reference, and how the claw is built.

    ``lean`` (x, y) is the slope of the claw's plane against the reference's, mm of depth per mm; it turns about
    ``pivot_mm``, behind which ``scale.offset_mm`` holds. ``forward`` is the unit direction in the reference's plane
    that counts as level: yaw turns it in depth, pitch what is at right angles to it.
    """

    scale: Scale
    pivot_mm: FloatArray
    lean: tuple[float, float] = (0.0, 0.0)
    forward: tuple[float, float] = (1.0, 0.0)
    side: SideModel = USUAL_SIDE
    sole: SoleModel = USUAL_SOLE

    def locate(self, points_px: FloatArray, nearer_mm: float | FloatArray = 0.0) -> FloatArray:
        """Return points (N, 2) in the claw's plane, mm; ``nearer_mm`` says how far each lies in front of it."""
        depth = self.scale.offset_mm - np.asarray(nearer_mm, dtype=np.float64)
        rays = ray_directions(self.scale, points_px)
        if self.lean != (0.0, 0.0):
            flat = meet(self.scale, rays, depth)
            depth = depth + (flat - self.pivot_mm) @ np.array(self.lean)
        return meet(self.scale, rays, depth)

    def pixels(self, points_mm: FloatArray) -> FloatArray:
        """Return where points (N, 2) of the claw's plane show in the picture, (N, 2) pixels."""
        depth = self.scale.offset_mm + (points_mm - self.pivot_mm) @ np.array(self.lean)
        return project(self.scale, np.column_stack((points_mm, depth)))

    def slopes(self, points_px: FloatArray) -> FloatArray:
        """Return how far each pixel's ray moves across per mm of depth, (N, 2)."""
        rays = ray_directions(self.scale, points_px)
        near = meet(self.scale, rays, self.scale.offset_mm)
        slope: FloatArray = meet(self.scale, rays, self.scale.offset_mm + 1.0) - near
        return slope


def viewing_of(scale: Scale) -> Viewing:
    """Return the nominal viewing: the measuring plane as given, a claw of usual build."""
    return Viewing(scale, _reference_middle(scale))


def along_claw(viewing: Viewing, forward: FloatArray, middle_mm: FloatArray) -> Viewing:
    """Return the viewing of a side view's claw that is known: its toe turns a little from the camera.

    Parameters
    ----------
    viewing
        The nominal one.
    forward : float64 (2,)
        Unit direction of the bearing line to the toe, in the reference's plane.
    middle_mm : float64 (2,)
        The claw's middle, about which its plane turns.
    """
    slope = float(np.tan(np.radians(TOE_TURNS_IN_DEG)))
    ahead = (float(forward[0]), float(forward[1]))
    return replace(viewing, pivot_mm=middle_mm, lean=(slope * ahead[0], slope * ahead[1]), forward=ahead)


def _reference_middle(scale: Scale) -> FloatArray:
    middle: FloatArray = np.asarray(scale.reference.points_mm).mean(axis=0)
    return middle


def _turned(viewing: Viewing, by: FloatArray) -> Viewing:
    """Return the viewing with the claw's plane leaning by (2,) more, about the middle of the reference."""
    away = (viewing.pivot_mm - _reference_middle(viewing.scale)) @ by
    scale = replace(viewing.scale, offset_mm=viewing.scale.offset_mm + float(away))
    return replace(viewing, scale=scale, lean=(viewing.lean[0] + float(by[0]), viewing.lean[1] + float(by[1])))


def shared_causes(nominal: Viewing, view: View) -> list[tuple[str, Viewing]]:
    """Return what the claws of one photo have in common, each cause moved by one standard uncertainty."""
    scale = nominal.scale
    causes: list[tuple[str, Viewing]] = []
    spread, directions = np.linalg.eigh(scale.pose_covariance)
    for number, (variance, direction) in enumerate(zip(spread[::-1], directions.T[::-1], strict=True), 1):
        moved = perturb(scale, np.sqrt(max(variance, 0.0)) * direction)
        causes.append((f"reference_pose_{number}", replace(nominal, scale=moved)))
    focal = resolve(scale, focal_factor=1.0 + scale.camera.u_focal_rel)
    causes.append(("focal_length", replace(nominal, scale=focal)))
    size = resolve(scale, size_factor=1.0 + scale.reference.u_size_rel)
    causes.append(("reference_size", replace(nominal, scale=size)))
    further = replace(scale, offset_mm=scale.offset_mm + scale.u_offset_mm)
    causes.append(("plane_offset", replace(nominal, scale=further)))
    ahead = np.array(nominal.forward)
    across = np.array([-ahead[1], ahead[0]])
    causes.append(("plane_yaw", _turned(nominal, np.tan(np.radians(_U_YAW[view])) * ahead)))
    causes.append(("plane_pitch", _turned(nominal, np.tan(np.radians(_U_PITCH[view])) * across)))
    return causes


def placed(points: Mapping[str, FloatArray]) -> Mapping[str, tuple[float, float]]:
    """Return landmarks in mm as a result holds them."""
    return frozen_mapping({name: (float(xy[0]), float(xy[1])) for name, xy in points.items()})


_MODES = 3


def outline_modes(normals: FloatArray, sigma_px: float) -> list[FloatArray]:
    """Return displacements (N, 2) px of an outline, independent of one another, that make up its localisation error.

    One moves the whole edge in or out (an outline is more often too large or small than ragged), the others are
    the first waves around it. Their variances add up to ``sigma_px`` squared at every point.
    """
    turn = 2.0 * np.pi * np.arange(len(normals)) / len(normals)
    whole = 0.7 * sigma_px
    wave = sigma_px * np.sqrt((1.0 - 0.7**2) / _MODES)
    modes = [whole * normals]
    for order in range(1, _MODES + 1):
        modes += [wave * np.cos(order * turn)[:, None] * normals, wave * np.sin(order * turn)[:, None] * normals]
    return modes
