"""Assessments on file, and what commands make of them."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

from tests.fuzz import mutate
from tests.fuzz.read_findings import profiles
from tests.fuzz.reader import Reader, thin, write


def _told(record: Any) -> None:
    """Tell all that the commands tell of an assessment on file."""
    from clawvision.history.entry import entries
    from clawvision.output.explanation import explanation, feet_of
    from tests.output.tables import measures_csv

    rows = list(csv.reader(io.StringIO(measures_csv(record).decode("utf-8"))))
    for cell in (cell for row in rows for cell in row):
        if cell.startswith(("=", "+", "-", "@", "\t", "\r")):
            float(cell)  # a number, and nothing else
    for animal in record.animals[:2]:
        text = explanation(record, animal, feet_of(record, animal.animal, all_dates=True), exact=True)
        assert all(line.isprintable() for line in text.split("\n")), "the explanation holds what does not print"
    entries(record, "The assessment")


def _assessment(data: bytes, place: Path) -> None:
    from clawvision.output.read import read_assessment

    _told(read_assessment(write(place, "assessment.json", data)))


def _report(data: bytes, place: Path) -> None:
    from clawvision.output.read import read_assessment
    from clawvision.report.write import Wanted, write_page
    from tests.report.made import parsed

    record = read_assessment(write(place, "assessment.json", data))
    write_page(record, place, place / "r.html", Wanted(language="de"))
    html = (place / "r.html").read_text("utf-8")
    for bad in ("<script", "<img src=x", "javascript:", "onerror"):
        assert f"<{bad}" not in html
    parsed(html)


@cache
def _assessment_seeds() -> Sequence[bytes]:
    from clawvision.output.record import dumps
    from tests.history import made
    from tests.output import made_feet

    def small(record: Any) -> bytes:
        data = json.loads(dumps(record))
        thin(data)
        return json.dumps(data).encode()

    return (small(made_feet.assessment()), small(made.herd(1, 1)))


def _compare(data: bytes, place: Path) -> None:
    from clawvision.compare.comparison import compared
    from clawvision.compare.given import given_of
    from clawvision.compare.table import compare_csv
    from clawvision.findings import load_rules
    from clawvision.output.read import read_assessment
    from clawvision.repeatability.smallest import NONE_KNOWN

    record = read_assessment(write(place, "assessment.json", data))
    compare_csv(compared([given_of(record)], profiles(), load_rules(), NONE_KNOWN))


@cache
def _compare_seeds() -> Sequence[bytes]:
    from clawvision.output.record import dumps
    from tests.history import made

    record = made.herd(1, 2)
    data = json.loads(dumps(record))
    for photo in data["photos"]:
        late = photo["taken"] > "2030-02"
        photo["stage"], photo["taken"] = ("after" if late else "before"), "2030-01-07T08:15:00"
    data["photos"] = [each for each in data["photos"] if each["foot"] in ("LF", "RH")]
    return (json.dumps(data).encode(),)


READERS: dict[str, Reader] = {
    "assessment": Reader(_assessment, _assessment_seeds, mutate.json_text),
    "report": Reader(_report, _assessment_seeds, mutate.json_text),
    "compare": Reader(_compare, _compare_seeds, mutate.json_text),
}
