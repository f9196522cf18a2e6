"""A whole store as a file, and back: nothing is lost, and what is wrong with a file is told with its line."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clawvision.cli import main
from clawvision.errors import OutputError, UsageError
from clawvision.history import exchange
from clawvision.history import store as history
from clawvision.history.exchange import export_store, import_store
from clawvision.history.rows import Counts
from clawvision.history.store import add, animals, open_store
from clawvision.output.models import AssessmentRecord
from tests.history import made, postgres
from tests.history.rows import everything, sound
from tests.history.test_history_store import HOSTILE, JULY, JUNE, changed


def varied() -> list[AssessmentRecord]:
    """Several runs: versions that supersede, refused photos, hostile names, measures that could not be taken."""
    first = made.herd(2, 2, made.run(JUNE))
    template = first.photos[0]
    (name, claw), *_ = template.claws.items()
    gone = made.MeasureRecord(
        value=None, uncertainty=None, unit="mm", flags=("low", "oblique"), reason="hidden by straw"
    )
    odd = claw.model_copy(update={"measures": {**claw.measures, "toe_length": gone}, "outline_mm": None})
    return [
        first,
        changed(first, JULY, animal=HOSTILE[0], stage="before"),
        made.assessment([made.refused("a.jpg", "ab" * 32), made.refused("b.jpg", animal=HOSTILE[5])]),
        made.assessment(
            [
                template.model_copy(
                    update={
                        "sha256": f"{number:064x}",
                        "animal": animal,
                        "photo": f"n/{animal}",
                        "claws": {name: odd},
                    }
                )
                for number, animal in enumerate(HOSTILE)
            ],
            judged=False,
        ),
        first,
    ]


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store and its export."""
    folder = tmp_path_factory.mktemp("full")
    with open_store(str(folder / "h"), "create") as store:
        for record in varied():
            add(store, record)
        export_store(store, folder / "h.jsonl.gz")
    return folder


def brought(file: Path, address: str, jobs: int = 1) -> Counts:
    with open_store(address, "create") as store:
        counts = import_store(store, file, jobs=jobs)
    sound(address)
    return counts


def sent(address: str, file: Path) -> Path:
    with open_store(address) as store:
        export_store(store, file)
    return file


def test_from_sqlite_to_postgresql_and_back(full: Path, server: postgres.Server, tmp_path: Path) -> None:
    there, back = server.new_database(), str(tmp_path / "back")
    brought(full / "h.jsonl.gz", there)
    over = sent(there, tmp_path / "over.jsonl.gz")
    brought(over, back)
    assert over.read_bytes() == (full / "h.jsonl.gz").read_bytes()
    assert everything(there) == everything(back) == everything(str(full / "h"))


def test_several_processes_make_no_difference(full: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exchange, "_CHUNK", 5)
    monkeypatch.setattr(history, "MOST_PHOTOS", 7)
    counts = brought(full / "h.jsonl.gz", str(tmp_path / "h"), jobs=2)
    # As every version is stored, so is it counted: what came later took the place of what came before.
    assert counts == Counts(new=60, superseded=48, refused=2, feet=26)
    assert everything(str(tmp_path / "h")) == everything(str(full / "h"))


def test_again_nothing_is_new_and_stores_can_be_put_together(full: Path, address: str, tmp_path: Path) -> None:
    with open_store(address, "create") as store:
        add(store, made.herd(3, 1, made.run(JULY), seed=1))
    first = brought(full / "h.jsonl.gz", address)
    assert first.new and brought(full / "h.jsonl.gz", address) == Counts(known=108)
    with open_store(address) as store:
        names = {each.animal for each in animals(store)}
    assert names >= {"Invented 0002", *HOSTILE}


