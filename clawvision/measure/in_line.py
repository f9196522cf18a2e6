"""Whether a side view's reference lies in line with the claw: what the picture of the claw itself says about it."""

from __future__ import annotations

import numpy as np

from clawvision.measure.viewing import U_YAW_DEG
from clawvision.scale.plane import ray_directions
from clawvision.types import ClawResult, FloatArray, Lean, Scale

_SHOWS_ITS_TURN = ("card", "id1")
"""References that show how they are turned: a ruler does not about its own axis, two points not at all."""
_SIGMAS = 2.5
"""Of some 500 good side photos of held-out sets three were farther off, and lengths in them 7 to 13 mm (status J)."""


def lean_in_plane(scale: Scale, forward: FloatArray, middle_px: FloatArray) -> float:
    """Return how far a direction in the reference's plane leads away from the camera.

    Parameters
    ----------
    scale
        Camera and pose.
    forward : float64 (2,)
        Unit direction in the reference's plane.
    middle_px : float64 (2,)
        Pixel at the claw's middle.

    Returns
    -------
    float
        Degrees behind the plane at right angles to that pixel's ray.
    """
    ray = ray_directions(scale, middle_px[None, :])[0]
    along = float(np.array([forward[0], forward[1], 0.0]) @ ray / np.linalg.norm(ray))
    return float(np.degrees(np.arcsin(np.clip(along, -1.0, 1.0))))


def out_of_line(said: Lean, claw: ClawResult, scale: Scale) -> float | None:
    """Return by how many degrees the claw seems turned against the reference, None where that may be chance.

    Parameters
    ----------
    said
        How far the claw turns its toe from the camera, as the segmenter reads it from the picture.
    claw
        The claw as measured in a side view.
    scale
        Camera and pose.
    """
    needed = {"C", "B", "T", "H"}
    if scale.reference.kind not in _SHOWS_ITS_TURN or not needed <= set(claw.landmarks_mm):
        return None
    toe, heel = (np.array(claw.landmarks_mm[name]) for name in "TH")
    reach = float(np.hypot(*(toe - heel)))
    if reach <= 0.0:
        return None
    middle = 0.5 * (np.array(claw.landmarks_px["C"]) + np.array(claw.landmarks_px["B"]))
    turned = said.value_deg - lean_in_plane(scale, (toe - heel) / reach, middle)
    return abs(turned) if abs(turned) > _SIGMAS * np.hypot(said.sigma_deg, U_YAW_DEG["side"]) else None
