"""A folder as a whole: what is written, kept, done again, and what a failure costs."""

from __future__ import annotations

import errno
import json
import os
import re
import signal
import subprocess
import sys
import time
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from clawvision import batch, store
from clawvision.batch import PhotoDone, assess_folder
from clawvision.errors import OutputError, UsageError
from clawvision.executors import Crashed, NotFetched, TookTooLong
from clawvision.output.models import AssessmentRecord
from clawvision.types import PhotoRequest, Settings
from tests.batch.fakes import PICTURE, Dying, Logging, quick, run_here

pytestmark = pytest.mark.usefixtures("one_program")

ROOT = Path(__file__).parents[2]


class Losing(ThreadPoolExecutor):
    """Loses the photos that it is told to."""

    def __init__(self, lost: dict[str, Exception]) -> None:
        super().__init__(1)
        self._lost = lost

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Any:
        why = self._lost.get(args[0].request.name)
        if why is None:
            return super().submit(fn, *args, **kwargs)
        future: Future[Any] = Future()
        future.set_exception(why)
        return future


def herd(folder: Path, photos: dict[str, bytes]) -> Path:
    folder.mkdir()
    for name, content in photos.items():
        (folder / name).write_bytes(content)
    return folder


def files(out: Path) -> dict[str, bytes]:
    """Return everything below a folder, with the times of the run taken out."""
    return {
        path.relative_to(out).as_posix(): re.sub(rb'"(started|finished)": "[^"]*"', b"", path.read_bytes())
        for path in sorted(out.rglob("*"))
        if path.is_file()
    }


def statuses(record: AssessmentRecord) -> dict[str, str]:
    return {photo.photo: photo.status for photo in record.photos}


@pytest.mark.usefixtures("here")
def test_what_is_written(tmp_path: Path) -> None:
    photos = herd(tmp_path / "photos", {"b.jpg": b"fine", "a.jpg": b"doubt", "c.jpg": b"broken"})
    (photos / "photos.csv").write_text(
        'photo,animal,foot\nb.jpg,"=SUM(1)<b>",LH\na.jpg,Zoë,RH\nc.jpg,Zoë,LF\ngone.jpg,,\n'
    )
    out = tmp_path / "deep" / "out"
    seen: list[PhotoDone] = []
    record = assess_folder(photos, out, worker=quick, progress=seen.append, settings=Settings(print_scale=0.99))
    data = json.loads((out / "assessment.json").read_bytes())
    assert AssessmentRecord.model_validate(data) == record
    assert data["schema"] == "clawvision/assessment/1"
    assert [photo["photo"] for photo in data["photos"]] == ["b.jpg", "a.jpg", "c.jpg", "gone.jpg"]
    assert [photo["status"] for photo in data["photos"]] == ["measured", "review", "refused", "refused"]
    assert [photo["animal"] for photo in data["photos"]] == ["=SUM(1)<b>", "Zoë", "Zoë", "photos"]
    assert data["run"]["parameters"]["print_scale"] == 0.99
    assert data["run"]["reference_profiles"][0]["sources"]
    assert str(tmp_path) not in (out / "assessment.json").read_text()
    assert (out / "measures.csv").read_text().startswith("photo,")
    assert {path.name for path in (out / "annotated").iterdir()} == {"a.jpg", "b.jpg"}
    assert (out / "annotated" / "b.jpg").read_bytes() == PICTURE + b"fine"
    assert sorted(done.done for done in seen) == [1, 2, 3, 4]
    assert {done.total for done in seen} == {4}
    assert len(data["feet"]) >= 2


def test_two_hundred_photos_with_twenty_broken_ones(tmp_path: Path) -> None:
    photos = herd(tmp_path / "photos", {f"{n:03}.jpg": b"broken" if n % 10 == 3 else b"%d" % n for n in range(200)})
    record = assess_folder(photos, tmp_path / "out", worker=quick, jobs=2)
    assert [photo.photo for photo in record.photos] == [f"{n:03}.jpg" for n in range(200)]
    refused = [photo for photo in record.photos if photo.status == "refused"]
    assert [photo.photo for photo in refused] == [f"{n:03}.jpg" for n in range(200) if n % 10 == 3]
    assert all(photo.reasons[0].message and photo.reasons[0].advice for photo in refused)


