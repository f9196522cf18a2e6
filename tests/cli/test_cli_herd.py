"""``clawvision herd``."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from clawvision.cli import main
from clawvision.findings import assess_feet, load_profiles
from clawvision.findings.profiles import Profile
from clawvision.output import read
from clawvision.output.models import RunInfo
from clawvision.output.record import assessment_record, dumps, photo_facts, photo_record
from clawvision.types import Measure, PhotoRequest, PhotoResult, frozen_mapping
from tests.output import made

BASE = "holstein-parity-2plus"
_UNITS: dict[str, Any] = {"toe_length": "mm", "toe_angle": "deg", "helical_twist": "deg"}


def side(animal: str, foot: str, claw: str, values: dict[str, float], **request: Any) -> PhotoResult:
    """The invented side photo of tests/output, as another claw with these measures."""
    name = f"{animal}_{foot}_{claw}.jpg"
    usual = made.side_result()
    measures = {each: Measure(value, 1.5, _UNITS[each]) for each, value in values.items()}
    shown = replace(usual.claws["outer"], name=claw, measures=frozen_mapping(measures))
    asked = PhotoRequest(Path(name), name, animal=animal, foot=foot, view="side", claw=claw, **request)  # type: ignore[arg-type]
    return replace(usual, request=asked, claws=frozen_mapping({claw: shown}), reasons=())


def herd_photos(lengths: Sequence[float], first: int = 0, **request: Any) -> list[PhotoResult]:
    """Side photos of both claws of both hind feet, four an animal."""
    places = [(foot, claw) for foot in ("LH", "RH") for claw in ("outer", "inner")]
    return [
        side(f"Invented {first + n // 4}", *places[n % 4], {"toe_length": length, "toe_angle": 49.0}, **request)
        for n, length in enumerate(lengths)
    ]


def write(folder: Path, photos: Sequence[PhotoResult], profile: str | None = None) -> Path:
    """An output folder of a run, as ``clawvision assess`` leaves it."""
    records = [photo_record(photo) for photo in photos]
    feet, animals = assess_feet([photo_facts(record) for record in records], load_profiles())
    run = RunInfo(version="0", started="x", finished="y", command=(), parameters={"profile": profile})
    folder.mkdir(parents=True)
    (folder / "assessment.json").write_bytes(dumps(assessment_record(run, records, feet, animals)))
    return folder


def call(*words: str | Path, name: str = "our-cows", base: str = BASE, to: Path) -> Result:
    arguments = [*map(str, words), "--name", name, "--base", base, "--to", str(to)]
    return CliRunner().invoke(main, ["herd", *arguments])


def written(to: Path, name: str = "our-cows") -> Profile:
    """The profile as ``clawvision assess --profiles`` sees it."""
    return load_profiles([to.parent])[name]


def value(profile: Profile, name: str) -> float:
    found = profile.value("hind", name)
    assert found is not None
    return found.value


LENGTHS = np.random.default_rng(8).normal(91.0, 3.0, 80).tolist()


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return write(tmp_path / "june", herd_photos(LENGTHS))


@pytest.fixture
def to(tmp_path: Path) -> Path:
    return tmp_path / "profiles" / "our-cows.toml"


def test_a_profile_is_written_that_the_assessment_can_use(out: Path, to: Path) -> None:
    result = call(out, to=to)
    assert (result.exit_code, result.stdout) == (0, ""), result.stderr
    profile = written(to)
    for name, percent in (("toe_length_usual_low", 10), ("toe_length_usual_high", 90), ("toe_length_watch", 95)):
        assert value(profile, name) == pytest.approx(np.percentile(LENGTHS, percent), abs=0.05 + 1e-9)
    said = " ".join(result.stderr.split())
    assert f"hind toe_length_watch: {value(profile, 'toe_length_watch'):g} mm instead of 100 (80 claws" in said
    assert "fore toe_length: 0 claws of 0 animals" in said and "30 of 15 animals are needed" in said
    assert "Nothing was left out." in said
    for each in (to.read_text("utf-8"), result.stderr):
        assert "Invented" not in each


def test_a_file_and_a_folder_are_the_same_and_their_order_does_not_matter(tmp_path: Path, to: Path) -> None:
    one = write(tmp_path / "one", herd_photos(LENGTHS[:40]))
    two = write(tmp_path / "two", herd_photos(LENGTHS[40:], 10))
    assert call(one, two / "assessment.json", to=to).exit_code == 0
    first = to.read_bytes()
    assert call(two, one, two, to=to).exit_code == 0
    assert to.read_bytes() == first
    assert "80 claws of 20 animals" in first.decode("utf-8")


def test_lame_animals_twisted_claws_and_those_of_another_run_profile_are_told(tmp_path: Path, to: Path) -> None:
    photos = herd_photos(LENGTHS)
    photos += herd_photos([130.0] * 4, 90, locomotion=3)
    photos += [side("Invented 91", "LH", "outer", {"toe_length": 130.0, "helical_twist": 50.0})]
    assessments = [
        write(tmp_path / "cows", photos),
        write(tmp_path / "calves", herd_photos([60.0] * 40, 200), profile="calf-yearling"),
    ]
    result = call(*assessments, to=to)
    assert result.exit_code == 0, result.stderr
    said = " ".join(result.stderr.split())
    assert "1 animal with a locomotion score of 2 or more" in said
    assert "1 claw out of proportion, twisted or with a hollow wall" in said
    assert "20 feet of an animal that is named as of another profile" in said
    assert value(written(to), "toe_length_watch") == pytest.approx(np.percentile(LENGTHS, 95), abs=0.05 + 1e-9)


def test_an_overdue_herd_is_told(tmp_path: Path, to: Path) -> None:
    result = call(write(tmp_path / "late", herd_photos(np.linspace(105, 135, 80).tolist())), to=to)
    assert result.exit_code == 0
    assert (value(written(to), "toe_length_watch"), value(written(to), "toe_length_flag")) == (110.0, 110.0)
    said = " ".join(result.stderr.split())
    assert "held at 110, not above toe_length_flag" in said and "a trim may be overdue" in said


def test_too_few_claws_write_nothing_and_say_how_many(tmp_path: Path, to: Path) -> None:
    result = call(write(tmp_path / "few", herd_photos(LENGTHS[:29])), to=to)
    assert result.exit_code == 2
    assert "hind toe_length: 29 claws of 8 animals" in result.stderr
    assert "30 of 15 animals are needed" in result.stderr
    assert not to.exists()


def test_a_packaged_profile_may_be_replaced_by_its_own_name_only(out: Path, to: Path) -> None:
    assert call(out, name=BASE, to=to).exit_code == 0
    assert value(written(to, BASE), "toe_length_watch") < 100.0
    # Again, upon the packaged values and not upon those that were just written.
    first = to.read_bytes()
    assert call(out, name=BASE, to=to).exit_code == 0
    assert to.read_bytes() == first
    result = call(out, name="jersey", to=to)
    assert result.exit_code == 2 and "packaged profile of other animals" in result.stderr


@pytest.mark.parametrize(
    "content", ["", "my own notes", 'name = "their-cows"\nextends = "jersey"\n', '[[x]]\nname = "our-cows"']
)
def test_a_file_that_is_something_else_is_not_replaced(out: Path, to: Path, content: str) -> None:
    to.parent.mkdir()
    to.write_text(content, "utf-8")
    result = call(out, to=to)
    assert result.exit_code == 5 and "is there already" in result.stderr
    assert to.read_text("utf-8") == content


def test_an_older_profile_of_that_name_is_replaced(out: Path, to: Path) -> None:
    to.parent.mkdir()
    to.write_text('name = "our-cows"\nextends = "jersey"\n', "utf-8")
    assert call(out, to=to).exit_code == 0
    assert value(written(to), "toe_length_flag") == 110.0
    assert [path.name for path in to.parent.iterdir()] == ["our-cows.toml"]


def test_a_name_that_another_file_of_the_folder_has_is_refused(out: Path, to: Path) -> None:
    to.parent.mkdir()
    (to.parent / "older.toml").write_text('name = "our-cows"\nextends = "jersey"\n', "utf-8")
    result = call(out, to=to)
    assert result.exit_code == 2 and "older.toml" in result.stderr
    assert not to.exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"name": "Our Cows"}, "cannot be a profile's name"),
        ({"name": "x\n[hind]"}, "cannot be a profile's name"),
        ({"base": "yak"}, "Known profiles"),
        ({"base": "calf-yearling"}, "judges nothing"),
    ],
)
def test_options_that_cannot_be_used(out: Path, to: Path, options: dict[str, str], words: str) -> None:
    result = call(out, to=to, **options)
    assert result.exit_code == 2 and words in result.stderr
    assert not to.exists()


def test_a_target_that_would_not_be_found_or_cannot_be_written(out: Path, to: Path, tmp_path: Path) -> None:
    assert call(out, to=to.with_suffix(".txt")).exit_code == 2
    (tmp_path / "file").write_text("x")
    assert call(out, to=tmp_path / "file" / "our-cows.toml").exit_code == 5
    to.mkdir(parents=True)
    assert call(out, to=to).exit_code == 5


def _changed(out: Path, change: Any) -> None:
    file = out / "assessment.json"
    data = json.loads(file.read_text("utf-8"))
    change(data)
    file.write_text(json.dumps(data), "utf-8")


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\xff\xfe\x00",
        b"[1, 2",
        b"[]",
        b"[" * 100_000,
        b'{"schema": "clawvision/assessment/2"}',
        b'{"\x1b[31m": 1}',
        b'{"run": ' + b'{"a":' * 5000 + b"1" + b"}" * 5000 + b"}",
    ],
)
def test_a_file_that_is_no_assessment_is_refused_by_name(tmp_path: Path, to: Path, content: bytes) -> None:
    (tmp_path / "assessment.json").write_bytes(content)
    result = call(tmp_path, to=to)
    assert result.exit_code == 2, result.stderr
    assert "assessment.json is no assessment" in result.stderr and "Name an assessment.json" in result.stderr
    assert "\x1b" not in result.stderr and len(result.stderr) < 1000
    assert not to.exists()


def test_what_is_missing_too_large_or_of_another_schema_is_refused(
    out: Path, to: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    result = call(tmp_path / "none", to=to)
    assert result.exit_code == 2 and "none is not there" in result.stderr
    with monkeypatch.context() as patch:
        patch.setattr(read, "MAX_ASSESSMENT_BYTES", 1000)
        result = call(out, to=to)
    assert result.exit_code == 2 and "larger than" in result.stderr
    _changed(out, lambda data: data["photos"][3].update(stage="never"))
    result = call(out, to=to)
    assert result.exit_code == 2 and "photos.3.stage" in result.stderr
    assert not to.exists()


@pytest.mark.parametrize("length", [-3.0, 1e29, -1e29])
def test_lengths_that_no_claw_has_make_no_profile_of_their_own(out: Path, to: Path, length: float) -> None:
    def all_of_that_length(data: Any) -> None:
        for photo in data["photos"]:
            for claw in photo["claws"].values():
                claw["measures"]["toe_length"]["value"] = length

    _changed(out, all_of_that_length)
    result = call(out, to=to)
    if length > 0:  # held by the packaged profile's limit, as any herd that is too long
        assert result.exit_code == 0 and value(written(to), "toe_length_watch") == 110.0
    else:
        assert result.exit_code == 2 and "give no profile that can be used" in result.stderr
        assert not to.exists()
