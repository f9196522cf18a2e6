"""An inbox worked off in rounds: what is taken, when, once, and what is said of it."""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import json
import os
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from clawvision import apart, batch, store
from clawvision.errors import UsageError
from clawvision.findings.book import FORBIDDEN, load_rules
from clawvision.reasons import REASONS
from clawvision.triage import Told, Triage, TriageSettings
from clawvision.triage.answers import MEANWHILE, NEVER_SOUND
from clawvision.triage.names import safe_name
from clawvision.triage.older import AS_IT_CAME
from clawvision.triage.rounds import alone
from tests.batch.fakes import run_here
from tests.hostile import raw
from tests.triage.fakes import CARDLESS, DOUBT, Noting, picture

BEGIN = datetime(2026, 5, 1, 8, tzinfo=UTC)


class Duty:
    """An inbox and its results, with a clock that goes on only when told."""

    def __init__(self, folder: Path) -> None:
        self.inbox, self.out, self.log = folder / "inbox", folder / "duty", folder / "log"
        self.inbox.mkdir()
        self.passed = 0.0
        self.stop: Callable[[], bool] = lambda: False
        self.again()

    def again(self, **more: Any) -> None:
        """Begin as a new process does."""
        self.work = Triage(
            self.inbox,
            self.out,
            TriageSettings(worker=Noting(self.log), **{"settle_s": 2.0, "give_up_s": 600.0, **more}),
            stop=lambda: self.stop(),
            clock=lambda: self.passed,
            now=lambda: BEGIN + timedelta(seconds=self.passed),
        )

    def put(self, place: str, data: bytes | str) -> Path:
        path = self.inbox / place
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(data.encode() if isinstance(data, str) else data)
        return path

    def rounds(self, seconds: float = 3.0) -> Told:
        """Look twice, so much later the second time."""
        self.work.round()
        self.passed += seconds
        return self.work.round()

    @property
    def done(self) -> list[str]:
        return self.log.read_text().splitlines() if self.log.exists() else []

    @property
    def worklist(self) -> Any:
        return json.loads((self.out / "worklist.json").read_bytes())

    @property
    def text(self) -> str:
        return (self.out / "worklist.txt").read_text(encoding="utf-8")

    def answer(self, name: str) -> str:
        return " ".join((self.out / "answers" / f"{name}.txt").read_text(encoding="utf-8").split())


@pytest.fixture
def duty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Duty]:
    monkeypatch.setattr(batch, "run_tasks", run_here)
    monkeypatch.setattr(apart, "run_tasks", run_here)
    monkeypatch.setattr(store, "_program", lambda: ("this version",))
    yield Duty(tmp_path)


def test_a_photo_is_taken_once(duty: Duty) -> None:
    duty.put("anna/1.jpg", picture(1))
    duty.put("bert/1.jpg", picture(2))
    assert duty.rounds().taken == {"anna": 1, "bert": 1}
    for _ in range(2):
        assert duty.rounds().taken == {}
        duty.again()
    duty.put("anna/2.jpg", picture(3))
    assert duty.rounds().taken == {"anna": 1}
    assert duty.done == ["anna 1.jpg", "bert 1.jpg", "anna 2.jpg"]


def test_the_same_content_is_not_taken_again_and_a_change_is(duty: Duty) -> None:
    path = duty.put("anna/1.jpg", picture(1))
    duty.rounds()
    duty.put("anna/copy.jpg", picture(1))
    os.utime(path, ns=(1, 1))
    assert duty.rounds().taken == {}
    duty.again()
    assert duty.rounds().taken == {}
    duty.put("bert/1.jpg", picture(1))  # another sender's animal is another one
    duty.put("anna/1.jpg", picture(2))
    assert duty.rounds().taken == {"anna": 1, "bert": 1}
    assert sorted(duty.done) == ["anna 1 (2).jpg", "anna 1.jpg", "bert 1.jpg"]


