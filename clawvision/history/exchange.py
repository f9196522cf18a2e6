"""A whole store as one file, and back: gzip, one JSON value a line.

First a line that says what the file is, then what photos were measured with, the photos in the order in which they were
stored, what was found on feet, and a line that counts them, by which a file that was cut off is known. Every line bears
its key, a hash of its content, and is refused where it is not that.
"""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from multiprocessing import get_context
from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeVar

from pydantic import AfterValidator, Field, ValidationError
from pydantic_core import from_json, to_json
from sqlalchemy import Connection, func, select

from clawvision.errors import UsageError
from clawvision.history.entry import (
    CLAW_COLUMNS,
    FOOT_COLUMNS,
    MEASURE_COLUMNS,
    PHOTO_COLUMNS,
    PROVENANCE_COLUMNS,
    Entries,
    FootEntry,
    PhotoEntry,
    Provenance,
    Unfit,
    as_json,
    entry,
    foot_entry,
    moment,
    provenance_of,
    record_json,
    records_json,
)
from clawvision.history.rows import Counts
from clawvision.history.schema import (
    CLAW,
    FOOT,
    FOOT_ASSESSMENT,
    FOOT_PHOTO,
    HEAD,
    MEASURE,
    PHOTO,
    PROVENANCE,
)
from clawvision.history.store import MOST_PHOTOS, Store, add_entries
from clawvision.output.atomic import atomic_file
from clawvision.output.models import (
    AskedRecord,
    FindingRecord,
    MeasureRecord,
    PhotoName,
    Pixel,
    PlainJson,
    ReasonRecord,
    Record,
    UrgencyRecord,
)
from clawvision.plain import plain
from clawvision.types import ClawName, Foot, Sign, Stage, Status, View

_Keyed = TypeVar("_Keyed", Provenance, PhotoEntry, FootEntry)

FORMAT: Final = "clawvision/history/1"
MAX_LINE: Final = 16_000_000
"""Bytes of a line; the largest that the program writes are a thousandth of that."""
MAX_RATIO: Final = 400
"""A file that unpacks to more than so many times its size, and FREE_BYTES, is no export but a trap."""
FREE_BYTES: Final = 64_000_000

_CHUNK = 100
_LEVEL = 4
_REMEDY = "Name a file that clawvision history export wrote."


def _moment(text: str) -> str:
    if moment(text) != text:
        raise ValueError("not a time in UTC as it is stored")
    return text


Sha256 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
Moment = Annotated[str, AfterValidator(_moment)]


class HeadLine(Record):
    """The first line."""

    format: Literal["clawvision/history/1"]
    tables: str
    photos: int
    feet: int


class EndLine(Record):
    """The last line: how many lines came before it."""

    lines: int


class ProvenanceLine(Record):
    """With what photos were measured."""

    key: Sha256
    software: str
    parameters_sha256: Sha256
    parameters: dict[str, PlainJson]
    model_sha256: Sha256 | None


class ClawLine(Record):
    """A claw of a photo."""

    confidence: Annotated[float, Field(ge=0, le=1)]
    source: Literal["automatic", "sidecar"]
    outline_mm: tuple[list[float], list[float]] | None
    landmarks_mm: dict[str, Pixel]
    measures: dict[str, MeasureRecord]


class PhotoLine(Record):
    """A version of a photo, with all that is kept of it."""

    key: Sha256
    assessed: Moment
    provenance: Sha256
    name: PhotoName
    sha256: Sha256 | None
    animal: str
    foot: Foot | None
    view: View | None
    claw: ClawName | None
    claw_asked: ClawName | None
    stage: Stage
    taken: str | None
    day: date | None
    trimmed: date | None
    locomotion: int | None
    signs: tuple[Sign, ...]
    profile: str | None
    status: Status
    reasons: tuple[ReasonRecord, ...]
    camera_make: str | None
    camera_model: str | None
    asked: AskedRecord
    claws: dict[ClawName, ClawLine]
    foot_measures: dict[str, MeasureRecord]


