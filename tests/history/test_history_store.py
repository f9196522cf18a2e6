"""What is added to a store, what becomes of it when it comes again, and what reading gives."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clawvision.errors import UsageError
from clawvision.history import store as history
from clawvision.history.rows import Counts, StoredAnimal
from clawvision.history.store import add, animals, foot_findings, foot_history, open_store, toe_lengths
from clawvision.measure.side import SIDE_UNITS
from clawvision.output.models import AssessmentRecord, PhotoRecord
from tests.history import made
from tests.history.rows import everything, sound

JUNE, JULY, AUGUST = (f"2030-0{month}-01T12:00:00+00:00" for month in (6, 7, 8))


def put(address: str, *records: AssessmentRecord) -> list[Counts]:
    with open_store(address, "create") as store:
        counts = [add(store, record) for record in records]
    sound(address)
    return counts


def changed(record: AssessmentRecord, finished: str, **update: object) -> AssessmentRecord:
    """The same photos, with something else in each of them, assessed at another time."""
    photos = [photo.model_copy(update=update) for photo in record.photos]
    return made.assessment(photos, made.run(finished))


def test_what_is_added_twice_is_stored_once(address: str) -> None:
    record = made.herd()
    assert put(address, record) == [Counts(new=72, feet=24)]
    before = everything(address)
    assert put(address, record, record) == [Counts(known=72)] * 2
    assert everything(address) == before


def test_groups_make_no_difference(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    record = made.herd()
    put(str(tmp_path / "whole"), record)
    monkeypatch.setattr(history, "MOST_PHOTOS", 7)
    put(str(tmp_path / "parts"), record)
    assert everything(str(tmp_path / "parts")) == everything(str(tmp_path / "whole"))


def test_a_foots_history_is_what_was_measured(address: str) -> None:
    record = made.herd(cows=2, days=3)
    put(address, record)
    with open_store(address) as store:
        rows = foot_history(store, "Invented 0001", "RH")
        assert foot_history(store, "Invented 0001", "XX") == foot_history(store, "nobody") == ()
        assert len(foot_history(store, "Invented 0001")) == 4 * len(rows)
    expected = {
        (photo.photo, claw, name): (m.value, m.uncertainty, m.unit, m.budget)
        for photo in record.photos
        if (photo.animal, photo.foot) == ("Invented 0001", "RH")
        for claw, measures in [*((c, v.measures) for c, v in photo.claws.items()), (None, photo.foot_measures)]
        for name, m in measures.items()
    }
    assert {(r.photo, r.claw, r.measure): (r.value, r.uncertainty, r.unit, dict(r.budget)) for r in rows} == expected
    assert len(rows) == len(expected)
    days = [row.day for row in rows if row.day is not None]
    assert days == sorted(days) and len(set(days)) == 3
    assert {row.trimmed for row in rows} == {row.day - made.timedelta(days=150) for row in rows if row.day is not None}


def test_the_herds_toe_lengths_come_by_claw_and_day(address: str) -> None:
    record = made.herd(cows=3, days=4)
    put(address, record)
    with open_store(address) as store:
        lengths = toe_lengths(store)
        assert toe_lengths(store, "Invented 0002") == tuple(r for r in lengths if r.animal == "Invented 0002")
        assert animals(store) == tuple(
            StoredAnimal(f"Invented {cow:04}", 48, 4, date(2030, 1, 7), date(2030, 6, 24)) for cow in range(3)
        )
    assert [(r.animal, r.foot, r.claw, r.day) for r in lengths] == sorted(
        (r.animal, r.foot, r.claw, r.day) for r in lengths
    )
    expected = sorted(
        claw.measures["toe_length"].value or 0.0
        for photo in record.photos
        for claw in photo.claws.values()
        if "toe_length" in claw.measures
    )
    assert sorted(r.value for r in lengths) == expected and len(expected) == 3 * 4 * 4 * 2


def test_refused_and_unread_photos_are_stored_and_not_measured(address: str) -> None:
    photos = [made.refused("a.jpg", "ab" * 32), made.refused("b.jpg"), made.refused("c.jpg")]
    assert put(address, made.assessment(photos)) == [Counts(new=3, refused=3, feet=1)]
    with open_store(address) as store:
        assert animals(store) == (StoredAnimal("Invented 0001", 3, 0, None, None),)
        assert foot_history(store, "Invented 0001") == () and toe_lengths(store) == ()


def test_measures_of_a_refused_photo_are_never_read(address: str) -> None:
    put(address, changed(made.herd(1, 1), JUNE, status="refused"))
    with open_store(address) as store:
        assert foot_history(store, "Invented 0000") == () and toe_lengths(store) == ()


def test_a_changed_row_takes_the_place_of_the_older_one(address: str) -> None:
    first = made.herd(1, 1, made.run(JUNE))
    other = changed(first, JULY, animal="Invented 0099")
    assert put(address, first, other)[1] == Counts(superseded=12, feet=4)
    with open_store(address) as store:
        assert [each.animal for each in animals(store)] == ["Invented 0099"]
        assert {each.animal for each in toe_lengths(store)} == {"Invented 0099"}
        assert foot_findings(store, "Invented 0000") == () and len(foot_findings(store, "Invented 0099")) == 4
    # What was assessed before is known, and stays behind, in whatever order it comes.
    assert put(address, first, other) == [Counts(known=12)] * 2
    # The first row again, in a later run: it counts again.
    again = changed(other, AUGUST, animal="Invented 0000")
    assert put(address, again) == [Counts(superseded=12)]
    with open_store(address) as store:
        assert [each.animal for each in animals(store)] == ["Invented 0000"]
        assert len(foot_findings(store, "Invented 0000")) == 4 and foot_findings(store, "Invented 0099") == ()


def test_an_older_assessment_that_comes_late_stays_behind(address: str) -> None:
    first = made.herd(1, 1, made.run(JUNE))
    other = changed(first, JULY, animal="Invented 0099")
    assert put(address, other, first)[1] == Counts(outdated=12, feet=4)
    with open_store(address) as store:
        assert [each.animal for each in animals(store)] == ["Invented 0099"]


@pytest.mark.parametrize(
    ("info", "same"),
    [
        (made.run(JULY), True),
        (made.run(JULY, csv_delimiter=";", csv_decimal=","), True),
        (made.run(JULY, print_scale=0.98), False),
        (made.run(JULY, profile="jersey"), False),
        (made.run(JULY, version="9.9.9"), False),
        (made.run(JULY, model="b2" * 32), False),
    ],
)
def test_settings_that_bear_on_the_result_make_a_new_version(tmp_path: Path, info: made.RunInfo, same: bool) -> None:
    photos = list(made.photos(made.visits(1, 1)))
    counts = put(str(tmp_path / "h"), made.assessment(photos, made.run(JUNE)), made.assessment(photos, info))
    assert counts[1] == (Counts(known=12) if same else Counts(superseded=12, feet=4))


def test_of_a_foots_assessments_the_latest_counts(address: str) -> None:
    photos = list(made.photos(made.visits(1, 1)))
    part = made.assessment(photos[:1], made.run(JUNE))
    whole = made.assessment(photos[:3], made.run(JULY))
    put(address, whole, part)
    with open_store(address) as store:
        (found,) = foot_findings(store, "Invented 0000")
    assert found.urgency == whole.feet[0].urgency and found.findings == whole.feet[0].findings
    assert found.software == "0.1.0"


HOSTILE = [
    "Robert'); DROP TABLE photo;--",
    "\"; ATTACH DATABASE 'x' AS y; --",
    "%s %(name)s {0} ? :name $1",
    "=1+1",
    "\x1b[31mred\x07",
    "‮kcab",
    "牛 \U0001f404 é é",
    "\\x00 \\' ''",
    "a" * 200,
    " ",
]


def test_hostile_names_are_data(address: str) -> None:
    template = made.herd(1, 1).photos[0]
    photos = [
        template.model_copy(
            update={
                "photo": f"{number}/{name}",
                "sha256": f"{number:064x}",
                "animal": name,
                "asked": template.asked.model_copy(update={"profile": name}),
                "exif": made.ExifRecord(make=name, model=name),
            }
        )
        for number, name in enumerate(HOSTILE)
    ]
    put(address, made.assessment(photos, judged=False))
    with open_store(address) as store:
        assert {each.animal for each in animals(store)} == set(HOSTILE)
        for number, name in enumerate(HOSTILE):
            rows = foot_history(store, name, "LF")
            assert {(row.animal, row.photo, row.profile) for row in rows} == {(name, f"{number}/{name}", name)}
            assert len(toe_lengths(store, name)) == 1


@pytest.mark.parametrize(
    ("update", "words"),
    [
        ({"animal": "a" * 201}, "the animal is longer than 200 characters"),
        ({"photo": "a" * 1001}, "the name is longer than 1000 characters"),
        ({"taken": "2030-01-01" + " " * 60}, "the taken is longer than 64 characters"),
        ({"photo": "/home/farmer/a.jpg"}, "absolute path"),
        ({"animal": "a\0b"}, "holds the character NUL"),
        ({"asked": made.AskedRecord(locomotion=7)}, "locomotion score of 7"),
    ],
)
def test_what_a_store_does_not_take_is_refused_with_its_place(address: str, update: dict[str, str], words: str) -> None:
    photos = list(made.photos(made.visits(1, 1)))
    photos[3] = photos[3].model_copy(update=update)
    with open_store(address, "create") as store:
        with pytest.raises(UsageError, match=r"photos\.3") as caught:
            add(store, made.assessment(photos, judged=False), "june")
        assert words in str(caught.value) and "june" in str(caught.value)
        assert animals(store) == ()


def test_a_foot_that_rests_on_a_photo_that_is_not_there(tmp_path: Path) -> None:
    record = made.herd(1, 1)
    with open_store(str(tmp_path / "h"), "create") as store, pytest.raises(UsageError, match=r"feet\.0"):
        add(store, record.model_copy(update={"photos": record.photos[6:]}))


@st.composite
def histories(draw: st.DrawFn) -> list[tuple[int, int, int]]:
    """Photos as they are added: which photo, which version of it, in which month's run."""
    return draw(st.lists(st.tuples(st.integers(0, 2), st.integers(0, 2), st.integers(1, 5)), min_size=1, max_size=12))