def test_a_file_must_have_settled(duty: Duty) -> None:
    duty.put("anna/1.jpg", picture(1)[:-100])
    assert duty.work.round().arriving == 1
    duty.passed += 1.9
    assert duty.work.round().taken == {}
    duty.put("anna/1.jpg", picture(1))
    duty.passed += 1.9
    assert duty.work.round().taken == {}
    duty.passed += 1.9
    assert duty.work.round().taken == {}
    duty.passed += 0.2
    assert duty.work.round().taken == {"anna": 1}


@pytest.mark.parametrize("begun", [b"", picture(1)[:2000], bytes(5000)], ids=["empty", "cut", "zeros"])
def test_a_file_that_is_no_picture_yet_is_tried_again(duty: Duty, begun: bytes) -> None:
    duty.put("anna/1.jpg", begun)
    told = duty.rounds()
    assert (told.taken, told.arriving) == ({}, 1)
    assert "perhaps still arriving:\n  anna/1.jpg: " in duty.text
    duty.again()
    assert duty.rounds(100).taken == {}
    duty.put("anna/1.jpg", picture(1))
    assert duty.rounds().taken == {"anna": 1}
    assert "still arriving" not in duty.text
    assert duty.worklist["animals"][0]["came"] == (BEGIN + timedelta(seconds=3)).isoformat()
    assert duty.done == ["anna 1.jpg"]


def test_what_stays_cut_short_is_reported_and_replaced_by_the_whole(duty: Duty) -> None:
    duty.put("anna/1.jpg", picture(1)[:2000])
    duty.rounds()
    assert duty.done == []
    duty.passed += 590
    assert duty.work.round().taken == {}
    duty.passed += 10
    assert duty.work.round().taken == {"anna": 1}
    assert REASONS["truncated"].advice in duty.answer("anna")
    assert duty.rounds().taken == {}
    duty.put("anna/1.jpg", picture(1))
    assert duty.rounds().taken == {"anna": 1}
    assert duty.worklist["animals"][0]["to_look_at"] == []
    assert duty.done == ["anna 1.jpg", "anna 1.jpg"]


def test_an_end_comes_after_the_photo_in_hand(duty: Duty) -> None:
    for number in range(3):
        duty.put(f"anna/{number}.jpg", picture(number))
    duty.stop = lambda: bool(duty.done)
    told = duty.rounds()
    assert told.stopped and told.taken == {"anna": 3}
    assert duty.done == ["anna 0.jpg"]
    duty.stop = lambda: False
    duty.again()
    duty.rounds()
    assert duty.done == [f"anna {number}.jpg" for number in range(3)]
    assert "photos received: 3." in duty.answer("anna")


