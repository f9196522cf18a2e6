"""Which claw is which.

Seen from above with the toes pointing away, a left foot has its outer (lateral) claw on the left: the side away
from the animal. A sole photo looks at the same foot from below, which swaps left and right as turning a hand
palm up does. So in a sole photo turned so that the toes point up:

* left foot (LF, LH): the outer claw is on the **right**;
* right foot (RF, RH): the outer claw is on the **left**.

It does not matter whether the foot is a fore or a hind one, nor how the camera was turned, as long as the photo
is not mirrored.

In a side photo the camera stands on the side of the animal that the claw faces: on the animal's left for the
outer claw of a left foot and for the inner claw of a right foot. From there the animal faces left, and so does
the toe, as long as the leg comes from above in the picture.
"""

from __future__ import annotations

from typing import Literal

from clawvision.types import ClawName, FloatArray, Foot

Side = Literal["left", "right"]


def sole_name(side: Side, foot: Foot | None) -> ClawName:
    """Return the name of the claw on one side of a sole photo.

    Parameters
    ----------
    side
        Side of the foot on which the claw lies, with the picture turned so that the toes point up.
    foot
        The foot, or None where it is unknown.

    Returns
    -------
    ClawName
        ``outer`` or ``inner``; ``side`` itself where the foot is unknown.
    """
    if foot is None:
        return side
    outer: Side = "right" if foot[0] == "L" else "left"
    return "outer" if side == outer else "inner"


def sides(first_px: FloatArray, second_px: FloatArray, toe_direction: FloatArray) -> tuple[Side, Side]:
    """Return on which side each of two claws lies, with the picture turned so that the toes point up.

    Parameters
    ----------
    first_px, second_px : float64 (2,)
        A point of each claw, such as its centroid, pixels.
    toe_direction : float64 (2,)
        Direction from the heels to the toes in the picture, pixels, of any length.
    """
    # With y down, the direction to the right of (x, y) is (-y, x).
    right = (second_px[0] - first_px[0]) * -toe_direction[1] + (second_px[1] - first_px[1]) * toe_direction[0]
    return ("left", "right") if right >= 0 else ("right", "left")


def toe_side(foot: Foot | None, claw: ClawName | None) -> Side | None:
    """Return to which side the toe points in a side photo with the leg coming from above, None where unknown."""
    if foot is None or claw not in ("outer", "inner"):
        return None
    return "left" if (foot[0] == "L") == (claw == "outer") else "right"