def test_an_export_replaces_an_older_one_only_when_it_is_whole(
    full: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "h.jsonl.gz"
    file.write_bytes(b"older")

    def broken(*_: object) -> Any:
        yield b"{}\n"
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(exchange, "_lines", broken)
    with pytest.raises(OutputError, match="No space left"):
        sent(str(full / "h"), file)
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [b"older"]


# What may be wrong with a file


def lines_of(full: Path) -> list[bytes]:
    return gzip.decompress((full / "h.jsonl.gz").read_bytes()).splitlines(keepends=True)


def refused(lines: list[bytes], tmp_path: Path) -> str:
    (tmp_path / "x.jsonl.gz").write_bytes(gzip.compress(b"".join(lines)))
    return refused_file(tmp_path)


def refused_file(tmp_path: Path) -> str:
    address = str(tmp_path / "into")
    with open_store(address, "create") as store, pytest.raises(UsageError) as caught:
        import_store(store, tmp_path / "x.jsonl.gz")
    sound(address)
    assert "x.jsonl.gz" in str(caught.value) and "history export" in str(caught.value)
    return str(caught.value)


def edited(line: bytes, change: Callable[[dict[str, Any]], object]) -> bytes:
    value = json.loads(line)
    change(next(iter(value.values())))
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"


def index(lines: list[bytes], kind: bytes, number: int = 0) -> int:
    return [at for at, line in enumerate(lines) if line.startswith(b'{"' + kind)][number]


def _first_claw(photo: dict[str, Any]) -> dict[str, Any]:
    return next(iter(photo["claws"].values()))  # type: ignore[no-any-return]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda photo: photo.update(animal="Somebody else"), "its content is not what its key says"),
        (lambda photo: photo.update(key="0" * 64), "its content is not what its key says"),
        (lambda photo: photo.update(provenance="0" * 64), "does not stand before it"),
        (lambda photo: photo.update(assessed="yesterday"), "key 'photo.assessed'"),
        (lambda photo: photo.update(foot="LX"), "key 'photo.foot'"),
        (lambda photo: photo.update(name="/etc/passwd"), "key 'photo.name'"),
        (lambda photo: photo.update(latitude=52.1), "key 'photo.latitude'"),
        (lambda photo: photo.update(animal="a" * 201), "longer than 200 characters"),
        (lambda photo: photo.update(animal="a\0"), "NUL"),
        (lambda photo: photo.pop("sha256"), "key 'photo.sha256'"),
        (lambda photo: _first_claw(photo).update(confidence=2.0), "confidence"),
        (lambda photo: _first_claw(photo)["outline_mm"][0].pop(), "not as many y as x"),
        (lambda photo: _first_claw(photo)["measures"]["toe_length"].update(value="long"), "toe_length.value"),
        (lambda photo: _first_claw(photo)["measures"]["toe_length"].update(value=None), "toe_length"),
        (lambda photo: _first_claw(photo)["measures"]["toe_length"].update(value=1.0), "its content is not what"),
    ],
)
def test_a_line_that_was_changed_is_named(
    full: Path, tmp_path: Path, change: Callable[[dict[str, Any]], object], words: str
) -> None:
    lines = lines_of(full)
    at = index(lines, b"photo", 21)
    lines[at] = edited(lines[at], change)
    message = refused(lines, tmp_path)
    assert f"line {at + 1}: " in message and words in message and "The 21 photos before it are stored" in message
    assert len(message) < 600
    with open_store(str(tmp_path / "into")) as store:
        assert sum(each.photos for each in animals(store)) == 21


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda lines: lines[1:], "line 1: is no file that clawvision history export wrote"),
        (lambda lines: [b"[]\n", *lines], "line 1: "),
        (lambda lines: [b"\xff\xfe\n", *lines], "line 1: "),
        (lambda lines: [b"[" * 100_000 + b"\n", *lines], "line 1: "),
        (lambda lines: [lines[0].replace(b'"0002"', b'"0003"'), *lines[1:]], "line 1: comes from a newer version"),
        (lambda lines: [lines[0].replace(b"history/1", b"history/2"), *lines[1:]], "line 1: key 'head.format'"),
        (lambda lines: lines[:-1], "it was cut off"),
        (lambda lines: lines[:-5] + lines[-1:], "lines are missing"),
        (lambda lines: [*lines, lines[-1]], "stands behind the end"),
        (lambda lines: [*lines, lines[5]], "stands behind the end"),
        (lambda lines: [lines[0], *lines], "line 2: has no place here"),
        (lambda lines: [lines[0], b"{}\n", *lines[1:]], "line 2: holds not exactly one thing"),
        (lambda lines: [lines[0], b"\n", *lines[1:]], "line 2: "),
        (lambda lines: [lines[0], b'{"photo": 1}\n', *lines[1:]], "line 2: key 'photo'"),
        (lambda lines: [lines[0], b'{"\\u001b[31m": 1}\n', *lines[1:]], "line 2: key"),
    ],
)
def test_a_file_that_is_put_together_wrongly(
    full: Path, tmp_path: Path, spoil: Callable[[list[bytes]], list[bytes]], words: str
) -> None:
    message = refused(spoil(lines_of(full)), tmp_path)
    assert words in message and "\x1b" not in message and len(message) < 600


