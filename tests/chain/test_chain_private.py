"""What a photo tells of place, people and devices, and what the computer's own folders are called, stays there.

Recognisable values are planted in every field that could hold them; then the whole chain runs, and every byte that it
wrote is searched, packed contents unpacked.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import io
import json
import re
import shutil
import socket
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import ExifTags, Image, ImageOps, PngImagePlugin, TiffImagePlugin

from clawvision.cli import main
from tests.chain.test_chain_sample import by_name, write_sidecar

FIELDS = (
    "ImageDescription", "Artist", "Copyright", "HostComputer", "Software", "XPAuthor", "XPComment", "XPTitle",
    "CameraOwnerName", "BodySerialNumber", "LensSerialNumber", "LensModel", "ImageUniqueID", "MakerNote", "UserComment",
    "CameraSerialNumber", "RelatedSoundFile", "ProcessingSoftware",
)  # fmt: skip
PLACED = ("Xmp", "Iptc", "Comment", "Thumbnail", "Trailer", "Text", "GPSAreaInformation", "GPSMapDatum")
GPS_NUMBERS = ("57.31791", "41.77263", "2031:07:19", "2031-07-19", "47.23259", "8.994937")
HOME = "QxFolderQz"
ARRIVED = ("101_side.jpg", "after.png", "sole.tif")
"""Of the photos, those that arrive in an inbox as well."""


def secret(name: str) -> str:
    return f"Qx{name}Qz"


SECRETS = (*(secret(name) for name in (*FIELDS, *PLACED)), *GPS_NUMBERS, HOME, "QxUserQz")


def planted_exif() -> Image.Exif:
    exif = Image.Exif()
    exif[ExifTags.Base.Make], exif[ExifTags.Base.Model] = "Rendered", "Invented 1"
    detail = exif.get_ifd(ExifTags.IFD.Exif)
    detail[ExifTags.Base.DateTimeOriginal] = "2026:04:14 10:00:00"
    detail[ExifTags.Base.FocalLengthIn35mmFilm] = 24
    for name in FIELDS:
        tag = ExifTags.Base[name]
        value: str | bytes = secret(name)
        if name.startswith("XP"):
            value = secret(name).encode("utf-16-le")
        elif name in ("MakerNote", "UserComment"):
            value = b"ASCII\0\0\0" + secret(name).encode()
        (detail if 0x9000 <= int(tag) < 0xC000 else exif)[tag] = value
    exif[ExifTags.IFD.GPSInfo] = {
        1: "N", 2: (47.0, 13.0, 57.31791), 3: "E", 4: (8.0, 59.0, 41.77263), 18: secret("GPSMapDatum"),
        28: b"ASCII\0\0\0" + secret("GPSAreaInformation").encode(), 29: "2031:07:19",
    }  # fmt: skip
    return exif


def xmp() -> bytes:
    return (
        '<?xpacket begin=""?><x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-'
        f'syntax-ns#"><rdf:Description creator="{secret("Xmp")}"/></rdf:RDF></x:xmpmeta><?xpacket end="w"?>'
    ).encode()


def segment(marker: int, content: bytes) -> bytes:
    return bytes((0xFF, marker)) + (len(content) + 2).to_bytes(2, "big") + content


def planted_jpeg(picture: Image.Image) -> bytes:
    """A JPEG with all that cameras and programs put into one, thumbnail and a picture behind its end included."""
    stream, small = io.BytesIO(), io.BytesIO()
    picture.save(stream, "JPEG", quality=95, exif=planted_exif(), xmp=xmp(), comment=secret("Comment").encode())
    picture.resize((80, 60)).save(small, "JPEG", comment=secret("Thumbnail").encode())
    iptc = b"\x1c\x02\x50" + len(secret("Iptc")).to_bytes(2, "big") + secret("Iptc").encode()
    photoshop = b"Photoshop 3.0\x008BIM\x04\x04\0\0" + len(iptc).to_bytes(4, "big") + iptc
    more = segment(0xE0, b"JFXX\0\x10" + small.getvalue()) + segment(0xED, photoshop)
    data = stream.getvalue()
    return data[:2] + more + data[2:] + small.getvalue() + secret("Trailer").encode()


def planted_png(picture: Image.Image, path: Path) -> None:
    info = PngImagePlugin.PngInfo()
    info.add_text("Author", secret("Text"), zip=True)
    info.add_itxt("XML:com.adobe.xmp", xmp().decode())
    picture.save(path, pnginfo=info, exif=planted_exif(), compress_level=1)


def planted_tiff(picture: Image.Image, path: Path) -> None:
    tags = TiffImagePlugin.ImageFileDirectory_v2()
    for name in ("ImageDescription", "Artist", "Copyright", "HostComputer", "Software"):
        tags[int(ExifTags.Base[name])] = secret(name)
    tags[700] = xmp()
    picture.save(path, tiffinfo=tags)


def unpacked(data: bytes, depth: int = 0) -> Iterator[bytes]:
    """Yield bytes, and what is packed in them: gzip, PNG texts, the streams of a PDF, pictures in a page."""
    yield data
    if depth > 2:
        return
    if data[:2] == b"\x1f\x8b":
        yield from unpacked(gzip.decompress(data), depth + 1)
    if data.startswith(b"\x89PNG"):
        for match in re.finditer(rb"(?:zTXt|iTXt|iCCP)[^\0]{1,79}\0", data):
            for skip in range(6):
                try:
                    yield zlib.decompressobj().decompress(data[match.end() + skip :])
                    break
                except zlib.error:
                    continue
    if data.startswith(b"%PDF"):
        for match in re.finditer(rb"stream\r?\n(.*?)endstream", data, re.DOTALL):
            try:
                yield from unpacked(zlib.decompressobj().decompress(match[1]), depth + 1)
            except zlib.error:
                yield from unpacked(match[1], depth + 1)
    for match in re.finditer(rb"data:[\w/+-]+;base64,([A-Za-z0-9+/=]+)", data):
        yield from unpacked(base64.b64decode(match[1]), depth + 1)
    if data.startswith(b"PAR1"):
        parquet = pytest.importorskip("pyarrow.parquet")
        table = parquet.read_table(io.BytesIO(data))
        yield repr((table.schema.metadata, table.to_pylist())).encode()


def told(data: bytes, secrets: tuple[str, ...] = SECRETS) -> set[str]:
    """Return the secrets that bytes hold in any of the ways in which text is written."""
    parts = list(unpacked(data))
    ways = ("utf-8", "utf-16-le", "utf-16-be")
    return {
        each
        for each in secrets
        for way in ways
        for needle in (each.encode(way), each.encode(way).hex().encode(), each.encode(way).hex().upper().encode())
        if any(needle in part for part in parts)
    }


def call(*words: str | Path) -> str:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exit_code in (0, 3), result.output
    return result.output


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of somebody's, with photos full of what must not leave it, and everything made of them."""
    home = tmp_path_factory.mktemp("work") / HOME
    photos = home / "photos"
    photos.mkdir(parents=True)
    side, sole = by_name("101_side.jpg"), by_name("106_sole.jpg")
    with Image.open(side.folder / side.name) as stored:
        picture = ImageOps.exif_transpose(stored).convert("RGB")
    (photos / "101_side.jpg").write_bytes(planted_jpeg(picture))
    (photos / "cut.jpg").write_bytes(planted_jpeg(picture)[:60_000])
    planted_png(picture, photos / "after.png")
    with Image.open(sole.folder / sole.name) as stored:
        planted_tiff(ImageOps.exif_transpose(stored).convert("RGB"), photos / "sole.tif")
    write_sidecar(side, photos)
    shutil.copy(photos / "101_side.outline.json", photos / "after.outline.json")
    (photos / "photos.csv").write_text(
        "photo,animal,foot,view,claw,stage,taken,offset_mm\n"
        "101_side.jpg,Moss,LH,side,outer,before,2026-04-14,25\n"
        "after.png,Moss,LH,side,outer,after,2026-04-14,25\n"
        "sole.tif,Moss,RH,sole,,check,2026-04-14,0\n"
        "cut.jpg,Moss,RF,side,outer,check,2026-04-14,25\n"
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("USER", "QxUserQz")
        patch.setenv("LOGNAME", "QxUserQz")
        patch.setenv("HOME", str(home))
        _everything(home, photos)
    return home


def _everything(home: Path, photos: Path) -> None:
    """Run every command that writes something of photos, all of them with absolute paths."""
    made = home / "made"
    out = made / "out"
    terminal = [call("assess", photos, "--out", out, "--jobs", 2, "--calibration", _lenses(home))]
    terminal.append(call("report", out, "--pdf", made / "pdf"))
    terminal.append(call("report", out, "--language", "de", "--to", made / "de.html", "--words", "exact"))
    terminal.append(call("explain", out, "Moss"))
    terminal.append(call("explain", out, "Moss", "--json"))
    terminal.append(call("review", out, "--photos", photos, "--export", made / "drawn"))
    terminal.append(call("compare", out, "--to", made / "trimmed", "--photos", photos))
    store = made / "herd.sqlite"
    terminal.append(call("history", "add", store, out))
    terminal.append(call("history", "export", store, "--to", made / "herd.jsonl.gz"))
    terminal.append(call("history", "research", store, "--to", made / "tables"))
    terminal.append(call("history", "show", store, "Moss"))
    terminal.append(call("history", "plot", store, "Moss", "--to", made / "plots"))
    inbox = home / "inbox" / "Anna"
    inbox.mkdir(parents=True)
    for name in (*ARRIVED, "cut.jpg", "101_side.outline.json", "after.outline.json", "photos.csv"):
        shutil.copy(photos / name, inbox)
    call("triage", home / "inbox", "--out", made / "duty", "--settle", "0.2", "--blur-background")
    # What the terminal shows may name the folders that were asked for, and nothing of the photos.
    (home / "terminal.txt").write_text("\n".join(terminal), encoding="utf-8")


def _lenses(home: Path) -> Path:
    folder = home / "lenses"
    folder.mkdir()
    return folder


def test_the_photos_hold_all_of_it_and_the_search_would_find_it(home: Path) -> None:
    read = b"".join((home / "photos" / name).read_bytes() for name in ("101_side.jpg", "sole.tif"))
    text = told((home / "photos" / "after.png").read_bytes()) | told(read)
    assert text >= {secret(name) for name in (*FIELDS, *PLACED)} | {"2031:07:19"}
    with Image.open(home / "photos" / "101_side.jpg") as picture:
        assert float(picture.getexif().get_ifd(ExifTags.IFD.GPSInfo)[2][2]) == pytest.approx(57.31791)
    page = b"<img src='data:image/png;base64," + base64.b64encode((home / "photos" / "after.png").read_bytes()) + b"'>"
    packed = b"%PDF-1.7\nstream\n" + zlib.compress(secret("Artist").encode("utf-16-be")) + b"\nendstream"
    for data, name in ((page, "Text"), (packed, "Artist"), (gzip.compress(packed), "Artist")):
        assert secret(name) in told(data)


def test_nothing_of_it_is_in_any_byte_that_is_written(home: Path) -> None:
    files = [path for path in (home / "made").rglob("*") if path.is_file()]
    suffixes = {path.suffix for path in files}
    assert {".json", ".csv", ".jpg", ".html", ".pdf", ".txt", ".png", ".gz", ".sqlite", ".jsonl", ".svg"} <= suffixes
    secrets = (*SECRETS, socket.gethostname()) if len(socket.gethostname()) > 5 else SECRETS
    found = {str(path.relative_to(home)): each for path in files if (each := told(path.read_bytes(), secrets))}
    assert not found
    with closing(sqlite3.connect(home / "made" / "herd.sqlite")) as store:
        assert store.execute("select count(*) from photo").fetchone()[0] == 4
        assert not told("\n".join(store.iterdump()).encode(), secrets)


def test_the_terminal_names_folders_and_nothing_else(home: Path) -> None:
    assert told((home / "terminal.txt").read_bytes()) <= {HOME}


def test_written_pictures_carry_no_metadata_at_all(home: Path) -> None:
    pictures = [path for path in (home / "made").rglob("*") if path.suffix in (".jpg", ".png")]
    pictures = [path for path in pictures if path not in _copies(home)]
    assert len(pictures) >= 8
    for path in pictures:
        with Image.open(path) as picture:
            assert not picture.getexif(), path
            # What Pillow tells of a JPEG's own frame and density, and of a plot's.
            assert set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density", "dpi"}, path
            if path.suffix == ".jpg":
                assert [marker for marker, _ in picture.applist] == ["APP0"], path


def _copies(home: Path) -> list[Path]:
    """Return the photos that triage keeps of those that arrived."""
    return [
        path for path in (home / "made" / "duty" / "senders" / "Anna" / "photos").iterdir() if path.suffix != ".json"
    ]


def test_a_copy_that_triage_keeps_holds_what_is_measured_and_nothing_else(home: Path) -> None:
    kept = {path.suffix: path for path in _copies(home)}
    assert set(kept) == {".jpg", ".png"} and len(_copies(home)) == len(ARRIVED) == 3
    for path in _copies(home):
        with Image.open(path) as picture:
            assert set(picture.getexif()) <= {0x010F, 0x0110, 0x0112, ExifTags.IFD.Exif}
            assert set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density", "dpi", "exif"}
    measured, arrived = (
        {
            photo["photo"]: photo
            for photo in json.loads((home / "made" / place / "assessment.json").read_bytes())["photos"]
        }
        for place in ("duty/senders/Anna", "out")
    )
    assert set(measured) == set(ARRIVED)
    for name, photo in measured.items():
        whole = hashlib.sha256((home / "photos" / name).read_bytes()).hexdigest()
        assert arrived[name]["sha256"] == whole != photo["sha256"]
        (copy,) = (path for path in _copies(home) if hashlib.sha256(path.read_bytes()).hexdigest() == photo["sha256"])
        assert copy.stem == photo["sha256"][:20]
        assert photo["exif"] == arrived[name]["exif"]
        assert photo["scale"] == arrived[name]["scale"]
        assert photo["claws"] == arrived[name]["claws"]
    assert measured["101_side.jpg"]["claws"]["outer"]["measures"] and measured["sole.tif"]["scale"]


def test_the_record_keeps_of_the_camera_only_what_measuring_needs(home: Path) -> None:
    record = json.loads((home / "made" / "out" / "assessment.json").read_bytes())
    for photo in record["photos"]:
        if photo["exif"] is not None:
            assert set(photo["exif"]) == {
                "make", "model", "taken", "focal_mm", "focal_35mm", "orientation", "flags",
            }  # fmt: skip