def test_what_was_taken_but_not_assessed_is_assessed_after_a_crash(duty: Duty, monkeypatch: pytest.MonkeyPatch) -> None:
    duty.put("anna/1.jpg", picture(1))
    with monkeypatch.context() as patch:
        patch.setattr("clawvision.triage.rounds.answer_text", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            duty.rounds()
    (duty.inbox / "anna" / "1.jpg").unlink()
    duty.again()
    duty.rounds()
    assert "photos received: 1." in duty.answer("anna")
    assert duty.done == ["anna 1.jpg"]


def test_the_inbox_may_be_emptied(duty: Duty) -> None:
    duty.put("anna/1.jpg", picture(1))
    duty.put("anna/photos.csv", "photo,locomotion,foot\n1.jpg,4,LH\n")
    duty.rounds()
    for path in (duty.inbox / "anna").iterdir():
        path.unlink()
    (duty.inbox / "anna").rmdir()
    duty.rounds()
    duty.put("anna/2.jpg", picture(2))
    duty.rounds()
    assert duty.done == ["anna 1.jpg", "anna 2.jpg"]
    assert duty.worklist["animals"][0]["level"] == "today"
    assert {foot["foot"] for foot in duty.worklist["animals"][0]["feet"]} == {"LH", None}


def test_order_is_by_urgency_then_by_what_came_first(duty: Duty) -> None:
    duty.put("anna/1.jpg", picture(1, CARDLESS))
    duty.rounds()
    duty.put("zora/1.jpg", picture(2))
    duty.put("zora/photos.csv", "photo,locomotion,foot\n1.jpg,3,LH\n")
    duty.put("ada/1.jpg", picture(3))
    duty.put("ada/photos.csv", "photo,signs,foot\n1.jpg,wound,RH\n")
    duty.rounds()
    duty.put("abel/1.jpg", picture(4, CARDLESS))
    duty.rounds()
    assert [(each["sender"], each["level"]) for each in duty.worklist["animals"]] == [
        ("ada", "today"),
        ("zora", "within 48 hours"),
        ("anna", "unknown"),
        ("abel", "unknown"),
    ]
    assert duty.text.index("1. TODAY") < duty.text.index("2. WITHIN 48 HOURS") < duty.text.index("3. TO LOOK AT: anna")


def test_a_photo_without_a_card_is_to_be_looked_at(duty: Duty) -> None:
    duty.put("anna/1.jpg", picture(1, CARDLESS))
    duty.put("anna/2.jpg", picture(2, DOUBT))
    duty.rounds()
    seen = {each["photo"]: each for each in duty.worklist["animals"][0]["to_look_at"]}
    assert set(seen) == {"1.jpg", "2.jpg"}
    assert (duty.out / seen["1.jpg"]["picture"]).is_file()
    assert seen["1.jpg"]["picture"] in duty.text
    assert REASONS["no_reference"].advice in duty.answer("anna")
    assert REASONS["blurred"].advice in duty.answer("anna")


def test_an_answer_asks_for_the_gait_and_never_calls_an_animal_well(duty: Duty) -> None:
    gait = next(row.text for row in load_rules().question if row.unknown == "gait")
    duty.put("anna/1.jpg", picture(1))
    duty.put("bert/1.jpg", picture(2))
    duty.put("bert/photos.csv", "photo,locomotion,foot\n1.jpg,1,LH\n")
    duty.put("cora/1.jpg", picture(3))
    duty.put("cora/photos.csv", "photo,signs,foot\n1.jpg,wound;swelling;smell;heat;pain,LH\n")
    duty.rounds()
    assert f"Please answer first: 1. {gait}" in duty.answer("anna")
    assert gait not in duty.answer("bert")
    # It could make nothing more urgent than today, and is asked for all the same.
    assert f"1. {gait}" in duty.answer("cora")
    assert duty.answer("cora").startswith("To cora: photos received: 1.")
    for name in ("anna", "bert", "cora"):
        text = duty.answer(name)
        assert NEVER_SOUND in text
        assert all(words in text for words in MEANWHILE)
        assert "A veterinarian at once if the foot takes no weight" in text
        assert "{" not in text
        assert not FORBIDDEN.search(text.replace(NEVER_SOUND, ""))
        assert not re.search(r"healthy| mg|dose", text)
    assert not FORBIDDEN.search(" ".join(duty.text.split()).replace("No photo shows that a foot is well", ""))


def test_two_senders_of_one_animals_name_stay_apart(duty: Duty) -> None:
    for number, (sender, gait) in enumerate({"anna": 1, "bert": 5}.items()):
        duty.put(f"{sender}/1.jpg", picture(number))
        duty.put(f"{sender}/photos.csv", f"photo,animal,foot,locomotion\n1.jpg,Daisy,LH,{gait}\n")
    duty.rounds()
    lines = [(each["sender"], each["animal"], each["level"]) for each in duty.worklist["animals"]]
    assert lines[0] == ("bert", "Daisy", "today")
    assert lines[1][:2] == ("anna", "Daisy")
    assert lines[1][2] != "today"


def test_a_table_that_changes_is_heeded_and_a_bad_one_is_told(duty: Duty) -> None:
    duty.put("anna/1.jpg", picture(1))
    duty.rounds()
    duty.put("anna/photos.csv", "photo,locomotion\n1.jpg,4\n")
    duty.rounds()
    assert duty.worklist["animals"][0]["level"] == "today"
    duty.put("anna/photos.csv", "photo,locomotion\n1.jpg,nine\n")
    duty.rounds()
    assert duty.worklist["animals"][0]["level"] == "today"
    assert any("anna/photos.csv is not used" in note for note in duty.worklist["notes"])
    assert str(duty.out) not in json.dumps(duty.worklist)


def test_a_table_that_asks_for_what_is_not_there_stops_nothing(duty: Duty) -> None:
    duty.put("anna/1.jpg", picture(1))
    duty.put("anna/photos.csv", "photo,locomotion,profile\n1.jpg,4,no-such-breed\n")
    duty.rounds()
    assert duty.worklist["animals"][0]["level"] == "today"
    assert any("no-such-breed" in note for note in duty.worklist["notes"])
    assert "no-such-breed" in duty.answer("anna")


def test_the_inboxs_own_table(duty: Duty) -> None:
    duty.put("photos.csv", "photo,animal,locomotion\n1.jpg,Daisy,4\nanna/2.jpg,Bess,\n3.jpg,Late,\n")
    duty.put("1.jpg", picture(1))
    duty.put("anna/2.jpg", picture(2))
    duty.put("anna/9.jpg", picture(9))
    duty.put("lost.jpg", picture(8))
    duty.rounds()
    assert {(each["sender"], each["animal"]) for each in duty.worklist["animals"]} == {
        ("Daisy", "Daisy"),
        ("anna", "Bess"),
        ("anna", "anna"),
    }
    assert any("lost.jpg" in note for note in duty.worklist["notes"])
    assert sorted(duty.done) == ["Bess 2.jpg", "Daisy 1.jpg", "anna 9.jpg"]


def test_an_outline_file_goes_with_its_photo(duty: Duty) -> None:
    duty.put("anna/1.jpg", picture(1))
    duty.put("anna/1.outline.json", "{}")
    duty.rounds()
    assert len(list((duty.out / "senders/anna/photos").glob("*.jpg.outline.json"))) == 1
    duty.put("anna/1.outline.json", '{"changed": 1}')
    duty.rounds()
    assert duty.done == ["anna 1.jpg"] * 2  # what was drawn anew bears on the result


def test_of_two_outline_files_the_one_with_the_full_name_counts(duty: Duty) -> None:
    duty.put("anna/1.jpg", picture(1))
    duty.put("anna/1.jpg.outline.json", '{"full": 1}')
    duty.put("anna/1.outline.json", '{"short": 1}')
    duty.rounds()
    (kept,) = (duty.out / "senders/anna/photos").glob("*.outline.json")
    assert kept.read_text() == '{"full": 1}'


def test_an_outline_file_in_no_senders_folder_goes_with_the_photo_there(duty: Duty) -> None:
    duty.put("photos.csv", "photo,animal\n1.jpg,Daisy\n")
    duty.put("1.jpg", picture(1))
    duty.put("Daisy/1.jpg", picture(2))
    duty.put("1.outline.json", "{}")
    duty.rounds()
    (kept,) = (duty.out / "senders/Daisy/photos").glob("*.outline.json")
    arrived = {
        each["source"]: each for each in json.loads((duty.out / "triage.json").read_bytes())["senders"][0]["photos"]
    }
    assert kept.name == arrived["1.jpg"]["file"] + ".outline.json"


def test_what_is_no_photo_is_left_alone(duty: Duty, tmp_path: Path) -> None:
    for name in (".hidden.jpg", "a.jpg.part", "b.jpg.tmp", "c.jpg~", "~d.jpg", "notes.txt"):
        duty.put(f"anna/{name}", picture(1))
    (tmp_path / "secret").mkdir()
    (tmp_path / "secret" / "1.jpg").write_bytes(picture(2))
    (duty.inbox / "eve").symlink_to(tmp_path / "secret")
    (duty.inbox / "anna" / "link.jpg").symlink_to(tmp_path / "secret" / "1.jpg")
    (duty.inbox / "anna" / "photos.csv").symlink_to(tmp_path / "secret" / "photos.csv")
    (duty.inbox / "anna" / "folder.jpg").mkdir()
    os.mkfifo(duty.inbox / "anna" / "pipe.jpg")
    told = duty.rounds()
    assert (told.taken, told.arriving, duty.done) == ({}, 0, [])
    for name in (
        "eve is a link",
        "anna/link.jpg is a link",
        "anna/folder.jpg is not searched",
        "anna/pipe.jpg is a pipe",
    ):
        assert any(note.startswith(name) for note in duty.worklist["notes"])


def test_a_folder_that_cannot_be_read_stops_no_other(duty: Duty, monkeypatch: pytest.MonkeyPatch) -> None:
    duty.put("anna/1.jpg", picture(1))
    duty.put("bert/1.jpg", picture(2))
    scandir = os.scandir

    def refusing(path: Any) -> Any:
        if str(path).endswith("anna"):
            raise PermissionError(13, "Permission denied")
        return scandir(path)

    monkeypatch.setattr("clawvision.triage.inbox.os.scandir", refusing)
    assert duty.rounds().taken == {"bert": 1}
    assert "anna cannot be read (Permission denied)" in duty.text
    monkeypatch.undo()
    monkeypatch.setattr(batch, "run_tasks", run_here)
    monkeypatch.setattr(apart, "run_tasks", run_here)
    monkeypatch.setattr(store, "_program", lambda: ("this version",))
    assert duty.rounds().taken == {"anna": 1}


HOSTILE = [
    "=1+2",
    "a\x1b[31m",
    "con",
    "x" * 200,
    "up\\..",
    "Zoë",
    "a\nb",
    "ANNA",
    "anna",
    "-rf",
    " ",
    "%s{0}",
    "\udcff",
]


def test_hostile_names(duty: Duty) -> None:
    for number, name in enumerate(HOSTILE):
        duty.put(f"{name}/{name[:100]}.jpg", picture(number))
    assert sum(duty.rounds().taken.values()) == len(HOSTILE)
    duty.again()
    assert duty.rounds().taken == {}
    answers = list((duty.out / "answers").iterdir())
    assert len({path.name.casefold() for path in answers}) == len(HOSTILE)
    assert all(path.name.isprintable() and len(path.name) < 120 for path in answers)
    assert len(list((duty.out / "senders").iterdir())) == len(HOSTILE)
    rows = list(csv.reader(io.StringIO((duty.out / "worklist.csv").read_text(encoding="utf-8"))))
    assert all(not cell.startswith(("=", "+", "-", "@")) for row in rows for cell in row)
    for path in [*answers, duty.out / "worklist.txt"]:
        assert all(line.isprintable() for line in path.read_text(encoding="utf-8").splitlines())


@pytest.mark.parametrize(
    "name", ["", ".", "..", "../x", "a/b", "CON", "nul.txt", "a\0b", "x" * 300, "é" * 200, "a ", "‮x"]
)
def test_a_safe_name_stays_in_its_folder(name: str) -> None:
    safe = safe_name(name)
    assert safe not in ("", ".", "..")
    assert not set(safe) & set('/\\\0:*?"<>|')
    assert len(safe.encode()) < 120
    assert safe_name(name) == safe
    assert safe.split(".")[0].upper() not in ("CON", "NUL")
    assert safe_name(name.swapcase() + "b") != safe


def test_a_safe_name_is_kept_where_it_may_be() -> None:
    assert safe_name("Anna 2") == "Anna 2"
    assert safe_name("ANNA", ["anna"]).startswith("ANNA-")


def test_folders_that_lie_in_one_another(tmp_path: Path) -> None:
    (tmp_path / "inbox").mkdir()
    for out in (tmp_path, tmp_path / "inbox", tmp_path / "inbox" / "out"):
        with pytest.raises(UsageError, match="in one another"):
            Triage(tmp_path / "inbox", out)
    with pytest.raises(UsageError, match="is not a folder"):
        Triage(tmp_path / "gone", tmp_path / "out")


def test_a_spoilt_journal_is_told(duty: Duty) -> None:
    duty.put("anna/1.jpg", picture(1))
    duty.rounds()
    (duty.out / "triage.json").write_text("{")
    with pytest.raises(UsageError, match=r"triage\.json"):
        duty.again()


def test_two_cannot_work_with_one_folder(tmp_path: Path) -> None:
    with alone(tmp_path), pytest.raises(UsageError, match="Another"), alone(tmp_path):
        pass
    with alone(tmp_path):
        pass


def test_a_share_without_locks_can_be_worked_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*words: Any) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr("fcntl.flock", unknown)
    with alone(tmp_path):
        pass


