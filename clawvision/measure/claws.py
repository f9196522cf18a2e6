"""All measures of one photo's claws, whatever its view."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from clawvision.errors import PhotoRefused
from clawvision.measure.ends_view import measure_ends
from clawvision.measure.in_line import out_of_line
from clawvision.measure.side_view import measure_side_claw
from clawvision.measure.sole_view import measure_sole_claws
from clawvision.reasons import reason
from clawvision.scale.plane import cast
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


SPLAY_LIMIT_DEG = 75.0
"""Toes do not point farther apart: beyond this a toe was taken for a heel (status J)."""
REACH_LIMIT_MM = 2000.0
"""An outline that reaches farther in the measuring plane approaches its horizon, where nothing can be measured."""
IN_PLANE: Mapping[str, tuple[float, float]] = {"coronet_to_bulb": (52.0, 112.0), "sole_width": (33.0, 80.0)}
"""Lengths that growth hardly changes, mm. Outside them the claw is more likely not where the reference says than so
small or large: sole widths of 52.0 and 42.5 mm in Nuss & Paulus 2006, Vet J 172:284-292; 73 to 84 mm from C to B
in rendered claws; the limits leave 30 % to both sides (status J)."""


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
        With a reason for every value that no claw can have, and ``card_off_plane`` where lengths that growth hardly
        changes say that the claw does not lie in the measuring plane, and ``card_turned`` where the claw itself looks
        turned against the card.

    Raises
    ------
    PhotoRefused
        ``outline_beyond_plane`` where an outline reaches to the horizon of the measuring plane or near it.
    """
    _check_reach(outlines, scale)
    claws: dict[ClawName, ClawResult]
    foot: Mapping[str, Measure] = {}
    guides: Mapping[str, FloatArray] = {}
    if outlines.view == "side":
        claws = {claw.name: measure_side_claw(claw, scale) for claw in outlines.claws}
    elif outlines.view == "sole":
        claws, foot, guides = measure_sole_claws(outlines.claws, scale)
    else:
        claws = measure_ends(outlines.claws, scale, outlines.view, outlines.leg_axis_px)
    return Measured(
        claws,
        foot,
        guides,
        (
            *_implausible(claws),
            *_imprecise(claws),
            *_impossible_splay(foot),
            *_off_plane(outlines, claws, scale),
            *_out_of_line(outlines, claws, scale),
        ),
    )


_LENGTHS = ("toe_length", "sole_length")
_MOST_UNCERTAINTY_MM = 15.0
"""A length known to less than this tells neither long from usual nor before from after: healthy toes differ by some
15 mm between small and large cows (status J)."""


def _check_reach(outlines: Outlines, scale: Scale) -> None:
    for claw in outlines.claws:
        if claw.outline_px is None:
            continue
        placed = cast(scale, np.asarray(claw.outline_px), scale.offset_mm)
        if not np.isfinite(placed).all() or np.ptp(placed, axis=0).max() > REACH_LIMIT_MM:
            raise PhotoRefused(reason("outline_beyond_plane", claw=claw.name))


def _implausible(claws: Mapping[ClawName, ClawResult]) -> list[Reason]:
    reasons = []
    for claw_name, claw in claws.items():
        for name, (low, high) in PLAUSIBLE.items():
            measure = claw.measures.get(name)
            if measure is None or measure.value is None or low <= measure.value <= high:
                continue
            unit = {"mm": "mm", "deg": "°"}[measure.unit]
            reasons.append(
                reason("implausible", measure=name.replace("_", " "), claw=claw_name, value=measure.value, unit=unit)
            )
    return reasons


def _imprecise(claws: Mapping[ClawName, ClawResult]) -> list[Reason]:
    """Return the lengths that are measured, but too roughly to be of use."""
    return [
        reason("imprecise", measure=name.replace("_", " "), claw=claw_name, uncertainty=measure.uncertainty)
        for claw_name, claw in claws.items()
        for name in _LENGTHS
        if (measure := claw.measures.get(name)) is not None
        and measure.uncertainty is not None
        and measure.uncertainty > _MOST_UNCERTAINTY_MM
    ]


def _impossible_splay(foot: Mapping[str, Measure]) -> list[Reason]:
    splay = foot.get("splay")
    if splay is None or splay.value is None or abs(splay.value) <= SPLAY_LIMIT_DEG:
        return []
    return [reason("implausible", measure="splay", claw="outer against the inner", value=splay.value, unit="°")]


def _off_plane(outlines: Outlines, claws: Mapping[ClawName, ClawResult], scale: Scale) -> list[Reason]:
    sizes = []
    for claw in claws.values():
        width = claw.measures.get("sole_width")
        if width is not None and width.value is not None:
            sizes.append(("sole_width", width.value))
        if outlines.view == "side" and {"C", "B"} <= set(claw.landmarks_px):
            ends = np.array([claw.landmarks_px["C"], claw.landmarks_px["B"]])
            coronet, bulb = cast(scale, ends, scale.offset_mm)
            sizes.append(("coronet_to_bulb", float(np.hypot(*(coronet - bulb)))))
    outside = [name for name, size in sizes if not IN_PLANE[name][0] <= size <= IN_PLANE[name][1]]
    # One odd claw of two is the claw's own affair; a wrong plane shows in all.
    return [reason("card_off_plane")] if sizes and len(outside) == len(sizes) else []


def _out_of_line(outlines: Outlines, claws: Mapping[ClawName, ClawResult], scale: Scale) -> list[Reason]:
    if outlines.view != "side":
        return []
    told = [(claw.lean, claws[claw.name]) for claw in outlines.claws if claw.lean is not None]
    turned = [angle for lean, claw in told if (angle := out_of_line(lean, claw, scale)) is not None]
    return [reason("card_turned", turned=max(turned))] if turned else []
