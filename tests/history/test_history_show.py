"""``clawvision history show``, ``due`` and ``plot``."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from clawvision.cli import main
from clawvision.history.told import DUE_COLUMNS
from tests.history import made
from tests.history.over_time import day, herd, line, side_photo, stored

ON = str(day(185))


def run(*words: object) -> Result:
    return CliRunner().invoke(main, ["history", *map(str, words)])


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return herd(tmp_path_factory.mktemp("herd") / "herd.sqlite")


def told(result: Result) -> Any:
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_show_tells_lengths_trims_rates_dates_and_cautions(store: Path) -> None:
    result = run("show", store, "Invented 2", "--on", ON)
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert "Invented 2, left hind foot (LH)" in text
    assert "2031-01-01 80.0 ± 2.0 mm check" in text
    assert text.count("--- trim noted ---") == 2
    assert "mm a month (95 %:" in text and "by its own photos" in text
    assert "Rank " in text and " of 6 by its own photos" in text
    assert "Meets 100 mm (toe_length_watch: longer than this is worth watching):" in text
    assert "growth less wear" in text and "no length here is a line or a length to cut to" in text
    assert "assumed" in text
    assert max(map(len, result.stdout.splitlines())) <= 100


def test_show_tells_what_was_found_earlier(store: Path) -> None:
    result = run("show", store, "Invented 3", "--on", ON)
    found = result.stdout.partition("Found earlier")[2]
    assert "2031-01-01: " in found and "2031-06-30: " in found
    early = run("show", store, "Invented 3", "--on", day(10)).stdout.partition("Found earlier")[2]
    assert "2031-01-01: " in early and "2031-06-30: " not in early


def test_show_as_json_has_the_numbers(store: Path) -> None:
    record = told(run("show", store, "Invented 1", "--foot", "lh", "--on", ON, "--json"))
    (foot,) = record["feet"]
    outer, inner = foot["claws"]
    assert (outer["claw"], outer["own_rank"], outer["of"]) == ("outer", 1, 6)
    assert outer["rate_own"]["value"] == pytest.approx(9.0, abs=0.02)
    assert [each["value"] for each in outer["lengths"]] == pytest.approx(
        [length for _, length in line(9.0, 78.0)], abs=0.001
    )
    assert foot["partners"]["state"] == "shown"
    assert outer["forecast"]["kind"] == "already" and inner["forecast"]["kind"] == "dated"
    states = {each["code"]: each["state"] for each in outer["comparisons"]}
    assert states["growth_above_high"] == "shown"
    assert record["cautions"]


def test_a_photo_to_be_looked_at_is_told_and_not_used(tmp_path: Path) -> None:
    photos = [side_photo("Invented 1", "LH", "outer", *each) for each in line(5.0)]
    photos[2] = photos[2].model_copy(update={"status": "review"})
    text = run("show", stored(tmp_path / "h", photos), "Invented 1", "--on", ON).stdout
    assert "Left out: 1 photo that a person has to look at first." in text
    assert str(day(120)) not in text.partition("Found earlier")[0].partition("Meets")[0]


def test_a_foot_without_any_length_is_told_as_not_known(tmp_path: Path) -> None:
    address = stored(tmp_path / "h", [made.refused("x.jpg", "ab" * 32).model_copy(update={"foot": "LF"})])
    result = run("show", address, "Invented 0001", "--on", ON)
    assert result.exit_code == 0, result.output
    assert "nothing is known of its growth" in result.stdout
    due = told(run("due", address, "--on", ON, "--json"))
    assert (due["due"], len(due["unknown"])) == ([], 1)


def test_a_claw_with_one_photo_has_no_date_and_a_reason(tmp_path: Path) -> None:
    address = stored(tmp_path / "h", [side_photo("Invented 1", "RH", "inner", 0, 84.0)])
    text = " ".join(run("show", address, "Invented 1", "--on", ON).stdout.split())
    assert "No rate of its own: No two days" in text and "No date for 100 mm" in text
    assert "Grows longer by" not in text and "There is no pair of claws to compare." in text
    due = run("due", address, "--on", ON).stdout
    assert "Not known, so look yourself:" in due and "0 feet due, 1 not known, 0 later." in due


def test_names_that_are_not_there(store: Path, tmp_path: Path) -> None:
    result = run("show", store, "Invented 11")
    assert result.exit_code == 2 and "Did you mean" in result.stderr
    result = run("show", store, "Invented 1", "--foot", "RF")
    assert result.exit_code == 2 and "nothing of RF" in result.stderr
    assert run("show", tmp_path / "none", "Invented 1").exit_code == 2


def test_due_is_worst_first_and_says_why(store: Path) -> None:
    result = run("due", store, "--on", ON)
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert text.index("1. Invented 1 LH") < text.index("2. Invented 3 LH")
    assert "outer: already 100 mm or more; " in text
    assert "no length here is a line or a length to cut to" in text
    assert "2 feet due, 0 not known, 2 later." in text or "2 feet due, 1 not known, 1 later." in text
    later = told(run("due", store, "--on", ON, "--by", day(700), "--json"))
    assert {foot["animal"] for foot in later["due"]} >= {"Invented 1", "Invented 2", "Invented 3"}
    flag = told(run("due", store, "--on", ON, "--limit", "flag", "--json"))
    assert flag["due"][0]["animal"] == "Invented 1" and flag["limit"] == "toe_length_flag"


def test_due_as_a_table(store: Path, tmp_path: Path) -> None:
    file = tmp_path / "due.csv"
    assert run("due", store, "--on", ON, "--csv", file).exit_code == 0
    rows = list(csv.DictReader(io.StringIO(file.read_text("utf-8"))))
    assert tuple(rows[0]) == DUE_COLUMNS
    assert (rows[0]["animal"], rows[0]["claw"], rows[0]["due"]) == ("Invented 1", "outer", "due")
    assert float(rows[0]["length_mm"]) == pytest.approx(78.0 + 9.0 * 180 / 30.4375, abs=0.5)
    assert run("due", store, "--on", ON, "--csv", file / "due.csv").exit_code == 5


def test_a_table_with_a_name_that_a_spreadsheet_would_compute(tmp_path: Path) -> None:
    photos = [side_photo("=1+1", "LH", "outer", *each) for each in line(5.0, 110.0)]
    assert run("due", stored(tmp_path / "h", photos), "--on", ON, "--csv", tmp_path / "due.csv").exit_code == 0
    assert "\n'=1+1,LH" in (tmp_path / "due.csv").read_text("utf-8")


def test_a_day_gone_by_is_refused(store: Path) -> None:
    assert run("due", store, "--on", ON, "--by", day(0)).exit_code == 2


def test_a_name_that_acts_on_a_terminal_does_not(tmp_path: Path) -> None:
    address = stored(tmp_path / "h", [side_photo("In\x1b[31mvented", "LH", "outer", *each) for each in line(5.0)])
    for words in (["show", address, "In\\x1b[31mvented"], ["due", address, "--by", day(900)]):
        for extra in ([], ["--json"]):
            result = run(*words, *extra, "--on", ON)
            assert result.exit_code == 0, result.output
            assert "\x1b" not in result.stdout and "vented" in result.stdout
    assert run("plot", address, "In\\x1b[31mvented", "--to", tmp_path / "p", "--on", ON).exit_code == 0
    assert all(path.name.replace("_", "").replace(".", "").isalnum() for path in (tmp_path / "p").iterdir())


def test_pictures(store: Path, tmp_path: Path) -> None:
    assert run("plot", store, "Invented 2", "--to", tmp_path / "one", "--on", ON).exit_code == 0
    assert sorted(path.name for path in (tmp_path / "one").iterdir()) == ["Invented_2_LH.png", "Invented_2_LH.svg"]
    svg = (tmp_path / "one" / "Invented_2_LH.svg").read_bytes()
    tags = [element.tag.rpartition("}")[2] for element in ElementTree.fromstring(svg).iter()]
    assert "path" in tags and not {"text", "image", "script"} & set(tags)
    assert b"<dc:date>" not in svg
    picture = np.asarray(Image.open(tmp_path / "one" / "Invented_2_LH.png").convert("RGB"))
    assert picture.shape[1] > picture.shape[0] > 500 and picture.std() > 10


def test_pictures_are_the_same_in_another_process_with_other_settings(store: Path, tmp_path: Path) -> None:
    assert run("plot", store, "Invented 2", "--to", tmp_path / "one", "--on", ON).exit_code == 0
    (tmp_path / "matplotlibrc").write_text("lines.linewidth: 9\nfont.size: 30\n")
    words = ["history", "plot", str(store), "Invented 2", "--to", str(tmp_path / "two"), "--on", ON]
    environment = os.environ | {"MATPLOTLIBRC": str(tmp_path / "matplotlibrc"), "PYTHONHASHSEED": "77"}
    subprocess.run([sys.executable, "-m", "clawvision", *words], check=True, env=environment, capture_output=True)
    for name in ("Invented_2_LH.svg", "Invented_2_LH.png"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_one_photo_can_be_drawn_and_none_cannot(store: Path, tmp_path: Path) -> None:
    assert run("plot", store, "Invented 4", "--to", tmp_path, "--on", ON).exit_code == 0
    assert (tmp_path / "Invented_4_RF.svg").is_file()
    result = run("plot", store, "Invented 4", "--to", tmp_path, "--on", day(10))
    assert result.exit_code == 2


def test_a_missing_package_is_told(store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    result = run("plot", store, "Invented 1", "--to", tmp_path)
    assert result.exit_code == 6 and "clawvision[plots]" in result.stderr
