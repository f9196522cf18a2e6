"""A plain card of ISO/IEC 7810 ID-1 size, found by its rectangle.

Quadrilaterals are made of straight segments, and of lines near a rough outline where one is known. One is taken for a
card only where its sides have the right ratio under perspective, all four edges show straight and at full size,
its corners are rounded, and its surface is mostly of one colour. Rather no reference than a wrong one.
"""

from __future__ import annotations

import numpy as np

from clawvision.reasons import reason
from clawvision.scale.edges import straight_segments
from clawvision.scale.geometry import card_corners
from clawvision.scale.id1_proof import verify
from clawvision.scale.id1_quads import quads_of_segments
from clawvision.scale.id1_sides import quads_near
from clawvision.types import ByteArray, Camera, FloatArray, Reference, frozen_array

U_ID1_REL = 0.001
"""Manufacturing tolerance, relative standard uncertainty: 85.47 to 85.72 mm are allowed (from memory)."""
_SAME = 0.025
"""Two finds whose corners lie within this share of the long side are one card (status J)."""


def find_id1(
    rgb: ByteArray,
    camera: Camera,
    found_segments: tuple[FloatArray, float] | None = None,
    rough_px: FloatArray | None = None,
) -> Reference | None:
    """Find a plain ID-1 card by its rectangle.

    Parameters
    ----------
    rgb : uint8 (H, W, 3)
        The upright photo.
    camera
        Its camera; the ratio of the sides is judged under perspective.
    found_segments
        What `straight_segments` gave for the photo, where it is at hand.
    rough_px : float64 (N, 2), optional
        A rough outline of what may be the card, pixels.

    Returns
    -------
    Reference or None
        Kind ``id1``, its four corners (where the straight sides would meet), with the reason ``plain_card``.
        None where no card is found or more than one thing could be it.
    """
    segments, factor = straight_segments(rgb) if found_segments is None else found_segments
    quads = quads_of_segments(segments, factor, camera, rgb.shape[:2])
    if rough_px is not None:
        quads += quads_near(rgb, rough_px, camera)
    found = [proven for quad in quads if (proven := verify(rgb, quad, camera)) is not None]
    if not found:
        return None
    best = max(found, key=lambda item: item.score)
    size_px = float(np.linalg.norm(best.quad[1] - best.quad[0]))
    rivals = [f for f in found if float(np.abs(f.quad - best.quad).max()) > _SAME * size_px]
    if any(rival.score > 0.5 * best.score for rival in rivals):
        return None
    return Reference(
        kind="id1",
        points_px=frozen_array(best.quad),
        points_mm=frozen_array(card_corners()),
        sigma_px=best.sigma_px,
        outline_px=frozen_array(best.quad),
        u_size_rel=U_ID1_REL,
        reasons=(reason("plain_card"),),
    )