class FootLine(Record):
    """What was found on a foot."""

    key: Sha256
    assessed: Moment
    provenance: Sha256
    animal: str
    foot: Foot | None
    stage: Stage
    day: date | None
    profile: str
    level: str
    urgency: UrgencyRecord
    findings: tuple[FindingRecord, ...]
    photos: tuple[Sha256, ...]


class Line(Record):
    """Any line; exactly one of these is there."""

    head: HeadLine | None = None
    provenance: ProvenanceLine | None = None
    photo: PhotoLine | None = None
    foot: FootLine | None = None
    end: EndLine | None = None


@dataclass(frozen=True, slots=True)
class Exported:
    """How much a file holds."""

    photos: int
    feet: int


def export_store(store: Store, file: Path) -> Exported:
    """Write the whole store to a file, as it is at one moment. Equal stores give equal files.

    Raises
    ------
    UsageError
        If the store cannot be read.
    OutputError
        If the file cannot be written; an older one is left as it was then.
    """
    with store.reading() as connection:
        photos, feet = (
            int(connection.execute(select(func.count()).select_from(table)).scalar_one())
            for table in (PHOTO, FOOT_ASSESSMENT)
        )
        with (
            atomic_file(file) as raw,
            gzip.GzipFile(filename="", mode="wb", fileobj=raw, compresslevel=_LEVEL, mtime=0) as stream,
        ):
            count = 1
            stream.write(_line("head", {"format": FORMAT, "tables": HEAD, "photos": photos, "feet": feet}))
            for line in _lines(connection):
                stream.write(line)
                count += 1
            stream.write(_line("end", {"lines": count}))
    return Exported(photos, feet)


def _line(kind: str, value: object) -> bytes:
    return to_json({kind: value}) + b"\n"


def _lines(connection: Connection) -> Iterator[bytes]:
    made: dict[int, str] = {}
    for row in connection.execute(select(PROVENANCE).order_by(PROVENANCE.c.id)).mappings():
        made[row["id"]] = row["key"]
        told = {name: row[name] for name in ("key", *PROVENANCE_COLUMNS)}
        yield _line("provenance", told | {"parameters": from_json(row["parameters"])})
    for start in _starts(connection, PHOTO):
        yield from _photo_lines(connection, start, made)
    for start in _starts(connection, FOOT_ASSESSMENT):
        yield from _foot_lines(connection, start, made)


def _starts(connection: Connection, table: Any) -> range:
    last = connection.execute(select(func.coalesce(func.max(table.c.id), 0))).scalar_one()
    return range(1, int(last) + 1, MOST_PHOTOS)


def _photo_lines(connection: Connection, start: int, made: Mapping[int, str]) -> Iterator[bytes]:
    end = start + MOST_PHOTOS - 1
    claws: dict[int, dict[str, dict[str, Any]]] = {}
    measures: dict[tuple[int, str], dict[str, Any]] = {}
    wanted = select(CLAW.c.photo_id, *(CLAW.c[name] for name in CLAW_COLUMNS))
    wanted = wanted.where(CLAW.c.photo_id.between(start, end)).order_by(CLAW.c.photo_id, CLAW.c.claw)
    for number, name, confidence, source, outline, landmarks in connection.execute(wanted):
        claws.setdefault(number, {})[name] = {
            "confidence": confidence,
            "source": source,
            "outline_mm": None if outline is None else from_json(outline),
            "landmarks_mm": from_json(landmarks),
            "measures": measures.setdefault((number, name), {}),
        }
    wanted = select(MEASURE.c.photo_id, *(MEASURE.c[name] for name in MEASURE_COLUMNS)).where(
        MEASURE.c.photo_id.between(start, end)
    )
    wanted = wanted.order_by(MEASURE.c.photo_id, MEASURE.c.claw, MEASURE.c.measure)
    for number, claw, name, value, uncertainty, unit, reason, flags, budget in connection.execute(wanted):
        measures.setdefault((number, claw), {})[name] = {
            "value": value,
            "uncertainty": uncertainty,
            "unit": unit,
            "budget": from_json(budget),
            "flags": from_json(flags),
            "reason": reason,
        }
    wanted = select(PHOTO).where(PHOTO.c.id.between(start, end)).order_by(PHOTO.c.id)
    for row in connection.execute(wanted).mappings():
        told = {name: row[name] for name in ("key", "assessed", *PHOTO_COLUMNS)}
        for name in ("signs", "reasons", "asked"):
            told[name] = from_json(row[name])
        yield _line(
            "photo",
            told
            | {
                "provenance": made[row["provenance_id"]],
                "claws": claws.get(row["id"], {}),
                "foot_measures": measures.get((row["id"], FOOT), {}),
            },
        )