def test_a_file_beyond_the_limit_is_told_not_copied(duty: Duty) -> None:
    from clawvision.types import Settings

    duty.again(settings=Settings(max_file_bytes=1000))
    duty.put("anna/1.jpg", picture(1))
    assert duty.rounds().taken == {"anna": 1}
    assert duty.rounds().taken == {}
    assert not list((duty.out / "senders/anna").glob("photos/*"))


def test_who_has_waited_longest_comes_first(duty: Duty) -> None:
    duty.put("zora/1.jpg", picture(1))
    duty.work.round()
    duty.passed += 1
    duty.put("anna/1.jpg", picture(2))
    duty.work.round()
    duty.passed += 3
    duty.work.round()
    assert duty.done == ["zora 1.jpg", "anna 1.jpg"]


def copies(duty: Duty, sender: str = "anna") -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (duty.out / "senders" / sender / "photos").iterdir()}


def test_a_copy_is_bare_and_the_journal_knows_the_file_that_arrived(duty: Duty) -> None:
    arrived = raw.with_segment(picture(1), 0xFE, b"QxCommentQz") + b"QxBehindQz"
    duty.put("anna/1.jpg", arrived)
    duty.rounds()
    ((name, kept),) = copies(duty).items()
    assert b"Qx" not in kept and name == hashlib.sha256(kept).hexdigest()[:20] + ".jpg"
    (photo,) = json.loads((duty.out / "triage.json").read_bytes())["senders"][0]["photos"]
    assert photo["sha256"] == hashlib.sha256(arrived).hexdigest()
    assert photo["file"] == name
    for again in (arrived, kept, picture(1)):  # the copy itself too, and what a messenger has taken the comment from
        duty.put("anna/2.jpg", again)
        assert duty.rounds().taken == {}
        duty.again()
        assert duty.rounds().taken == {}
    assert duty.done == ["anna 1.jpg"]
    assert list(copies(duty)) == [name]