def test_photos_before_what_they_were_measured_with(full: Path, tmp_path: Path) -> None:
    lines = lines_of(full)
    at = index(lines, b"provenance")
    photo = index(lines, b"photo")
    lines[at], lines[photo] = lines[photo], lines[at]
    assert f"line {at + 1}: " in refused(lines, tmp_path)


def test_a_foot_without_its_photos(full: Path, tmp_path: Path) -> None:
    lines = [line for line in lines_of(full) if not line.startswith(b'{"photo"')]
    (tmp_path / "x.jsonl.gz").write_bytes(gzip.compress(b"".join(lines)))
    with open_store(str(tmp_path / "into"), "create") as store, pytest.raises(UsageError, match="not stored"):
        import_store(store, tmp_path / "x.jsonl.gz")


@given(st.data())
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_damaged_file_is_told_and_nothing_wrong_is_stored(
    full: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Cut off anywhere, or with a byte changed anywhere: what is stored is a part of what was exported."""
    whole = bytearray((full / "h.jsonl.gz").read_bytes())
    at = data.draw(st.integers(10, len(whole) - 1))  # before it stands gzip's own head, with its free bytes
    if data.draw(st.booleans()):
        spoilt = whole[:at]
    else:
        whole[at] ^= data.draw(st.integers(1, 255))
        spoilt = whole
    folder = tmp_path_factory.mktemp("damaged")
    (folder / "x.jsonl.gz").write_bytes(spoilt)
    message = refused_file(folder)
    assert "line " in message
    stored = everything(str(folder / "into"))
    keys = {row[1]: row[6:] for row in everything(str(full / "h"))["photo"]}
    assert all(keys[row[1]] == row[6:] for row in stored["photo"])


def test_files_that_are_not_packed(full: Path, tmp_path: Path) -> None:
    for content in (b"", b"hello", b"".join(lines_of(full)), gzip.compress(b"")):
        (tmp_path / "x.jsonl.gz").write_bytes(content)
        assert "line 1: " in refused_file(tmp_path)


def test_bombs_are_not_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exchange, "FREE_BYTES", 1_000_000)
    assert "line 1: longer than 16 MB" in refused([b" " * 40_000_000], tmp_path)
    # Many short lines: more than the file can honestly hold.
    many = b'{"provenance": 1}\n'
    head = b'{"head":{"format":"clawvision/history/1","tables":"0002","photos":1,"feet":0}}\n'
    assert "line 2: key 'provenance'" in refused([head, many * 1_000_000], tmp_path)
    photo = b'{"photo":{}}\n'
    monkeypatch.setattr(exchange, "check_chunk", lambda chunk: exchange._Read(()))
    assert "times as large" in refused([head, photo * 1_000_000], tmp_path)


def run(*words: object) -> Result:
    return CliRunner().invoke(main, ["history", *map(str, words)])


def test_the_commands(full: Path, tmp_path: Path) -> None:
    file = tmp_path / "new" / "h.jsonl.gz"
    result = run("export", full / "h", "--to", file)
    assert (result.exit_code, result.stdout) == (0, "") and "108 photos, what was found on 26 feet" in result.stderr
    assert run("export", full / "h", "--to", tmp_path / "h.json").exit_code == 2
    (tmp_path / "file").touch()
    assert run("export", full / "h", "--to", tmp_path / "file" / "h.jsonl.gz").exit_code == 5
    result = run("import", tmp_path / "h", file, "--jobs", 1)
    assert (result.exit_code, result.stdout) == (0, "")
    assert "108 photos: 60 new, 0 known, 48 in place of an older version." in result.stderr
    assert "2 could not be measured" in result.stderr
    assert run("import", tmp_path / "h", file, "-q", "--jobs", 1).output == ""
    assert run("import", tmp_path / "h", tmp_path / "none").exit_code == 2
    assert run("import", tmp_path / "h", tmp_path).exit_code == 2
    file.write_bytes(file.read_bytes()[:-20])
    result = run("import", tmp_path / "other", file, "--jobs", 1)
    assert result.exit_code == 2 and "cut off" in result.stderr
