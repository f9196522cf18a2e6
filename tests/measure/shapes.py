"""Claw shapes with a closed-form answer."""

from __future__ import annotations

import numpy as np

from clawvision.measure.curve import resample_closed


def wedge(
    toe_length: float = 75.0, angle: float = 50.0, heel_height: float = 38.0, base: float = 110.0
) -> dict[str, np.ndarray]:
    """Return a claw's profile with straight sides: T at the right, standing on y = 0, y up.

    The heel is a quarter circle below B, so that the sole is flat from its end to T.
    """
    toe = np.array([base, 0.0])
    coronet = toe + toe_length * np.array([-np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    radius = 14.0
    bulb = np.array([0.0, heel_height])
    t = np.linspace(np.pi, 1.5 * np.pi, 90)
    heel = np.column_stack((radius + radius * np.cos(t), radius + radius * np.sin(t)))
    corners = np.vstack((toe, coronet, bulb, heel))
    return {"T": toe, "C": coronet, "B": bulb, "outline": resample_closed(corners, 600)}


def almond(length: float = 120.0, width: float = 50.0, bend: float = 0.0, count: int = 400) -> np.ndarray:
    """Return a sole outline from the heel at x = 0 to the toe at x = length.

    Elliptic heel, pointed toe; ``bend`` is how far the tip is carried to +y along a parabola from half way.
    """
    s = np.linspace(0.0, 1.0, count // 2)
    half = (
        width
        / 2
        * np.where(s < 0.35, np.sqrt(np.clip(1 - ((0.35 - s) / 0.35) ** 2, 0, 1)), 1 - ((s - 0.35) / 0.65) ** 2)
    )
    middle = bend * np.clip((s - 0.5) / 0.5, 0, None) ** 2
    upper = np.column_stack((s * length, middle + half))
    lower = np.column_stack((s * length, middle - half))[::-1]
    return resample_closed(np.vstack((upper, lower[1:-1])), count)


def turned(points: np.ndarray, degrees: float, mirror: bool = False, scale: float = 1.0) -> np.ndarray:
    """Return points mirrored in y, scaled and rotated about the origin."""
    a = np.radians(degrees)
    moved = points * (1.0, -1.0) if mirror else points
    return scale * moved @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
