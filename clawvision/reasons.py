"""Every reason for which a photo is refused, needs a person's look, or carries a note.

This table is the one place for their wording; the documentation's table of messages is generated
from it. Messages are for a farmer with a telephone: what is wrong, then what to do.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from clawvision.types import Reason


@dataclass(frozen=True, slots=True)
class ReasonKind:
    """A row of the table; ``message`` and ``advice`` are ``str.format`` templates."""

    code: str
    effect: Literal["note", "review", "refused"]
    message: str
    advice: str


_KINDS = (
    # --- reading the file
    ReasonKind(
        "file_missing",
        "refused",
        "The file is not there.",
        "Check the name in the manifest and that the file was copied.",
    ),
    ReasonKind("file_empty", "refused", "The file is empty.", "Copy the photo from the camera or phone again."),
    ReasonKind(
        "file_too_large",
        "refused",
        "The file has {size_mb:.0f} MB, more than the {limit_mb:.0f} MB allowed.",
        "Send the photo as JPEG, or raise the limit with --max-file-mb.",
    ),
    ReasonKind(
        "picture_too_large",
        "refused",
        "The picture has {megapixels:.0f} million pixels, more than the {limit:.0f} million allowed.",
        "Save it smaller, or raise the limit with --max-megapixels.",
    ),
    ReasonKind(
        "picture_too_small",
        "refused",
        "The picture has only {width} × {height} pixels.",
        "Send the original photo, not a preview or a screenshot.",
    ),
    ReasonKind(
        "not_a_photo",
        "refused",
        "This is not a JPEG, PNG, TIFF or HEIC picture: {detail}.",
        "Send the photo as the camera or phone stored it.",
    ),
    ReasonKind(
        "misnamed",
        "note",
        "The file is named {suffix} but holds a {actual} picture.",
        "It was read all the same; rename it to avoid trouble elsewhere.",
    ),
    ReasonKind(
        "truncated",
        "refused",
        "The picture is cut short or damaged: {detail}.",
        "Copy or send the photo again; the transfer was probably broken off.",
    ),
    ReasonKind("unreadable", "refused", "The file cannot be opened: {detail}.", "Check that you may read it."),
    ReasonKind(
        "heic_extra_missing",
        "refused",
        "This is a HEIC photo and the package that reads them is missing.",
        "Install it with: pip install 'clawvision[heic]', or set the phone to take JPEG.",
    ),
    ReasonKind(
        "first_page_only",
        "note",
        "The file holds several pictures; the first one was measured.",
        "Save the others as files of their own if they are to be measured.",
    ),
    # --- the reference
    ReasonKind(
        "no_reference",
        "refused",
        "No scale card, plain ID-1 card or ruler was found, so nothing can be measured.",
        "Take the photo again with the printed card flat beside the claw, all of it in the picture, not in glare.",
    ),
    ReasonKind(
        "reference_oblique",
        "review",
        "The {reference} is seen from {tilt:.0f}° aside.",
        "Hold the camera square to the card and the claw, at most 15° aside, and take the photo again.",
    ),
    ReasonKind(
        "reference_too_oblique",
        "refused",
        "The {reference} is seen from {tilt:.0f}° aside; no length can be trusted.",
        "Hold the camera square to the card and the claw and take the photo again.",
    ),
    ReasonKind(
        "one_marker",
        "review",
        "Only one marker of the card shows, so the scale is uncertain.",
        "Keep fingers and mud off the card's corners; at least two markers must show.",
    ),
    ReasonKind(
        "reference_small",
        "review",
        "The {reference} is very small in the picture ({size_px:.0f} pixels).",
        "Go nearer: foot and card together should fill the picture.",
    ),
    ReasonKind(
        "tick_assumed",
        "note",
        "The ruler's ticks are taken as {tick:g} mm apart.",
        "Name the spacing in the manifest's tick_mm column if that is wrong.",
    ),
    ReasonKind(
        "plain_card",
        "note",
        "The scale comes from a plain card taken as ID-1 size (85.60 × 53.98 mm).",
        "The printed scale card is surer.",
    ),
    ReasonKind(
        "focal_assumed",
        "note",
        "The photo does not tell the focal length; a usual one was assumed and the doubt is in the uncertainty.",
        "Send the original photo with its EXIF data, or make a calibration with: clawvision calibrate.",
    ),
    ReasonKind(
        "offset_default",
        "note",
        "The distance of the claw's plane behind the card was not given; {offset:g} mm was used.",
        "Measure it once for your way of holding the card and put it in the manifest's offset_mm column.",
    ),
    # --- the outline
    ReasonKind(
        "no_claw",
        "refused",
        "No claw was found in the picture.",
        "Fill the picture with foot and card, against a plain ground, or place the outline by hand in a sidecar file.",
    ),
    ReasonKind(
        "outline_doubtful",
        "review",
        "The claw's outline is doubtful (confidence {confidence:.2f}).",
        "Check it in the annotated picture. Clean the claw and take the photo again against a plain background, or draw the outline.",
    ),
    ReasonKind(
        "learned_outline_missing",
        "note",
        "The learned outline finder is missing or does not run here; the simpler one was used.",
        "Install the package again; its model file belongs to it.",
    ),
    ReasonKind(
        "claw_cut",
        "review",
        "The {claw} claw is cut off by the edge of the picture.",
        "Step back until the whole claw and some ground around it show.",
    ),
    ReasonKind(
        "outline_beyond_plane",
        "refused",
        "The outline of the {claw} claw does not fit the card's plane at all: one of them was taken for what it is not.",
        "Check both in the annotated picture. Hold the card flat beside the claw and take the photo again.",
    ),
    ReasonKind(
        "claws_not_separated",
        "review",
        "The two claws could not be told apart at the cleft.",
        "Spread the claws a little or clean the cleft, and look along it.",
    ),
    ReasonKind(
        "one_claw_only",
        "review",
        "Only one of the two claws was found.",
        "Photograph both soles together, square from below.",
    ),
    ReasonKind(
        "sidecar_invalid",
        "refused",
        "The outline file {sidecar} cannot be used: {detail}.",
        "Mend or delete it; its format is described in docs/outline-files.md.",
    ),
    ReasonKind(
        "view_inferred", "note", "The view ({view}) was told from the picture.", "Name it in the manifest to be sure."
    ),
    ReasonKind(
        "other_view",
        "review",
        "The picture seems to show a {seen} view, not a {asked} view.",
        "Take the photo again as the guide shows for that view, or name the other view.",
    ),
    ReasonKind(
        "claw_assumed",
        "note",
        "The manifest does not say which claw the side view shows; outer was assumed.",
        "Put outer or inner in the manifest's claw column.",
    ),
    ReasonKind(
        "foot_unknown",
        "note",
        "The foot is not named, so the claws are called left and right as seen with the toes up.",
        "Put LF, RF, LH or RH in the manifest's foot column.",
    ),
    ReasonKind(
        "implausible",
        "review",
        "{measure} of the {claw} claw came out at {value:.0f} {unit}, outside what claws are.",
        "Check the outline and the card in the annotated picture.",
    ),
    ReasonKind(
        "imprecise",
        "review",
        "{measure} of the {claw} claw is known to within {uncertainty:.0f} mm only: too little to judge the claw by.",
        "Hold the scale card beside the claw and parallel to it, whole, clean and sharp, and take the picture again.",
    ),
    # --- the picture's quality
    ReasonKind(
        "blurred",
        "review",
        "The picture is blurred where it matters.",
        "Hold still, tap on the claw to focus, use more light, and take it again.",
    ),
    ReasonKind(
        "too_dark", "review", "The claw is too dark to see its edges.", "Use a lamp or turn the foot to the light."
    ),
    ReasonKind(
        "too_dark_to_see",
        "refused",
        "The picture is so dark that nothing can be found in it.",
        "Use a lamp or turn the foot to the light, and take the photo again.",
    ),
    ReasonKind(
        "too_bright", "review", "Parts of the claw are burnt out by light.", "Shade the claw or turn off the flash."
    ),
    ReasonKind(
        "claw_small",
        "review",
        "The claw is only {size_px:.0f} pixels long in the picture.",
        "Go nearer: foot and card together should fill the picture.",
    ),
    ReasonKind(
        "claw_hidden",
        "review",
        "Something hides part of the {claw} claw.",
        "Take hands, straw and straps off the claw.",
    ),
    ReasonKind(
        "dark",
        "note",
        "The picture is dark, but the claw's edges are seen.",
        "Use a lamp or turn the foot to the light: the edges then lie surer.",
    ),
    ReasonKind(
        "glare",
        "note",
        "Parts of the claw are burnt out by light, but its edges are seen.",
        "Shade the claw or turn off the flash: the edges then lie surer.",
    ),
    ReasonKind(
        "card_off_plane",
        "review",
        "The card does not seem to lie in the plane of the claw.",
        "Hold the card flat beside the claw, as the guide shows, and take the photo again.",
    ),
    ReasonKind(
        "card_turned",
        "review",
        "The card seems to be turned by some {turned:.0f}° against the claw: lengths would come out wrong.",
        "Hold the card's face in line with the claw's outside wall, and take the photo again.",
    ),
    ReasonKind(
        "reference_unconfirmed",
        "review",
        "A {reference} was found by its edges alone where nothing looks like one.",
        "Check its outline in the annotated picture. If it is none, take the photo again with the scale card.",
    ),
    # --- the program
    ReasonKind(
        "not_fetched",
        "refused",
        "The photo did not come from where it is kept: {detail}.",
        "Check the connection, and that you may read it there, and give the same command again.",
    ),
    ReasonKind(
        "took_too_long",
        "refused",
        "This photo was given up: {detail}.",
        "Save it smaller, or allow more time with --max-seconds.",
    ),
    ReasonKind(
        "out_of_memory",
        "refused",
        "There was not enough memory for this photo: {detail}.",
        "Save it smaller, work on fewer at a time with --jobs, or allow more with --max-memory-gb.",
    ),
    ReasonKind(
        "internal_error",
        "refused",
        "The program failed on this photo ({detail}).",
        "Please report it with the photo; the other photos are not affected.",
    ),
)

REASONS: dict[str, ReasonKind] = {kind.code: kind for kind in _KINDS}


def reason(code: str, **values: object) -> Reason:
    """Return the reason ``code`` with its wording filled in.

    Raises
    ------
    KeyError
        If the code is not in the table, or a value its wording needs is missing.
    """
    kind = REASONS[code]
    return Reason(code, kind.message.format(**values), kind.advice.format(**values), kind.effect)
