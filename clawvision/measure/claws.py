"""All measures of one photo's claws, whatever its view."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from clawvision.measure.ends_view import measure_ends
from clawvision.measure.side_view import measure_side_claw
from clawvision.measure.sole_view import measure_sole_claws
from clawvision.reasons import reason
from clawvision.types import ClawName, ClawResult, FloatArray, Measure, Outlines, Reason, Scale

PLAUSIBLE: Mapping[str, tuple[float, float]] = {
    "toe_length": (40.0, 240.0),
    "toe_angle": (8.0, 90.0),
    "heel_height": (5.0, 90.0),
    "sole_length": (60.0, 280.0),
    "sole_width": (25.0, 90.0),
    "axial_twist": (-40.0, 90.0),
}
"""What a bovine claw can measure at all, from calf to neglected bull; outside it something went wrong (status J)."""


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """The claws of a photo, measured, with their two-claw measures and what the picture draws for the foot."""

    claws: Mapping[ClawName, ClawResult]
    foot_measures: Mapping[str, Measure]
    foot_guides_px: Mapping[str, FloatArray]
    reasons: tuple[Reason, ...]


def measure_claws(outlines: Outlines, scale: Scale) -> Measured:
    """Measure the claws of a photo.

    Parameters
    ----------
    outlines
        The claws as they show.
    scale
        Camera, pose and measuring plane.

    Returns
    -------
    Measured
        With a reason for every value that no claw can have.
    """
    claws: dict[ClawName, ClawResult]
    foot: Mapping[str, Measure] = {}
    guides: Mapping[str, FloatArray] = {}
    if outlines.view == "side":
        claws = {claw.name: measure_side_claw(claw, scale) for claw in outlines.claws}
    elif outlines.view == "sole":
        claws, foot, guides = measure_sole_claws(outlines.claws, scale)
    else:
        claws = measure_ends(outlines.claws, scale, outlines.view, outlines.leg_axis_px)
    return Measured(claws, foot, guides, tuple(_implausible(claws)))


def _implausible(claws: Mapping[ClawName, ClawResult]) -> list[Reason]:
    reasons = []
    for claw_name, claw in claws.items():
        for name, (low, high) in PLAUSIBLE.items():
            measure = claw.measures.get(name)
            if measure is None or measure.value is None or low <= measure.value <= high:
                continue
            unit = {"mm": "mm", "deg": "°"}[measure.unit]
            reasons.append(reason("implausible", measure=name, claw=claw_name, value=measure.value, unit=unit))
    return reasons
