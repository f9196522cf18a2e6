"""An assessment of one sender's photos, made into the lines of the list of work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from clawvision.findings.book import packaged_rules
from clawvision.output.explanation import feet_of
from clawvision.output.models import AnimalRecord, AssessmentRecord, FootRecord, PhotoRecord, UrgencyLevel
from clawvision.triage.journal import AnimalLine, FootLine, PhotoToSee

ORDER: tuple[UrgencyLevel, ...] = (
    "today",
    "within 48 hours",
    "this week",
    "unknown",
    "at the next trim",
    "no sign in the photo",
)
"""The most urgent first. Nobody knows how urgent an unknown foot is: somebody looks at its photos before feet that can
wait for the next trim (status J)."""


def animal_lines(
    record: AssessmentRecord, sender: str, came: Mapping[str, str], pictures: Mapping[str, str], answer: str
) -> tuple[AnimalLine, ...]:
    """Return a line for each animal, the most urgent first.

    Parameters
    ----------
    record
        The assessment.
    sender
        Who sent the photos.
    came
        When each photo came, by its name.
    pictures
        Each photo's annotated picture, by its name.
    answer
        The file of the answer.
    """
    lines = [_animal(record, each, sender, came, pictures, answer) for each in record.animals]
    return tuple(sorted(lines, key=place))


def place(line: AnimalLine) -> tuple[int, str, str, str]:
    """Return where a line stands: by level, then what has waited longest."""
    return ORDER.index(line.level), line.came, line.sender, line.animal


def gait_known(record: AssessmentRecord, animal: str) -> bool:
    """Return whether somebody scored an animal's gait."""
    return any(photo.asked.locomotion is not None for photo in record.photos if photo.animal == animal)


def _animal(
    record: AssessmentRecord,
    animal: AnimalRecord,
    sender: str,
    came: Mapping[str, str],
    pictures: Mapping[str, str],
    answer: str,
) -> AnimalLine:
    photos = [photo for photo in record.photos if photo.animal == animal.animal]
    feet = sorted(feet_of(record, animal.animal), key=lambda foot: ORDER.index(foot.urgency.level))
    # What the feet show together may be more urgent than each of them, and the other way round where one is not known.
    first = min((animal.urgency, *(foot.urgency for foot in feet)), key=lambda each: ORDER.index(each.level))
    return AnimalLine(
        sender=sender,
        animal=animal.animal,
        level=first.level,
        at_least=first.at_least,
        text=first.text,
        reasons=first.reasons,
        came=min((came[photo.photo] for photo in photos if photo.photo in came), default=""),
        feet=tuple(_foot(foot) for foot in feet),
        to_look_at=tuple(_to_see(photo, pictures) for photo in photos if photo.status != "measured"),
        ask=_questions(record, animal),
        answer=answer,
    )


def _foot(foot: FootRecord) -> FootLine:
    return FootLine(
        foot=foot.foot,
        date=foot.date,
        level=foot.urgency.level,
        at_least=foot.urgency.at_least,
        text=foot.urgency.text,
        reasons=foot.urgency.reasons,
        photos=foot.photos,
    )


def _to_see(photo: PhotoRecord, pictures: Mapping[str, str]) -> PhotoToSee:
    assert photo.status != "measured"
    why = tuple(f"{each.message} {each.advice}" for each in photo.reasons if each.effect != "note")
    return PhotoToSee(photo=photo.photo, status=photo.status, picture=pictures.get(photo.photo), why=why)


def _questions(record: AssessmentRecord, animal: AnimalRecord) -> tuple[str, ...]:
    """Return what is worth asking; the gait wherever it is not known, even if it could change nothing any more."""
    asked: Sequence[str] = [each.text for each in animal.urgency.questions]
    if not gait_known(record, animal.animal):
        gait = next(row.text for row in packaged_rules().question if row.unknown == "gait")
        asked = [gait, *(text for text in asked if text != gait)]
    return tuple(asked)
