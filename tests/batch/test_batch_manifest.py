"""The manifest: what may stand in it, and what is said of what may not."""

from __future__ import annotations

import csv
import io
import os
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clawvision.columns import COLUMNS
from clawvision.errors import UsageError
from clawvision.manifest import collect, read_manifest
from clawvision.sheet import MAX_BYTES
from clawvision.types import PhotoRequest


def manifest(folder: Path, content: str | bytes) -> Path:
    path = folder / "photos.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return path


def message(path: Path) -> str:
    with pytest.raises(UsageError) as caught:
        read_manifest(path)
    assert caught.value.exit_code == 2
    assert caught.value.remedy or "\n" in caught.value.message
    return str(caught.value)


def test_every_column_is_read(tmp_path: Path) -> None:
    path = manifest(
        tmp_path,
        "photo,animal,foot,view,claw,stage,taken,profile,offset_mm,trimmed,locomotion,signs,tick_mm,points\n"
        'sub/a.jpg,"=1+1 <b>Øre</b>",lh,Sole,outer,before,2024-05-31T14:05,jersey,-2.5,2024-01-02,3,swelling;pain,0.5,'
        "1 2 30.5 4 100\n",
    )
    assert read_manifest(path) == (
        PhotoRequest(
            path=tmp_path / "sub/a.jpg",
            name="sub/a.jpg",
            animal="=1+1 <b>Øre</b>",
            foot="LH",
            view="sole",
            claw="outer",
            stage="before",
            taken="2024-05-31T14:05:00",
            profile="jersey",
            offset_mm=-2.5,
            trimmed=date(2024, 1, 2),
            locomotion=3,
            signs=("swelling", "pain"),
            tick_mm=0.5,
            points=(1.0, 2.0, 30.5, 4.0, 100.0),
        ),
    )


def test_only_photo_is_required_and_an_animal_is_a_folder(tmp_path: Path) -> None:
    folder = tmp_path / "Berta"
    (folder / "left").mkdir(parents=True)
    requests = read_manifest(manifest(folder, "photo\na.jpg\nleft/b.jpg\n\n  \n"))
    assert requests == (
        PhotoRequest(path=folder / "a.jpg", name="a.jpg", animal="Berta"),
        PhotoRequest(path=folder / "left/b.jpg", name="left/b.jpg", animal="left"),
    )


@pytest.mark.parametrize(
    "content",
    [
        "photo,foot,offset_mm\na.jpg,LH,25.5\n",
        "photo;foot;offset_mm\r\na.jpg;LH;25,5\r\n",
        "photo\tfoot\toffset_mm\na.jpg\tLH\t25,5",
        "sep=;\nphoto;foot;offset_mm\na.jpg;LH;25.5\n",
        " Photo , FOOT ,Offset MM\n a.jpg , lh , 25.5 \n",
        '"photo","foot","offset-mm"\n"a.jpg","LH","25,5"\n',
        "photo,foot,offset_mm,,\na.jpg,LH,25.5,,\n,,,,\n",
        "\ufeffphoto,foot,offset_mm\na.jpg,LH,25.5\n",
        "photo,x_note,foot,offset_mm\na.jpg,limps a bit,LH,25.5\n",
        "photo,foot,offset_mm\ra.jpg,LH,25.5\r",
        "photo,foot,offset_mm\na.jpg,LH,+2.55e1\n",
        "photo,foot,offset_mm\n./x/../a.jpg,LH,25.5\n",
    ],
)
def test_tables_as_spreadsheets_write_them(tmp_path: Path, content: str) -> None:
    (request,) = read_manifest(manifest(tmp_path, content))
    assert (request.name, request.foot, request.offset_mm) == ("a.jpg", "LH", 25.5)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    (request,) = read_manifest(manifest(tmp_path, "photo,animal\nä.jpg,Zoë\n".encode(encoding)))
    assert (request.name, request.animal) == ("ä.jpg", "Zoë")


def test_windows_1252_is_read_with_a_note(tmp_path: Path) -> None:
    manifest(tmp_path, "photo,animal\nä.jpg,Zoë\n".encode("cp1252"))
    collected = collect([tmp_path])
    assert (collected.requests[0].name, collected.requests[0].animal) == ("ä.jpg", "Zoë")
    assert any("Windows-1252" in note for note in collected.notes)