def _foot_lines(connection: Connection, start: int, made: Mapping[int, str]) -> Iterator[bytes]:
    end = start + MOST_PHOTOS - 1
    photos: dict[int, list[str]] = {}
    links = (
        select(FOOT_PHOTO.c.foot_id, PHOTO.c.key)
        .join_from(FOOT_PHOTO, PHOTO, PHOTO.c.id == FOOT_PHOTO.c.photo_id)
        .where(FOOT_PHOTO.c.foot_id.between(start, end))
        .order_by(FOOT_PHOTO.c.foot_id, FOOT_PHOTO.c.photo_id)
    )
    for number, key in connection.execute(links):
        photos.setdefault(number, []).append(key)
    wanted = select(FOOT_ASSESSMENT).where(FOOT_ASSESSMENT.c.id.between(start, end)).order_by(FOOT_ASSESSMENT.c.id)
    for row in connection.execute(wanted).mappings():
        told = {name: row[name] for name in ("key", "assessed", *FOOT_COLUMNS)}
        for name in ("urgency", "findings"):
            told[name] = from_json(row[name])
        yield _line("foot", told | {"provenance": made[row["provenance_id"]], "photos": photos.get(row["id"], [])})


@dataclass(frozen=True, slots=True)
class _Chunk:
    """Some lines of a file, with the number of the first and what was measured with what so far."""

    first: int
    lines: tuple[bytes, ...]
    made: Mapping[str, Provenance]


@dataclass(frozen=True, slots=True)
class _Read:
    """What lines come to: photos and feet in their order, then the first line that is wrong, and why."""

    entries: tuple[PhotoEntry | FootEntry, ...]
    wrong: str | None = None


def import_store(store: Store, file: Path, *, jobs: int = 1) -> Counts:
    """Add all that an exported file holds; what is there already is left as it is.

    Parameters
    ----------
    store
        Opened to write.
    file
        As `export_store` writes it.
    jobs
        Processes that check lines while this one stores them; with 1 this one does both.

    Raises
    ------
    UsageError
        If the file is no such file, is of a newer version, too large, damaged or cut off. Names the line; what came
        before it is stored then.
    OutputError
        If the store cannot be written. The same call again goes on.
    """
    reader = _Reader(file)
    counts, waiting = Counts(), _Waiting()
    with _checking(jobs) as check:
        for read in check(reader.chunks()):
            waiting.take(read.entries)
            if read.wrong is not None:
                counts += waiting.store(store)
                raise _refusal(file, read.wrong, counts)
            if waiting.enough:
                counts += waiting.store(store)
    counts += waiting.store(store)
    if reader.wrong is not None:
        raise _refusal(file, reader.wrong, counts)
    return counts


def _refusal(file: Path, wrong: str, counts: Counts) -> UsageError:
    stored = counts.new + counts.superseded + counts.outdated
    before = f" The {stored} photos before it are stored." if stored else " Nothing was stored."
    return UsageError(f"{file}, {wrong}.{before}", _REMEDY)


