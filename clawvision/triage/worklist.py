"""The list of work: every animal that somebody sent photos of, the most urgent first."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Literal

from pydantic import AliasChoices, Field

from clawvision.output.atomic import write_atomic
from clawvision.output.models import Record
from clawvision.output.record import dumps
from clawvision.output.table import text_cell
from clawvision.plain import wrapped
from clawvision.triage.journal import AnimalLine, FootLine, Journal, Waiting
from clawvision.triage.lines import place

WORKLIST = "worklist"
COLUMNS = (
    *("place", "sender", "animal", "foot", "date", "level", "at_least", "came", "text", "why"),
    *("to_look_at", "ask_first", "answer"),
)


class Worklist(Record):
    """What ``worklist.json`` holds."""

    schema_name: Literal["clawvision/worklist/1"] = Field(
        default="clawvision/worklist/1",
        validation_alias=AliasChoices("schema", "schema_name"),
        serialization_alias="schema",
    )
    animals: tuple[AnimalLine, ...]
    arriving: tuple[Waiting, ...]
    notes: tuple[str, ...]


def worklist_of(journal: Journal, notes: Sequence[str]) -> Worklist:
    """Return the list of all senders' animals by urgency, then by how long they have waited."""
    animals = sorted((line for sender in journal.senders for line in sender.animals), key=place)
    told = [f"{sender.name}: {note}" for sender in journal.senders for note in sender.notes]
    return Worklist(animals=tuple(animals), arriving=journal.waiting, notes=(*notes, *told))


def write_worklist(out: Path, worklist: Worklist) -> None:
    """Write ``worklist.json``, ``worklist.csv`` and ``worklist.txt``, each only where it changes.

    Raises
    ------
    OutputError
        If one cannot be written.
    """
    for suffix, data in (
        ("json", dumps(worklist)),
        ("csv", worklist_csv(worklist)),
        ("txt", worklist_text(worklist).encode("utf-8")),
    ):
        path = out / f"{WORKLIST}.{suffix}"
        try:
            same = path.read_bytes() == data
        except OSError:
            same = False
        if not same:
            write_atomic(path, data)


def worklist_csv(worklist: Worklist) -> bytes:
    """Return one row a foot, as RFC 4180 has it. Text that a spreadsheet would take for a formula is defused."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for number, line in enumerate(worklist.animals, 1):
        for foot in line.feet or (None,):
            writer.writerow([str(number), *(text_cell(cell) for cell in _cells(line, foot))])
    return buffer.getvalue().encode("utf-8")


def _cells(line: AnimalLine, foot: FootLine | None) -> Iterator[str | None]:
    yield from (line.sender, line.animal)
    yield foot.foot if foot else None
    yield foot.date if foot else None
    shown = foot or line
    yield from (shown.level, "yes" if shown.at_least else "no", line.came, shown.text, " ".join(shown.reasons))
    own = [each for each in line.to_look_at if foot is None or each.photo in foot.photos]
    yield "; ".join(each.picture or each.photo for each in own)
    yield line.ask[0] if line.ask else None
    yield line.answer


def worklist_text(worklist: Worklist) -> str:
    """Return the list for a person."""
    senders = len({line.sender for line in worklist.animals})
    parts = [f"Animals: {len(worklist.animals)}. Senders: {senders}. The most urgent first."]
    for number, line in enumerate(worklist.animals, 1):
        parts += ["", *_animal(number, line)]
    if worklist.arriving:
        parts += ["", "Not to be read yet, perhaps still arriving:"]
        parts += [wrapped(f"{each.source}: {each.why}", "  ", "    ") for each in worklist.arriving]
    if worklist.notes:
        parts += ["", "Notes:", *(wrapped(note, "  - ", "    ") for note in worklist.notes)]
    parts += ["", wrapped("No photo shows that a foot is well, and nothing here says where or how much to cut.")]
    return "\n".join(parts) + "\n"


def _animal(number: int, line: AnimalLine) -> Iterator[str]:
    how_soon = "to look at" if line.level == "unknown" else f"{line.level}{' or sooner' if line.at_least else ''}"
    yield wrapped(f"{number}. {how_soon.upper()}: {line.animal}, from {line.sender}, came {line.came}", "", "   ")
    for foot in line.feet:
        day = f" ({foot.date})" if foot.date else ""
        yield wrapped(f"{foot.foot or 'foot not named'}{day}: {' '.join((foot.text, *foot.reasons))}", "   ", "     ")
    if not line.feet:
        yield wrapped(" ".join((line.text, *line.reasons)), "   ", "     ")
    for photo in line.to_look_at:
        where = f" See {photo.picture}." if photo.picture else ""
        yield wrapped(f"To look at: {photo.photo}: {' '.join(photo.why)}{where}", "   ", "     ")
    if line.ask:
        yield wrapped(f"Ask first: {line.ask[0]}", "   ", "     ")
    yield wrapped(f"Answer: {line.answer}", "   ", "     ")
