"""The words of a comparison, for the picture and for the terminal."""

from __future__ import annotations

from clawvision.compare.models import ChangeRecord, ComparedFootRecord, PairRecord, ValueRecord
from clawvision.output.wording import FOOT_WORDS, measure_word, value_text
from clawvision.types import Measure

QUESTIONS_OF = {
    "side": ("toe_too_short", "heel_lowered", "angle_usual", "outer_matched_to_inner"),
    "sole": ("still_twisted", "still_unequal"),
}
"""The questions that a view helps to answer."""
_WAYS = {
    "mm": ("longer", "shorter"),
    "deg": ("more", "less"),
    "mm2": ("larger", "smaller"),
    "percent": ("more", "less"),
}
_OWN_WAYS = {
    "toe_angle": ("steeper", "flatter"),
    "wall_angle": ("steeper", "flatter"),
    "heel_height": ("higher", "lower"),
    "dorsal_height": ("higher", "lower"),
    "sole_width": ("wider", "narrower"),
    "length_difference": ("more", "less"),
    "width_difference": ("more", "less"),
    "area_difference": ("more", "less"),
    "toe_length_difference": ("more", "less"),
    "toe_lift": ("higher", "lower"),
    "dorsal_concavity": ("more hollow", "less hollow"),
}


def change_text(change: ChangeRecord) -> tuple[str, str, str]:
    """Return before, after and change in words; a change within its uncertainty is never put as one."""
    before, after = (_value(each, change.unit) for each in (change.before, change.after))
    size = ValueRecord(value=abs(change.change.value), uncertainty=change.change.uncertainty)
    if size.value <= size.uncertainty:
        return before, after, f"too close to call ({_signed(change)})"
    ways = _OWN_WAYS.get(change.measure, _WAYS[change.unit])
    return before, after, f"{_value(size, change.unit)} {ways[change.change.value < 0]}"


def horn_text(pair: PairRecord) -> str:
    """Return what came off in words, an empty string where the outlines were not laid over one another."""
    horn = pair.horn
    if horn is None:
        return ""
    way = "in profile" if pair.view == "side" else "seen from below"
    check = (
        f"The other way, where no horn can have come from: {horn.new / 100.0:.1f} cm²; that tells how well they fit."
    )
    if horn.net.value <= horn.net.uncertainty:
        return f"What came off, {way}, is within the doubt of it: {_value(horn.net, 'mm2')} (hatched). {check}"
    return f"Horn that came off, {way}: {_value(horn.net, 'mm2')} (hatched). {check}"


def title_of(foot: ComparedFootRecord, pair: PairRecord) -> str:
    """Return what a pair shows: animal, foot, claw, view, days."""
    days = foot.before if foot.before == foot.after else f"{foot.before} and {foot.after}"
    claw = f"{pair.claw} claw" if pair.claw else "both claws"
    return " · ".join((foot.animal, FOOT_WORDS[foot.foot], claw, f"{pair.view} view", days))


def balance_word(change: ChangeRecord) -> str:
    """Return the name of a measure of both claws, outer less inner."""
    if change.measure == "toe_length_difference":
        return "toe, outer less inner"
    return measure_word(change.measure)


def _value(value: ValueRecord, unit: str) -> str:
    return value_text(Measure(value.value, value.uncertainty, unit))  # type: ignore[arg-type]


def _signed(change: ChangeRecord) -> str:
    text = _value(change.change, change.unit)
    return f"+{text}" if change.change.value > 0 and not text.startswith(("0.0 ", "0 ")) else text
