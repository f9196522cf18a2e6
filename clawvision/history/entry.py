"""From an assessment to what a store keeps of it: rows, and the keys by which they are known again. Pure.

A photo's *subject* is its file's hash. Its *key* is a hash of all that is kept of it and of what it was measured with;
so the same photo with the same row and the same settings has one key, whoever adds it, and any change makes another.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from operator import itemgetter
from typing import Any, Protocol

from pydantic_core import PydanticSerializationError, to_json

from clawvision.errors import UsageError
from clawvision.history.schema import FOOT, LIMITS
from clawvision.output.models import AssessmentRecord, FootRecord, MeasureRecord, PhotoRecord, Pixel, Record, RunInfo
from clawvision.output.paths import is_absolute
from clawvision.plain import plain

Row = tuple[Any, ...]
Columns = Sequence[Sequence[float]]
"""An outline as all x, then all y: written and checked in a third of the time that pairs take."""

PHOTO_COLUMNS = (
    "name",
    "sha256",
    "animal",
    "foot",
    "view",
    "claw",
    "claw_asked",
    "stage",
    "taken",
    "day",
    "trimmed",
    "locomotion",
    "signs",
    "profile",
    "status",
    "reasons",
    "camera_make",
    "camera_model",
    "asked",
)
CLAW_COLUMNS = ("claw", "confidence", "source", "outline_mm", "landmarks_mm")
MEASURE_COLUMNS = ("claw", "measure", "value", "uncertainty", "unit", "reason", "flags", "budget")
FOOT_COLUMNS = ("animal", "foot", "stage", "day", "profile", "level", "urgency", "findings")
PROVENANCE_COLUMNS = ("software", "parameters_sha256", "parameters", "model_sha256")

_NO_BEARING = ("csv_delimiter", "csv_decimal")
"""Settings of a run that change how its table is written and nothing else."""
_USUAL = {"engine": "opencv"}
"""Settings that came later, with the value that stands for what was done before: photos' keys stay as they were."""
_NEVER = "0001-01-01T00:00:00+00:00"
"""The time of a run that does not tell its own: any other supersedes it."""


class ClawLike(Protocol):
    """What is kept of a claw, from an assessment or from an exported file."""

    @property
    def confidence(self) -> float: ...
    @property
    def source(self) -> str: ...
    @property
    def landmarks_mm(self) -> Mapping[str, Pixel]: ...
    @property
    def measures(self) -> Mapping[str, MeasureRecord]: ...


@dataclass(frozen=True, slots=True)
class Provenance:
    """With what photos were measured; ``row`` is as PROVENANCE_COLUMNS."""

    key: str
    row: Row


@dataclass(frozen=True, slots=True)
class PhotoEntry:
    """A photo to be stored; its rows without the photo's number, as the COLUMNS above."""

    key: str
    subject: str
    assessed: str
    provenance: Provenance
    photo: Row
    claws: tuple[Row, ...]
    measures: tuple[Row, ...]

    @property
    def refused(self) -> bool:
        return bool(self.photo[PHOTO_COLUMNS.index("status")] == "refused")


@dataclass(frozen=True, slots=True)
class FootEntry:
    """What was found on a foot, with the keys of the photos that it rests on."""

    key: str
    subject: str
    assessed: str
    provenance: Provenance
    foot: Row
    photos: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Entries:
    """All that is kept of an assessment."""

    photos: tuple[PhotoEntry, ...]
    feet: tuple[FootEntry, ...]


class Unfit(ValueError):
    """A value that a store does not take; says which and why."""


def entries(record: AssessmentRecord, file: str = "The assessment") -> Entries:
    """Return what a store keeps of an assessment.

    Parameters
    ----------
    record
        The assessment.
    file
        Its name, for messages.

    Raises
    ------
    UsageError
        If a text is too long or no text, or a foot rests on photos that are not in it. Names the place.
    """
    place = "run"
    try:
        made = provenance(record.run)
        assessed = moment(record.run.finished)
        named = record.run.parameters.get("profile")
        profile = named if isinstance(named, str) else None
        photos = []
        for number, photo in enumerate(record.photos):
            place = f"photos.{number}"
            photos.append(photo_entry(photo, profile, made, assessed))
        keys = {photo.photo: entry.key for photo, entry in zip(record.photos, photos, strict=True)}
        feet = []
        for number, foot in enumerate(record.feet):
            place = f"feet.{number}"
            feet.append(_foot_of(foot, keys, made, assessed))
    except Unfit as error:
        message = f"{file} cannot be stored (key '{place}': {error})."
        raise UsageError(message, "Correct it; nothing of it was stored.") from None
    return Entries(tuple(photos), tuple(feet))


