"""``clawvision assess`` in this process: options, exit status, what is said where."""

from __future__ import annotations

import io
import json
import sys
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

import pytest
from click.testing import CliRunner, Result
from rich.console import Console

import clawvision.cli.assess as command
from clawvision import batch, store
from clawvision.batch import assess_collected
from clawvision.cli import main, report
from clawvision.errors import MissingExtraError
from clawvision.manifest import collect
from clawvision.output.models import ReasonRecord
from clawvision.reasons import reason as photo_reason
from tests.batch.fakes import quick, run_here
from tests.output import made_feet


@pytest.fixture(autouse=True)
def quick_chain(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch, "run_tasks", run_here)
    monkeypatch.setattr(store, "_program", lambda: ("this version",))
    monkeypatch.setattr(command, "assess_collected", partial(assess_collected, worker=quick))


@pytest.fixture
def photos(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "photos"
    folder.mkdir()
    (folder / "a.jpg").write_bytes(b"fine")
    return folder


def call(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def assessment(folder: str = "out") -> Any:
    return json.loads((Path(folder) / "assessment.json").read_bytes())


def test_everything_measured(photos: Path) -> None:
    result = call("assess", "photos", "--out", "out")
    assert result.exit_code == 0, result.output
    assert result.stdout == ""
    assert "Photos: 1. Measured: 1, measured but in need of a look: 0, refused: 0.\n" in result.stderr
    assert "earlier run" not in result.stderr
    assert "Before anybody cuts:" in result.stderr
    result = call("assess", "photos", "--out", "out")
    assert "Kept from an earlier run: 1." in result.stderr


@pytest.mark.parametrize(
    ("contents", "status"),
    [
        ([b"fine", b"fine"], 0),
        ([b"fine", b"doubt"], 3),
        ([b"fine", b"broken"], 3),
        ([b"doubt"], 3),
        ([b"doubt", b"broken"], 3),
        ([b"broken", b"broken"], 4),
    ],
)
def test_status_tells_what_became_of_the_photos(photos: Path, contents: list[bytes], status: int) -> None:
    (photos / "a.jpg").unlink()
    for number, content in enumerate(contents):
        (photos / f"{number}.jpg").write_bytes(content)
    assert call("assess", photos, "--out", "out").exit_code == status


def test_the_summary_names_who_needs_a_person(photos: Path) -> None:
    (photos / "b[red].jpg").write_bytes(b"doubt")
    (photos / "c\x1b[31m.jpg").write_bytes(b"broken")
    (photos / "photos.csv").write_text(
        "photo,animal,foot,signs,locomotion\na.jpg,Zoë,LH,wound,5\nb[red].jpg,Zoë,RH,,\n"
    )
    result = call("assess", photos, photos / "c\x1b[31m.jpg", "--out", "out")
    assert result.exit_code == 3
    assert "review: b[red].jpg\n    - The picture is blurred" in result.stderr
    assert "refused: c\\x1b[31m.jpg\n    - The picture is cut short" in result.stderr
    assert "\x1b" not in result.stderr
    assert result.stderr.index("refused: c") < result.stderr.index("review: b")
    assert "Feet to lift:\n  Zoë LH: Lift and examine this foot today." in result.stderr
    assert "look yourself: Zoë RH" in result.stderr


def test_the_summary_says_what_is_shown_what_to_ask_and_where_the_rest_is() -> None:
    record, closing = made_feet.assessment(), report.Closing()
    for each in (*record.feet, *record.animals, *record.photos):
        closing(each)
    said = " ".join(closing.words(Path("my out"), 0).split())
    assert "Lindgard 7 RH (2031-04-02, before): Lift and examine this foot this week. Outer claw: toe" in said
    assert "Outer claw: toe overgrown; toe angle low. Look at these photos first: byre/sole.jpg." in said
    assert said.count("toe overgrown") == 1
    assert "To know more: Lindgard 7: How does she walk?" in said and "Which day?" not in said
    assert said.endswith("clawvision explain 'my out' ANIMAL")


def test_the_summary_asks_of_animals_with_the_same_question_together(photos: Path) -> None:
    (photos / "b.jpg").write_bytes(b"fine")
    (photos / "c.jpg").write_bytes(b"fine")
    (photos / "photos.csv").write_text("photo,animal,foot,locomotion\na.jpg,Zoë,LH,\nb.jpg,Ada,LH,\nc.jpg,Eve,RH,1\n")
    asked = " ".join(call("assess", photos, "--out", "out").stderr.split()).split("To know more: ")[1]
    assert asked.startswith("Ada, Zoë: How does the animal walk?")
    assert asked.count("How does the animal walk?") == asked.count("Eve: Is there swelling") == 1


def test_photos_with_the_same_trouble_are_told_together(photos: Path) -> None:
    for number in range(60):
        (photos / f"{number:02}.jpg").write_bytes(b"broken")
    said = call("assess", "photos", "--out", "out").stderr
    assert said.count("The picture is cut short") == 1
    assert "49.jpg and 10 more" in " ".join(said.split())


def test_of_very_many_feet_the_first_are_named(photos: Path) -> None:
    names = [f"{number:03}.jpg" for number in range(130)]
    for name in names:
        (photos / name).write_bytes(b"fine")
    rows = [f"{name},cow {name[:3]},LH,{'wound' if name < '110' else ''}" for name in names]
    (photos / "photos.csv").write_text("\n".join(["photo,animal,foot,signs", *rows]))
    said = " ".join(call("assess", "photos", "--out", "out").stderr.split())
    feet, rest = said.split("Feet to lift: ")[1].split("… and 10 more today, see assessment.json.")
    assert feet.count("Lift and examine this foot today") == 100
    assert "cow 099 LH" in feet and "cow 100 LH" not in feet
    assert "look yourself: cow 110 LH" in rest


def test_of_very_many_troubles_the_first_are_told() -> None:
    (photo, *_), closing = made_feet.assessment().photos, report.Closing()
    for number in range(130):
        reason = photo_reason("unreadable", detail=f"trouble {number}")
        told = ReasonRecord(code=reason.code, message=reason.message, advice=reason.advice, effect=reason.effect)
        closing(photo.model_copy(update={"photo": f"{number}.jpg", "status": "refused", "reasons": (told,)}))
    said = closing.words(Path("out"), 0)
    assert "trouble 99." in said and "trouble 100." not in said
    assert "refused for still other reasons: 30 photos, see assessment.json" in said


def test_quiet_says_nothing(photos: Path) -> None:
    (photos / "b.jpg").write_bytes(b"doubt")
    result = call("assess", "photos", "--out", "out", "--quiet")
    assert (result.exit_code, result.output) == (3, "")


def test_a_dry_run_reads_and_writes_nothing(photos: Path) -> None:
    (photos / "notes.txt").write_text("x")
    (photos / "b.jpg").write_bytes(b"x")
    (photos / "photos.csv").write_text("photo,foot,offset_mm\na.jpg,LH,25\nmissing.jpg,,\n")
    result = call("assess", "photos", "--dry-run")
    assert result.exit_code == 0, result.output
    assert "a.jpg: animal photos, foot LH, stage check, offset_mm 25.0" in result.stdout
    assert "missing.jpg (not there: it would be refused)" in result.stdout
    assert "notes.txt: its name does not end in" in result.stdout
    assert "b.jpg: not named in photos" in result.stdout
    assert "Note:" in result.stderr
    assert "Note:" not in result.stdout
    assert not Path("out").exists()


def test_options_reach_the_run(photos: Path) -> None:
    (photos / "own").mkdir()
    Path("calibration").mkdir()
    Path("rows.toml").write_text('off = ["splayed-toes"]\n')
    words = "--print-scale 0.986 --tick-mm 5 --max-file-mb 1.5 --max-megapixels 2 --profile jersey --csv-decimal ,"
    words += " --rules rows.toml"
    result = call("assess", "photos", "--out", "out", "--profiles", photos / "own", "--jobs", 3, *words.split())
    assert result.exit_code == 0, result.output
    run = assessment()["run"]
    assert run["parameters"] == {
        "max_file_bytes": 1_500_000,
        "max_pixels": 2_000_000,
        "print_scale": 0.986,
        "u_print_rel": 0.002,
        "tick_mm": 5.0,
        "min_confidence": 0.95,
        "calibration_dirs": ["calibration"],
        "blur_background": False,
        "engine": "opencv",
        "profile": "jersey",
        "profile_dirs": ["own"],
        "rules": "rows.toml",
        "csv_delimiter": ";",
        "csv_decimal": ",",
    }
    assert run["command"][:3] == ["clawvision", "assess", "photos"]
    assert {"--out", "out", "--jobs", "3"}.isdisjoint(run["command"])
    assert [profile["name"] for profile in run["reference_profiles"]] == ["jersey"]
    foot = assessment()["feet"][0]
    assert foot["profile"] == "jersey"
    assert "splayed-toes" not in {each["rule"] for each in foot["checked"]}
    assert Path("out/measures.csv").read_text().startswith("photo;")


@pytest.mark.parametrize(("given", "written"), [("tab", "\t"), ("semicolon", ";"), ("|", "|")])
def test_the_delimiter(photos: Path, given: str, written: str) -> None:
    assert call("assess", "photos", "--out", "out", "--csv-delimiter", given).exit_code == 0
    assert Path("out/measures.csv").read_text().startswith(f"photo{written}")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("assess", "PHOTOS"),
        ("assess photos", "--out"),
        ("assess nowhere --out out", "nowhere"),
        ("assess photos --out out --manifest nothing.csv", "nothing.csv"),
        ("assess photos --out out --jobs 0", "--jobs"),
        ("assess photos --out out --print-scale 49.3", "--print-scale"),
        ("assess photos --out out --profile jersy", 'Did you mean "jersey"'),
        ("assess photos --out out --profiles nothing", "nothing"),
        ("assess photos --out out --calibration nothing", "nothing"),
        ("assess photos --out out --rules nothing.toml", "nothing.toml"),
        ("assess photos --out out --csv-delimiter ab", "separate"),
        ("assess photos --out out --csv-delimiter , --csv-decimal ,", "comma"),
        ("assess photos --out out --frobnicate", "--frobnicate"),
        ("asses photos --out out", "asses"),
    ],
)
def test_wrong_usage(photos: Path, words: str, said: str) -> None:
    result = call(*words.split())
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert result.stderr.startswith("clawvision: ")
    assert said in result.stderr
    assert "Traceback" not in result.stderr
    assert not Path("out").exists()


