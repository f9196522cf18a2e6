"""The words and numbers that the annotated picture shows."""

from __future__ import annotations

import unicodedata
from dataclasses import replace

from clawvision.types import Measure, PhotoResult, Status

FOOT_WORDS = {"LF": "left fore", "RF": "right fore", "LH": "left hind", "RH": "right hind"}
STAGE_WORDS = {"before": "before trimming", "after": "after trimming", "check": "check"}
STATUS_WORDS: dict[Status, str] = {"measured": "MEASURED", "review": "LOOK AT IT", "refused": "REFUSED"}
LANDMARK_WORDS = {
    "C": "coronet",
    "T": "toe tip",
    "B": "top of the bulb",
    "H": "heel",
    "K": "middle of the heel third",
}
MEASURE_WORDS = {
    "toe_length": "toe length",
    "dorsal_arc": "along the wall",
    "toe_angle": "toe angle",
    "wall_angle": "wall angle",
    "dorsal_concavity": "wall hollow",
    "heel_height": "heel height",
    "dorsal_height": "coronet height",
    "bearing_length": "bearing length",
    "diagonal": "diagonal",
    "toe_lift": "toe lift",
    "sole_length": "length",
    "sole_width": "width",
    "sole_area": "area",
    "axial_twist": "turn of the toe",
    "helical_twist": "roll of the sole",
    "length_difference": "difference of length",
    "width_difference": "difference of width",
    "area_difference": "difference of area",
    "splay": "spread of the toes",
    "apparent_length_difference": "toe tip ahead",
    "toe_overlap": "toe past the middle",
    "roll": "roll",
    "sole_tilt": "tilt of the sole",
}
_UNITS = {"mm": " mm", "deg": "°", "mm2": " cm²", "percent": " %"}
CAUTION = (
    "No line on this picture is a line to cut to. A photo shows neither how thin the sole is nor what hurts: "
    "feel the sole, watch the animal walk, and in doubt leave the horn and ask a veterinarian."
)


def clean(text: str, limit: int) -> str:
    """Return ``text`` fit to be drawn: one line, no control or direction marks, at most ``limit`` characters.

    Control characters, direction overrides, zero-width and private characters are dropped: they could hide
    or turn around what a name says. A text that is too long ends in an ellipsis.
    """
    composed = unicodedata.normalize("NFC", text[: 8 * limit])
    spaced = "".join(" " if character.isspace() else character for character in composed)
    kept = "".join(character for character in spaced if unicodedata.category(character)[0] != "C")
    single = " ".join(kept.split())
    return single if len(single) <= limit else single[: limit - 1].rstrip() + "…"


def value_text(measure: Measure) -> str:
    """Return ``75.3 ± 1.2 mm``; whole numbers where the uncertainty is 10 or more; areas in cm²."""
    if measure.value is None or measure.uncertainty is None:
        return "not taken"
    factor = 0.01 if measure.unit == "mm2" else 1.0
    value, uncertainty = measure.value * factor, measure.uncertainty * factor
    decimals = 1 if uncertainty < 9.95 else 0
    # Rounding must not state a doubt of 0.0.
    shown = max(uncertainty, 10.0**-decimals)
    number = f"{value + 0.0:.{decimals}f}".replace("-", "−")
    if float(f"{value:.{decimals}f}") == 0.0:
        number = number.lstrip("−")
    return f"{number} ± {shown:.{decimals}f}{_UNITS[measure.unit]}"


def measure_word(name: str) -> str:
    """Return the name of a measure as the picture shows it."""
    return MEASURE_WORDS.get(name, clean(name.replace("_", " "), 24))


def subject(result: PhotoResult) -> str:
    """Return what the photo shows, in words: animal, foot, claw, view, stage."""
    request = result.request
    parts = [clean(request.animal, 28)]
    parts.append(FOOT_WORDS[request.foot] if request.foot else "foot not named")
    if result.view is not None:
        claws = list(result.claws)
        claw = request.claw or (claws[0] if len(claws) == 1 else None)
        shown = f"{claw} claw, " if claw is not None and result.view == "side" else ""
        parts.append(f"{shown}{result.view} view")
    parts.append(STAGE_WORDS[request.stage])
    if result.taken:
        parts.append(clean(result.taken[:10], 10))
    return " · ".join(part for part in parts if part)


_SPOKEN = {
    "length_difference": ("outer longer by", "outer shorter by", "outer about as long"),
    "width_difference": ("outer wider by", "outer narrower by", "outer about as wide"),
    "area_difference": ("outer larger by", "outer smaller by", "outer about as large"),
    "splay": ("toes spread by", "toes closing by", "toes about parallel"),
    "apparent_length_difference": ("outer toe ahead by", "outer toe behind by", "toe tips about level"),
    "toe_overlap": ("toe past the middle by", "toes off the middle by", "toe about at the middle"),
    "dorsal_concavity": ("wall hollow by", "wall bulging by", "wall about straight"),
}
"""Words for a positive value, for a negative one, and for one within its uncertainty of 0."""


def spoken(name: str, measure: Measure) -> tuple[str, str]:
    """Return a measure's name and value as the picture says them.

    Where the sign has a plain word the value is shown without it: ``("outer longer by", "4.2 ± 2.0 mm")``.
    A value that is not beyond its uncertainty is never put as a difference.
    """
    if name not in _SPOKEN or measure.value is None or measure.uncertainty is None:
        return measure_word(name), value_text(measure)
    positive, negative, neither = _SPOKEN[name]
    if abs(measure.value) <= measure.uncertainty:
        return neither, value_text(replace(measure, value=abs(measure.value)))
    return positive if measure.value > 0 else negative, value_text(replace(measure, value=abs(measure.value)))