def provenance(run: RunInfo) -> Provenance:
    """Return what a run's photos were measured with. What only bears on how its table looks is left out."""
    settings = {
        name: value
        for name, value in sorted(run.parameters.items())
        if name not in _NO_BEARING and _USUAL.get(name) != value
    }
    parameters = as_json(settings, "parameters")
    return provenance_of((fit(run.version, "version"), _hash(parameters), parameters, run.model_sha256))


def provenance_of(row: Row) -> Provenance:
    """Return provenance by its row."""
    return Provenance(_hash(as_json(row, "provenance")), row)


def photo_entry(photo: PhotoRecord, profile: str | None, made: Provenance, assessed: str) -> PhotoEntry:
    """Return what is kept of a photo. ``profile`` is the run's, for a photo whose row names none."""
    asked, exif = photo.asked, photo.exif
    row = (
        photo.photo,
        photo.sha256,
        photo.animal,
        photo.foot,
        photo.view,
        photo.claw,
        asked.claw,
        photo.stage,
        photo.taken,
        day_of(photo.taken),
        None if asked.trimmed is None else asked.trimmed.isoformat(),
        asked.locomotion,
        as_json(asked.signs, "signs"),
        asked.profile or profile,
        photo.status,
        records_json(photo.reasons, "reasons"),
        None if exif is None else exif.make,
        None if exif is None else exif.model,
        record_json(asked, "asked"),
    )
    outlines = {
        name: None if claw.outline_mm is None else tuple(zip(*claw.outline_mm, strict=True)) or ((), ())
        for name, claw in photo.claws.items()
    }
    return entry(row, photo.claws, outlines, photo.foot_measures, made, assessed)


def entry(
    row: Row,
    claws: Mapping[Any, ClawLike],
    outlines: Mapping[Any, Columns | None],
    foot_measures: Mapping[str, MeasureRecord],
    made: Provenance,
    assessed: str,
) -> PhotoEntry:
    """Return a photo's entry from its row (as PHOTO_COLUMNS), its claws, their outlines, the measures of both claws.

    Raises
    ------
    Unfit
        If a value is none that a store takes.
    """
    name, sha256, animal, foot, stage, taken = (row[index] for index in (0, 1, 2, 3, 7, 8))
    if is_absolute(fit(name, "name") or ""):
        raise Unfit("the photo's name is an absolute path")
    fit(animal, "animal")
    fit(taken, "taken")
    fit(row[13], "profile")
    fit(row[16], "camera")
    fit(row[17], "camera")
    if row[11] is not None and not 1 <= row[11] <= 5:
        raise Unfit(f"a locomotion score of {row[11]} is not between 1 and 5")
    # A file that could not be read has no hash; it is known by its name and what its row says.
    subject = sha256 or _hash(as_json(("no file", name, animal, foot, stage, taken), "name"))
    kept = tuple(
        (
            which,
            claw.confidence + 0.0,
            claw.source,
            None if outlines[which] is None else as_json(outlines[which], "outline_mm"),
            as_json(claw.landmarks_mm, "landmarks_mm"),
        )
        for which, claw in sorted(claws.items())
    )
    measures = [line for which, claw in claws.items() for line in _measures(which, claw.measures)]
    measures += _measures(FOOT, foot_measures)
    measures.sort(key=itemgetter(0, 1))  # a store keeps them in this order
    # The long texts stand on lines of their own: JSON as written here has no line ends in it.
    short = as_json((subject, made.key, row, [each[:3] for each in kept], [each[:-1] for each in measures]), "photo")
    key = _hash(
        "\n".join([short, *(str(text) for each in kept for text in each[3:]), *(each[-1] for each in measures)])
    )
    return PhotoEntry(key, subject, assessed, made, row, kept, tuple(measures))


