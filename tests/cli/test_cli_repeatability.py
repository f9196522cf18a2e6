"""``clawvision repeatability``."""

from __future__ import annotations

import csv
import io
import json
import math
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from clawvision.cli import main
from clawvision.repeatability.record import RepeatabilityRecord
from clawvision.types import PhotoResult
from tests.repeatability.photos import herd, photo, write


def call(out: Path, *words: str | Path) -> Result:
    return CliRunner().invoke(main, ["repeatability", *map(str, words), "--out", str(out)])


def told(out: Path, measure: str = "toe_length") -> Any:
    document = json.loads((out / "repeatability.json").read_text("utf-8"), parse_constant=pytest.fail)
    return next(each for each in document["measures"] if each["measure"] == measure)


def values(photos: list[PhotoResult]) -> list[float]:
    return [next(iter(each.claws.values())).measures["toe_length"].value or math.nan for each in photos]


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "repeats"


def test_repeats_are_told(tmp_path: Path, out: Path) -> None:
    photos = herd()
    result = call(out, write(tmp_path / "june", photos))
    assert result.exit_code == 0, result.stderr
    table = np.array(values(photos)).round(3).reshape(12, 3)
    sd = math.sqrt(table.var(axis=1, ddof=1).mean())
    found = told(out)
    assert (found["claws"], found["sets"], found["photos"], found["enough"]) == (12, 12, 36, True)
    assert found["within_sd"]["value"] == pytest.approx(sd, abs=1e-3)
    assert found["sdc"]["value"] == pytest.approx(1.96 * math.sqrt(2) * sd, abs=1e-3)
    assert found["tem_percent"]["value"] == pytest.approx(100 * sd / table.mean(), abs=1e-3)
    assert found["precision"]["r"]["value"] == pytest.approx(2.8 * sd, abs=1e-3)
    # All state U = 2, k = 2.
    assert found["stated_ratio"]["value"] == pytest.approx(sd, abs=1e-3)
    assert found["icc"]["1"]["design"] == "one-way"
    assert found["icc"]["1"]["single"]["value"] > 0.8
    for missing in (found["icc"]["2"]["single"], found["icc"]["3"]["average"], found["precision"]["reproducibility"]):
        assert missing["value"] is None and "--by" in missing["reason"]
    said = " ".join(result.stdout.split())
    sdc = found["sdc"]
    sentence = f"have to differ by more than {sdc['value']:.1f} mm (safely {sdc['high']:.1f} mm) before growth is"
    assert sentence in said and sentence in found["meaning"]
    assert "Rough" not in said
    RepeatabilityRecord.model_validate_json((out / "repeatability.json").read_bytes())


def test_the_table_has_the_same_figures(tmp_path: Path, out: Path) -> None:
    call(out, write(tmp_path / "june", [*herd(), *herd(3, measure="=cmd()")]))
    data = (out / "repeatability.csv").read_bytes()
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8"), newline="")))
    figures = {row["figure"]: row for row in rows if row["measure"] == "toe_length"}
    found = told(out)
    assert float(figures["sdc"]["value"]) == found["sdc"]["value"]
    assert float(figures["icc(1,1)"]["low"]) == found["icc"]["1"]["single"]["low"]
    assert figures["reproducibility"]["value"] == "" and figures["reproducibility"]["reason"]
    assert {row["measure"] for row in rows} == {"toe_length", "'=cmd()"}
    assert b"nan" not in data.lower() and data.endswith(b"\r\n")


def test_what_counts_as_repeats(tmp_path: Path, out: Path) -> None:
    """Another day, stage, claw or status is none; a copy counts once; a photo without a day does not count."""
    photos = herd(3, 2)
    others = [
        photo("Invented 0", 50, 200.0, taken="2031-04-03"),
        photo("Invented 0", 51, 200.0, stage="after"),
        photo("Invented 0", 52, 200.0, claw="inner"),
        photo("Invented 0", 53, 200.0, status="review"),
        photo("Invented 0", 54, 200.0, status="refused"),
        photo("Invented 0", 55, 200.0, taken=None),
        photo("Invented 0", 56, 200.0, foot=None),
    ]
    copy = replace(photos[0], request=replace(photos[0].request, name="copy.jpg"))
    result = call(out, write(tmp_path / "june", [*photos, *others, copy]))
    assert result.exit_code == 0, result.stderr
    found = told(out)
    assert (found["claws"], found["photos"], found["enough"]) == (3, 6, False)
    assert found["within_sd"]["value"] < 5.0
    assert "Rough" in found["meaning"]
    said = " ".join(result.stdout.split())
    for words in (
        "1 photo refused",
        "1 photo in need of a look",
        "1 photo of which foot or claw is not named",
        "1 photo without a day",
        "1 photo given more than once",
    ):
        assert words in said
    call(out, tmp_path / "june", "--with-review")
    assert told(out)["photos"] == 7


