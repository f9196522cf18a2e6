"""``compare.csv``: the changes of a comparison, one row a measure."""

from __future__ import annotations

import csv
import io

from clawvision.compare.models import ChangeRecord, ComparedFootRecord, ComparisonRecord, PairRecord
from clawvision.output.table import number_cell, text_cell

COLUMNS = (
    "animal",
    "foot",
    "view",
    "claw",
    "photo_before",
    "photo_after",
    "day_before",
    "day_after",
    "measure",
    "unit",
    "before",
    "before_uncertainty",
    "after",
    "after_uncertainty",
    "change",
    "change_uncertainty",
    "overlaid",
    "note",
)


def compare_csv(record: ComparisonRecord) -> bytes:
    """Return all changes as CSV by RFC 4180: UTF-8, lines ended by CR LF, first line the names.

    The horn between the outlines is the measure ``horn_off``, whose change is the area in mm². A photo that was
    compared with none has a row of its own. Text that a spreadsheet would take for a formula gets an apostrophe.
    """
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for foot in record.feet:
        for pair in foot.pairs:
            writer.writerows(_rows(foot, pair))
        for change in foot.balance:
            place = [foot.animal, foot.foot, "side", "", "", "", foot.before, foot.after]
            writer.writerow([*map(text_cell, place), *_numbers(change), "", ""])
    for each in record.unpaired:
        cells = ["", "", "", "", each.photo, *[""] * (len(COLUMNS) - 6), each.why]
        writer.writerow([text_cell(cell) for cell in cells])
    return buffer.getvalue().encode("utf-8")


def _rows(foot: ComparedFootRecord, pair: PairRecord) -> list[list[str]]:
    place = [foot.animal, foot.foot, pair.view, pair.claw or "", pair.before, pair.after, foot.before, foot.after]
    cells = [text_cell(each) for each in place]
    fit = pair.fit
    end = ["" if fit is None else "yes" if fit.overlaid else "no", text_cell("" if fit is None else fit.reason or "")]
    rows = [[*cells, *_numbers(change), *end] for change in pair.changes]
    if pair.horn is not None:
        net = [number_cell(each, ".") for each in (-pair.horn.net.value, pair.horn.net.uncertainty)]
        rows.append([*cells, "horn_off", "mm2", "", "", "", "", *net, *end])
    return rows


def _numbers(change: ChangeRecord) -> list[str]:
    values = (change.before, change.after, change.change)
    numbers = [number_cell(part, ".") for each in values for part in (each.value, each.uncertainty)]
    return [text_cell(change.measure), change.unit, *numbers]
