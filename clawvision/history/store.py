"""Opening a store, adding assessments to it, and reading from it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from types import MappingProxyType
from typing import Any

from pydantic import TypeAdapter
from pydantic_core import from_json
from sqlalchemy import Connection, Table, bindparam, delete, exists, func, insert, literal_column, select, update
from sqlalchemy.sql.elements import ColumnElement

from clawvision.errors import UsageError
from clawvision.history.address import parse_address
from clawvision.history.database import TIMEOUT_S, Purpose, Store, connected
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
    Row,
    entries,
)
from clawvision.history.rows import Counts, StoredAnimal, StoredFinding, StoredMeasure, ToeLength
from clawvision.history.schema import (
    CLAW,
    FOOT,
    FOOT_ASSESSMENT,
    FOOT_PHOTO,
    MEASURE,
    PHOTO,
    PROVENANCE,
    TOE_LENGTH,
)
from clawvision.output.models import AssessmentRecord, FindingRecord, UrgencyRecord

__all__ = [
    "Store",
    "add",
    "add_entries",
    "animals",
    "foot_findings",
    "foot_history",
    "open_store",
    "toe_lengths",
]

MOST_PHOTOS = 500
"""Photos (or feet) of one transaction: what is lost when a run is killed, and how long others wait."""


@contextmanager
def open_store(address: str, purpose: Purpose = "read", *, timeout_s: float = TIMEOUT_S) -> Iterator[Store]:
    """Open the store at an address, migrating an older one.

    Parameters
    ----------
    address
        A file, or ``postgresql://…``.
    purpose
        ``read``, ``write``, or ``create`` to write and to make it where there is none.
    timeout_s
        How long another program that is writing is waited for.

    Raises
    ------
    UsageError
        If there is none, it is something else, or a newer version wrote it.
    OutputError
        If it was opened to write and cannot be.
    """
    with connected(parse_address(address), purpose, timeout_s) as store:
        yield store


def add(store: Store, record: AssessmentRecord, file: str = "The assessment") -> Counts:
    """Store all photos and feet of an assessment; what is there already is left as it is.

    Parameters
    ----------
    store
        Opened to write.
    record
        The assessment.
    file
        Its name, for messages.

    Raises
    ------
    UsageError
        If it holds what cannot be stored; nothing of it is stored then.
    OutputError
        If the store cannot be written. Photos are stored in groups, each whole or not at all; the same call again
        goes on.
    """
    return add_entries(store, entries(record, file))


def add_entries(store: Store, new: Entries) -> Counts:
    """Store photos, then feet, in transactions of at most 500."""
    counts = Counts()
    for start in range(0, len(new.photos), MOST_PHOTOS):
        with store.writing() as connection:
            counts += _add_photos(connection, new.photos[start : start + MOST_PHOTOS])
    for start in range(0, len(new.feet), MOST_PHOTOS):
        with store.writing() as connection:
            counts += _add_feet(connection, new.feet[start : start + MOST_PHOTOS])
    return counts


@dataclass(slots=True)
class _Known:
    """What is there of the photos that are about to be added, and what becomes of it."""

    versions: dict[str, tuple[int, str]]
    """Number and time of assessment by key."""
    current: dict[str, tuple[int, str]]
    """The same of the current version by subject."""
    demoted: set[int] = field(default_factory=set)
    promoted: set[int] = field(default_factory=set)
    later: dict[int, str] = field(default_factory=dict)
    """Versions seen again by a later run."""


def _add_photos(connection: Connection, photos: Sequence[PhotoEntry]) -> Counts:
    known = _known(connection, photos)
    first = number = _next(connection, PHOTO)
    fresh: list[tuple[int, PhotoEntry]] = []
    new = same = superseded = outdated = refused = 0
    for photo in photos:
        there = known.versions.get(photo.key)
        now = known.current.get(photo.subject)
        if there is None:
            mine = number
            number += 1
            fresh.append((mine, photo))
        else:
            mine = there[0]
            if photo.assessed > there[1]:
                known.later[mine] = photo.assessed
        assessed = photo.assessed if there is None else max(photo.assessed, there[1])
        known.versions[photo.key] = (mine, assessed)
        # The version assessed last counts; of those assessed at the same time, the one stored last.
        wins = now is None or (assessed, mine) > (now[1], now[0])
        if now is not None and now[0] == mine:
            same += 1
        elif now is None:
            new += 1
        elif wins:
            superseded += 1
            known.demoted.add(now[0])
            known.promoted.discard(now[0])
        elif there is None:
            outdated += 1
        else:
            same += 1
        if wins:
            known.current[photo.subject] = (mine, assessed)
            if now is None or now[0] != mine:
                known.promoted.add(mine)
                known.demoted.discard(mine)
                refused += photo.refused
    _write_photos(connection, first, fresh, known)
    return Counts(new, same, superseded, outdated, refused)


def _known(connection: Connection, photos: Sequence[PhotoEntry]) -> _Known:
    keys = select(PHOTO.c.key, PHOTO.c.id, PHOTO.c.assessed).where(
        PHOTO.c.key.in_(bindparam("keys", [photo.key for photo in photos], expanding=True))
    )
    current = select(PHOTO.c.subject, PHOTO.c.id, PHOTO.c.assessed).where(
        PHOTO.c.subject.in_(bindparam("subjects", [photo.subject for photo in photos], expanding=True)), _CURRENT
    )
    return _Known(
        {key: (number, assessed) for key, number, assessed in connection.execute(keys)},
        {subject: (number, assessed) for subject, number, assessed in connection.execute(current)},
    )


def _write_photos(connection: Connection, first: int, fresh: Sequence[tuple[int, PhotoEntry]], known: _Known) -> None:
    """Write new versions, and which are current now. Old ones step down first, since one may be current at a time."""
    before = [number for number in known.demoted if number < first]
    if before:
        connection.execute(
            update(PHOTO).where(PHOTO.c.id == bindparam("number")).values(current=0), [{"number": n} for n in before]
        )
        connection.execute(
            delete(TOE_LENGTH).where(TOE_LENGTH.c.photo_id == bindparam("number")), [{"number": n} for n in before]
        )
    later = {number: when for number, when in known.later.items() if number < first}
    if later:
        connection.execute(
            update(PHOTO).where(PHOTO.c.id == bindparam("number")).values(assessed=bindparam("to")),
            [{"number": number, "to": when} for number, when in later.items()],
        )
    again = [number for number in known.promoted if number < first]
    if again:
        connection.execute(
            update(PHOTO).where(PHOTO.c.id == bindparam("number")).values(current=1), [{"number": n} for n in again]
        )
        for number in again:
            _note_toe_lengths(connection, PHOTO.c.id == number)
    if not fresh:
        return
    numbers = _provenances(connection, [photo.provenance for _, photo in fresh])
    _insert(
        connection,
        PHOTO,
        ("id", "key", "subject", "current", "provenance_id", "assessed", *PHOTO_COLUMNS),
        [
            (
                number,
                photo.key,
                photo.subject,
                int(number in known.promoted),
                numbers[photo.provenance.key],
                known.later.get(number, photo.assessed),
                *photo.photo,
            )
            for number, photo in fresh
        ],
    )
    _insert(
        connection,
        CLAW,
        ("photo_id", *CLAW_COLUMNS),
        [(number, *row) for number, photo in fresh for row in photo.claws],
    )
    _insert(
        connection,
        MEASURE,
        ("photo_id", *MEASURE_COLUMNS),
        [(number, *row) for number, photo in fresh for row in photo.measures],
    )
    _note_toe_lengths(connection, PHOTO.c.id >= first)


def _note_toe_lengths(connection: Connection, which: ColumnElement[bool]) -> None:
    """Write the toe lengths of current photos to their own table."""
    rows = (
        select(
            PHOTO.c.animal,
            PHOTO.c.foot,
            MEASURE.c.claw,
            PHOTO.c.day,
            PHOTO.c.id,
            MEASURE.c.value,
            MEASURE.c.uncertainty,
            PHOTO.c.stage,
            PHOTO.c.status,
            PHOTO.c.trimmed,
            PHOTO.c.profile,
        )
        .join_from(PHOTO, MEASURE, MEASURE.c.photo_id == PHOTO.c.id)
        .where(
            which,
            _CURRENT,
            PHOTO.c.foot.is_not(None),
            PHOTO.c.day.is_not(None),
            PHOTO.c.status != "refused",
            MEASURE.c.claw.in_(["outer", "inner"]),
            MEASURE.c.measure == "toe_length",
            MEASURE.c.value.is_not(None),
        )
    )
    connection.execute(insert(TOE_LENGTH).from_select(_TOE_LENGTH_COLUMNS, rows))


def _add_feet(connection: Connection, feet: Sequence[FootEntry]) -> Counts:
    columns = select(FOOT_ASSESSMENT.c.key, FOOT_ASSESSMENT.c.id, FOOT_ASSESSMENT.c.assessed)
    there = {
        key: (number, assessed)
        for key, number, assessed in connection.execute(
            columns.where(FOOT_ASSESSMENT.c.key.in_(bindparam("keys", [foot.key for foot in feet], expanding=True)))
        )
    }
    number = _next(connection, FOOT_ASSESSMENT)
    fresh: list[tuple[int, FootEntry]] = []
    for foot in feet:
        known = there.get(foot.key)
        if known is None:
            fresh.append((number, foot))
            there[foot.key] = (number, foot.assessed)
            number += 1
        elif foot.assessed > known[1]:
            connection.execute(
                update(FOOT_ASSESSMENT).where(FOOT_ASSESSMENT.c.id == known[0]).values(assessed=foot.assessed)
            )
            there[foot.key] = (known[0], foot.assessed)
    if not fresh:
        return Counts()
    numbers = _provenances(connection, [foot.provenance for _, foot in fresh])
    _insert(
        connection,
        FOOT_ASSESSMENT,
        ("id", "key", "subject", "provenance_id", "assessed", *FOOT_COLUMNS),
        [
            (number, foot.key, foot.subject, numbers[foot.provenance.key], foot.assessed, *foot.foot)
            for number, foot in fresh
        ],
    )
    keys = sorted({key for _, foot in fresh for key in foot.photos})
    photos: dict[str, int] = {}
    for start in range(0, len(keys), MOST_PHOTOS):
        found = select(PHOTO.c.key, PHOTO.c.id).where(
            PHOTO.c.key.in_(bindparam("keys", keys[start : start + MOST_PHOTOS], expanding=True))
        )
        photos.update((key, number) for key, number in connection.execute(found))
    if len(photos) < len(keys):
        raise UsageError("What was found on a foot rests on a photo that is not stored.", "Store the photo first.")
    links = {(number, photos[key]) for number, foot in fresh for key in foot.photos}
    _insert(connection, FOOT_PHOTO, ("foot_id", "photo_id"), sorted(links))
    return Counts(feet=len(fresh))


def _provenances(connection: Connection, made: Iterable[Provenance]) -> dict[str, int]:
    """Return the numbers of provenances by key; those not there yet are written."""
    wanted = {each.key: each for each in made}
    rows = connection.execute(
        select(PROVENANCE.c.key, PROVENANCE.c.id).where(
            PROVENANCE.c.key.in_(bindparam("keys", list(wanted), expanding=True))
        )
    )
    numbers = {key: number for key, number in rows}
    fresh = [each for key, each in wanted.items() if key not in numbers]
    if fresh:
        first = _next(connection, PROVENANCE)
        numbers |= {each.key: first + index for index, each in enumerate(fresh)}
        _insert(
            connection,
            PROVENANCE,
            ("id", "key", *PROVENANCE_COLUMNS),
            [(numbers[each.key], each.key, *each.row) for each in fresh],
        )
    return numbers


def _next(connection: Connection, table: Table) -> int:
    """Return the first free number. Only one program writes at a time, so no other takes it."""
    return int(connection.execute(select(func.coalesce(func.max(table.c.id), 0))).scalar_one()) + 1


def _insert(connection: Connection, table: Table, columns: Sequence[str], rows: Sequence[Row]) -> None:
    """Insert rows with bound parameters, as the driver takes them: a row costs a third of what it does as a dict."""
    if rows:
        mark = "?" if connection.dialect.name == "sqlite" else "%s"
        marks = ", ".join([mark] * len(columns))
        connection.exec_driver_sql(f"INSERT INTO {table.name} ({', '.join(columns)}) VALUES ({marks})", list(rows))


_TOE_LENGTH_COLUMNS = [column.name for column in TOE_LENGTH.columns]
_FINDINGS = TypeAdapter(tuple[FindingRecord, ...])
_CURRENT = PHOTO.c.current == literal_column("1")  # as the partial indexes say it, so that they are used


def foot_history(store: Store, animal: str, foot: str | None = None) -> tuple[StoredMeasure, ...]:
    """Return all measures of a foot (of all feet where None) by day, those without a day first.

    Photos that were refused are left out. In the order of day, photo, claw and measure.
    """
    photo, measure = PHOTO.c, MEASURE.c
    wanted = (
        select(
            photo.animal,
            photo.foot,
            measure.claw,
            photo.day,
            photo.stage,
            measure.measure,
            measure.value,
            measure.uncertainty,
            measure.unit,
            measure.reason,
            measure.flags,
            measure.budget,
            photo.view,
            photo.status,
            photo.name,
            photo.sha256,
            photo.trimmed,
            photo.locomotion,
            photo.signs,
            photo.profile,
        )
        .join_from(PHOTO, MEASURE, measure.photo_id == photo.id)
        .where(_CURRENT, photo.animal == animal, photo.status != "refused")
        .order_by(func.coalesce(photo.day, ""), photo.id, measure.claw, measure.measure)
    )
    if foot is not None:
        wanted = wanted.where(photo.foot == foot)
    with store.reading() as connection:
        return tuple(_stored_measure(row) for row in connection.execute(wanted))


def _stored_measure(row: Any) -> StoredMeasure:
    return StoredMeasure(
        animal=row[0],
        foot=row[1],
        claw=None if row[2] == FOOT else row[2],
        day=_day(row[3]),
        stage=row[4],
        measure=row[5],
        value=row[6],
        uncertainty=row[7],
        unit=row[8],
        reason=row[9],
        flags=tuple(from_json(row[10])),
        budget=_mapping(row[11]),
        view=row[12],
        status=row[13],
        photo=row[14],
        sha256=row[15],
        trimmed=_day(row[16]),
        locomotion=row[17],
        signs=tuple(from_json(row[18])),
        profile=row[19],
    )


def toe_lengths(store: Store, animal: str | None = None) -> tuple[ToeLength, ...]:
    """Return the toe lengths of all claws of an animal, or of the herd, by animal, foot, claw and day.

    Only claws whose foot is named and photos whose day is known: growth is told from no others.
    """
    length = TOE_LENGTH.c
    wanted = select(
        length.animal,
        length.foot,
        length.claw,
        length.day,
        length.value,
        length.uncertainty,
        length.stage,
        length.status,
        length.trimmed,
        length.profile,
    ).order_by(length.animal, length.foot, length.claw, length.day, length.photo_id)
    if animal is not None:
        wanted = wanted.where(length.animal == animal)
    with store.reading() as connection:
        days: dict[str, date] = {}

        def day(text: str) -> date:
            found = days.get(text)
            if found is None:
                found = days[text] = date.fromisoformat(text)
            return found

        return tuple(
            ToeLength(name, foot, claw, day(taken), value, doubt, stage, status, day(trim) if trim else None, profile)
            for name, foot, claw, taken, value, doubt, stage, status, trim, profile in connection.execute(wanted)
        )


def animals(store: Store) -> tuple[StoredAnimal, ...]:
    """Return the animals of which there are photos, by name."""
    photo = PHOTO.c
    wanted = (
        select(photo.animal, func.count(), func.count(photo.foot.distinct()), func.min(photo.day), func.max(photo.day))
        .where(_CURRENT)
        .group_by(photo.animal)
        .order_by(photo.animal)
    )
    with store.reading() as connection:
        return tuple(
            StoredAnimal(name, photos, feet, _day(first), _day(last))
            for name, photos, feet, first, last in connection.execute(wanted)
        )


def foot_findings(store: Store, animal: str, foot: str | None = None) -> tuple[StoredFinding, ...]:
    """Return what was found on a foot (on all feet where None), the latest of each stage and day, by day.

    An assessment that rests on a photo that has been superseded is left out.
    """
    one, other = FOOT_ASSESSMENT.alias(), FOOT_ASSESSMENT.alias()

    def stale(table: Any) -> Any:
        return exists().where(
            FOOT_PHOTO.c.foot_id == table.c.id,
            PHOTO.c.id == FOOT_PHOTO.c.photo_id,
            PHOTO.c.current == literal_column("0"),
        )

    later = exists().where(
        other.c.subject == one.c.subject,
        (other.c.assessed > one.c.assessed) | ((other.c.assessed == one.c.assessed) & (other.c.id > one.c.id)),
        ~stale(other),
    )
    wanted = (
        select(
            one.c.animal,
            one.c.foot,
            one.c.stage,
            one.c.day,
            one.c.profile,
            one.c.urgency,
            one.c.findings,
            PROVENANCE.c.software,
        )
        .join_from(one, PROVENANCE, PROVENANCE.c.id == one.c.provenance_id)
        .where(one.c.animal == animal, ~stale(one), ~later)
        .order_by(func.coalesce(one.c.day, ""), one.c.id)
    )
    if foot is not None:
        wanted = wanted.where(one.c.foot == foot)
    with store.reading() as connection:
        return tuple(
            StoredFinding(
                name,
                which,
                stage,
                _day(day),
                profile,
                UrgencyRecord.model_validate_json(urgency),
                _FINDINGS.validate_json(found),
                software,
            )
            for name, which, stage, day, profile, urgency, found, software in connection.execute(wanted)
        )


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _mapping(text: str) -> Mapping[str, Any]:
    return MappingProxyType(from_json(text))
