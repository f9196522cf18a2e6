"""The command as a shell starts it: a process of its own."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

SLOW = """
import sys
from functools import partial
from pathlib import Path
import clawvision.cli.assess as command
from clawvision.batch import assess_collected
from clawvision.cli import main
from tests.batch.fakes import Logging
command.assess_collected = partial(assess_collected, worker=Logging(Path(sys.argv.pop(1)), 0.3))
main(prog_name="clawvision")
"""


def test_broken_photos_are_refused_with_advice(tmp_path: Path) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    (photos / "empty.jpg").write_bytes(b"")
    (photos / "text.png").write_bytes(b"this is not a picture")
    (photos / "photos.csv").write_text("photo,animal\nempty.jpg,=A1\ntext.png,<b>\ngone.jpg,\n")
    words = [sys.executable, "-m", "clawvision", "assess", "photos", "--out", "out"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 4, done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    data = json.loads((tmp_path / "out" / "assessment.json").read_bytes())
    codes = [photo["reasons"][0]["code"] for photo in data["photos"]]
    assert codes == ["file_empty", "not_a_photo", "file_missing"]
    assert [photo["animal"] for photo in data["photos"]] == ["=A1", "<b>", "photos"]
    for photo in data["photos"]:
        assert photo["photo"] in done.stderr
        assert photo["reasons"][0]["advice"]


@pytest.mark.skipif(sys.platform == "win32", reason="signals of another kind")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_interrupted_it_keeps_what_is_finished(tmp_path: Path, number: signal.Signals) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    for index in range(30):
        (photos / f"{index:02}.jpg").write_bytes(b"%d" % index)
    out = tmp_path / "out"
    words = [sys.executable, "-c", SLOW, str(tmp_path / "log"), "assess", str(photos), "--out", str(out), "--jobs", "1"]
    process = subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    deadline = time.monotonic() + 60
    while len(list(out.glob("records/*.json"))) < 2:
        assert process.poll() is None
        assert time.monotonic() < deadline
        time.sleep(0.02)
    process.send_signal(number)
    stdout, stderr = process.communicate(timeout=30)
    assert process.returncode == 130, stderr
    assert stdout == ""
    assert "Finished photos are kept" in stderr
    assert "Traceback" not in stderr
    assert 2 <= len(list(out.glob("records/*.json"))) < 30
    assert not list(out.rglob("*.part"))
    assert not (out / "assessment.json").exists()
