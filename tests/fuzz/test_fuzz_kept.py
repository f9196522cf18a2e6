"""A few hostile inputs for every reader, and each of those that once broke one, cut down to what broke it."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from clawvision import store
from clawvision.errors import PhotoRefused, UsageError
from clawvision.findings.book import load_rules
from clawvision.findings.profiles import load_profiles, profile_name, read_profile
from clawvision.outline.sidecar import read_sidecar
from clawvision.output.read import read_assessment
from clawvision.photo.read import read_photo
from clawvision.photo.structure import MOST_SCANS, structure_problem
from clawvision.report.pictures import thumbnail
from clawvision.review.drawing import drawn, save
from clawvision.scale.calibration import read_calibration
from clawvision.triage.journal import read_journal
from clawvision.types import PhotoRequest, Settings
from tests.fuzz.__main__ import made
from tests.fuzz.readers import READERS, _calibration_seeds, _journal_seeds, _kept_seeds
from tests.fuzz.watch import tried
from tests.hostile import raw
from tests.output import made_feet

_RUNS = {"report": 4, "compare": 2, "assessment": 10, "drawing": 20, "import": 20}


@pytest.mark.parametrize("name", READERS)
def test_a_reader_keeps_its_contract(name: str, tmp_path: Path) -> None:
    for number in range(_RUNS.get(name, 60)):
        outcome = tried(READERS[name].read, made(name, 20, number), tmp_path)
        assert not outcome.bad, (number, outcome)


def test_the_watch_hears_what_it_is_there_for(tmp_path: Path) -> None:
    place = tmp_path / "place"
    place.mkdir()
    other = tmp_path / "other"

    def refuses(data: bytes, folder: Path) -> None:
        raise UsageError("no")

    assert tried(lambda data, folder: None, b"", place).kind == "read"
    assert tried(refuses, b"", place).kind == "refused"
    assert tried(lambda data, folder: json.loads("{"), b"", place).kind == "crash"
    assert tried(lambda data, folder: (folder / "in").write_bytes(data) and None, b"x", place).kind == "read"
    assert tried(lambda data, folder: other.write_bytes(data) and None, b"x", place).kind == "write outside"
    assert tried(lambda data, folder: other.unlink(), b"x", place).kind == "write outside"


# --- files that are none


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "x.json"
    os.mkfifo(pipe)
    for read in (read_calibration, profile_name, load_rules, read_assessment):
        with pytest.raises(UsageError):
            read(pipe)
    os.mkfifo(tmp_path / "triage.json")
    with pytest.raises(UsageError):
        read_journal(tmp_path)
    assert thumbnail(pipe, 100, 50) is None


def test_an_endless_file_is_not_read_to_its_end(tmp_path: Path) -> None:
    endless = tmp_path / "x.json"
    endless.symlink_to("/dev/zero")
    for read in (read_calibration, profile_name, load_rules):
        with pytest.raises(UsageError):
            read(endless)
    (tmp_path / "a.jpg.outline.json").symlink_to("/dev/zero")
    with pytest.raises(PhotoRefused):
        read_sidecar(tmp_path / "a.jpg")


# --- numbers and names


def test_a_number_too_long_for_a_float(tmp_path: Path) -> None:
    text = f'name = "x"\nextends = "jersey"\n[fore.toe_length_min]\nvalue = {"9" * 400}\nsource = "abc"\nstatus = "J"\n'
    with pytest.raises(UsageError, match="finite"):
        read_profile("x.toml", text.encode(), load_profiles())
    lens = json.loads(_calibration_seeds()[0]) | {"width": 10**400}
    (tmp_path / "lens.json").write_text(json.dumps(lens))
    with pytest.raises(UsageError, match="width"):
        read_calibration(tmp_path / "lens.json")


@pytest.mark.parametrize("change", ["word", "measure"])
def test_an_assessment_with_what_cannot_be(change: str, tmp_path: Path) -> None:
    data = made_feet.assessment().model_dump(mode="json", by_alias=True)
    if change == "word":
        data["run"]["command"][0] = 5
    else:
        claws = next(photo["claws"] for photo in data["photos"] if photo["claws"])
        next(iter(next(iter(claws.values()))["measures"].values()))["value"] = 1e300
    (tmp_path / "assessment.json").write_text(json.dumps(data))
    with pytest.raises(UsageError):
        read_assessment(tmp_path)


@pytest.mark.parametrize("picture", ["", ".", "a/b", "../../a.jpg", "other.jpg"])
def test_a_kept_record_that_names_another_picture_does_not_count(picture: str, tmp_path: Path) -> None:
    (slot,) = store.slots([PhotoRequest(path=tmp_path / "a.jpg", name="a.jpg")], tmp_path)
    slot.record.parent.mkdir()
    slot.record.write_text(json.dumps(json.loads(_kept_seeds()[0]) | {"picture": picture}))
    assert store.load(slot, "key") is None


@pytest.mark.parametrize(
    ("member", "value"),
    [
        *(("folder", "../../x"), ("folder", ".."), ("folder", ""), ("file", "../x.jpg"), ("source", "/etc/passwd")),
        *(("source", "a/../../x"), ("since", "yesterday"), ("since", "2030-05-31T08:00:00")),
    ],
)
def test_a_journal_leads_nowhere(member: str, value: str, tmp_path: Path) -> None:
    data = json.loads(_journal_seeds()[0])
    holder = data["waiting"][0] if member == "since" else data["senders"][0]
    holder = holder if member in holder else holder["photos"][0]
    assert member in holder
    (tmp_path / "triage.json").write_text(json.dumps(data))
    assert read_journal(tmp_path).senders
    holder[member] = value
    (tmp_path / "triage.json").write_text(json.dumps(data))
    with pytest.raises(UsageError):
        read_journal(tmp_path)


def test_a_drawing_nested_too_deeply_is_refused(tmp_path: Path) -> None:
    deep: object = 1
    for _ in range(900):
        deep = {"x": [deep]}
    data = {"outer": {"landmarks_px": {"T": [1, 2]}}, "more": deep}
    with pytest.raises(PhotoRefused, match="deeply"):
        drawn(data, tmp_path / "a.jpg")
    with pytest.raises(PhotoRefused, match="deeply"):
        save(data, tmp_path / "a.jpg", by="Ann")
    assert not list(tmp_path.iterdir())


# --- what keeps a decoder busy


def _passes(count: int) -> bytes:
    jpeg = raw.saved(raw.scene(mode="L"), "JPEG", progressive=True)
    return jpeg[:-2] + jpeg[jpeg.rindex(b"\xff\xda") : -2] * count + jpeg[-2:]


def test_a_jpeg_of_many_passes_is_refused_and_one_of_some_is_not(tmp_path: Path) -> None:
    assert structure_problem("JPEG", _passes(20)) is None
    assert structure_problem("JPEG", _passes(20) + b"\xff\xda" * 1000) is None  # what a phone puts behind it
    assert "passes" in (structure_problem("JPEG", _passes(MOST_SCANS)) or "")
    (tmp_path / "a.jpg").write_bytes(_passes(MOST_SCANS))
    with pytest.raises(PhotoRefused, match="passes"):
        read_photo(tmp_path / "a.jpg", name="a.jpg", settings=Settings())
    assert thumbnail(tmp_path / "a.jpg", 100, 50) is None


def test_a_file_in_too_many_pieces_is_refused() -> None:
    jpeg, png = raw.saved(raw.scene(), "JPEG"), raw.saved(raw.scene(), "PNG")
    assert structure_problem("JPEG", jpeg) is structure_problem("PNG", png) is None
    assert structure_problem("JPEG", jpeg[:2] + raw.segment(0xE5, b"x") * 4001 + jpeg[2:]) is not None
    assert structure_problem("JPEG", jpeg[:2] + b"\0" * 200_000 + jpeg[2:]) is not None
    first, *others = raw.chunks(png)
    assert structure_problem("PNG", raw.png_of([first, *[(b"tEXt", b"a\0b")] * 100_001, *others])) is not None
    large = raw.segment(0xE1, b"Exif\0\0" + bytes(65_000))
    assert "EXIF" in (structure_problem("JPEG", jpeg[:2] + large * 63 + jpeg[2:]) or "")


@pytest.mark.parametrize("lies", [3, 60])
def test_tags_that_claim_the_same_bytes_again_and_again(lies: int) -> None:
    tags = raw.tiff_tags(*raw.SIZE)
    pixels = bytes(9000)
    lying = [(50_000 + number, 7, 1_000_000, b"\x08\0\0\0") for number in range(lies)]
    found = structure_problem("TIFF", raw.tiff([*tags, *lying], pixels))
    assert (found is None) == (lies == 3)  # a few lies are no bomb