def test_assessments_may_come_in_any_order_and_twice(tmp_path: Path, out: Path) -> None:
    photos = herd()
    one, two = write(tmp_path / "one", photos[:20]), write(tmp_path / "two", photos[20:])
    call(out, one, two)
    first = told(out)
    call(out, two / "assessment.json", one, two)
    assert told(out) == first


def groups(shift: float) -> list[PhotoResult]:
    """The herd, and three photos more of each claw by a camera that reads so much more."""
    lengths = np.random.default_rng(5).normal(88.0, 4.0, 12)
    noise = np.random.default_rng(6).normal(0.0, 1.0, (12, 3))
    return herd() + [
        photo(f"Invented {claw}", 10 + number, lengths[claw] + shift + noise[claw, number], camera="Other 2")
        for claw in range(12)
        for number in range(3)
    ]


def test_cameras_that_differ_make_reproducibility_worse(tmp_path: Path, out: Path) -> None:
    result = call(out, write(tmp_path / "june", groups(4.0)), "--by", "camera")
    assert result.exit_code == 0, result.stderr
    found = told(out)
    exact = found["precision"]
    assert exact["groups"] == ["Invented Gantry 5", "Invented Other 2"]
    assert exact["s_r"]["value"] == pytest.approx(1.0, abs=0.25)
    # Two cameras 4 mm apart have a variance of 4² / 2; their difference is known to √(2 / 36) = 0.24 mm or so.
    assert exact["s_between"]["value"] == pytest.approx(math.sqrt(8.0), abs=0.6)
    assert exact["reproducibility"]["value"] == pytest.approx(2.8 * exact["s_reproducibility"]["value"], abs=0.01)
    assert found["icc_crossed"] == 12
    assert found["icc"]["2"]["single"]["value"] < found["icc"]["3"]["single"]["value"]
    assert "ICC(2,1)" in result.stdout


def test_each_assessment_may_be_an_operators(tmp_path: Path, out: Path) -> None:
    """The same photos, outlined by two: once each in the spread within claws, and by operator in r and R."""
    anna = herd()
    boris = [
        replace(each, claws=photo("x", 1, value + 2.0 + 0.1 * (n % 3)).claws)
        for n, (each, value) in enumerate(zip(anna, values(anna), strict=True))
    ]
    result = call(out, write(tmp_path / "anna", anna), write(tmp_path / "boris", boris), "--by", "operator")
    assert result.exit_code == 0, result.stderr
    found = told(out)
    assert (found["photos"], found["precision"]["groups"]) == (36, ["anna", "boris"])
    assert found["precision"]["reproducibility"]["value"] > found["precision"]["r"]["value"]


def test_days_are_groups_of_one_claw(tmp_path: Path, out: Path) -> None:
    photos = [*herd(6), *herd(6, taken="2031-04-03", seed=5)]
    call(out, write(tmp_path / "june", photos), "--by", "day")
    found = told(out)
    assert (found["claws"], found["sets"], found["icc_crossed"]) == (6, 12, 6)
    assert found["precision"]["groups"] == ["2031-04-02", "2031-04-03"]


def test_photos_without_a_camera_are_told(tmp_path: Path, out: Path) -> None:
    result = call(out, write(tmp_path / "june", herd(camera=None)), "--by", "camera")
    assert result.exit_code == 0
    assert "36 photos tell no camera" in " ".join(result.stdout.split())
    assert told(out)["precision"]["s_r"]["value"] is None


def test_outliers_are_told_and_counted(tmp_path: Path, out: Path) -> None:
    photos = herd()
    photos[7] = replace(photos[7], claws=photo("x", 1, 120.0).claws)
    result = call(out, write(tmp_path / "june", photos))
    found = told(out)
    assert {flag["strength"] for flag in found["flags"]} == {"outlier"}
    assert found["flags"][1]["photos"] == [photos[7].request.name]
    assert found["photos"] == 36 and found["within_sd"]["value"] > 3.0
    assert photos[7].request.name in " ".join(result.stdout.split())


def test_photos_of_one_moment_are_doubted(tmp_path: Path, out: Path) -> None:
    """A photo that was saved anew has other bytes, and agrees with itself too well."""
    june = write(tmp_path / "june", [*herd(), *herd(3, claw="inner", taken="2031-04-02T10:00:05")])
    result = call(out, june)
    assert result.exit_code == 0
    said = " ".join(result.stdout.split())
    assert "9 photos were taken in the same second as another of the same claw" in said
    call(out, write(tmp_path / "july", herd()))
    assert json.loads((out / "repeatability.json").read_text("utf-8"))["doubts"] == []


def hand(folder: Path, rows: list[str], head: str = "animal,foot,claw,measure,value") -> Path:
    path = folder / "hand.csv"
    path.write_text("\n".join([head, *rows]) + "\n", "utf-8")
    return path