def test_nothing_of_a_file_is_kept_before_it_is_bare(duty: Duty, monkeypatch: pytest.MonkeyPatch) -> None:
    def dies(*words: Any) -> Any:
        raise KeyboardInterrupt

    duty.put("anna/1.jpg", raw.with_segment(picture(1), 0xFE, b"QxCommentQz"))
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(apart, "run_tasks", dies)
        duty.rounds()
    assert not [path for path in duty.out.rglob("*") if path.is_file() and b"QxComment" in path.read_bytes()]
    duty.again()
    assert duty.rounds().taken == {"anna": 1}


def test_of_what_was_given_up_only_its_mark_is_kept(duty: Duty) -> None:
    for name, content in (("1.jpg", picture(1)[:2000]), ("2.jpg", b"QxTextQz" * 200), ("3.jpg", b"GIF89aQxTextQz")):
        duty.put(f"anna/{name}", raw.with_segment(content, 0xFE, b"Qx") if name == "1.jpg" else content)
    duty.rounds()
    duty.passed += 600
    assert duty.work.round().taken == {"anna": 3}
    kept = copies(duty)
    assert len(kept) == 3 and all(b"Qx" not in data and len(data) <= 8 for data in kept.values())
    assert duty.rounds().taken == {}


def test_of_what_cannot_be_made_bare_no_copy_is_kept(duty: Duty, monkeypatch: pytest.MonkeyPatch) -> None:
    def crashes(*words: Any, **more: Any) -> Iterator[tuple[int, Any]]:
        yield 0, apart.Crashed("it ended")

    monkeypatch.setattr(apart, "run_tasks", crashes)
    path = duty.put("anna/1.jpg", picture(1))
    assert duty.rounds().taken == {"anna": 1}
    assert not (duty.out / "senders/anna/photos").exists()
    assert duty.done == ["anna 1.jpg"]
    assert path.read_bytes() == picture(1)
    assert duty.rounds().taken == {}


