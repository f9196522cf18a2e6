"""``repeatability.csv``: one row a figure, for a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from clawvision.output.table import number_cell, text_cell
from clawvision.repeatability.record import EstimateRecord, MeasureRepeats, RepeatabilityRecord

COLUMNS = ("measure", "view", "unit", "claws", "photos", "figure", "value", "low", "high", "reason")


def repeatability_csv(record: RepeatabilityRecord) -> bytes:
    """Return all figures as CSV by RFC 4180: UTF-8, lines ended by CR LF. No cell of text begins as a formula does."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for each in record.measures:
        for name, unit, figure in _figures(each):
            numbers = [number_cell(value, ".") for value in (figure.value, figure.low, figure.high)]
            counts = (each.hand.claws, each.hand.photos) if each.hand and name.startswith("hand") else None
            start = [text_cell(cell) for cell in (each.measure, each.view, unit)]
            writer.writerow([*start, *(counts or (each.claws, each.photos)), name, *numbers, text_cell(figure.reason)])
    return buffer.getvalue().encode("utf-8")


def _figures(each: MeasureRepeats) -> Iterator[tuple[str, str, EstimateRecord]]:
    """Give name, unit and figure; a figure without a unit has 1."""
    yield "within_sd", each.unit, each.within_sd
    yield "tem_percent", "percent", each.tem_percent
    yield "sdc", each.unit, each.sdc
    for key, icc in each.icc.items():
        yield f"icc({key},1)", "1", icc.single
        yield f"icc({key},k)", "1", icc.average
    for name in ("s_r", "s_between", "s_reproducibility", "r", "reproducibility"):
        yield name, each.unit, getattr(each.precision, name)
    yield "stated_ratio", "1", each.stated_ratio
    if each.hand is not None:
        for name in ("difference", "sd", "lower", "upper"):
            yield f"hand_{name}", each.unit, getattr(each.hand, name)
        yield "hand_concordance", "1", each.hand.concordance
        yield "hand_own_sd", each.unit, each.hand.hand_sd