class _Waiting:
    """Entries that were read and are not stored yet."""

    def __init__(self) -> None:
        self._photos: list[PhotoEntry] = []
        self._feet: list[FootEntry] = []

    @property
    def enough(self) -> bool:
        return len(self._photos) >= MOST_PHOTOS or len(self._feet) >= MOST_PHOTOS

    def take(self, entries: Iterable[PhotoEntry | FootEntry]) -> None:
        for each in entries:
            if isinstance(each, PhotoEntry):
                self._photos.append(each)
            else:
                self._feet.append(each)

    def store(self, store: Store) -> Counts:
        counts = add_entries(store, Entries(tuple(self._photos), tuple(self._feet)))
        self._photos, self._feet = [], []
        return counts


class _Reader:
    """Unpacks a file and gives its lines in chunks. ``wrong`` tells afterwards what is wrong with the file itself."""

    def __init__(self, file: Path) -> None:
        self.wrong: str | None = None
        self._file = file
        self._made: dict[str, Provenance] = {}
        self._number = 0
        self._head: HeadLine | None = None
        self._ended = False

    def chunks(self) -> Iterator[_Chunk]:
        """Give chunks up to the end of the file, or up to what is wrong with it."""
        lines: list[bytes] = []
        first = 1
        try:
            for line in self._lines():
                self._number += 1
                if line.startswith((b'{"photo":', b'{"foot":')) and self._head is not None and not self._ended:
                    if not lines:
                        first = self._number
                    lines.append(line)
                    if len(lines) >= _CHUNK:
                        yield _Chunk(first, tuple(lines), dict(self._made))
                        lines = []
                else:
                    if lines:
                        yield _Chunk(first, tuple(lines), dict(self._made))
                        lines = []
                    self._other(line)
            if not self._ended:
                raise _Wrong(f"line {self._number + 1}: the file ends here, and not where it should; it was cut off")
        except _Wrong as error:
            if lines:
                yield _Chunk(first, tuple(lines), dict(self._made))
            self.wrong = str(error)

    def _lines(self) -> Iterator[bytes]:
        try:
            size = self._file.stat().st_size
            most, total = MAX_RATIO * size + FREE_BYTES, 0
            with gzip.open(self._file, "rb") as stream:
                while line := stream.readline(MAX_LINE + 1):
                    total += len(line)
                    if len(line) > MAX_LINE:
                        raise _Wrong(f"line {self._number + 1}: longer than {MAX_LINE // 1_000_000} MB")
                    if total > most:
                        raise _Wrong(f"line {self._number + 1}: unpacked, it is more than {MAX_RATIO} times as large")
                    yield line
        except (gzip.BadGzipFile, zlib.error):
            raise _Wrong(f"line {self._number + 1}: the file is not packed with gzip, or is damaged") from None
        except EOFError:
            raise _Wrong(f"line {self._number + 1}: the file was cut off here") from None
        except OSError as error:
            raise UsageError(f"{self._file} cannot be read: {error.strerror or error}.", _REMEDY) from error

    def _other(self, data: bytes) -> None:
        """Take in a line that is neither photo nor foot."""
        try:
            line = _parsed(data)
            if self._number == 1:
                if line.head is None:
                    raise _Wrong("is no file that clawvision history export wrote")
                if line.head.tables > HEAD:
                    raise _Wrong(f"comes from a newer version (tables {plain(line.head.tables[:20])}, here {HEAD})")
                self._head = line.head
            elif self._ended:
                raise _Wrong("stands behind the end")
            elif line.provenance is not None:
                made = _provenance(line.provenance)
                self._made[made.key] = made
            elif line.end is not None:
                if line.end.lines != self._number - 1:
                    raise _Wrong(f"{line.end.lines} lines should stand before it; lines are missing")
                self._ended = True
            else:
                raise _Wrong("has no place here")
        except (_Wrong, Unfit) as error:
            raise _Wrong(f"line {self._number}: {error}") from None


