"""Nothing is lost: kills, full disks, photos and shares that cannot be read cost at most the photo in hand."""

from __future__ import annotations

import errno
import os
import subprocess
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import clawvision.cli.assess as command
from clawvision import batch, store
from clawvision.batch import assess_collected, assess_folder
from clawvision.cli import main
from clawvision.errors import OutputError, UsageError
from clawvision.executors import processes
from clawvision.output.models import PhotoRecord
from clawvision.types import PhotoRequest, Settings
from tests.batch.fakes import Logging, quick
from tests.batch.kills import children, herd, kill_at_random, written

pytestmark = pytest.mark.usefixtures("one_program")


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="a process's children cannot be found here")
def test_killed_ten_times_at_random(tmp_path: Path) -> None:
    told = kill_at_random(tmp_path, 10, photos=20, seconds=0.03, seed=7)
    assert told.kills == 10
    assert told.parents and not children(os.getpid())


class TestFullDisk:
    def disk_full(self, monkeypatch: pytest.MonkeyPatch, after: int, number: int = errno.ENOSPC) -> None:
        """Let so many files be written, and then no more."""
        real, count = os.fsync, 0

        def fsync(descriptor: int) -> None:
            nonlocal count
            count += 1
            if count > after:
                raise OSError(number, os.strerror(number))
            real(descriptor)

        monkeypatch.setattr(os, "fsync", fsync)

    @pytest.mark.usefixtures("here")
    @pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT])
    def test_it_is_told_what_is_full_what_is_kept_and_what_to_do(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
    ) -> None:
        photos = herd(tmp_path / "photos", 6)
        with monkeypatch.context() as patch:
            self.disk_full(patch, 5, number)  # a picture and a record a photo
            with pytest.raises(OutputError) as caught:
                assess_folder(photos, tmp_path / "out", worker=quick)
        said = str(caught.value)
        assert os.strerror(number) in said and "002-" in said
        assert "So far 2 of 6 photos are finished and kept: once this is put right, the same command goes on" in said
        assert f"Make room on the disk that holds {tmp_path / 'out' / 'records'}" in said
        assert not list((tmp_path / "out").rglob("*.part"))
        kept: list[bool] = []
        assess_folder(photos, tmp_path / "out", worker=quick, progress=lambda done: kept.append(done.kept))
        assert sorted(kept) == [False] * 4 + [True] * 2
        assess_folder(photos, tmp_path / "whole", worker=quick)
        assert written(tmp_path / "out") == written(tmp_path / "whole")

    @pytest.mark.usefixtures("here")
    def test_the_command_ends_with_five_where_only_the_assessment_has_no_room(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        photos, out = herd(tmp_path / "photos", 6), tmp_path / "out"
        monkeypatch.setattr(command, "assess_collected", partial(assess_collected, worker=quick))
        words = ["assess", str(photos), "--out", str(out)]
        with monkeypatch.context() as patch:
            self.disk_full(patch, 11)  # the broken photo has no picture
            result = CliRunner().invoke(main, words)
        assert result.exit_code == 5
        assert "assessment.json cannot be written: No space left on device." in " ".join(result.stderr.split())
        assert "All 6 photos are finished and kept" in " ".join(result.stderr.split())
        assert "Traceback" not in result.stderr
        assert sorted(path.name for path in out.iterdir()) == ["annotated", "records"]
        result = CliRunner().invoke(main, words)
        assert result.exit_code == 3
        assert "Kept from an earlier run: 6." in result.stderr

    @pytest.fixture
    def small_disk(self, tmp_path: Path) -> Iterator[Path]:
        folder = tmp_path / "small"
        folder.mkdir()
        mounting = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
        try:
            subprocess.run(mounting, check=True, capture_output=True)
        except (OSError, subprocess.CalledProcessError) as error:
            pytest.skip(f"no disk can be mounted here ({type(error).__name__})")
        yield folder
        subprocess.run(["umount", str(folder)], check=True)

    def test_a_disk_that_really_fills_up(self, tmp_path: Path, small_disk: Path) -> None:
        photos = herd(tmp_path / "photos", 12)
        for path in photos.glob("*.jpg"):
            path.write_bytes(path.read_bytes() + bytes(60_000))  # so large is the picture, then
        filler = small_disk / "filler"
        filler.write_bytes(bytes(600_000))
        out, log = small_disk / "out", tmp_path / "log"
        with pytest.raises(OutputError, match="No space left") as caught:
            assess_folder(photos, out, worker=Logging(log), jobs=2)
        finished = {path.name[:3] for path in out.glob("records/*.json")}
        assert 1 <= len(finished) < 12
        assert f"Make room on the disk that holds {out}" in str(caught.value)
        assert not list(out.rglob("*.part"))
        filler.unlink()
        log.write_text("")
        assess_folder(photos, out, worker=Logging(log), jobs=2)
        assert {name[:3] for name in log.read_text().split()} == {f"{n:03}" for n in range(12)} - finished
        assess_folder(photos, tmp_path / "whole", worker=Logging(log))
        assert written(out) == written(tmp_path / "whole")


@pytest.mark.usefixtures("here")
class TestUnreadable:
    @pytest.fixture
    def photos(self, tmp_path: Path) -> Path:
        return herd(tmp_path / "photos", 6)

    def unreadable(self, monkeypatch: pytest.MonkeyPatch, number: int, after: int = 0) -> None:
        """Have photo 003 fail to open, after so many times that it can be opened."""
        real, count = Path.open, 0

        def open_(path: Path, *args: Any, **keywords: Any) -> Any:
            nonlocal count
            if path.name == "003.jpg":
                count += 1
                if count == after + 1 or not after:
                    raise OSError(number, os.strerror(number))
            return real(path, *args, **keywords)

        monkeypatch.setattr(Path, "open", open_)

    def again(self, photos: Path) -> list[str]:
        """Run, and return the photos that were measured and not taken from an earlier run."""
        log = photos.parent / "log"
        log.write_text("")
        assess_folder(photos, photos.parent / "out", worker=Logging(log))
        return sorted(log.read_text().split())

    @pytest.mark.parametrize("number", [errno.EIO, errno.EACCES, errno.ESTALE])
    @pytest.mark.parametrize("after", [0, 1], ids=["always", "only while it is measured"])
    def test_one_photo_is_refused_and_tried_again(
        self, photos: Path, monkeypatch: pytest.MonkeyPatch, number: int, after: int
    ) -> None:
        with monkeypatch.context() as patch:
            self.unreadable(patch, number, after)
            log = photos.parent / "log"
            record = assess_folder(photos, photos.parent / "out", worker=Logging(log))
        assert [photo.photo for photo in record.photos if photo.reasons[:1]] == ["003.jpg"]
        assert record.photos[3].reasons[0].code == "unreadable"
        assert self.again(photos) == ["003.jpg"]
        assert self.again(photos) == []

    @pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="nothing is forbidden to this user")
    def test_a_photo_that_may_not_be_read(self, photos: Path) -> None:
        (photos / "003.jpg").chmod(0)
        assert "003.jpg" in self.again(photos)
        (photos / "003.jpg").chmod(0o600)
        assert self.again(photos) == ["003.jpg"]

    def test_a_photo_that_changes_while_it_is_measured_is_measured_again(self, photos: Path, tmp_path: Path) -> None:
        worker = Changing()
        assess_folder(photos, tmp_path / "out", worker=worker)
        kept: list[str] = []
        record = assess_folder(
            photos, tmp_path / "out", worker=worker, progress=lambda done: kept.append(done.name) if done.kept else None
        )
        assert kept == [f"{n:03}.jpg" for n in (0, 1, 2, 4, 5)]
        assert record.photos[3].status == "review"

    @pytest.mark.parametrize("left", ["nothing", "an empty folder"])
    def test_a_share_that_goes_stops_the_run_and_costs_no_finished_photo(self, photos: Path, left: str) -> None:
        assert len(self.again(photos)) == 6
        out, away = photos.parent / "out", photos.parent / "away"
        before = written(out)
        changed = (photos / "001.jpg", b"fine, but another")
        changed[0].write_bytes(changed[1])

        def go(done: batch.PhotoDone) -> None:
            if done.done == 3:
                photos.rename(away)
                if left == "an empty folder":
                    photos.mkdir()

        with pytest.raises(UsageError, match="can no longer be read") as caught:
            assess_folder(photos, out, worker=Logging(photos.parent / "log"), progress=go)
        assert "the same command goes on" in caught.value.remedy
        after = written(out)
        assert {name for name in after if after[name] != before.get(name)} <= {
            name for name in after if "001" in name
        }, "no record or picture of another photo was touched"
        if left == "an empty folder":
            photos.rmdir()
        away.rename(photos)
        assert self.again(photos) == []

    def test_a_folder_that_never_was_there_is_only_refused(self, photos: Path) -> None:
        table = photos / "photos.csv"
        table.write_text(table.read_text() + "\nnever/was.jpg,cow 9,LF")
        record = assess_folder(photos, photos.parent / "out", worker=quick)
        assert [photo.reasons[0].code for photo in record.photos if photo.photo == "never/was.jpg"] == ["file_missing"]
        assert len(record.photos) == 7


