"""What has been taken from the inbox, kept so that nothing is done twice, whatever ends the program."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, AliasChoices, Field, ValidationError

from clawvision.errors import UsageError
from clawvision.output.atomic import write_atomic
from clawvision.output.models import Record, UrgencyLevel
from clawvision.output.record import dumps
from clawvision.plain import plain
from clawvision.regular import read_regular

JOURNAL = "triage.json"
SCHEMA_NAME: Literal["clawvision/triage/1"] = "clawvision/triage/1"
MAX_JOURNAL_BYTES = 256_000_000
"""Some hundred thousand photos."""


def _part(name: str) -> str:
    """Return a name that stays in its folder: an output folder may come from anybody, its journal with it."""
    if name in (".", "..") or not name.isprintable() or set(name) & set("/\\:"):
        raise ValueError("a name of a file that leads nowhere else is needed")
    return name


def _inside(place: str) -> str:
    if place.startswith("/") or ".." in place.split("/"):
        raise ValueError("a place in the inbox is needed")
    return place


def _moment(text: str) -> str:
    if datetime.fromisoformat(text).tzinfo is None:
        raise ValueError("a time with its offset is needed")
    return text


FilePart = Annotated[str, AfterValidator(_part)]
InboxPlace = Annotated[str, AfterValidator(_inside)]
Moment = Annotated[str, AfterValidator(_moment)]


class TakenPhoto(Record):
    """A photo that was taken from the inbox. ``file`` is the copy that is measured, below the sender's folder."""

    name: str
    """As it is told in records and answers; a second photo of the same file name has a number in it."""
    source: InboxPlace
    """Its name in the inbox."""
    sha256: str
    """Of the file as it arrived, by which it is known again. The copy holds less, and so has another one."""
    size: int
    mtime_ns: int
    came: str
    """When it was first seen, UTC."""
    file: FilePart
    readable: bool
    """False for one that was given up: not to be decoded, and so perhaps not whole."""
    notes: tuple[str, ...] = ()
    """What is to be said of the file that arrived and cannot be seen from the copy."""
    bare: bool = False
    """Whether the copy holds nothing but its picture and what measuring needs; earlier versions kept all."""


class PhotoToSee(Record):
    """A photo that the program cannot use, or not without a person. ``picture`` is relative to the output folder."""

    photo: str
    status: Literal["review", "refused"]
    picture: str | None
    why: tuple[str, ...]


class FootLine(Record):
    """A foot of the list of work."""

    foot: str | None
    date: str | None
    level: UrgencyLevel
    at_least: bool
    text: str
    reasons: tuple[str, ...]
    photos: tuple[str, ...]


class AnimalLine(Record):
    """An animal of the list of work: how soon, why, and what there is to look at."""

    sender: str
    animal: str
    level: UrgencyLevel
    at_least: bool
    text: str
    reasons: tuple[str, ...]
    came: str
    """When the first of its photos was seen, UTC."""
    feet: tuple[FootLine, ...]
    to_look_at: tuple[PhotoToSee, ...]
    ask: tuple[str, ...]
    answer: str
    """The answer's file, relative to the output folder."""


class Sender(Record):
    """What is known of a sender. ``folder`` is its name below ``senders`` and that of its answer."""

    name: str
    folder: Annotated[FilePart, Field(min_length=1)]
    photos: tuple[TakenPhoto, ...] = ()
    context: str = ""
    """A hash of the table, the outline files and the settings that the last assessment was made with."""
    open: bool = False
    """True from when something was taken until the assessment, the list and the answer have it."""
    notes: tuple[str, ...] = ()
    animals: tuple[AnimalLine, ...] = ()


class Waiting(Record):
    """A file that cannot be read as a picture yet, perhaps since it is still being copied."""

    sender: str
    source: InboxPlace
    since: Moment
    """When it was first found so, UTC."""
    why: str


class Journal(Record):
    """The whole journal, as it stands in ``triage.json``."""

    schema_name: Literal["clawvision/triage/1"] = Field(
        default=SCHEMA_NAME, validation_alias=AliasChoices("schema", "schema_name"), serialization_alias="schema"
    )
    senders: tuple[Sender, ...] = ()
    waiting: tuple[Waiting, ...] = ()


def read_journal(out: Path) -> Journal:
    """Return the journal of an output folder; an empty one where there is none yet.

    Raises
    ------
    UsageError
        If there is one that cannot be read: to begin anew would take every photo twice.
    """
    path = out / JOURNAL
    try:
        data = read_regular(path, MAX_JOURNAL_BYTES)
        if len(data) > MAX_JOURNAL_BYTES:
            raise OSError("too large")
        return Journal.model_validate_json(data)
    except FileNotFoundError:
        return Journal()
    except (OSError, ValidationError):
        raise UsageError(
            f"{plain(path)} cannot be read as the journal of an inbox.",
            "Name another folder with --out, or move the file away to take every photo anew.",
        ) from None


def write_journal(out: Path, journal: Journal) -> None:
    """Write the journal, whole or not at all.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    write_atomic(out / JOURNAL, dumps(journal))