class _Wrong(Exception):
    """Something about a file that cannot be."""


def _parsed(data: bytes) -> Line:
    try:
        line = Line.model_validate_json(data)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False, include_context=False)[0]
        key = ".".join(plain(part) for part in first["loc"])[:120]
        raise _Wrong(f"key '{key}': {plain(first['msg'][:200])}" if key else plain(first["msg"][:200])) from None
    if sum(getattr(line, name) is not None for name in Line.model_fields) != 1:
        raise _Wrong("holds not exactly one thing")
    return line


def _provenance(line: ProvenanceLine) -> Provenance:
    made = provenance_of(
        (line.software, line.parameters_sha256, as_json(line.parameters, "parameters"), line.model_sha256)
    )
    return _same(made, line.key)


def check_chunk(chunk: _Chunk) -> _Read:
    """Return what the lines of a chunk hold, up to the first that is wrong."""
    found: list[PhotoEntry | FootEntry] = []
    for number, data in enumerate(chunk.lines, chunk.first):
        try:
            line = _parsed(data)
            if line.photo is not None:
                found.append(_photo(line.photo, chunk.made))
            elif line.foot is not None:
                found.append(_foot(line.foot, chunk.made))
        except (_Wrong, Unfit) as error:
            return _Read(tuple(found), f"line {number}: {error}")
    return _Read(tuple(found))


def _photo(line: PhotoLine, made: Mapping[str, Provenance]) -> PhotoEntry:
    row = (
        line.name,
        line.sha256,
        line.animal,
        line.foot,
        line.view,
        line.claw,
        line.claw_asked,
        line.stage,
        line.taken,
        None if line.day is None else line.day.isoformat(),
        None if line.trimmed is None else line.trimmed.isoformat(),
        line.locomotion,
        as_json(line.signs, "signs"),
        line.profile,
        line.status,
        records_json(line.reasons, "reasons"),
        line.camera_make,
        line.camera_model,
        record_json(line.asked, "asked"),
    )
    outlines = {name: claw.outline_mm for name, claw in line.claws.items()}
    if any(each is not None and len(each[0]) != len(each[1]) for each in outlines.values()):
        raise _Wrong("an outline has not as many y as x")
    made_of = _of(line.provenance, made)
    return _same(entry(row, line.claws, outlines, line.foot_measures, made_of, line.assessed), line.key)


def _foot(line: FootLine, made: Mapping[str, Provenance]) -> FootEntry:
    row = (
        line.animal,
        line.foot,
        line.stage,
        None if line.day is None else line.day.isoformat(),
        line.profile,
        line.level,
        record_json(line.urgency, "urgency"),
        records_json(line.findings, "findings"),
    )
    return _same(foot_entry(row, line.photos, _of(line.provenance, made), line.assessed), line.key)


def _of(key: str, made: Mapping[str, Provenance]) -> Provenance:
    try:
        return made[key]
    except KeyError:
        raise _Wrong("what it was measured with does not stand before it") from None


def _same(made: _Keyed, key: str) -> _Keyed:
    if made.key != key:
        raise _Wrong("its content is not what its key says; it was changed")
    return made


@contextmanager
def _checking(jobs: int) -> Iterator[Any]:
    """Give a function that checks chunks, in their order, in so many processes. Few are held at a time."""
    if jobs <= 1:
        yield lambda chunks: map(check_chunk, chunks)
        return
    pool = ProcessPoolExecutor(jobs, mp_context=get_context("spawn"))

    def check(chunks: Iterator[_Chunk]) -> Iterator[_Read]:
        waiting: list[Future[_Read]] = []
        for chunk in chunks:
            waiting.append(pool.submit(check_chunk, chunk))
            if len(waiting) > 3 * jobs:
                yield waiting.pop(0).result()
        for each in waiting:
            yield each.result()

    try:
        yield check
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
