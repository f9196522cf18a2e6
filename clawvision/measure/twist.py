"""The helical twist, which no outline shows: as the picture tells it to the segmenter."""

from __future__ import annotations

from clawvision.measure.budget import with_uncertainty
from clawvision.types import ClawOutline, Measure

_ONE_VIEW = 1.25
"""By how much more a single view leaves open than the segmenter states: it sees the claw from one side (status J)."""


def helical_twist(claw: ClawOutline) -> dict[str, Measure]:
    """Return ``helical_twist``, degrees, by its name; nothing where the segmenter tells none."""
    if claw.twist is None:
        return {}
    return with_uncertainty(
        {"helical_twist": claw.twist.value_deg},
        [],
        {"helical_twist": "deg"},
        {"helical_twist": (f"look.{claw.name}", _ONE_VIEW * claw.twist.sigma_deg)},
    )
