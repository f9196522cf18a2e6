"""How a pixel is taken into the claw's plane, and everything about it that is not known exactly.

A ``Viewing`` holds one complete set of assumptions. Measuring again with one of them moved by its standard
uncertainty gives that cause's signed contribution (law of propagation, JCGM 100:2008, 5.1.2, by differences).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from clawvision.measure.depth import USUAL_SIDE, USUAL_SOLE, SideModel, SoleModel
from clawvision.scale.plane import meet, ray_directions
from clawvision.scale.pose import perturb, resolve
from clawvision.types import FloatArray, Scale, View, frozen_mapping

U_YAW_DEG = {"side": 3.0, "sole": 0.8, "front": 3.0, "rear": 3.0}
_U_PITCH_DEG = {"side": 1.6, "sole": 0.8, "front": 3.0, "rear": 3.0}
"""Standard deviation of the angles between the reference's plane and the claw's, degrees: how well a card is held
parallel to a claw (status J; rendered photos with known truth show yaws of 2.4 (others' samples) to 2.8 (own scenes)
and a pitch of 1.6 from the side, 0.8 from below)."""


@dataclass(frozen=True, slots=True, eq=False)
class Viewing:
    """A pose, where the claw's plane lies behind the reference, and how the claw is built.

    ``lean`` (x, y) is the slope of the claw's plane against the reference's, mm of depth per mm; it turns about
    ``pivot_mm``, the middle of the reference, behind which ``scale.offset_mm`` holds. ``forward`` is the unit direction
    in the reference's plane that counts as level: yaw turns it in depth, pitch what is at right angles to it.
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

    def slopes(self, points_px: FloatArray) -> FloatArray:
        """Return how far each pixel's ray moves across per mm of depth, (N, 2)."""
        rays = ray_directions(self.scale, points_px)
        near = meet(self.scale, rays, self.scale.offset_mm)
        slope: FloatArray = meet(self.scale, rays, self.scale.offset_mm + 1.0) - near
        return slope


def viewing_of(scale: Scale) -> Viewing:
    """Return the nominal viewing: the measuring plane as given, a claw of usual build."""
    middle = np.asarray(scale.reference.points_mm).mean(axis=0)
    return Viewing(scale, middle)


def along_claw(viewing: Viewing, forward: FloatArray) -> Viewing:
    """Return the viewing of a side view's claw whose bearing line is known.

    Parameters
    ----------
    viewing
        The nominal one.
    forward : float64 (2,)
        Unit direction of the bearing line to the toe, in the reference's plane.
    """
    return replace(viewing, forward=(float(forward[0]), float(forward[1])))


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
    x, y = nominal.forward
    causes.append(("plane_yaw", replace(nominal, lean=_slope(U_YAW_DEG[view], (x, y)))))
    causes.append(("plane_pitch", replace(nominal, lean=_slope(_U_PITCH_DEG[view], (-y, x)))))
    return causes


def _slope(degrees: float, along: tuple[float, float]) -> tuple[float, float]:
    """Return the slope of a plane that turns by an angle along a unit direction."""
    rise = float(np.tan(np.radians(degrees)))
    return rise * along[0], rise * along[1]


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
