"""``clawvision explain``: on the sample photos, on what cannot be read, and on names that nobody has."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

import clawvision
from clawvision.cli import main
from clawvision.output import read
from clawvision.output.models import AssessmentRecord
from clawvision.output.record import dumps
from tests.output import made_feet
from tests.output.test_output_explanation import assert_explained, known_numbers, numbers_of, one_line

SAMPLES = Path(__file__).parents[2] / "sample_images"


def call(*words: object) -> Result:
    return CliRunner().invoke(main, ["explain", *map(str, words)])


def told(*words: object) -> str:
    result = call(*words)
    assert (result.exit_code, result.stderr) == (0, "")
    return result.stdout


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """An output folder with the invented cow."""
    (tmp_path / "assessment.json").write_bytes(dumps(made_feet.assessment()))
    return tmp_path


def changed(out: Path, change: Callable[[Any], None]) -> None:
    file = out / "assessment.json"
    data = json.loads(file.read_text("utf-8"))
    change(data)
    file.write_text(json.dumps(data), "utf-8")


# --- the sample photos


@pytest.fixture(scope="module")
def samples(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, AssessmentRecord]]:
    folder = tmp_path_factory.mktemp("samples")
    yield folder, clawvision.assess_folder(SAMPLES, folder, jobs=1)


@pytest.mark.parametrize("words", ["plain", "exact"])
def test_every_finding_of_the_samples_is_explained(samples: tuple[Path, AssessmentRecord], words: str) -> None:
    folder, record = samples
    assert sum(len(foot.findings) for foot in record.feet) >= 10
    for animal in record.animals:
        text = told(folder, animal.animal, "--words", words, "--checked")
        feet = [foot for foot in record.feet if foot.animal == animal.animal]
        for owner in (*feet, animal):
            for finding in owner.findings:
                key = {"plain": "text", "exact": "exact"}[words]
                assert_explained(finding.model_dump(mode="json"), one_line(text), key)
            for reason in (*owner.urgency.reasons, *(each.text for each in animal.urgency.questions)):
                assert reason in one_line(text)
            for rule in owner.checked:
                assert f"{rule.rule}, {rule.claw} claw: {rule.why}" in one_line(text) or rule.claw is None
        for foot in feet:
            trim = foot.trim
            for line in (*trim.text, *trim.steps, *trim.slow_down, *trim.feel_for, *trim.cautions):
                assert line in one_line(text)
            for claw, spare in trim.spare.items():
                assert f"{claw} claw: {'the most' if spare.most is not None else 'not said.'}" in one_line(text)


def test_every_number_of_the_samples_is_in_their_json(samples: tuple[Path, AssessmentRecord]) -> None:
    folder, record = samples
    for animal in record.animals:
        for options in ([], ["--words", "exact", "--checked"]):
            stored = known_numbers(json.loads(told(folder, animal.animal, *options, "--json")))
            # Which photos a foot has, and the name of its profile, are texts of the records too.
            stored |= known_numbers([profile.title for profile in record.run.reference_profiles])
            assert numbers_of(told(folder, animal.animal, *options)) - stored == set()


def test_the_lines_of_the_samples_fit(samples: tuple[Path, AssessmentRecord]) -> None:
    folder, record = samples
    for animal in record.animals:
        assert max(map(len, told(folder, animal.animal, "--checked").splitlines())) <= 100


# --- what is asked for


def test_a_file_and_its_folder_are_the_same(out: Path) -> None:
    assert told(out, made_feet.COW) == told(out / "assessment.json", made_feet.COW)


def test_one_foot_or_all_dates(out: Path) -> None:
    assert ("LH, left" in told(out, made_feet.COW)) and ("RH, right" in told(out, made_feet.COW))
    for foot in ("RH", "rh"):
        text = told(out, made_feet.COW, "--foot", foot)
        assert "RH, right hind foot, 2031-04-02" in text and "LH, left" not in text
        assert "A photo of the inner claw." in text
    assert "2030-11-20" not in told(out, made_feet.COW)
    text = told(out, made_feet.COW, "--all-dates")
    assert text.index("RH, right hind foot, 2031-04-02") < text.index("RH, right hind foot, 2030-11-20")


def test_the_words_and_the_rules(out: Path) -> None:
    assert "Dorsal wall length" not in told(out, made_feet.COW)
    assert "Dorsal wall length" in told(out, made_feet.COW, "--words", "exact")
    assert "low-heel" not in told(out, made_feet.COW)
    assert "low-heel, outer claw: no heel_height from these photos" in told(out, made_feet.COW, "--checked")


def test_json_holds_the_records_as_they_are(out: Path) -> None:
    stored = json.loads((out / "assessment.json").read_text("utf-8"))
    feet = stored["feet"]  # as made: RH earlier, LH, RH
    assert json.loads(told(out, made_feet.COW, "--json")) == {"animal": stored["animals"][0], "feet": feet[1:]}
    every = json.loads(told(out, made_feet.COW, "--json", "--all-dates"))
    assert every["feet"] == [feet[1], feet[2], feet[0]]
    assert json.loads(told(out, made_feet.COW, "--json", "--foot", "LH"))["feet"] == feet[1:2]


# --- what cannot be told


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("lindgard 7", 'Did you mean "Lindgard 7"?'),
        ("Lindgrad", 'Did you mean "Lindgard 7"?'),
        ("Zoë", 'There are: "Lindgard 7".'),
        ("", 'There are: "Lindgard 7".'),
        ("\x1b[31m", '"\\x1b[31m"'),
        ("x" * 10_000, "There are"),
    ],
)
def test_an_animal_that_is_not_there(out: Path, name: str, said: str) -> None:
    result = call(out, name)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "holds no animal" in result.stderr and said in result.stderr
    assert "\x1b" not in result.stderr and len(result.stderr) < 1000


def test_the_nearest_of_many_names_are_told_and_not_all(out: Path) -> None:
    def many(data: Any) -> None:
        data["animals"] = [data["animals"][0] | {"animal": f"Invented {number}"} for number in range(2000)]

    changed(out, many)
    said = call(out, "Invented 1999x").stderr
    assert '"Invented 1999" or "Invented ' in said and said.count("Invented") == 4
    assert "and 1990 more" in call(out, "Zoë").stderr
    changed(out, lambda data: data.update(animals=[]))
    assert "holds no animals" in call(out, made_feet.COW).stderr


def test_a_foot_that_was_not_seen(out: Path) -> None:
    result = call(out, made_feet.COW, "--foot", "LF")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "holds no photos of LF of Lindgard 7. There are: LH, RH." in result.stderr


@pytest.mark.parametrize("words", [["--foot", "XX"], ["--words", "kind"], ["--frobnicate"]])
def test_wrong_usage(out: Path, words: list[str]) -> None:
    result = call(out, made_feet.COW, *words)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith("clawvision: ")


@pytest.mark.parametrize(
    "content",
    [b"", b"\xff\xfe", b"[1, 2", b"[" * 100_000, b'{"schema": "clawvision/assessment/2"}', b'{"\x1b[31m": 1}'],
)
def test_a_file_that_is_no_assessment(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "assessment.json").write_bytes(content)
    result = call(tmp_path, "Zoë")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "assessment.json is no assessment" in result.stderr and "assess the photos again" in result.stderr
    assert "\x1b" not in result.stderr and len(result.stderr) < 1000


def test_what_is_missing_or_too_large(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "nowhere is not there" in call(out / "nowhere", made_feet.COW).stderr
    monkeypatch.setattr(read, "MAX_ASSESSMENT_BYTES", 1000)
    result = call(out, made_feet.COW)
    assert result.exit_code == 2 and "larger than" in result.stderr


# --- names from anybody


@pytest.mark.parametrize(
    "name", ["\x1b[2J\x1b]0;x\x07Zoë", "a\nb\rc", "\u202eeoZ", "\x9b31m", "= 1 + 1", "[red]x[/red]"]
)
def test_names_never_act_on_a_terminal(out: Path, name: str) -> None:
    def rename(data: Any) -> None:
        for each in (*data["animals"], *data["feet"]):
            each["animal"] = name

    changed(out, rename)
    shown = call(out, "Nobody").stderr.split('"')[3]
    for given in (name, shown):
        for options in ([], ["--json"]):
            text = told(out, given, *options)
            assert all(each.isprintable() or each == "\n" for each in text)
    assert told(out, name).startswith(shown + "\n")
    assert json.loads(told(out, name, "--json"))["animal"]["animal"] == name


def test_a_terminal_of_few_characters_gets_the_others_as_escapes(out: Path) -> None:
    result = CliRunner(charset="ascii").invoke(main, ["explain", str(out), made_feet.COW])
    assert result.exit_code == 0
    assert "118.5 \\xb1 7.1 mm" in result.stdout