def test_one_job_and_many_give_identical_files(tmp_path: Path) -> None:
    photos = herd(tmp_path / "photos", {f"{n}.jpg": b"doubt" if n % 4 == 0 else b"%d" % n for n in range(12)})
    for jobs in (1, 2):
        assess_folder(photos, tmp_path / f"out{jobs}", worker=quick, jobs=jobs)
    one = files(tmp_path / "out1")
    assert one == files(tmp_path / "out2")
    assert len(one) == 2 + 12 + 12


@pytest.mark.usefixtures("here")
class TestKept:
    """A photo is done again only where something changed that bears on it."""

    @pytest.fixture
    def photos(self, tmp_path: Path) -> Path:
        folder = herd(tmp_path / "photos", {f"{n}.jpg": b"%d" % n for n in range(4)})
        (folder / "photos.csv").write_text("photo,foot\n" + "".join(f"{n}.jpg,LH\n" for n in range(4)))
        return folder

    def again(self, photos: Path, **keywords: Any) -> list[str]:
        """Run, and return the photos that were measured and not taken from the earlier run."""
        log = photos.parent / "log"
        log.write_text("")
        kept: list[bool] = []
        assess_folder(
            photos, photos.parent / "out", worker=Logging(log), progress=lambda done: kept.append(done.kept), **keywords
        )
        measured = sorted(log.read_text().split())
        assert len(measured) + sum(kept) == len(kept)
        return measured

    def test_nothing_changed(self, photos: Path) -> None:
        assert len(self.again(photos)) == 4
        before = files(photos.parent / "out")
        assert self.again(photos, jobs=2) == []
        assert files(photos.parent / "out") == before

    def test_what_does_not_bear_on_a_photo(self, photos: Path) -> None:
        self.again(photos)
        assert self.again(photos, profile="jersey", csv_delimiter=";", command=("another",)) == []
        moved = photos.rename(photos.parent / "moved")
        assert self.again(moved) == ["0.jpg", "1.jpg", "2.jpg", "3.jpg"], "the animal is the folder's name"

    def test_a_photo_changed(self, photos: Path) -> None:
        self.again(photos)
        (photos / "2.jpg").write_bytes(b"another")
        assert self.again(photos) == ["2.jpg"]

    def test_a_row_changed(self, photos: Path) -> None:
        self.again(photos)
        table = photos / "photos.csv"
        table.write_text(table.read_text().replace("3.jpg,LH", "3.jpg,RH"))
        assert self.again(photos) == ["3.jpg"]

    def test_a_row_added_and_one_taken_out(self, photos: Path) -> None:
        self.again(photos)
        (photos / "4.jpg").write_bytes(b"4")
        (photos / "photos.csv").write_text("photo,foot\n4.jpg,LH\n1.jpg,LH\n")
        assert self.again(photos) == ["4.jpg"]
        data = json.loads((photos.parent / "out" / "assessment.json").read_bytes())
        assert [photo["photo"] for photo in data["photos"]] == ["4.jpg", "1.jpg"]

    @pytest.mark.parametrize("name", ["1.outline.json", "1.jpg.outline.json"])
    def test_an_outline_added(self, photos: Path, name: str) -> None:
        self.again(photos)
        (photos / name).write_text("{}")
        assert self.again(photos) == ["1.jpg"]

    def test_settings_changed(self, photos: Path) -> None:
        self.again(photos)
        assert len(self.again(photos, settings=Settings(print_scale=0.99))) == 4

    def test_the_program_changed(self, photos: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.again(photos)
        monkeypatch.setattr(store, "_program", lambda: ("another version",))
        assert len(self.again(photos)) == 4

    def test_a_picture_or_record_lost_or_spoilt(self, photos: Path) -> None:
        self.again(photos)
        out = photos.parent / "out"
        (out / "annotated" / "0.jpg").unlink()
        (out / "annotated" / "1.jpg").write_bytes(b"drawn over")
        next((out / "records").glob("2-*.json")).write_bytes(b"{")
        assert self.again(photos) == ["0.jpg", "1.jpg", "2.jpg"]
        assert (out / "annotated" / "1.jpg").read_bytes() == PICTURE + b"1"

    def test_a_photo_refused_now_keeps_no_picture(self, photos: Path) -> None:
        self.again(photos)
        (photos / "0.jpg").write_bytes(b"broken")
        self.again(photos)
        assert not (photos.parent / "out" / "annotated" / "0.jpg").exists()


def test_calibrations_bear_on_every_photo(tmp_path: Path) -> None:
    (tmp_path / "cal").mkdir()
    settings = Settings(calibration_dirs=(str(tmp_path / "cal"),))
    before = store.settings_key(settings, quick)
    (tmp_path / "cal" / "phone.json").write_text("{}")
    assert store.settings_key(settings, quick) != before


def test_a_photo_that_is_no_file_does_not_hold_up_the_run(tmp_path: Path) -> None:
    if not hasattr(os, "mkfifo"):
        pytest.skip("no pipes with a name here")
    os.mkfifo(tmp_path / "a.jpg")
    request = PhotoRequest(path=tmp_path / "a.jpg", name="a.jpg")
    assert store.photo_key(request, Settings(), "")


def test_killed_and_started_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    photos = herd(tmp_path / "photos", {f"{n:02}.jpg": b"broken" if n == 5 else b"%d" % n for n in range(14)})
    out, log = tmp_path / "out", tmp_path / "log"
    script = (
        "from pathlib import Path; from clawvision.batch import assess_folder; from tests.batch.fakes import Logging; "
        "from clawvision import store; store._program = lambda: ('this version',); "
        f"assess_folder(Path({str(photos)!r}), Path({str(out)!r}), worker=Logging(Path({str(log)!r}), 0.08), jobs=2)"
    )
    process = subprocess.Popen([sys.executable, "-c", script], cwd=ROOT)
    deadline = time.monotonic() + 60
    while len(list(out.glob("records/*.json"))) < 4:
        assert process.poll() is None
        assert time.monotonic() < deadline
        time.sleep(0.01)
    process.send_signal(signal.SIGKILL)
    process.wait()
    time.sleep(0.5)  # the orphaned processes end with the photo in hand
    finished = {path.name.split("-")[0] for path in out.glob("records/*.json")}
    assert 4 <= len(finished) < 14
    assert not (out / "assessment.json").exists()
    (out / "records" / ".05.json.abc.part").write_bytes(b"what a kill may leave behind")
    log.write_text("")
    monkeypatch.setattr(batch, "run_tasks", run_here)
    assess_folder(photos, out, worker=Logging(log, 0.08))
    assert {name.removesuffix(".jpg") for name in log.read_text().split()} == {f"{n:02}" for n in range(14)} - finished
    assess_folder(photos, tmp_path / "whole", worker=Logging(log, 0.08))
    assert files(out) == files(tmp_path / "whole")


class TestFailures:
    def test_crashes_cost_their_photo_and_are_tried_twice(self, tmp_path: Path) -> None:
        photos = herd(
            tmp_path / "photos",
            {
                "0.jpg": b"fine",
                "1.jpg": b"die",
                "2.jpg": b"memory",
                "3.jpg": b"bug",
                "4.jpg": b"once",
                "5.jpg": b"fine",
            },
        )
        out, log = tmp_path / "out", tmp_path / "log"
        record = assess_folder(photos, out, worker=Dying(log), jobs=2)
        assert list(statuses(record).values()) == ["measured", "refused", "refused", "refused", "measured", "measured"]
        assert sorted(log.read_text().split()) == ["1.jpg", "1.jpg", "4.jpg", "4.jpg"]
        codes = ("internal_error", "out_of_memory", "internal_error")
        details = ("signal 9", "memory", "ZeroDivisionError")
        for photo, code, detail in zip(record.photos[1:4], codes, details, strict=True):
            assert photo.reasons[0].code == code
            assert detail in photo.reasons[0].message
        assert "/home" not in (out / "assessment.json").read_text()
        (photos / "1.jpg").write_bytes(b"fine")
        (photos / "2.jpg").write_bytes(b"fine")
        kept: list[str] = []
        assess_folder(
            photos, out, worker=Dying(log), progress=lambda done: kept.append(done.record.photo) if done.kept else None
        )
        assert sorted(kept) == ["0.jpg", "4.jpg", "5.jpg"], "a failure of the program is tried again"

    def test_a_photo_whose_process_was_ended_is_told_why_and_tried_again_by_the_next_run(self, tmp_path: Path) -> None:
        photos = herd(tmp_path / "photos", {f"{n}.jpg": b"fine" for n in range(4)})
        lost = {
            "1.jpg": TookTooLong("it took longer than 3 s"),
            "2.jpg": NotFetched("it could not be fetched"),
            "3.jpg": Crashed("its process ended with signal 9"),
        }
        with Losing(lost) as executor:
            record = assess_folder(photos, tmp_path / "out", worker=quick, executor=executor)
        assert [photo.status for photo in record.photos] == ["measured", "refused", "refused", "refused"]
        told = [photo.reasons[0] for photo in record.photos[1:]]
        assert [why.code for why in told] == ["took_too_long", "not_fetched", "internal_error"]
        assert told[0].message == "This photo was given up: it took longer than 3 s."
        with Losing({}) as executor:
            record = assess_folder(photos, tmp_path / "out", worker=quick, executor=executor)
        assert {photo.status for photo in record.photos} == {"measured"}

    def test_a_full_disk_stops_the_run_and_keeps_what_is_finished(self, tmp_path: Path) -> None:
        photos = herd(tmp_path / "photos", {"0.jpg": b"fine", "1.jpg": b"full", "2.jpg": b"fine"})
        with pytest.raises(OutputError, match="disk is full") as caught:
            assess_folder(photos, tmp_path / "out", worker=Dying(tmp_path / "log"))
        assert caught.value.remedy == "Make room."
        assert len(list((tmp_path / "out" / "records").glob("0-*.json"))) == 1
        assert not (tmp_path / "out" / "assessment.json").exists()

    def test_a_library_that_prints_spoils_nothing(self, tmp_path: Path) -> None:
        photos = herd(tmp_path / "photos", {"0.jpg": b"print", "1.jpg": b"print"})
        record = assess_folder(photos, tmp_path / "out", worker=Dying(tmp_path / "log"))
        assert set(statuses(record).values()) == {"measured"}

    @pytest.mark.usefixtures("here")
    def test_no_space_left(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        photos = herd(tmp_path / "photos", {"0.jpg": b"fine"})

        def full(source: str, target: str) -> None:
            raise OSError(errno.ENOSPC, "No space left on device")

        monkeypatch.setattr(os, "replace", full)
        with pytest.raises(OutputError, match="No space"):
            assess_folder(photos, tmp_path / "out", worker=quick)

    def test_interrupted_by_its_caller(self, tmp_path: Path) -> None:
        photos = herd(tmp_path / "photos", {f"{n}.jpg": b"%d" % n for n in range(6)})

        def stop(done: PhotoDone) -> None:
            if done.done == 2:
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            assess_folder(photos, tmp_path / "out", worker=Logging(tmp_path / "log", 0.2), progress=stop)
        assert 2 <= len(list((tmp_path / "out" / "records").glob("*.json"))) <= 3
        assert not list((tmp_path / "out").rglob("*.part"))


@pytest.mark.usefixtures("here")
class TestBeforeTheFirstPhoto:
    """What is wrong with the order is told before anything is measured."""

    @pytest.fixture
    def photos(self, tmp_path: Path) -> Path:
        return herd(tmp_path / "photos", {"a.jpg": b"fine"})

    def refused(self, kind: type[Exception], photos: Path, out: Path, **keywords: Any) -> str:
        log = photos.parent / "log"
        with pytest.raises(kind) as caught:
            assess_folder(photos, out, worker=Logging(log), **keywords)
        assert not log.exists()
        return str(caught.value)

    def test_out_is_a_file(self, photos: Path) -> None:
        (photos.parent / "out").write_text("x")
        assert "cannot be written" in self.refused(OutputError, photos, photos.parent / "out")
        self.refused(OutputError, photos, photos.parent / "out" / "deeper")

    @pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="nothing is forbidden to this user")
    def test_out_may_not_be_written(self, photos: Path) -> None:
        locked = photos.parent / "locked"
        locked.mkdir(mode=0o500)
        self.refused(OutputError, photos, locked / "out")

    def test_photos_lie_where_results_go(self, photos: Path) -> None:
        assess_folder(photos, photos.parent / "out", worker=quick)
        text = self.refused(OutputError, photos.parent / "out" / "annotated", photos.parent / "out")
        assert "--out" in text

    def test_the_manifest_would_be_overwritten(self, photos: Path) -> None:
        (photos / "measures.csv").write_text("photo\na.jpg\n")
        self.refused(OutputError, photos, photos, manifest=photos / "measures.csv")

    def test_profiles(self, photos: Path) -> None:
        assert 'Did you mean "jersey"?' in self.refused(UsageError, photos, photos / "out", profile="jersy")
        (photos / "photos.csv").write_text("photo,profile\na.jpg,jersy\n")
        text = self.refused(UsageError, photos, photos / "out")
        assert "a.jpg" in text
        assert 'Did you mean "jersey"?' in text
        self.refused(UsageError, photos, photos / "out", profile_dirs=[photos / "nothing"])

    def test_options(self, photos: Path) -> None:
        self.refused(UsageError, photos, photos / "out", jobs=0)
        self.refused(UsageError, photos, photos / "out", csv_decimal=",")
        self.refused(UsageError, photos, photos / "out", settings=Settings(calibration_dirs=(str(photos / "none"),)))


@pytest.mark.usefixtures("here")
def test_results_may_lie_in_the_photos_folder(tmp_path: Path) -> None:
    photos = herd(tmp_path / "photos", {"a.jpg": b"fine"})
    for _ in range(2):
        assert list(statuses(assess_folder(photos, photos, worker=quick))) == ["a.jpg"]


def test_only_own_temporary_files_are_swept(tmp_path: Path) -> None:
    (tmp_path / "records").mkdir()
    own = [tmp_path / ".assessment.json.ab12.part", tmp_path / "records" / ".a-1.json.x.part"]
    others = [tmp_path / ".photo.jpg.part", tmp_path / "a.part"]
    for path in (*own, *others):
        path.write_bytes(b"x")
    store.sweep(tmp_path, ("assessment.json", "measures.csv"))
    assert [path.exists() for path in own] == [False, False]
    assert [path.exists() for path in others] == [True, True]


def slots(*names: str) -> list[str]:
    return [
        slot.picture.name for slot in store.slots([PhotoRequest(path=Path(name), name=name) for name in names], Path())
    ]


def test_pictures_have_the_photos_stem() -> None:
    first, second, third, fourth = slots("a/IMG.jpg", "b/IMG.jpg", "img.png", "other.jpg")
    assert (first, fourth) == ("IMG", "other")
    assert re.fullmatch(r"IMG-[0-9a-f]{6}", second)
    assert re.fullmatch(r"img-[0-9a-f]{6}", third)
    assert slots("a/IMG.jpg", "b/IMG.jpg")[1] == second


@pytest.mark.parametrize(
    "name", ["con.jpg", '=a:b?"<b>|*.jpg', "a\\b.jpg", "dot..jpg", "é" * 200 + ".jpg", "\udcff.jpg", "a\nb.jpg", ".jpg"]
)
def test_places_of_odd_names(tmp_path: Path, name: str) -> None:
    (slot,) = store.slots([PhotoRequest(path=Path("x.jpg"), name=name)], tmp_path)
    store.save(slot, "key", quick(PhotoRequest(path=tmp_path / "none", name="none"), Settings())[0], PICTURE)
    assert {path.parent.name for path in tmp_path.rglob("*") if path.is_file()} == {"records", "annotated"}
    assert re.fullmatch(r"[A-Za-z0-9._-]+", slot.record.name)
    assert store.load(slot, "key") is not None
    if os.name != "nt" and name.isprintable() and len(name) < 100:
        assert slot.picture.name == Path(name).stem


def test_each_photo_has_its_own_place() -> None:
    names = [f"{n}.jpg" for n in range(50)]
    assert len(set(slots(*names))) == 50


def test_six_digits_are_not_enough_for_very_many_photos_of_one_name() -> None:
    # Of so many, a dozen pairs share the first 24 bits of their hashes (20,000² / 2 / 2²⁴).
    pictures = slots(*(f"{n}/IMG_0001.jpg" for n in range(20_000)))
    assert len(set(pictures)) == 20_000
    assert max(map(len, pictures)) == len("IMG_0001-12345678")
