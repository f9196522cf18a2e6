"""Measures stored photos again, to see whether the program still says of them what is stored."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import TypeAdapter, ValidationError
from pydantic_core import from_json
from sqlalchemy import literal_column, select

import clawvision
from clawvision.errors import ClawvisionError, UsageError
from clawvision.history.entry import CLAW_COLUMNS, MEASURE_COLUMNS, Provenance, Row, photo_entry
from clawvision.history.schema import CLAW, FOOT, MEASURE, PHOTO, PROVENANCE
from clawvision.history.store import MOST_PHOTOS, Store
from clawvision.manifest import PICTURE_SUFFIXES
from clawvision.output.models import AskedRecord
from clawvision.plain import plain
from clawvision.pool import Crashed, run_tasks
from clawvision.store import model_sha256
from clawvision.types import PhotoRequest, Settings

Outcome = Literal["identical", "differs", "not in the folder", "cannot be measured again"]

_SETTINGS = TypeAdapter(Settings)
_MOST_TOLD = 12


@dataclass(frozen=True, slots=True)
class Verified:
    """What came of a stored photo. ``differences`` says what is not as it is stored, or what stood in the way.

    ``other`` tells that another version or another outline model had measured it.
    """

    photo: str
    sha256: str
    outcome: Outcome
    differences: tuple[str, ...] = ()
    other: bool = False


@dataclass(frozen=True, slots=True)
class _Stored:
    sha256: str
    name: str
    animal: str
    foot: Any
    stage: Any
    status: str
    asked: str
    parameters: str
    software: str
    model_sha256: str | None
    claws: tuple[Row, ...]
    measures: tuple[Row, ...]


def verify(store: Store, folder: Path, *, calibration_dirs: Sequence[Path] = (), jobs: int = 1) -> Iterator[Verified]:
    """Measure every stored photo that lies in a folder (or in a folder of it) again, with the settings of its run.

    Measures are compared as they are stored, rounded: value, uncertainty and its causes, flags, reason; and so are
    outlines. Photos are known by their hash, whatever their names are now.

    Parameters
    ----------
    store
        Opened to read.
    folder
        Where the photos are. An outline file counts if it lies beside its photo as it did then.
    calibration_dirs
        Lens calibrations, for photos that were measured with some: a store keeps only their folders' names.
    jobs
        Number of processes to work in.

    Raises
    ------
    UsageError
        If the folder cannot be read.
    """
    files = _hashed(folder)
    for group in _stored(store):
        here = [each for each in group if each.sha256 in files]
        done: dict[str, Verified] = {}
        again = _Again(tuple(str(each) for each in calibration_dirs))
        results = run_tasks(again, [(files[each.sha256], each) for each in here], jobs)
        with closing(results):
            for index, result in results:
                each = here[index]
                if isinstance(result, Crashed):
                    result = Verified(each.name, each.sha256, "cannot be measured again", (result.detail,))
                done[each.sha256] = result
        for each in group:
            yield done.get(each.sha256) or Verified(each.name, each.sha256, "not in the folder")


def _hashed(folder: Path) -> dict[str, str]:
    """Return the pictures of a folder and its folders by hash. Of copies the first by name counts."""
    if not folder.is_dir():
        raise UsageError(f"{folder} is no folder.", "Name the folder that the photos are in.")
    found: dict[str, str] = {}
    for place, folders, names in os.walk(folder):
        folders.sort()
        for name in sorted(names):
            path = Path(place) / name
            if path.suffix.casefold() in PICTURE_SUFFIXES and path.is_file():
                with suppress(OSError), path.open("rb") as stream:
                    found.setdefault(hashlib.file_digest(stream, "sha256").hexdigest(), str(path))
    return found


def _stored(store: Store) -> Iterator[list[_Stored]]:
    """Give the current photos that have a hash, in groups, in the order in which they were stored."""
    wanted = (
        select(
            PHOTO.c.id,
            PHOTO.c.sha256,
            PHOTO.c.name,
            PHOTO.c.animal,
            PHOTO.c.foot,
            PHOTO.c.stage,
            PHOTO.c.status,
            PHOTO.c.asked,
            PROVENANCE.c.parameters,
            PROVENANCE.c.software,
            PROVENANCE.c.model_sha256,
        )
        .join_from(PHOTO, PROVENANCE, PROVENANCE.c.id == PHOTO.c.provenance_id)
        .where(PHOTO.c.current == literal_column("1"), PHOTO.c.sha256.is_not(None))
        .order_by(PHOTO.c.id)
        .limit(MOST_PHOTOS)
    )
    last = 0
    while True:
        with store.reading() as connection:
            rows = connection.execute(wanted.where(PHOTO.c.id > last)).all()
            if not rows:
                return
            first, last = rows[0][0], rows[-1][0]
            claws = _by_photo(connection, CLAW, CLAW_COLUMNS, first, last)
            measures = _by_photo(connection, MEASURE, MEASURE_COLUMNS, first, last)
        yield [
            _Stored(*row[1:], tuple(claws.get(row[0], ())), tuple(measures.get(row[0], ())))  # measuring takes long: no
            for row in rows  # transaction is held open for it
        ]


def _by_photo(connection: Any, table: Any, columns: Sequence[str], first: int, last: int) -> dict[int, list[Row]]:
    wanted = select(table.c.photo_id, *(table.c[name] for name in columns)).where(table.c.photo_id.between(first, last))
    found: dict[int, list[Row]] = {}
    for number, *row in connection.execute(wanted):
        found.setdefault(number, []).append(tuple(row))
    return found


@dataclass(frozen=True, slots=True)
class _Again:
    """Measures a photo again; works in a process of its own."""

    calibration_dirs: tuple[str, ...]

    def __call__(self, task: tuple[str, _Stored]) -> Verified:
        path, stored = task
        # Imported here so that the parent of the processes need not load what only they use.
        from clawvision.output.record import photo_record
        from clawvision.pipeline import run_photo

        other = stored.software != clawvision.__version__ or stored.model_sha256 not in (None, model_sha256())
        try:
            record = photo_record(run_photo(_request(path, stored), self._settings(stored))[0])
        except ClawvisionError as error:
            return Verified(stored.name, stored.sha256, "cannot be measured again", (str(error),), other)
        except (ValidationError, ValueError) as error:
            why = f"its stored settings cannot be read ({type(error).__name__})"
            return Verified(stored.name, stored.sha256, "cannot be measured again", (why,), other)
        made = photo_entry(record, None, Provenance("", ()), "")
        differences = list(_differences(stored, record.status, made.claws, made.measures))
        outcome: Outcome = "differs" if differences else "identical"
        return Verified(stored.name, stored.sha256, outcome, tuple(differences), other)

    def _settings(self, stored: _Stored) -> Settings:
        told = from_json(stored.parameters)
        known = {name: told[name] for name in Settings.__slots__ if name in told}
        if known.get("calibration_dirs"):
            if not self.calibration_dirs:
                raise UsageError("It was measured with lens calibrations.", "Name their folder with --calibration.")
            known["calibration_dirs"] = self.calibration_dirs
        return _SETTINGS.validate_python(known)


def _request(path: str, stored: _Stored) -> PhotoRequest:
    asked = AskedRecord.model_validate_json(stored.asked)
    return PhotoRequest(
        path=Path(path),
        name=stored.name,
        animal=stored.animal,
        foot=stored.foot,
        view=asked.view,
        claw=asked.claw,
        stage=stored.stage,
        taken=asked.taken,
        profile=asked.profile,
        offset_mm=asked.offset_mm,
        trimmed=asked.trimmed,
        locomotion=asked.locomotion,
        signs=asked.signs,
        tick_mm=asked.tick_mm,
        points=asked.points,
    )


def _differences(stored: _Stored, status: str, claws: Sequence[Row], measures: Sequence[Row]) -> Iterator[str]:
    if status != stored.status:
        yield f"it was {stored.status} and is {status}"
    before, now = _keyed(stored.measures, 2), _keyed(measures, 2)
    told = 0
    for key in sorted(before.keys() | now.keys()):
        if before.get(key) == now.get(key):
            continue
        told += 1
        if told <= _MOST_TOLD:
            claw, name = key
            place = name if claw == FOOT else f"{claw} {name}"
            yield f"{plain(place)}: {_words(before.get(key))}, now {_words(now.get(key))}"
    if told > _MOST_TOLD:
        yield f"and {told - _MOST_TOLD} more measures"
    for (claw,), row in sorted(_keyed(stored.claws, 1).items()):
        found = _keyed(claws, 1).get((claw,))
        if found is not None and found != row:
            yield f"outline of the {claw} claw"


def _keyed(rows: Sequence[Row], parts: int) -> Mapping[Row, Row]:
    return {row[:parts]: row[parts:] for row in rows}


def _words(row: Row | None) -> str:
    if row is None:
        return "not there"
    value, uncertainty, unit = row[:3]
    return "not taken" if value is None else f"{value:g} ± {uncertainty:g} {unit}"
