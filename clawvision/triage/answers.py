"""The answer to a sender, as short plain text: how soon, how sure, what to do meanwhile, what would tell more."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from clawvision.findings.book import packaged_rules
from clawvision.output.models import AssessmentRecord
from clawvision.output.wording import FOOT_WORDS
from clawvision.plain import wrapped
from clawvision.triage.journal import AnimalLine, Sender

# Common practice: care of an animal that waits for somebody to lift its foot. No drug, no dose, no cutting.
MEANWHILE = (
    "Keep the animal on soft, dry, even ground that does not slip, with water, feed and a place to lie near by, and do "
    "not drive it far.",
    "Do not trim, cut or grind the foot until somebody who knows the work has lifted it and looked: a photo shows "
    "neither how thin the sole is nor what hurts.",
)
NEVER_SOUND = "No photo shows that a foot is well. If the animal looks worse than this says, believe the animal."
_MOST_QUESTIONS = 3


def answer_text(sender: Sender, record: AssessmentRecord, lines: Sequence[AnimalLine]) -> str:
    """Return the answer about all animals of a sender, the most urgent first.

    Parameters
    ----------
    sender
        Who sent the photos.
    record
        The assessment of them.
    lines
        The sender's lines of the list of work.
    """
    parts = [wrapped(f"To {sender.name}: {_received(record)}")]
    for line in lines:
        parts += ["", *_about(line, record)]
    parts += ["", "Until somebody comes", *(wrapped(text, "- ", "  ") for text in (*MEANWHILE, *_at_once()))]
    if sender.notes:
        parts += ["", "Please note", *(wrapped(note, "- ", "  ") for note in sender.notes)]
    return "\n".join(parts) + "\n"


def _received(record: AssessmentRecord) -> str:
    count = Counter(photo.status for photo in record.photos)
    return (
        f"photos received: {len(record.photos)}. Measured: {count['measured']}, measured but in need of a look: "
        f"{count['review']}, not usable: {count['refused']}."
    )


def _about(line: AnimalLine, record: AssessmentRecord) -> Iterator[str]:
    yield wrapped(f"{line.animal}: {line.text}")
    for foot in line.feet:
        name = FOOT_WORDS.get(foot.foot or "", "foot not named")
        yield wrapped(f"{name}: {' '.join((foot.text, *_said(foot.reasons)))}", "- ", "  ")
    if any(foot.trim.veterinarian for foot in record.feet if foot.animal == line.animal):
        yield from (wrapped(text, "- ", "  ") for text in _veterinarian_first())
    yield wrapped(f"How sure: {_how_sure(line, record)} {NEVER_SOUND}")
    if line.to_look_at:
        yield "Photos to take again:"
        for photo in line.to_look_at:
            yield wrapped(f"{photo.photo}: {' '.join(photo.why)}", "- ", "  ")
    if line.ask:
        yield "Please answer first:"
        for number, text in enumerate(line.ask[:_MOST_QUESTIONS], 1):
            yield wrapped(text, f"{number}. ", "   ")


def _said(reasons: Sequence[str]) -> Iterator[str]:
    """Return the reasons without the long list of what could not be told, which is for the person on duty."""
    start = packaged_rules().say["open"].split("{")[0]
    return (each for each in reasons if not each.startswith(start))


def _how_sure(line: AnimalLine, record: AssessmentRecord) -> str:
    photos = [photo for photo in record.photos if photo.animal == line.animal]
    good = sum(photo.status == "measured" for photo in photos)
    words = [f"this rests on {good} measured of {len(photos)} photos."]
    if not good:
        words.append("None could be measured surely, so a person has to look at them.")
    if line.at_least:
        words.append("It may be more urgent than said here, since the gait is not known.")
    return " ".join(words)


def _veterinarian_first() -> Iterator[str]:
    return (row.text for row in packaged_rules().trim if "veterinarian" in row.when)


def _at_once() -> Iterator[str]:
    """Return when to call a veterinarian at once, and what is for those whom the law allows."""
    return (row.text for row in packaged_rules().caution if "veterinarian" in row.when)
