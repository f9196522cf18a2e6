"""A run of any size: written as it goes, the same as when it is written at once, and never all in memory."""

from __future__ import annotations

import gc
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from clawvision import batch, store
from clawvision.batch import assess_collected, assess_folder
from clawvision.errors import OutputError
from clawvision.findings import assess_feet, load_profiles
from clawvision.manifest import collect
from clawvision.output.models import AnimalRecord, FootRecord, PhotoRecord, Record
from clawvision.output.record import (
    assessment_parts,
    assessment_record,
    dumps,
    joined,
    load_assessment,
    photo_facts,
    photo_record,
)
from clawvision.types import PhotoRequest, Settings
from tests.batch.fakes import quick, run_here
from tests.batch.kills import herd
from tests.output import made, made_feet
from tests.output.tables import measures_csv

pytestmark = pytest.mark.usefixtures("one_program", "here")


def measured(request: PhotoRequest, settings: Settings) -> tuple[PhotoRecord, bytes | None]:
    """Answer with invented measures, so that there is something to find."""
    return photo_record(replace(made.sole_result(), request=request)), None


@pytest.mark.parametrize("profile", [None, "jersey"])
def test_what_is_written_as_it_goes_is_what_is_written_at_once(tmp_path: Path, profile: str | None) -> None:
    photos = herd(tmp_path / "photos", 30)
    table = (photos / "photos.csv").read_text().splitlines()
    # An animal's photos need not stand together, and a name may sort behind its photos.
    (photos / "photos.csv").write_text("\n".join([table[0], *sorted(table[1:], key=lambda row: row[2::-1])]))
    record = assess_folder(photos, tmp_path / "out", worker=measured, profile=profile, csv_delimiter=";")
    data = (tmp_path / "out" / "assessment.json").read_bytes()
    facts = [photo_facts(photo) for photo in record.photos]
    facts = [replace(each, request=replace(each.request, profile=profile)) for each in facts]
    feet, animals = assess_feet(facts, load_profiles(()))
    assert len(feet) == 30 and len(animals) == 8 and all(foot.checked for foot in feet)
    assert data == dumps(assessment_record(record.run, record.photos, feet, animals))
    assert (tmp_path / "out" / "measures.csv").read_bytes() == measures_csv(record, delimiter=";")


@pytest.mark.parametrize("empty", [(), ("photos",), ("feet",), ("animals",), ("photos", "feet", "animals")])
def test_parts_join_to_the_whole(empty: tuple[str, ...]) -> None:
    whole = made_feet.assessment().model_copy(update={name: () for name in empty})
    # A text that looks like a list's beginning must not be taken for it.
    run = whole.run.model_copy(update={"parameters": {"photos": [], "profile": '\n  "feet": []'}})
    whole = whole.model_copy(update={"run": run})
    parts = assessment_parts(run, photos=joined(whole.photos), feet=joined(whole.feet), animals=joined(whole.animals))
    assert b"".join(parts) == dumps(whole)


def test_a_run_holds_a_few_records_at_a_time(tmp_path: Path) -> None:
    photos = herd(tmp_path / "photos", 80)
    kinds: list[type[Record]] = []
    alive: list[int] = []

    def living() -> int:
        gc.collect()
        return sum(type(each) in (PhotoRecord, FootRecord) for each in gc.get_objects())

    def told(record: PhotoRecord | FootRecord | AnimalRecord) -> None:
        kinds.append(type(record))
        if len(kinds) % 45 == 0:  # counting takes long
            alive.append(living() - before)

    before = living()
    written = assess_collected(collect([photos]), tmp_path / "out", worker=quick, told=told)
    assert kinds == [*[*[FootRecord] * 4, AnimalRecord] * 20, *[PhotoRecord] * 80]
    assert len(alive) == 4 and max(alive) <= 8  # an animal has four photos and four feet here
    assert len(load_assessment(written.read_bytes()).photos) == 80


