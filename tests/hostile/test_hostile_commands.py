"""The commands on the kept hostile files: no traceback, a word on every file, nothing written but in the output."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import struct
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest
from PIL import Image

from clawvision.errors import UsageError
from clawvision.manifest import read_manifest
from tests.hostile import corpus, raw
from tests.report.made import parsed

pytestmark = pytest.mark.skipif(os.name == "nt", reason="links, pipes and such names are of other systems")

_LIMIT_S = 400
_GPS = struct.pack("<I", 0x8825)[:2] + struct.pack("<HI", raw.LONG, 1)
"""An entry of EXIF data that leads to a place."""
_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".json", ".csv", ".txt", ".html")


@dataclass(frozen=True)
class Ran:
    around: Path
    out: Path
    status: int
    said: str


def run(around: Path, *words: str | Path) -> Ran:
    """Run a command with a home of its own, where everything but its output is watched."""
    home = around / "home"
    home.mkdir(exist_ok=True)
    environment = {**os.environ, "HOME": str(home), "XDG_CACHE_HOME": str(home), "CLAWVISION_TRACEBACK": "1"}
    code = "import sys; from clawvision.cli import main; sys.exit(main(sys.argv[1:], standalone_mode=True))"
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        **{"capture_output": True, "cwd": around, "env": environment, "timeout": _LIMIT_S},  # type: ignore[call-overload]
    )
    said = (done.stdout + done.stderr).decode("utf-8", "surrogateescape")
    assert "Traceback" not in said, said[-3000:]
    return Ran(around, around / "out", done.returncode, said)


def snapshot(folder: Path, without: Path) -> dict[str, object]:
    """Return what lies in a folder, but for one folder in it: sizes, times and hashes; links as links."""
    found: dict[str, object] = {}
    for place, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if Path(place) / name != without]
        for name in (*folders, *names):
            path = Path(place) / name
            status = path.lstat()
            content = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() and not path.is_symlink() else ""
            found[str(path)] = (status.st_mode, content, path.is_symlink() and path.readlink())
    return found


def texts(folder: Path) -> dict[Path, str]:
    return {
        path: path.read_bytes().decode("utf-8")
        for path in folder.rglob("*")
        if path.is_file() and path.suffix in (".json", ".csv", ".txt", ".html")
    }


def check_output(out: Path) -> None:
    """Names that are safe, cells that no spreadsheet computes, no place on earth, no path of this machine."""
    for path in out.rglob("*"):
        assert not path.is_symlink()
        assert path.resolve().is_relative_to(out.resolve())
        assert path.name.isprintable() and len(path.name.encode()) < 256, ascii(path.name)
        assert path.is_dir() or path.suffix in _SUFFIXES or path.name == ".triage.lock", path.name
        if path.is_file():
            data = path.read_bytes()
            assert b"56.789" not in data and b"12.3456" not in data, path.name
            assert _GPS not in data, path.name
            if path.parent.name == "photos":  # what triage keeps of a photo, or of what is none
                for each in (corpus.MARKUP.encode(), b"climbed", b"Photoshop", b"Author"):
                    assert each not in data, path.name
            elif path.suffix in (".jpg", ".png"):
                with Image.open(io.BytesIO(data)) as picture:
                    assert not picture.getexif() and not picture.info.get("comment")
    for path, text in texts(out).items():
        assert str(out.parent) not in text, path.name
        if path.suffix == ".csv":
            for cell in (cell for row in csv.reader(io.StringIO(text)) for cell in row):
                if cell.startswith(("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")):
                    float(cell)  # a number, and nothing else


@pytest.fixture(scope="module")
def assessed(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    around = tmp_path_factory.mktemp("around")
    (around / "secret.jpg").write_bytes(raw.saved(raw.scene(), "JPEG", comment=b"secret"))
    corpus.write(around / "photos", around / "secret.jpg")
    before = snapshot(around, around / "out")
    (around / "home").mkdir()
    ran = run(around, "assess", around / "photos", "--out", around / "out", "--jobs", "2")
    after = snapshot(around, around / "out")
    after.pop(str(around / "home"))
    assert after == before
    return ran


def test_every_file_has_its_record_and_its_reason(assessed: Ran) -> None:
    assert assessed.status == 4, assessed.said
    record = json.loads((assessed.out / "assessment.json").read_bytes())
    names = {photo["photo"] for photo in record["photos"]}
    pictures = [path for path in (assessed.around / "photos").iterdir() if path.suffix in (".jpg", ".png", ".tif")]
    assert len(names) == sum(not path.is_dir() for path in pictures if not path.name.startswith("."))
    for photo in record["photos"]:
        assert photo["status"] == "refused"
        assert any(each["effect"] == "refused" and each["message"] and each["advice"] for each in photo["reasons"])
        assert "internal_error" not in [each["code"] for each in photo["reasons"]], photo["photo"]
    check_output(assessed.out)


def test_what_is_said_on_the_terminal_prints(assessed: Ran) -> None:
    lines = assessed.said.replace("\r", "\n").split("\n")
    assert all(line.isprintable() for line in lines), [line for line in lines if not line.isprintable()][:3]


def test_the_report_of_it_holds_no_markup_of_theirs(assessed: Ran) -> None:
    before = snapshot(assessed.around, assessed.out)
    ran = run(assessed.around, "report", assessed.out)
    assert ran.status == 0, ran.said
    assert snapshot(assessed.around, assessed.out) == before
    (page,) = assessed.out.glob("*.html")
    text = page.read_text("utf-8")
    assert "<script" not in text and "<img src=x" not in text
    parsed(text)
    check_output(assessed.out)


def test_a_table_of_formulas_and_markup(assessed: Ran) -> None:
    around = assessed.around / "with_table"
    photos = around / "photos"
    photos.mkdir(parents=True)
    for name in ("place.jpg", "lies.jpg", "cut.jpg", "loop.jpg"):
        (photos / name).write_bytes((assessed.around / "photos" / name).read_bytes())
    for name in corpus.NAMES[3:5]:
        (photos / name).write_bytes(b"GIF89a")
    (photos / "photos.csv").write_text(corpus.hostile_manifest(), "utf-8")
    ran = run(around, "assess", photos, "--out", around / "out", "--jobs", "2")
    assert ran.status == 4, ran.said
    assert run(around, "report", around / "out").status == 0
    check_output(around / "out")
    (page,) = (around / "out").glob("*.html")
    assert "<script" not in page.read_text("utf-8")


@pytest.mark.parametrize("name", corpus.CLIMBING)
def test_a_table_names_nothing_outside(name: str, tmp_path: Path) -> None:
    (tmp_path / "secret.jpg").write_bytes(b"x")
    photos = tmp_path / "photos"
    photos.mkdir()
    (photos / "link_out.jpg").symlink_to(tmp_path / "secret.jpg")
    (photos / "photos.csv").write_text(f"photo\n{name}\n")
    with pytest.raises(UsageError):
        read_manifest(photos / "photos.csv")


def test_check_has_a_word_on_every_file(assessed: Ran) -> None:
    ran = run(assessed.around, "check", assessed.around / "photos", "--json")
    assert ran.status == 4, ran.said
    told = json.loads(ran.said[ran.said.index("{") : ran.said.rindex("}") + 1])
    assert len(told["photos"]) > 50
    assert all(each["answer"] == "take it again" and each["reasons"] for each in told["photos"])


_TO_TRIAGE = (
    *("place.jpg", "bomb_passes.jpg", "cut.png", "jpeg_and_zip.jpg", "jpeg_and_html.jpg", "animated.png", "lab.tif"),
    *("bomb_tile.tif", "bomb_text.png", "bomb_tags.jpg", "html.jpg", "empty.jpg"),
)


def test_triage_of_it_writes_nothing_outside(assessed: Ran) -> None:
    around = assessed.around / "for_triage"
    sender = around / "inbox" / corpus.MARKUP.replace("/", "_")[:60]
    sender.mkdir(parents=True)
    (around / "home").mkdir()
    for name in (*corpus.NAMES[:4], *_TO_TRIAGE):
        (sender / name).write_bytes((assessed.around / "photos" / name).read_bytes())
    (sender / "link_out.jpg").symlink_to(assessed.around / "secret.jpg")
    (sender / "photos.csv").write_text("photo,animal\n../../secret.jpg,=1+1\n", "utf-8")
    os.mkfifo(sender / "pipe.jpg")
    before = snapshot(around, around / "out")
    ran = run(around, "triage", around / "inbox", "--out", around / "out", "--settle", "0", "--give-up", "0")
    assert ran.status == 0, ran.said
    assert snapshot(around, around / "out") == before
    check_output(around / "out")
    worklist = json.loads((around / "out" / "worklist.json").read_bytes())
    # Without what stands behind and beside their pictures, jpeg_and_zip.jpg and jpeg_and_html.jpg are one photo.
    assert sum(len(animal["to_look_at"]) for animal in worklist["animals"]) == 4 + len(_TO_TRIAGE) - 1
