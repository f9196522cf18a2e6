"""A store as tables for statistics: one row a measure, one line an outline, and what every column means."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Literal

import shapely
from pydantic_core import from_json, to_json
from sqlalchemy import Column, Connection, func, literal_column, select

from clawvision.history import need
from clawvision.history.schema import CLAW, FOOT, MEASURE, PHOTO, PROVENANCE
from clawvision.history.store import MOST_PHOTOS, Store
from clawvision.output.atomic import atomic_file
from clawvision.output.table import number_cell, text_cell

MEASURES_CSV = "measures.csv"
MEASURES_PARQUET = "measures.parquet"
OUTLINES_JSONL = "outlines.jsonl"
OUTLINES_CSV = "outlines.csv"
DICTIONARY = "data-dictionary.csv"

Kind = Literal["text", "number", "integer", "day"]
_MEASURE_FILES = f"{MEASURES_CSV} {MEASURES_PARQUET}"
_ALL_FILES = f"{_MEASURE_FILES} {OUTLINES_JSONL} {OUTLINES_CSV}"


@dataclass(frozen=True, slots=True)
class Described:
    """A column of the tables: where it comes from, and what it means."""

    name: str
    kind: Kind
    meaning: str
    source: Column[Any] | None = None
    unit: str = ""
    choices: str = ""


CONTEXT = (
    Described("animal", "text", "the herd's own identifier of the animal", PHOTO.c.animal),
    Described("foot", "text", "the foot; empty where it was not named", PHOTO.c.foot, choices="LF RF LH RH"),
    Described("view", "text", "what the camera looked at", PHOTO.c.view, choices="side sole front rear"),
    Described("day", "day", "day on which the photo was taken, ISO 8601; empty where unknown", PHOTO.c.day),
    Described("stage", "text", "before or after a trim, or a check", PHOTO.c.stage, choices="before after check"),
    Described("trimmed", "day", "day of the last trim before the photo, ISO 8601", PHOTO.c.trimmed),
    Described("locomotion", "integer", "locomotion score", PHOTO.c.locomotion, "score", "1 2 3 4 5"),
    Described("signs", "text", "what a person saw, separated by blanks", PHOTO.c.signs),
    Described("profile", "text", "reference profile that the photo's row or the run named", PHOTO.c.profile),
    Described(
        "status",
        "text",
        "review: a person has to look before the numbers are used",
        PHOTO.c.status,
        choices="measured review",
    ),
    Described("photo", "text", "file as the manifest names it", PHOTO.c.name),
    Described("photo_sha256", "text", "hash of the photo's file", PHOTO.c.sha256),
    Described("camera_make", "text", "maker of the camera, as the photo tells", PHOTO.c.camera_make),
    Described("camera_model", "text", "model of the camera, as the photo tells", PHOTO.c.camera_model),
    Described("software_version", "text", "version of clawvision that measured", PROVENANCE.c.software),
    Described("parameters_sha256", "text", "hash of all settings of the run", PROVENANCE.c.parameters_sha256),
    Described(
        "model_sha256",
        "text",
        "hash of the network that outlines claws; empty where not known",
        PROVENANCE.c.model_sha256,
    ),
    Described("assessed", "text", "end of the run that assessed the photo, ISO 8601, UTC", PHOTO.c.assessed),
)
_CLAW_CHOICES = "outer inner left right"
MEASURES = (
    Described("claw", "text", "the claw; empty for a measure of both", MEASURE.c.claw, choices=_CLAW_CHOICES),
    Described("measure", "text", "name of the measure, as docs/measures.md defines it", MEASURE.c.measure),
    Described("value", "number", "the value; empty where it could not be taken", MEASURE.c.value, "as column unit"),
    Described(
        "uncertainty",
        "number",
        "expanded uncertainty of the value, coverage factor k = 2",
        MEASURE.c.uncertainty,
        "as column unit",
    ),
    Described("unit", "text", "unit of value and uncertainty", MEASURE.c.unit, choices="mm deg mm2 percent"),
    Described("flags", "text", "conditions worth knowing, separated by blanks", MEASURE.c.flags),
    Described("reason", "text", "why the measure could not be taken", MEASURE.c.reason),
)
OUTLINES = (
    Described("claw", "text", "the claw", CLAW.c.claw, choices=_CLAW_CHOICES),
    Described("confidence", "number", "probability that the outline is good", CLAW.c.confidence, "0 to 1"),
    Described("source", "text", "who drew the outline", CLAW.c.source, choices="automatic sidecar"),
)
_WKT = Described(
    "outline_wkt",
    "text",
    "outline as well-known text, closed: x right, y down, in a plane parallel to the reference's; empty where it has "
    "fewer than three points",
    unit="mm",
)
_POINTS = Described(
    "outline_mm", "text", "outline as pairs [x, y]; closed, the first point not repeated; same plane", unit="mm"
)
_LANDMARKS = Described("landmarks_mm", "text", "landmarks by letter, as pairs [x, y] in the same plane", unit="mm")


@dataclass(frozen=True, slots=True)
class Written:
    """How many rows were written."""

    measures: int
    outlines: int


def write_research(store: Store, folder: Path, *, parquet: bool = True) -> Written:
    """Write measures, outlines and the meaning of their columns, each file whole or not at all.

    Only what reads show: of each photo the version assessed last, and no refused photos.

    Parameters
    ----------
    store
        Opened to read.
    folder
        Where the files go; made if missing.
    parquet
        Also write the measures as Parquet.

    Raises
    ------
    MissingExtraError
        If pyarrow is not installed and ``parquet`` is wanted; nothing is written then.
    OutputError
        If a file cannot be written.
    """
    if parquet:
        need("research")
    with store.reading() as connection:
        measures = _write_measures(connection, folder, parquet)
        outlines = _write_outlines(connection, folder)
    with atomic_file(folder / DICTIONARY) as stream:
        stream.write(data_dictionary())
    return Written(measures, outlines)


def data_dictionary() -> bytes:
    """Return the table of all columns: file, name, meaning, unit, type, and the words that may stand there."""
    told = [
        *((_ALL_FILES, each) for each in CONTEXT),
        *((_MEASURE_FILES, each) for each in MEASURES),
        *((f"{OUTLINES_JSONL} {OUTLINES_CSV}", each) for each in OUTLINES),
        (OUTLINES_CSV, _WKT),
        (OUTLINES_JSONL, _POINTS),
        (OUTLINES_JSONL, _LANDMARKS),
    ]
    rows = [("files", "column", "meaning", "unit", "type", "values")]
    rows += [(files, each.name, each.meaning, each.unit, each.kind, each.choices) for files, each in told]
    return _csv(rows)


def _write_measures(connection: Connection, folder: Path, parquet: bool) -> int:
    columns = (*CONTEXT, *MEASURES)
    count = 0
    with ExitStack() as stack:
        table = stack.enter_context(atomic_file(folder / MEASURES_CSV))
        table.write(_csv([[each.name for each in columns]]))
        arrow = _arrow(stack, folder / MEASURES_PARQUET, columns) if parquet else None
        for rows in _rows(connection, columns, MEASURE):
            table.write(_csv([_cells(row, columns) for row in rows]))
            if arrow is not None:
                arrow(rows)
            count += len(rows)
    return count


def _write_outlines(connection: Connection, folder: Path) -> int:
    columns = (*CONTEXT, *OUTLINES)
    count = 0
    with atomic_file(folder / OUTLINES_JSONL) as lines, atomic_file(folder / OUTLINES_CSV) as table:
        table.write(_csv([[*(each.name for each in columns), _WKT.name]]))
        for rows in _rows(connection, columns, CLAW, CLAW.c.outline_mm, CLAW.c.landmarks_mm):
            for *row, outline, landmarks in rows:
                if outline is None:
                    continue
                points = list(zip(*from_json(outline), strict=True))
                properties = {each.name: _plain(value, each) for value, each in zip(row, columns, strict=True)}
                lines.write(
                    to_json({"properties": properties, "outline_mm": points, "landmarks_mm": from_json(landmarks)})
                    + b"\n"
                )
                table.write(_csv([[*_cells(row, columns), _wkt(points)]]))
                count += 1
    return count


def _wkt(points: Sequence[tuple[float, float]]) -> str:
    return "" if len(points) < 3 else str(shapely.to_wkt(shapely.Polygon(points), rounding_precision=2))


def _rows(
    connection: Connection, columns: Sequence[Described], table: Any, *more: Column[Any]
) -> Iterator[list[tuple[Any, ...]]]:
    """Give the rows of current photos in groups, in the order in which they are stored, as plain values."""
    last = int(connection.execute(select(func.coalesce(func.max(PHOTO.c.id), 0))).scalar_one())
    sources = [each.source for each in columns if each.source is not None]
    wanted = (
        select(*sources, *more)
        .join_from(PHOTO, table, table.c.photo_id == PHOTO.c.id)
        .join(PROVENANCE, PROVENANCE.c.id == PHOTO.c.provenance_id)
        .where(PHOTO.c.current == literal_column("1"), PHOTO.c.status != "refused")
        .order_by(*([PHOTO.c.id, table.c.claw] + ([table.c.measure] if table is MEASURE else [])))
    )
    read = [_reader(each) for each in columns]
    for start in range(1, last + 1, MOST_PHOTOS):
        found = connection.execute(wanted.where(PHOTO.c.id.between(start, start + MOST_PHOTOS - 1)))
        yield [(*(do(value) for do, value in zip(read, row, strict=False)), *row[len(columns) :]) for row in found]


def _reader(column: Described) -> Any:
    """Return what turns a stored value into that of the tables."""
    if column.name in ("signs", "flags"):
        return lambda text: " ".join(from_json(text))
    if column.source is MEASURE.c.claw:
        return lambda claw: None if claw == FOOT else claw
    if column.kind == "day":
        return lambda text: None if text is None else date.fromisoformat(text)
    return lambda value: value


def _plain(value: Any, column: Described) -> Any:
    return value.isoformat() if column.kind == "day" and value is not None else value


def _cells(row: Sequence[Any], columns: Sequence[Described]) -> list[str]:
    return [_cell(value, column) for value, column in zip(row, columns, strict=True)]


def _cell(value: Any, column: Described) -> str:
    if value is None:
        return ""
    match column.kind:
        case "number":
            return number_cell(value, ".")
        case "text":
            return text_cell(value)
        case "integer" | "day":
            return str(value)


def _csv(rows: Sequence[Sequence[str]]) -> bytes:
    buffer = io.StringIO(newline="")
    csv.writer(buffer, lineterminator="\r\n").writerows(rows)
    return buffer.getvalue().encode("utf-8")


def _arrow(stack: ExitStack, path: Path, columns: Sequence[Described]) -> Any:
    """Open a Parquet file and return what writes rows to it."""
    import pyarrow
    from pyarrow import parquet

    kinds: Mapping[Kind, Any] = {
        "text": pyarrow.string(),
        "number": pyarrow.float64(),
        "integer": pyarrow.int16(),
        "day": pyarrow.date32(),
    }
    described = {each.name: {"meaning": each.meaning, "unit": each.unit} for each in columns}
    schema = pyarrow.schema(
        [pyarrow.field(each.name, kinds[each.kind], metadata=described[each.name]) for each in columns]
    )
    stream = stack.enter_context(atomic_file(path))
    writer = stack.enter_context(parquet.ParquetWriter(stream, schema, compression="zstd"))

    def write(rows: Sequence[Sequence[Any]]) -> None:
        if rows:
            arrays = [
                pyarrow.array(values, type=field.type)
                for values, field in zip(zip(*rows, strict=True), schema, strict=True)
            ]
            writer.write_table(pyarrow.Table.from_arrays(arrays, schema=schema))

    return write