def test_tasks_are_made_as_they_are_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    photos = herd(tmp_path / "photos", 20)
    ahead: list[int] = []

    def one_at_a_time(
        function: Callable[[Any], Any], tasks: Iterable[Any], jobs: int, *, executor: Executor | None
    ) -> Generator[tuple[int, Any], None, None]:
        taken = 0

        def counted() -> Iterator[Any]:
            nonlocal taken
            for task in tasks:
                taken += 1
                yield task

        for done, pair in enumerate(run_here(function, counted(), jobs)):  # type: ignore[arg-type]
            ahead.append(taken - done)
            yield pair

    monkeypatch.setattr(batch, "run_tasks", one_at_a_time)
    assess_folder(photos, tmp_path / "out", worker=quick)
    assert set(ahead) == {1}


@pytest.mark.parametrize("lost", [[], [0, 0], [0, 1, 1]])
def test_a_photo_lost_or_doubled_on_the_way_is_not_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lost: list[int]
) -> None:
    photos = herd(tmp_path / "photos", 2)
    real = run_here

    def faulty(
        function: Any, tasks: Any, jobs: int, *, executor: Executor | None
    ) -> Generator[tuple[int, Any], None, None]:
        results = dict(real(function, tasks, jobs))
        yield from ((index, results[index]) for index in lost)

    monkeypatch.setattr(batch, "run_tasks", faulty)
    with pytest.raises(RuntimeError, match="came"):
        assess_folder(photos, tmp_path / "out", worker=quick)
    assert not (tmp_path / "out" / "assessment.json").exists()


def test_a_record_that_somebody_changes_meanwhile_is_not_taken(tmp_path: Path) -> None:
    photos = herd(tmp_path / "photos", 4)
    out = tmp_path / "out"

    def meddle(done: batch.PhotoDone) -> None:
        if done.done == 4:
            path = next(out.glob("records/001-*.json"))
            path.write_bytes(path.read_bytes().replace(b'"measured"', b'"review"'))

    with pytest.raises(OutputError, match="was changed while the run went on") as caught:
        assess_folder(photos, out, worker=quick, progress=meddle)
    assert "All 4 photos are finished and kept" in caught.value.message
    assess_folder(photos, tmp_path / "whole", worker=quick)


def test_two_runs_do_not_write_to_one_folder(tmp_path: Path) -> None:
    pytest.importorskip("fcntl", reason="no locks of this kind here")
    photos = herd(tmp_path / "photos", 2)
    assess_folder(photos, tmp_path / "out", worker=quick)
    with (
        store.alone(tmp_path / "out"),
        pytest.raises(OutputError, match="Another run is writing") as caught,
    ):
        assess_folder(photos, tmp_path / "out", worker=quick)
    assert "finished" not in caught.value.message
    assess_folder(photos, tmp_path / "out", worker=quick)


def test_photos_of_several_folders_are_made_when_they_are_asked_for(tmp_path: Path) -> None:
    for folder, names in (("a", "123"), ("b", "23"), ("c", "9")):
        (tmp_path / folder).mkdir()
        for name in names:
            (tmp_path / folder / f"{name}.jpg").write_bytes(b"x")
    (tmp_path / "b" / "photos.csv").write_text("photo,animal\n3.jpg,Zoë\n2.jpg,\n")
    requests = collect([tmp_path / "a", tmp_path / "b", tmp_path / "c", tmp_path / "a" / "2.jpg"]).requests
    names = ["a/1.jpg", "a/2.jpg", "a/3.jpg", "b/3.jpg", "b/2.jpg", "9.jpg"]
    assert [request.name for request in requests] == names
    assert [requests[index].name for index in range(len(requests))] == names
    assert [request.name for request in requests[1:-1]] == names[1:-1]
    assert [request.animal for request in requests] == ["a", "a", "a", "Zoë", "b", "c"]
    assert [request.path for request in requests[-2:]] == [tmp_path / "b" / "2.jpg", tmp_path / "c" / "9.jpg"]
    with pytest.raises(IndexError):
        requests[6]
