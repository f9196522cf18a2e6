"""What reading a store returns. Needs no extra package.

Only current versions of photos are read: of each photo the one that was assessed last.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from clawvision.output.models import FindingRecord, UrgencyRecord
from clawvision.types import ClawName, Foot, Stage, Status, View


@dataclass(frozen=True, slots=True)
class Counts:
    """What adding came to, in photos.

    ``new`` were not there before. ``superseded`` were, with another row or other settings, and are read as they are
    now. ``known`` were there exactly so. ``outdated`` are kept, but a later assessment of the photo was there already.
    ``refused`` of the new and superseded ones could not be measured; they are kept too.
    """

    new: int = 0
    known: int = 0
    superseded: int = 0
    outdated: int = 0
    refused: int = 0
    feet: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(
            self.new + other.new,
            self.known + other.known,
            self.superseded + other.superseded,
            self.outdated + other.outdated,
            self.refused + other.refused,
            self.feet + other.feet,
        )


@dataclass(frozen=True, slots=True)
class StoredMeasure:
    """One measure of one photo. ``claw`` is None for a measure of both claws; uncertainty is expanded (k = 2)."""

    animal: str
    foot: Foot | None
    claw: ClawName | None
    day: date | None
    stage: Stage
    measure: str
    value: float | None
    uncertainty: float | None
    unit: str
    reason: str | None
    flags: tuple[str, ...]
    budget: Mapping[str, float]
    view: View | None
    status: Status
    photo: str
    sha256: str | None
    trimmed: date | None
    locomotion: int | None
    signs: tuple[str, ...]
    profile: str | None


@dataclass(frozen=True, slots=True)
class ToeLength:
    """A toe length of a named claw on a known day, from a photo that was not refused.

    ``status`` is ``review`` where a person has to look first. ``profile`` is named by the photo's row, or else the run.
    """

    animal: str
    foot: Foot
    claw: ClawName
    day: date
    value: float
    uncertainty: float
    stage: Stage
    status: Status
    trimmed: date | None
    profile: str | None


@dataclass(frozen=True, slots=True)
class StoredAnimal:
    """What there is of an animal: photos (refused ones too), feet that were named, first and last day."""

    animal: str
    photos: int
    feet: int
    first: date | None
    last: date | None


@dataclass(frozen=True, slots=True)
class StoredFinding:
    """What an assessment found on a foot at one stage and day, and with which version of the program."""

    animal: str
    foot: Foot | None
    stage: Stage
    day: date | None
    profile: str
    urgency: UrgencyRecord
    findings: tuple[FindingRecord, ...]
    software: str