@given(histories())
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_version_assessed_last_is_read(
    tmp_path_factory: pytest.TempPathFactory, added: Sequence[tuple[int, int, int]]
) -> None:
    """Against the rule in a few lines: of each photo the latest run's version, of one moment's the one stored last."""
    address = str(tmp_path_factory.mktemp("rule") / "h")
    template = made.herd(1, 1).photos[0]
    seen: dict[int, dict[int, int]] = {}
    with open_store(address, "create") as store:
        for photo, version, month in added:
            record = template.model_copy(update={"sha256": f"{photo:064x}", "animal": f"{photo} {version}"})
            add(store, made.assessment([record], made.run(f"2030-0{month}-01T00:00:00+00:00"), judged=False))
            versions = seen.setdefault(photo, {})
            versions[version] = max(month, versions.get(version, 0))
        read = {each.animal for each in animals(store)}
    expected = set()
    for photo, versions in seen.items():
        order = list(versions)  # as they were stored first
        last = max(order, key=lambda version: (versions[version], order.index(version)))
        expected.add(f"{photo} {last}")
    assert read == expected
    sound(address)


def test_days_and_times_that_are_none(tmp_path: Path) -> None:
    photos: list[PhotoRecord] = []
    for number, taken in enumerate(["", "yesterday", "2030-02-31", "2030-03-01T25:00", None]):
        template = made.herd(1, 1).photos[0]
        photos.append(template.model_copy(update={"taken": taken, "sha256": f"{number:064x}"}))
    put(str(tmp_path / "h"), made.assessment(photos, made.run("whenever"), judged=False))
    with open_store(str(tmp_path / "h")) as store:
        assert [each.day for each in toe_lengths(store)] == [date(2030, 3, 1)]
        assert len(foot_history(store, "Invented 0000")) == 5 * len(SIDE_UNITS)
    # A run that tells its time supersedes one that does not.
    (counts,) = put(str(tmp_path / "h"), changed(made.assessment(photos, judged=False), JUNE, animal="other"))
    assert counts.superseded == 5


def test_reads_use_the_indexes_made_for_them(tmp_path: Path) -> None:
    put(str(tmp_path / "h"), made.herd(1, 1))
    with sqlite3.connect(tmp_path / "h") as connection:
        plans = [
            connection.execute(f"EXPLAIN QUERY PLAN {query}").fetchall()
            for query in (
                "SELECT * FROM photo JOIN measure ON measure.photo_id = photo.id "
                "WHERE photo.current = 1 AND photo.animal = 'a' AND photo.foot = 'LF'",
                "SELECT * FROM toe_length ORDER BY animal, foot, claw, day, photo_id",
            )
        ]
    connection.close()
    assert "photo_of_foot" in str(plans[0]) and "SCAN measure" not in str(plans[0])
    assert "TEMP B-TREE" not in str(plans[1])


def test_counts_add_up() -> None:
    one = Counts(1, 2, 3, 4, 5, 6)
    assert one + one == replace(one, new=2, known=4, superseded=6, outdated=8, refused=10, feet=12)