def test_hand_measures_are_compared(tmp_path: Path, out: Path) -> None:
    photos = herd(photos=1)
    by_hand = [value - 1.0 + 0.5 * (-1) ** n for n, value in enumerate(values(photos))]
    rows = [f"Invented {n},LH,outer,toe_length,{value}" for n, value in enumerate(by_hand)]
    table = hand(tmp_path, [*rows, "Invented 77,LH,outer,toe_length,80"])
    result = call(out, write(tmp_path / "june", photos), "--hand", table)
    assert result.exit_code == 0, result.stderr
    found = told(out)["hand"]
    assert (found["claws"], found["photos"], found["readings"]) == (12, 12, 12)
    differences = np.array(values(photos)) - by_hand
    assert found["difference"]["value"] == pytest.approx(differences.mean(), abs=1e-3)
    assert found["upper"]["value"] == pytest.approx(differences.mean() + 1.96 * differences.std(ddof=1), abs=2e-3)
    assert found["upper"]["low"] < found["upper"]["value"] < found["upper"]["high"]
    assert 0.9 < found["concordance"]["value"] < 1.0
    assert found["hand_sd"]["value"] is None and found["hand_sd"]["reason"]
    said = " ".join(result.stdout.split())
    assert "mean difference +1.0 mm" in said
    assert "line 14: no photo that counts shows this claw then" in said
    # No claw has repeats: that is said as well.
    assert told(out)["sdc"]["reason"] in said


def test_a_hand_measure_of_one_of_several_days_needs_its_day(tmp_path: Path, out: Path) -> None:
    photos = [*herd(4), *herd(4, taken="2031-05-02", seed=9)]
    june = write(tmp_path / "june", photos)
    rows = [f"Invented {n},LH,outer,toe_length,88" for n in range(4)]
    call(out, june, "--hand", hand(tmp_path, rows))
    assert told(out)["hand"]["claws"] == 0
    document = json.loads((out / "repeatability.json").read_text("utf-8"))
    assert "fill the columns taken and stage" in document["hand_unmatched"][0]["why"]
    dated = hand(tmp_path, [f"{row},2031-05-02" for row in rows], "animal,foot,claw,measure,value,taken")
    call(out, june, "--hand", dated)
    assert told(out)["hand"]["claws"] == 4


def test_one_measure_may_be_asked_for(tmp_path: Path, out: Path) -> None:
    june = write(tmp_path / "june", [*herd(), *herd(measure="toe_lift", claw="inner")])
    call(out, june, "--measure", "toe_lift")
    document = json.loads((out / "repeatability.json").read_text("utf-8"))
    assert [each["measure"] for each in document["measures"]] == ["toe_lift"]
    # It may be 0: no percentage, and no growth.
    assert document["measures"][0]["tem_percent"]["value"] is None
    assert "before a change is shown" in document["measures"][0]["meaning"]
    result = call(out, june, "--measure", "toe_lenght")
    assert result.exit_code == 2
    assert 'Did you mean "toe_length"?' in result.stderr


@pytest.mark.parametrize(
    ("photos", "words"),
    [
        (herd(2), "there are 2"),
        (herd(12, 1), "there are 0"),
        (herd(sd=0.0), "equal to the last digit"),
        (herd(foot=None), "foot or claw is not named"),
        ([], "No photo of a named foot was measured"),
    ],
)
def test_too_few_repeats_write_nothing_and_say_why(
    tmp_path: Path, out: Path, photos: list[PhotoResult], words: str
) -> None:
    result = call(out, write(tmp_path / "june", photos))
    assert (result.exit_code, result.stdout) == (2, "")
    assert words in " ".join(result.stderr.split())
    assert "3 photos of each of 10 claws" in result.stderr
    assert not out.exists()


def test_what_cannot_be_read_or_written_is_told(tmp_path: Path, out: Path) -> None:
    june = write(tmp_path / "june", herd())
    result = call(out, tmp_path / "none")
    assert result.exit_code == 2 and "is not there" in result.stderr
    result = call(out, june, "--hand", tmp_path / "none.csv")
    assert result.exit_code == 2 and "none.csv is not a file" in result.stderr
    result = call(out, june, "--by", "moon")
    assert result.exit_code == 2 and "moon" in result.stderr
    out.write_text("a file")
    result = call(out, june)
    assert result.exit_code == 5 and "is no folder" in result.stderr
    assert out.read_text() == "a file"


def test_values_that_no_claw_has_are_refused(tmp_path: Path, out: Path) -> None:
    """Squares of them would overflow."""
    photos = herd()
    photos[0] = replace(photos[0], claws=photo("x", 1, 1e20).claws)
    result = call(out, write(tmp_path / "june", photos))
    assert result.exit_code == 2 and "which no claw has" in result.stderr


def test_absolute_paths_reach_no_output(tmp_path: Path, out: Path) -> None:
    table = hand(tmp_path, ["Invented 0,LH,outer,toe_length,88"])
    result = call(out, write(tmp_path / "june", herd()), "--by", "operator", "--hand", table)
    assert result.exit_code == 0, result.stderr
    for file in out.iterdir():
        assert str(tmp_path) not in file.read_text("utf-8")
    assert str(tmp_path).replace(os.sep, "/") not in result.stdout
