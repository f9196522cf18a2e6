"""How the foot lies in the photo, told by where its landmarks lie; poses compared, and the other ways round."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from clawvision.outline.learned.crop import Pose
from clawvision.types import FloatArray, Landmark

_SURE = 1.5
"""A direction between landmarks counts where they lie apart by so many of its standard errors (a tenth of a turn)."""
_DIFFER_DEG = 35.0
_TIPS, _HEELS = ("tip_a", "tip_b"), ("heel_a", "heel_b")


def pose_of(landmarks: Mapping[str, Landmark], told: Pose) -> Pose | None:
    """Return the pose in which landmarks lie; None where they are too unsure to tell.

    Parameters
    ----------
    landmarks
        Pixels of the photo.
    told
        The pose told otherwise. It says whether this is a side view, and which side is down where C does not tell.
    """
    if told.down is None:
        toe = _direction(landmarks, _HEELS, _TIPS)
        return None if toe is None else Pose(toe)
    toe = _direction(landmarks, ("H",), ("T",))
    if toe is None:
        return None
    across = np.array([-toe[1], toe[0]])
    mark, heel = landmarks["C"], landmarks["H"]
    away = float(across @ (mark.x - heel.x, mark.y - heel.y))
    # The coronet lies above the line from heel to toe.
    down = -np.sign(away) * across if abs(away) > _SURE * mark.sigma_px else told.down
    return Pose(toe, down)


def _direction(landmarks: Mapping[str, Landmark], start: tuple[str, ...], stop: tuple[str, ...]) -> FloatArray | None:
    """Return the unit direction between two groups of landmarks; None where it is not sure."""
    ends = [np.mean([(landmarks[name].x, landmarks[name].y) for name in names], axis=0) for names in (start, stop)]
    way = ends[1] - ends[0]
    length = float(np.hypot(*way))
    error = np.sqrt(sum(landmarks[name].sigma_px ** 2 for name in (*start, *stop))) / len(start)
    direction: FloatArray = way / max(length, 1e-9)
    return direction if length > _SURE * error else None


def angle_between(one: Pose, other: Pose) -> float:
    """Return by what angle, radians, two poses differ: π where one is the other's mirror image."""
    return float(np.arccos(np.clip((one.axes * other.axes).sum(axis=1).min(), -1.0, 1.0)))


def differs(one: Pose, other: Pose) -> bool:
    """Tell whether two poses differ so much that at most one of them can be right."""
    return angle_between(one, other) > float(np.radians(_DIFFER_DEG))


def other_ways(pose: Pose) -> list[Pose]:
    """Return the poses for which a foot's is most easily taken: toe for heel, and in a side view coronet for sole."""
    if pose.down is None:
        return [Pose(-pose.toe)]
    return [Pose(-pose.toe, pose.down), Pose(pose.toe, -pose.down), Pose(-pose.toe, -pose.down)]