@pytest.mark.parametrize(
    ("content", "parts"),
    [
        ("photo,feet\na.jpg,LH\n", ["line 1", '"feet"', 'Did you mean "foot"?', "offset_mm"]),
        ("foto,foot\na.jpg,LH\n", ["line 1", '"photo" is missing', 'Did you mean "photo"?']),
        ("photo,photo\na.jpg,b.jpg\n", ["line 1", "twice"]),
        ("photo,foot\na.jpg,LX\n", ["line 2", "column foot", '"LX"', "LF RF LH RH"]),
        ("photo,view\na.jpg,soul\n", ["line 2", "column view", 'Did you mean "sole"?']),
        ("photo,claw\na.jpg,left\n", ["column claw", "outer inner"]),
        ("photo,stage\na.jpg,befor\n", ['Did you mean "before"?']),
        ("photo,locomotion\na.jpg,6\n", ["column locomotion", "1 2 3 4 5"]),
        ("photo,locomotion\na.jpg,2.5\n", ["column locomotion"]),
        ("photo,signs\na.jpg,swelling;smel\n", ["column signs", '"smel"', 'Did you mean "smell"?']),
        ("photo,offset_mm\na.jpg,25 mm\n", ["column offset_mm", "without a unit"]),
        ("photo,offset_mm\na.jpg,nan\n", ["column offset_mm"]),
        ("photo,offset_mm\na.jpg,1e999\n", ["column offset_mm"]),
        ("photo,offset_mm\na.jpg,1_0\n", ["column offset_mm"]),
        ("photo,offset_mm\na.jpg,2500\n", ["column offset_mm", "500"]),
        ("photo,tick_mm\na.jpg,0\n", ["column tick_mm"]),
        ("photo,points\na.jpg,1 2 3 4\n", ["column points", "x1 y1 x2 y2 mm"]),
        ("photo,points\na.jpg,1 2 1 2 50\n", ["column points", "one and the same"]),
        ("photo,points\na.jpg,1 2 3 4 0\n", ["column points", "fifth"]),
        ("photo,taken\na.jpg,31.05.2024\n", ["column taken", "2024-05-31"]),
        ("photo,trimmed\na.jpg,soon\n", ["column trimmed", "2024-05-31"]),
        ("photo,taken,trimmed\na.jpg,2024-01-01,2024-01-02\n", ["column trimmed", "after the photo"]),
        ("photo,foot\n,LH\n", ["line 2", "column photo", "names no photo"]),
        ("photo\n/etc/passwd\n", ["column photo", "absolute"]),
        ("photo\nC:\\a.jpg\n", ["column photo", "absolute"]),
        ("photo\n\\\\server\\a.jpg\n", ["column photo", "absolute"]),
        ("photo\nfile:a.jpg\n", ["column photo", "absolute"]),
        ("photo\n../a.jpg\n", ["column photo", "outside"]),
        ("photo\nsub/../../a.jpg\n", ["column photo", "outside"]),
        ("photo\nsub\\..\\..\\a.jpg\n", ["column photo", "outside"]),
        ("photo\n.\n", ["column photo", "outside"]),
        ("photo\nsub\n", ["column photo", "a folder"]),
        (f"photo\n{'a' * 300}.jpg\n", ["column photo", "cannot be the name"]),
        ("photo\na.jpg\nb.jpg\n./a.jpg\n", ["line 4", "already stands in line 2"]),
        ("photo,foot\na.jpg,LH,25\n", ["line 2", "3 cells", "2 columns"]),
        ("photo,,foot\na.jpg,stray,LH\n", ["line 2", '"stray"', "without a name"]),
        ('photo,animal\na.jpg,"open\nb.jpg,x\n', ["line 2", "double quote"]),
        ("photo,animal\na.jpg,a\x1b[31mb\n", ["line 2", "column animal", "do not print"]),
        ('photo,animal\n"a\nb.jpg",x\n', ["line 2", "column photo", "do not print"]),
        ("photo\n", ["names no photos"]),
        ("", ["names no photos"]),
        ("\n\n \n", ["names no photos"]),
        ("photo\0\na.jpg\n", ["not a text file"]),
    ],
)
def test_what_is_wrong_is_said_with_its_place(tmp_path: Path, content: str, parts: list[str]) -> None:
    (tmp_path / "sub").mkdir()
    text = message(manifest(tmp_path, content))
    assert str(tmp_path / "photos.csv") in text
    for part in parts:
        assert part in text
    assert "\x1b" not in text


