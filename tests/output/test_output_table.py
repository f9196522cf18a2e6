"""The table: RFC 4180, and safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.errors import UsageError
from clawvision.output.record import AssessmentRecord, assessment_record, photo_record
from clawvision.output.table import COLUMNS
from clawvision.types import PhotoResult
from tests.output import made
from tests.output.tables import measures_csv
from tests.output.test_output_record import RUN


def table(*results: PhotoResult) -> AssessmentRecord:
    return assessment_record(RUN, [photo_record(result) for result in results], [], [])


def rows(data: bytes, delimiter: str = ",") -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode("utf-8"), newline=""), delimiter=delimiter))


def named(animal: str) -> PhotoResult:
    side = made.side_result()
    return replace(side, request=replace(side.request, animal=animal))


def test_one_row_a_measure() -> None:
    data = measures_csv(table(made.side_result(), made.sole_result()))
    assert data.startswith(",".join(COLUMNS).encode() + b"\r\n")
    assert data.count(b"\n") == data.count(b"\r\n") == 1 + 10 + 8 + 5
    first = rows(data)[0]
    assert (first["photo"], first["foot"], first["claw"], first["measure"]) == (
        "byre/side.jpg",
        "RH",
        "outer",
        "toe_length",
    )
    assert (first["value"], first["uncertainty"], first["unit"]) == ("83.42", "1.2", "mm")
    foot = [row for row in rows(data) if row["measure"] == "toe_overlap"]
    assert (foot[0]["claw"], foot[0]["value"]) == ("", "-24.0")


def test_a_measure_not_taken_has_an_empty_value_and_its_reason() -> None:
    missing = [row for row in rows(measures_csv(table(made.side_result()))) if row["measure"] == "bearing_length"]
    assert (missing[0]["value"], missing[0]["uncertainty"]) == ("", "")
    assert missing[0]["reason"] == "straw hides the heel"


def test_a_refused_photo_is_not_missing_without_a_word() -> None:
    (row,) = rows(measures_csv(table(made.unread_result())))
    assert (row["photo"], row["status"], row["measure"]) == ("byre/empty.jpg", "refused", "")
    assert row["reason"] == "The file is empty."


@pytest.mark.parametrize(
    "animal",
    ["=HYPERLINK(1)", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =1", "＝1", "\u00a0=1", '=1",""', "-x;=2"],
)
def test_no_text_is_taken_for_a_formula(animal: str) -> None:
    for delimiter, decimal in ((",", "."), (";", ","), ("\t", ".")):
        data = measures_csv(table(named(animal)), delimiter=delimiter, decimal=decimal)
        assert rows(data, delimiter)[0]["animal"] == "'" + animal


def test_a_measure_named_like_a_formula_is_told_as_text() -> None:
    """An assessment on file may come from anybody, its measures' names too."""
    side = made.side_result()
    claw = side.claws["outer"]
    odd = replace(claw, measures={"@SUM(A1)": made.measure(1.0, 1.0)})
    (row,) = (each for each in rows(measures_csv(table(replace(side, claws={"outer": odd})))) if each["value"])
    assert row["measure"] == "'@SUM(A1)"


@given(st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=40))
@settings(deadline=None, max_examples=40)
def test_any_text_comes_back_and_never_as_a_formula(animal: str) -> None:
    cell = rows(measures_csv(table(named(animal))))[0]["animal"]
    assert cell in (animal, "'" + animal)
    assert not cell.lstrip().startswith(("=", "+", "-", "@"))


def test_numbers_stay_numbers_with_either_decimal_sign() -> None:
    side = made.side_result()
    claw = side.claws["outer"]
    tiny = {**claw.measures, "toe_lift": made.measure(-0.0000123456, 1.0)}
    result = replace(side, claws={"outer": replace(claw, measures=tiny)})
    plain = [r["value"] for r in rows(measures_csv(table(result)))]
    comma = [r["value"] for r in rows(measures_csv(table(result), delimiter=";", decimal=","), ";")]
    assert [value.replace(",", ".") for value in comma] == plain
    assert plain[-1] == "-0.00001235"
    assert all(value == "" or float(value) is not None for value in plain)


@pytest.mark.parametrize(
    ("delimiter", "decimal"), [(",", ","), (";;", "."), ("", "."), ("\n", "."), ('"', "."), ("1", "."), (";", "'")]
)
def test_what_does_not_go_together_is_refused(delimiter: str, decimal: str) -> None:
    with pytest.raises(UsageError):
        measures_csv(table(), delimiter=delimiter, decimal=decimal)
