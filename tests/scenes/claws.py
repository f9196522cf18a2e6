"""Claws of simple shape, and feet made of them, for the tests of the scenes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import torch

from clawvision.scenes.claw import ClawSurface, claw_surface
from clawvision.scenes.shape import ClawShape, claw_vector

PLAIN = ClawShape(
    toe_length=80.0,
    coronet_x=66.0,
    coronet_z=62.0,
    bulb_x=-4.0,
    bulb_z=36.0,
    bulb_depth=8.0,
    bulb_belly=0.5,
    hollow=0.0,
    toe_lift=0.0,
    lift_from=0.6,
    tip_thickness=2.0,
    tip_round=1.0,
    width=54.0,
    heel_round=24.0,
    taper_from=0.35,
    taper=0.65,
    taper_power=2.0,
    toe_round=10.0,
    axial_sweep=0.0,
    turn_in=0.0,
    undercut=0.0,
    slope_abaxial=0.0,
    slope_axial=0.0,
    ridge=0.5,
    sole_hollow=0.0,
    helical_twist=0.0,
    rough=0.0,
    rough_seed=0.0,
)
"""Flat soled, upright walled, straight: its measures follow from its numbers."""


def plain_claw(**changes: float) -> ClawShape:
    """Return the plain claw with some numbers changed."""
    values: dict[str, Any] = changes
    return replace(PLAIN, **values)


def surface_of(*shapes: ClawShape) -> ClawSurface:
    """Return the surfaces of claws, one batch."""
    return claw_surface(torch.tensor(np.array([claw_vector(shape) for shape in shapes]), dtype=torch.float32))
