"""The names that a profile's values may have, their units, and what they mean."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ValueStatus = Literal["P", "M", "T", "C", "J"]

STATUSES: dict[ValueStatus, str] = {
    "P": "read in the publication",
    "M": "from memory, not yet confirmed",
    "T": "common practice of the trade, no source",
    "C": "computed from published values, plain geometry or the herd's own measures",
    "J": "this project's own judgement",
}


@dataclass(frozen=True, slots=True)
class ValueKind:
    """A row of the table of profile values; ``low`` and ``high`` bound what can be meant at all."""

    name: str
    unit: str
    low: float
    high: float
    meaning: str


_KINDS = (
    ValueKind("toe_length_floor", "mm", 30, 200, "below it the sole at the toe is likely to be thin"),
    ValueKind("toe_length_minimum", "mm", 30, 200, "a claw at or under it is not shortened"),
    ValueKind("toe_length_minimum_spread", "mm", 0, 40, "how far what a claw needs may lie from the minimum, k = 2"),
    ValueKind("toe_length_usual_low", "mm", 30, 200, "usual untrimmed length, lower end"),
    ValueKind("toe_length_usual_high", "mm", 30, 200, "usual untrimmed length, upper end"),
    ValueKind("toe_length_watch", "mm", 30, 250, "longer than this is worth watching"),
    ValueKind("toe_length_flag", "mm", 30, 250, "longer than this is clearly overgrown"),
    ValueKind("toe_length_gross", "mm", 30, 250, "longer than this the inside may have changed: no figure is given"),
    ValueKind("toe_length_after_trim", "mm", 30, 250, "the longest that a trim is taken to have left"),
    ValueKind("toe_length_even", "mm", 0, 50, "claws within this of each other count as evenly long"),
    ValueKind("toe_angle_shallow", "deg", 5, 90, "flatter than this is a low angle"),
    ValueKind("toe_angle_usual_low", "deg", 5, 90, "usual toe angle, lower end"),
    ValueKind("toe_angle_usual_high", "deg", 5, 90, "usual toe angle, upper end"),
    ValueKind("toe_angle_steep", "deg", 5, 90, "steeper than this is unusual"),
    ValueKind("heel_height_minimum", "mm", 5, 100, "lower than this is a low heel"),
    ValueKind("heel_height_high", "mm", 5, 120, "higher than this is a high heel"),
    ValueKind("toe_lift_limit", "mm", 0, 80, "a toe tip farther off the ground than this is lifted"),
    ValueKind("growth_low", "mm/month", 0.5, 20, "growth of the wall, slow"),
    ValueKind("growth_high", "mm/month", 0.5, 20, "growth of the wall, fast"),
    ValueKind("lengthening_most", "mm/month", 1, 40, "growing longer faster than this is more likely an error"),
    ValueKind("shortening_most", "mm/month", -40, 0, "growing shorter faster than this without a trim is too"),
    ValueKind(
        "outer_longer_low", "percent", -30, 30, "healthy outer over inner sole length, lower end, % of the inner"
    ),
    ValueKind(
        "outer_longer_high", "percent", -30, 30, "healthy outer over inner sole length, upper end, % of the inner"
    ),
    ValueKind("length_difference_watch", "mm", 0, 100, "closed difference beyond the healthy one: watch"),
    ValueKind("length_difference_flag", "mm", 0, 100, "closed difference beyond the healthy one: look for the cause"),
    ValueKind("width_difference_low", "percent", -100, 100, "outer − inner width, % of their mean: less is unequal"),
    ValueKind(
        "width_difference_expected", "percent", -100, 100, "outer − inner width of healthy feet, % of their mean"
    ),
    ValueKind("width_difference_high", "percent", -100, 100, "outer − inner width, % of their mean: more is unequal"),
    ValueKind("axial_twist_low", "deg", -45, 90, "axial twist of healthy claws, lower end"),
    ValueKind("axial_twist_high", "deg", -45, 90, "axial twist of healthy claws, upper end"),
    ValueKind("axial_twist_partner", "deg", 0, 90, "more twist than the partner claw by this much is unusual"),
    ValueKind("helical_twist_high", "deg", 0, 90, "more turn of the bearing surface than this is a twist"),
    ValueKind("roll_high", "deg", 0, 90, "a front wall that turns towards the cleft by more than this is rolled"),
    ValueKind("sole_tilt_high", "deg", 0, 60, "the outer (abaxial) edge of a sole higher than this against the leg"),
    ValueKind("sole_tilt_low", "deg", -60, 0, "the outer (abaxial) edge of a sole lower than this against the leg"),
    ValueKind("splay_limit", "deg", 0, 90, "toes that diverge by more than this are splayed"),
    ValueKind("dorsal_concavity_limit", "mm", 0, 50, "a dorsal wall more hollow than this is concave"),
    ValueKind("toe_overlap_limit", "mm", -20, 50, "a toe that crosses the foot's axis by more than this"),
)

PROFILE_VALUES: dict[str, ValueKind] = {kind.name: kind for kind in _KINDS}


def ordered_names() -> tuple[tuple[str, ...], ...]:
    """Return the groups of names whose values must not fall in the order given."""
    return (
        ("toe_length_floor", "toe_length_minimum", "toe_length_watch", "toe_length_flag", "toe_length_gross"),
        ("toe_length_usual_low", "toe_length_usual_high", "toe_length_watch"),
        ("toe_length_floor", "toe_length_after_trim", "toe_length_flag"),
        ("toe_angle_shallow", "toe_angle_usual_low", "toe_angle_usual_high", "toe_angle_steep"),
        ("heel_height_minimum", "heel_height_high"),
        ("growth_low", "growth_high", "lengthening_most"),
        ("sole_tilt_low", "sole_tilt_high"),
        ("outer_longer_low", "outer_longer_high"),
        ("length_difference_watch", "length_difference_flag"),
        ("width_difference_low", "width_difference_expected", "width_difference_high"),
        ("axial_twist_low", "axial_twist_high"),
    )


NEEDED_WITH: dict[str, tuple[str, ...]] = {
    "toe_length_watch": ("toe_length_usual_high", "growth_low", "growth_high"),
    "toe_length_flag": ("toe_length_usual_high", "growth_low", "growth_high"),
    "toe_length_gross": ("toe_length_usual_high", "growth_low", "growth_high"),
    "lengthening_most": ("growth_high",),
    "toe_length_after_trim": ("toe_length_even", "growth_high"),
    "toe_angle_shallow": ("toe_angle_usual_low", "toe_angle_usual_high"),
    "toe_angle_steep": ("toe_angle_usual_low", "toe_angle_usual_high"),
    "axial_twist_high": ("axial_twist_low",),
    "axial_twist_partner": ("axial_twist_low",),
    "width_difference_high": ("width_difference_expected",),
    "width_difference_low": ("width_difference_expected",),
}
"""What a profile must hold beside a value, since the texts of the rules that use it quote them."""