def test_a_bad_manifest_is_one_message(photos: Path) -> None:
    (photos / "photos.csv").write_text("photo,foot\na.jpg,XX\na.jpg,LH\n")
    result = call("assess", "photos", "--out", "out")
    assert result.exit_code == 2
    assert result.stderr.count("clawvision: ") == 1
    assert "line 2, column foot" in result.stderr
    assert "line 3, column photo" in result.stderr


def test_out_cannot_be_written(photos: Path) -> None:
    Path("out").write_text("x")
    result = call("assess", "photos", "--out", "out")
    assert result.exit_code == 5
    assert "clawvision: The output folder out cannot be written" in result.stderr


def raising(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    def fail(*args: object, **keywords: object) -> NoReturn:
        raise error

    monkeypatch.setattr(command, "assess_collected", fail)


def test_a_missing_package(photos: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    raising(monkeypatch, MissingExtraError("It takes a package.", "Install it with: pip install 'clawvision[heic]'"))
    result = call("assess", "photos", "--out", "out")
    assert result.exit_code == 6
    assert "pip install" in result.stderr


def test_interrupted(photos: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    raising(monkeypatch, KeyboardInterrupt())
    result = call("assess", "photos", "--out", "out")
    assert result.exit_code == 130
    assert "Finished photos are kept" in result.stderr
    assert "clawvision: interrupted." in result.stderr


def test_a_defect_is_one_line_unless_the_traceback_is_asked_for(photos: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    raising(monkeypatch, ZeroDivisionError("by zero\nand more"))
    monkeypatch.delenv("CLAWVISION_TRACEBACK", raising=False)
    result = call("assess", "photos", "--out", "out")
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert "ZeroDivisionError: by zero\\nand more" in result.stderr
    assert "CLAWVISION_TRACEBACK=1" in result.stderr
    monkeypatch.setenv("CLAWVISION_TRACEBACK", "1")
    assert "Traceback" in call("assess", "photos", "--out", "out").stderr


def test_the_bar_shows_on_a_terminal_only(photos: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (photos / "b[red].jpg").write_bytes(b"fine")
    total = len(collect([photos]).requests)
    for terminal in (True, False):
        screen = io.StringIO()
        monkeypatch.setattr(
            report, "Console", lambda stderr, t=terminal, s=screen: Console(file=s, force_terminal=t, width=100)
        )
        assert call("assess", "photos", "--out", "out").exit_code == 0
        assert (f"{total}/{total}" in screen.getvalue()) == terminal
        assert ("b[red].jpg" in screen.getvalue()) == terminal


def test_python_can_call_the_command_without_ending(photos: Path) -> None:
    assert main(["assess", "photos", "--out", "out", "-q"], standalone_mode=False) == 0


def test_only_the_command_layer_knows_of_the_terminal() -> None:
    root = Path(sys.modules["clawvision"].__file__ or "").parent
    for path in root.rglob("*.py"):
        if path.relative_to(root).parts[0] != "cli":
            text = path.read_text(encoding="utf-8")
            assert "import click" not in text, path
            assert "import rich" not in text, path
            assert "from rich" not in text, path


def test_blurring_is_told_in_the_record_as_it_was_asked(photos: Path) -> None:
    assert call("assess", "photos", "--out", "out", "--blur-background").exit_code == 0
    run = assessment()["run"]
    assert run["parameters"]["blur_background"] is True
    assert run["command"] == ["clawvision", "assess", "photos", "--blur-background"]
