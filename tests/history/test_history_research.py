"""The tables for statistics say what is stored, all of it and nothing else."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pyarrow.parquet as parquet
import pytest
import shapely
from click.testing import CliRunner

from clawvision.cli import main
from clawvision.errors import OutputError
from clawvision.history import research
from clawvision.history.research import write_research
from clawvision.history.store import add, foot_history, open_store
from tests.history import made
from tests.history.test_history_exchange import varied
from tests.history.test_history_store import HOSTILE


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store and its tables."""
    folder = tmp_path_factory.mktemp("research")
    with open_store(str(folder / "h"), "create") as store:
        for record in varied():
            add(store, record)
        write_research(store, folder / "tables")
    return folder


def read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_every_measure_that_is_read_has_one_row(full: Path) -> None:
    rows = read(full / "tables" / "measures.csv")
    with open_store(str(full / "h")) as store:
        names = {row["animal"].removeprefix("'") if row["animal"][1:] in HOSTILE else row["animal"] for row in rows}
        stored = [row for name in names for row in foot_history(store, name)]
    assert len(rows) == len(stored) > 500
    told = {(row["photo_sha256"], row["claw"], row["measure"]): row for row in rows}
    for each in stored:
        row = told[each.sha256 or "", each.claw or "", each.measure]
        assert [float(row[n]) if row[n] else None for n in ("value", "uncertainty")] == [each.value, each.uncertainty]
        assert (row["unit"], row["reason"], row["flags"]) == (each.unit, each.reason or "", " ".join(each.flags))
        assert row["day"] == (each.day.isoformat() if each.day else "") and row["status"] == each.status != "refused"
        assert row["stage"] == each.stage and row["foot"] == each.foot


def test_every_row_tells_where_it_comes_from(full: Path) -> None:
    for name in ("measures.csv", "outlines.csv"):
        for row in read(full / "tables" / name):
            assert row["software_version"] == "0.1.0" and row["model_sha256"] == made.MODEL
            assert len(row["photo_sha256"]) == len(row["parameters_sha256"]) == 64
            assert row["assessed"].endswith("+00:00")


def test_no_cell_is_a_formula(full: Path) -> None:
    for file in (full / "tables").glob("*.csv"):
        for row in read(file):
            for name, cell in row.items():
                if name not in ("value", "uncertainty"):
                    assert not cell.lstrip().startswith(("=", "+", "-", "@")), (file.name, name, cell)
    assert any(row["animal"] == "'=1+1" for row in read(full / "tables" / "measures.csv"))


def test_parquet_is_the_same_table_with_types(full: Path) -> None:
    table = parquet.read_table(full / "tables" / "measures.parquet")
    rows = read(full / "tables" / "measures.csv")
    assert table.column_names == list(rows[0])
    assert [str(table.schema.field(name).type) for name in ("value", "day", "locomotion", "animal")] == [
        "double",
        "date32[day]",
        "int16",
        "string",
    ]
    for row, typed in zip(rows, table.to_pylist(), strict=True):
        assert (float(row["value"]) if row["value"] else None, row["unit"]) == (typed["value"], typed["unit"])
        assert row["photo"].removeprefix("'") == typed["photo"]
        assert row["day"] == ("" if typed["day"] is None else typed["day"].isoformat())
        assert row["animal"].removeprefix("'") == typed["animal"].removeprefix("'")


def test_outlines_are_the_same_in_both_files(full: Path) -> None:
    rows = read(full / "tables" / "outlines.csv")
    lines = [json.loads(line) for line in (full / "tables" / "outlines.jsonl").read_text("utf-8").splitlines()]
    assert len(rows) == len(lines) > 30
    for row, line in zip(rows, lines, strict=True):
        polygon = shapely.from_wkt(row["outline_wkt"])
        assert [list(point) for point in polygon.exterior.coords[:-1]] == line["outline_mm"]
        assert line["properties"]["photo_sha256"] == row["photo_sha256"] and line["properties"]["claw"] == row["claw"]
        assert line["landmarks_mm"]["T"] == [-60.11, 4.0]
    first = made.herd(2, 2).photos[0].claws
    assert lines[0]["outline_mm"] == [list(point) for point in next(iter(first.values())).outline_mm or ()]


def test_the_dictionary_tells_every_column(full: Path) -> None:
    told = read(full / "tables" / "data-dictionary.csv")
    assert all(row["meaning"] and row["type"] in ("text", "number", "integer", "day") for row in told)
    for file in ("measures.csv", "outlines.csv"):
        columns = list(read(full / "tables" / file)[0])
        assert columns == [row["column"] for row in told if file in row["files"].split()]
    for row in read(full / "tables" / "measures.csv"):
        for each in told:
            if "measures.csv" in each["files"] and each["values"] and row[each["column"]]:
                assert row[each["column"]] in each["values"].split()


def test_tables_are_whole_or_not_there(full: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "measures.csv").write_text("older")

    def broken(*_: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(research, "number_cell", broken)
    with open_store(str(full / "h")) as store, pytest.raises(OutputError, match="No space left"):
        write_research(store, tmp_path)
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [("measures.csv", "older")]


def test_the_command(full: Path, tmp_path: Path) -> None:
    def run(*words: object) -> tuple[int, str]:
        result = CliRunner().invoke(main, ["history", "research", *map(str, words)])
        return result.exit_code, result.output

    code, said = run(full / "h", "--to", tmp_path / "t")
    assert code == 0 and "measures" in said
    for name in ("measures.csv", "measures.parquet", "outlines.csv", "outlines.jsonl", "data-dictionary.csv"):
        assert (tmp_path / "t" / name).read_bytes() == (full / "tables" / name).read_bytes()
    assert run(full / "h", "--to", tmp_path / "u", "--no-parquet")[0] == 0
    assert not (tmp_path / "u" / "measures.parquet").exists()
    (tmp_path / "file").touch()
    assert run(full / "h", "--to", tmp_path / "file" / "t")[0] == 5