def test_lines_are_those_of_the_file(tmp_path: Path) -> None:
    text = message(manifest(tmp_path, 'photo,x_note,foot\na.jpg,"two\nlines",LH\n\nb.jpg,,XX\n'))
    assert "line 5, column foot" in text


def test_all_bad_rows_are_told_at_once_up_to_twenty(tmp_path: Path) -> None:
    text = message(manifest(tmp_path, "photo,foot\n" + "".join(f"{n}.jpg,XX\n" for n in range(25))))
    assert text.count("column foot") == 20
    assert "5 more" in text


def test_a_table_too_large_or_unreadable(tmp_path: Path) -> None:
    path = tmp_path / "photos.csv"
    with path.open("wb") as stream:
        stream.truncate(MAX_BYTES + 1)
    assert "10 MB" in message(path)
    assert "not a file" in message(tmp_path)
    assert "not a file" in message(tmp_path / "nothing.csv")


def test_links_out_of_the_folder_are_refused(tmp_path: Path) -> None:
    inside, outside = tmp_path / "in", tmp_path / "out"
    inside.mkdir()
    outside.mkdir()
    (outside / "a.jpg").write_bytes(b"x")
    (inside / "linked.jpg").symlink_to(outside / "a.jpg")
    (inside / "folder").symlink_to(outside)
    (inside / "own.jpg").symlink_to(inside / "photos.csv")
    text = message(manifest(inside, "photo\nlinked.jpg\nfolder/a.jpg\nown.jpg\n"))
    assert "line 2" in text
    assert "line 3" in text
    assert "line 4" not in text


def test_a_link_to_the_folder_itself_is_no_way_out(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    manifest(tmp_path / "real", "photo\na.jpg\n")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    assert [request.name for request in collect([tmp_path / "link"]).requests] == ["a.jpg"]


@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.binary(max_size=200) | st.text(alphabet='photo,;\t"\n\r\\/. afeLH25\x00é\u202e=', max_size=200).map(str.encode)
)
def test_no_bytes_do_more_than_a_usage_error(tmp_path: Path, content: bytes) -> None:
    path = manifest(tmp_path, content)
    for data in (content, b"photo,animal,foot\n" + content):
        path.write_bytes(data)
        try:
            requests = read_manifest(path)
        except UsageError as error:
            assert all(line.isprintable() for line in str(error).splitlines())
        else:
            root = os.path.realpath(tmp_path)
            assert requests
            assert all(os.path.realpath(request.path).startswith(root + os.sep) for request in requests)
            assert len({request.name for request in requests}) == len(requests)


_TEXT = st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=12)


@settings(deadline=None, max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(_TEXT, min_size=1, max_size=5), st.sampled_from(",;\t"), st.sampled_from(["utf-8", "utf-16"]))
def test_what_a_spreadsheet_writes_comes_back(
    tmp_path: Path, animals: list[str], delimiter: str, encoding: str
) -> None:
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, delimiter=delimiter)
    writer.writerow(["photo", "animal"])
    writer.writerows([f"{number}.jpg", animal] for number, animal in enumerate(animals))
    requests = read_manifest(manifest(tmp_path, buffer.getvalue().encode(encoding)))
    assert [request.animal for request in requests] == animals


def test_many_rows(tmp_path: Path) -> None:
    content = "photo,animal\n" + "".join(f"{n}.jpg,cow {n % 50}\n" for n in range(5000))
    assert len(read_manifest(manifest(tmp_path, content))) == 5000


def test_columns_are_the_fields_of_a_request() -> None:
    fields = set(PhotoRequest.__dataclass_fields__) - {"path", "name"} | {"photo"}
    assert set(COLUMNS) == fields