def test_what_a_copy_cannot_tell_is_told_of_the_photo(duty: Duty) -> None:
    pages = raw.saved(raw.scene(), "TIFF", save_all=True, append_images=[raw.scene()])
    duty.put("anna/1.jpg", pages)
    duty.rounds()
    assert [Path(name).suffix for name in copies(duty)] == [".png"]
    assert "1.jpg: The file is named .jpg but holds a TIFF picture." in duty.answer("anna")
    assert REASONS["first_page_only"].message in duty.answer("anna")


def test_an_outline_beside_a_copy_bears_on_the_result(duty: Duty) -> None:
    duty.put("anna/1.jpg", picture(1))
    duty.rounds()
    (name,) = copies(duty)
    (duty.out / "senders/anna/photos" / f"{name}.outline.json").write_text("{}")
    duty.rounds()
    assert duty.done == ["anna 1.jpg"] * 2


def as_an_earlier_version_kept_it(duty: Duty, arrived: dict[str, bytes]) -> None:
    """Put the files that arrived in place of their copies, and say nothing of that in the journal."""
    journal = json.loads((duty.out / "triage.json").read_bytes())
    folder = duty.out / "senders/anna/photos"
    for photo in journal["senders"][0]["photos"]:
        (folder / photo["file"]).unlink()
        data = arrived[photo["name"]]
        photo["file"] = hashlib.sha256(data).hexdigest()[:20] + Path(photo["name"]).suffix
        (folder / photo["file"]).write_bytes(data)
        (folder / (photo["file"] + ".outline.json")).write_text("{}")
        del photo["bare"], photo["notes"]
    (duty.out / "triage.json").write_text(json.dumps(journal))