def _measures(claw: str, measures: Mapping[str, MeasureRecord]) -> Iterator[Row]:
    for name, measure in measures.items():
        if len(name) > LIMITS["measure"] or "\0" in name:
            fit(name, "measure")
        reason = measure.reason
        if reason is not None:
            fit(reason, "reason")
        value, uncertainty = measure.value, measure.uncertainty
        yield (
            claw,
            name,
            # Adding 0.0 turns -0.0, which SQLite does not keep, into 0.0.
            None if value is None else value + 0.0,
            None if uncertainty is None else uncertainty + 0.0,
            measure.unit,
            reason,
            as_json(measure.flags, "flags") if measure.flags else "[]",
            to_json(measure.budget).decode(),
        )


def _foot_of(foot: FootRecord, keys: Mapping[str, str], made: Provenance, assessed: str) -> FootEntry:
    lost = [name for name in foot.photos if name not in keys]
    if lost:
        raise Unfit(f"it rests on {plain(lost[0][:80])}, which is not among the photos")
    row = (
        foot.animal,
        foot.foot,
        foot.stage,
        day_of(foot.date),
        foot.profile,
        foot.urgency.level,
        record_json(foot.urgency, "urgency"),
        records_json(foot.findings, "findings"),
    )
    return foot_entry(row, [keys[name] for name in foot.photos], made, assessed)


def foot_entry(row: Row, photos: Sequence[str], made: Provenance, assessed: str) -> FootEntry:
    """Return a foot's entry from its row (as FOOT_COLUMNS) and the keys of its photos."""
    fit(row[0], "animal")
    fit(row[4], "profile")
    subject = _hash(as_json(row[:4], "foot"))
    ordered = tuple(sorted(set(photos)))
    return FootEntry(_hash(as_json((subject, made.key, row, ordered), "foot")), subject, assessed, made, row, ordered)


def fit(value: str | None, kind: str) -> str | None:
    """Return a text that a store takes.

    Raises
    ------
    Unfit
        If it is too long, or holds a character that a database does not keep.
    """
    if value is None:
        return None
    if len(value) > LIMITS[kind]:
        raise Unfit(f"the {kind} is longer than {LIMITS[kind]} characters")
    if "\0" in value:
        raise Unfit(f"the {kind} holds the character NUL")
    return value


def as_json(value: Any, kind: str) -> str:
    """Return a value as the JSON text that is stored.

    Raises
    ------
    Unfit
        If it has no text form or is too long.
    """
    try:
        text = to_json(value, inf_nan_mode="constants").decode("utf-8")
    except (PydanticSerializationError, UnicodeError) as error:
        raise Unfit(f"{kind} cannot be written as text") from error
    if len(text) > LIMITS["json"]:
        raise Unfit(f"{kind} is longer than {LIMITS['json']} characters")
    return text


def record_json(record: Record, kind: str) -> str:
    """Return a record as JSON text without what is as usual: a name that a later version adds must change no key.

    Raises
    ------
    Unfit
        If it is too long.
    """
    try:
        text = record.model_dump_json(exclude_defaults=True, by_alias=True)
    except PydanticSerializationError as error:
        raise Unfit(f"{kind} cannot be written as text") from error
    if len(text) > LIMITS["json"]:
        raise Unfit(f"{kind} is longer than {LIMITS['json']} characters")
    return text


def records_json(records: Sequence[Record], kind: str) -> str:
    """Return records as a JSON list, each as `record_json` does."""
    return f"[{','.join(record_json(record, kind) for record in records)}]"


def day_of(taken: str | None) -> str | None:
    """Return the day of an ISO 8601 time, None where there is none that can be read."""
    try:
        return date.fromisoformat(taken[:10]).isoformat() if taken else None
    except ValueError:
        return None


def moment(when: str) -> str:
    """Return an ISO 8601 time in UTC, so that later ones sort later; a time long ago where it is none."""
    try:
        time = datetime.fromisoformat(when)
        time = time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)
        return time.isoformat(timespec="seconds")
    except (ValueError, OverflowError):
        return _NEVER


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
