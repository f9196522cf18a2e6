"""Tables of hand measures, good and hostile."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from clawvision.errors import UsageError
from clawvision.repeatability.hand import HandReading, read_hand

CLAW, FOOT = ("toe_length", "toe_angle"), ("length_difference",)
HEAD = "animal,foot,claw,measure,value"
GOOD = f"{HEAD}\nAlma,LH,outer,toe_length,86.5\n"


def read(folder: Path, content: str | bytes) -> tuple[HandReading, ...]:
    path = folder / "hand.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_hand(path, CLAW, FOOT)[0]


def test_a_table_is_read(tmp_path: Path) -> None:
    rows = read(
        tmp_path,
        "Animal;Foot;Claw;Measure;Value;Taken;Stage;Operator;x_mood\r\n"
        "Alma;lh;Outer;toe_length;86,5;2031-04-02T10:00;after;Anna;good\r\n"
        "Alma;LH;;length_difference;-3;;;;\r\n"
        "Alma;LH;both;length_difference;-3,5;;;;\r\n",
    )
    assert rows[0] == HandReading(2, "Alma", "LH", "outer", "toe_length", 86.5, date(2031, 4, 2), "after", "Anna")
    assert [(row.claw, row.value, row.taken) for row in rows[1:]] == [(None, -3.0, None), (None, -3.5, None)]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le"])
def test_what_spreadsheets_write_is_read(tmp_path: Path, encoding: str) -> None:
    assert read(tmp_path, GOOD.replace("Alma", "Ålma").encode(encoding))[0].animal == "Ålma"


def test_another_encoding_is_noted(tmp_path: Path) -> None:
    path = tmp_path / "hand.csv"
    path.write_bytes(GOOD.replace("Alma", "Älma").encode("cp1252"))
    rows, notes = read_hand(path, CLAW, FOOT)
    assert rows[0].animal == "Älma"
    assert "Windows-1252" in notes[0]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (GOOD.replace("value", "valu"), ["valu", 'Did you mean "value"?']),
        (GOOD.replace("claw,", "claws,"), ['Did you mean "claw"?']),
        (f"{HEAD}\n", ["names no hand measures"]),
        (f"{HEAD}\nAlma,LH,outer,toe_length,=1+1\n", ["line 2, column value", '"=1+1" is not a number']),
        (f"{HEAD}\nAlma,LH,outer,toe_length,=HYPERLINK(1)\n", ["column value"]),
        (f"{HEAD}\nAlma,LH,outer,toe_length,nan\n", ["is not a number"]),
        (f"{HEAD}\nAlma,LH,outer,toe_length,1e9\n", ["is not between"]),
        (f"{HEAD}\nAlma,LH,outer,toe_length,86.5 mm\n", ["without a unit"]),
        (f"{HEAD}\nAlma,LH,outer,toe_lenght,86\n", ['no measure "toe_lenght"', 'Did you mean "toe_length"?']),
        (f"{HEAD}\nAlma,LX,outer,toe_length,86\n", ["LF RF LH RH"]),
        (f"{HEAD}\nAlma,LH,outre,toe_length,86\n", ['Did you mean "outer"?']),
        (f"{HEAD}\nAlma,LH,,toe_length,86\n", ["toe_length is of one claw"]),
        (f"{HEAD}\nAlma,LH,outer,length_difference,2\n", ["length_difference is of both claws"]),
        (f"{HEAD}\n,LH,outer,toe_length,86\n", ["column animal: it is empty"]),
        (f"{HEAD},taken\nAlma,LH,outer,toe_length,86,2.4.31\n", ["not an ISO 8601 date"]),
        (f"{HEAD}\nAl\x1b[2Jma,LH,outer,toe_length,86\n", ["do not print"]),
        (f"{HEAD}\nAlma,LH,outer,toe_length,86,17\n", ["6 cells"]),
        (f'{HEAD}\n"Alma,LH\n', ["broken here"]),
        (b"\x00\x01\x02\x03\x00\xff", ["is not a text file"]),
        (b"a" * 10_000_001, ["more than 10 MB"]),
    ],
)
def test_a_table_that_cannot_be_used_is_told(tmp_path: Path, content: str | bytes, words: list[str]) -> None:
    with pytest.raises(UsageError) as error:
        read(tmp_path, content)
    for word in words:
        assert word in str(error.value)
    assert "\x1b" not in str(error.value)


def test_all_bad_rows_are_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(UsageError) as error:
        read(tmp_path, f"{HEAD}\nAlma,LH,outer,toe_length,x\nAlma,LH,outer,toe_length,y\n")
    assert "line 2" in str(error.value) and "line 3" in str(error.value)


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="is not a file"):
        read_hand(tmp_path / "none.csv", CLAW, FOOT)