def test_copies_of_an_earlier_version_are_made_bare(duty: Duty) -> None:
    place = raw.ascii_tag(0x013B, "QxPlaceQz")
    arrived = {
        "1.jpg": raw.with_exif(picture(1), raw.block([place])),
        "2.tif": raw.tiff([*raw.tiff_tags(*raw.SIZE), place], bytes(raw.SIZE[0] * raw.SIZE[1] * 3)),
        "3.jpg": raw.with_exif(picture(3), raw.block([place]))[:3000],
    }
    for name, data in arrived.items():
        duty.put(f"anna/{name}", data)
    duty.rounds()
    duty.passed += 600
    duty.work.round()
    assert duty.done == ["anna 1.jpg", "anna 2.tif", "anna 3.jpg"]
    as_an_earlier_version_kept_it(duty, arrived)
    assert sum(b"QxPlaceQz" in data for data in copies(duty).values()) == 3
    duty.again()
    before = len(duty.done)
    assert duty.rounds().taken == {}
    assert not any(b"QxPlaceQz" in data for data in copies(duty).values())
    assert [Path(name).suffix for name in sorted(copies(duty))].count(".json") == 3
    photos = json.loads((duty.out / "triage.json").read_bytes())["senders"][0]["photos"]
    assert all(photo["bare"] for photo in photos)
    assert {photo["file"] for photo in photos} == {name for name in copies(duty) if not name.endswith(".json")}
    done = len(duty.done)
    assert done > before
    duty.again()
    duty.rounds()
    assert len(duty.done) == done


def test_an_older_copy_that_cannot_be_made_bare_stays_and_is_told(duty: Duty, monkeypatch: pytest.MonkeyPatch) -> None:
    duty.put("anna/1.jpg", picture(1))
    duty.rounds()
    as_an_earlier_version_kept_it(duty, {"1.jpg": picture(1)})
    kept = copies(duty)

    def crashes(*words: Any, **more: Any) -> Iterator[tuple[int, Any]]:
        yield 0, apart.Crashed("it ended")

    with monkeypatch.context() as patch:
        patch.setattr(apart, "run_tasks", crashes)
        duty.again()
        duty.rounds()
    assert copies(duty) == kept and AS_IT_CAME in duty.answer("anna")
    duty.again()
    duty.rounds()
    assert AS_IT_CAME not in duty.answer("anna")