class Changing:
    """``quick`` that has one photo replaced while it is measured, the first time."""

    def __call__(self, request: PhotoRequest, settings: Settings) -> tuple[PhotoRecord, bytes | None]:
        result = quick(request, settings)
        if request.name == "003.jpg" and request.path.read_bytes().startswith(b"broken"):
            request.path.write_bytes(b"doubt")
        return result


def test_processes_that_cannot_be_started_are_told_and_no_defect(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photos = herd(tmp_path / "photos", 3)
    monkeypatch.setattr(processes, "_BOOTSTRAP", "raise SystemExit(4)")
    result = CliRunner().invoke(main, ["assess", str(photos), "--out", str(tmp_path / "out")])
    said = " ".join(result.stderr.split())
    assert result.exit_code == 1
    assert "could not be started: its process ended with status 4. See that there is memory left" in said
    assert "defect" not in said


@pytest.mark.usefixtures("here")
def test_a_record_that_cannot_be_read_again_is_told_and_not_taken_for_a_full_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photos = herd(tmp_path / "photos", 3)
    real = store.read

    def fails(slot: store.Slot, mark: int) -> PhotoRecord:
        if "002" in slot.record.name:
            slot.record.unlink()
        return real(slot, mark)

    monkeypatch.setattr(store, "read", fails)
    with pytest.raises(OutputError, match="cannot be read again") as caught:
        assess_folder(photos, tmp_path / "out", worker=quick)
    assert "full" not in str(caught.value)
