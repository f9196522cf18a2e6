"""The readers of what comes from outside, each with inputs to begin with and a way to change them."""

from __future__ import annotations

import asyncio
import csv
import gzip
import hashlib
import io
import json
import os
import random
import shutil
import zlib
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from clawvision.errors import PhotoRefused
from clawvision.types import Settings
from tests.fuzz import mutate, pictures
from tests.hostile import raw

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images"


@dataclass(frozen=True, slots=True)
class Reader:
    """A reader: ``read`` gets an input and a folder of its own, which is empty the first time and stays."""

    read: Callable[[bytes, Path], None]
    seeds: Callable[[], Sequence[bytes]]
    mutate: mutate.Mutator


def _write(place: Path, name: str, data: bytes) -> Path:
    path = place / name
    path.write_bytes(data)
    return path


# --- photos


def _photo(data: bytes, place: Path) -> None:
    from clawvision.photo.read import read_photo

    path = _write(place, "photo.jpg", data)
    photo, _ = read_photo(path, name="photo.jpg", settings=Settings(max_pixels=4_000_000))
    assert photo.pixels.shape == (photo.height, photo.width, 3), "the pixels are not those of the picture"
    assert photo.exif.orientation in range(1, 9)
    for text in (photo.exif.make, photo.exif.model, photo.exif.taken):
        assert text is None or (text.isprintable() and len(text) <= 64), f"text that does not print: {text!r}"


def _bare(data: bytes, place: Path) -> None:
    """Make a photo bare, as ``clawvision triage`` does; what comes out is searched for what has no place in it."""
    from clawvision.photo.bare import bare_copy
    from clawvision.photo.kept import remains
    from clawvision.photo.read import photo_of

    limits = Settings(max_pixels=4_000_000, max_file_bytes=20_000_000)
    marked = _with_secrets(data)
    assert len(remains(marked)) <= 16, "more than a mark is kept of what is no picture"
    try:
        made = bare_copy(marked, suffix=".jpg", settings=limits)
    except PhotoRefused as refusal:
        assert refusal.reason.code != "internal_error", refusal.reason.message
        raise
    for secret in SECRETS:
        assert secret not in made.data, f"{secret!r} is in the copy"
    if made.data.startswith(b"\xff\xd8"):
        parts, rest = raw.segments(made.data)
        assert rest and [marker for marker, _ in parts if marker in (*range(0xE1, 0xEE), 0xEF, 0xFE)] in ([], [0xE1])
        assert all(len(content) == 14 for marker, content in parts if marker == 0xE0), "a small preview"
        assert made.data.endswith(b"\xff\xd9")
    else:
        kinds = [kind for kind, _ in raw.chunks(made.data)]
        assert set(kinds) <= {b"IHDR", b"eXIf", b"PLTE", b"tRNS", b"IDAT", b"IEND"} and kinds.count(b"eXIf") <= 1
        assert made.data.endswith(raw.chunk(b"IEND", b""))
    try:
        photo, _ = photo_of(made.data, suffix=made.suffix, name="copy", settings=limits)
    except PhotoRefused as refusal:
        assert refusal.reason.code in ("picture_too_small", "picture_too_large"), "a copy that is not readable"
        return
    before, _ = photo_of(marked, suffix=".jpg", name="copy", settings=limits)
    assert photo.exif == before.exif and photo.file_size == before.file_size, "the copy's EXIF data say something else"
    assert np.array_equal(photo.pixels, before.pixels), "the copy's pixels are others"
    assert bare_copy(made.data, suffix=made.suffix, settings=limits).data == made.data, "a copy's copy is another one"


SECRETS = (b"QxMakerQz", b"QxCommentQz", b"QxBehindQz", b"QxTextQz", b"QxPhotoshopQz", b"QxPlaceQz")


def _with_secrets(data: bytes) -> bytes:
    """Return a picture with texts in what may hold some, where its format can be told."""
    maker, comment, behind, text, photoshop, place = SECRETS
    lies = raw.block(
        [raw.ascii_tag(0x013B, place.decode())], [(0x927C, raw.UNDEFINED, len(maker), maker), raw.short_tag(0xA405, 26)]
    )
    if data.startswith(b"\xff\xd8"):
        if b"Exif\0\0" not in data[:70_000]:
            data = raw.with_exif(data, lies)
        data = raw.with_segment(raw.with_segment(data, 0xFE, comment), 0xED, b"Photoshop 3.0\0" + photoshop)
    elif raw.chunks(data):
        data = raw.with_chunk(data, b"tEXt", b"Author\0" + text)
    return data + behind


# --- tables


def _manifest(data: bytes, place: Path) -> None:
    from clawvision.manifest import collect, read_manifest

    path = _write(place, "photos.csv", data)
    requests = read_manifest(path)
    root = place.resolve()
    for each in requests:
        assert each.path.resolve().is_relative_to(root), f"{each.name} leads out of the folder"
        assert each.animal
    collect([place])


def _manifest_seeds() -> Sequence[bytes]:
    rich = (
        "photo,animal,foot,view,claw,stage,taken,profile,offset_mm,trimmed,locomotion,signs,tick_mm,points,x_pen\n"
        "a.jpg,Bracken,LF,side,outer,before,2030-05-31T08:15,jersey,25,2030-01-02,3,heat;pain,1,,12\n"
        "b/c.jpg,Juniper,RH,sole,inner,after,2030-05-31,,-2.5,,1,,0.5,10 20 300 40 50,\n"
    )
    return ((SAMPLES / "photos.csv").read_bytes(), rich.encode(), rich.replace(",", ";").encode("utf-16"))


def _hand(data: bytes, place: Path) -> None:
    from clawvision.repeatability.hand import read_hand

    read_hand(_write(place, "hand.csv", data), ("toe_length", "toe_angle"), ("length_difference",))


def _hand_seeds() -> Sequence[bytes]:
    return (
        b"animal,foot,claw,measure,value,taken,stage,operator\nBracken,LF,outer,toe_length,81.5,2030-05-31,check,Ann\n"
        b"Bracken,LF,both,length_difference,3.2,,,\nJuniper,RH,inner,toe_angle,48,2030-06-01T10:00,before,Bo\n",
    )


def _smallest(data: bytes, place: Path) -> None:
    from clawvision.repeatability.smallest import read_smallest

    read_smallest(_write(place, "repeatability.json", data))


@cache
def _smallest_seeds() -> Sequence[bytes]:
    import tempfile

    from click.testing import CliRunner

    from clawvision.cli import main
    from tests.repeatability import photos

    with tempfile.TemporaryDirectory() as folder:
        run = photos.write(Path(folder) / "out", photos.herd(claws=8, photos=3))
        told = CliRunner().invoke(main, ["repeatability", str(run), "--out", f"{folder}/repeats"])
        assert told.exit_code == 0, told.output
        return ((Path(folder) / "repeats" / "repeatability.json").read_bytes(),)


# --- outline files


def _outline(data: bytes, place: Path) -> None:
    from clawvision.outline.sidecar import check_inside, read_sidecar

    _write(place, "photo.jpg.outline.json", data)
    found = read_sidecar(place / "photo.jpg")
    assert found is not None
    check_inside(found, 1600, 1200)


@cache
def _outline_seeds() -> Sequence[bytes]:
    found = []
    for path in sorted(SAMPLES.glob("*.outline.json"))[:4]:
        data = json.loads(path.read_bytes())
        for claw in data.get("claws", {}).values():  # fewer points are changed sooner, and read faster
            if claw.get("outline_px"):
                claw["outline_px"] = claw["outline_px"][:: max(1, len(claw["outline_px"]) // 60)]
        found.append(json.dumps(data).encode())
    marks = {"T": [702.1, 655.0], "C": [820.4, 500.9], "B": [500, 500], "H": [510, 640], "K": [1, 2]}
    ring = [[700 + 90 * x, 500 + 70 * y] for x, y in ((1, 0), (0.7, 0.7), (0, 1), (-0.7, 0.7), (-1, 0), (-0.7, -0.7))]
    ring += [[700, 430], [720, 432], [763, 451]]
    bare = {"outline_px": ring, "landmarks_px": marks, "foot": "LF", "points": [1, 2, 300, 400, 50], "by": "Ann"}
    rear = {"view": "rear", "left": {"outline_px": ring}, "leg_axis_px": [[600, 10], [610, 400]], "at": "2030-01-01"}
    return (*found, json.dumps(bare).encode(), json.dumps(rear).encode())


@cache
def _seen() -> tuple[Any, Any]:
    from clawvision.photo.read import read_photo
    from clawvision.scale.find import find_scale
    from clawvision.types import PhotoRequest

    request = PhotoRequest(path=SAMPLES / "101_side.jpg", name="101_side.jpg")
    photo, _ = read_photo(request.path, name=request.name, settings=Settings())
    return photo, find_scale(photo, request, Settings())


class _Blind:
    """A segmenter that sees nothing: what is drawn is all there is."""

    def segment(self, photo: Any, scale: Any, view: Any, *, toe: Any = None) -> Any:
        from clawvision.outline.segmenter import Segmentation

        return Segmentation(())


def _drawing(data: bytes, place: Path) -> None:
    """Measure what an outline file draws, up to the record."""
    from clawvision.errors import PhotoRefused
    from clawvision.outline.sidecar import parse_sidecar
    from clawvision.output.record import dumps, photo_record
    from clawvision.pipeline import run_drawn
    from clawvision.types import PhotoRequest

    photo, scale = _seen()
    sidecar = parse_sidecar(data, "photo.outline.json")
    request = PhotoRequest(path=place / "photo.jpg", name="photo.jpg", animal="Bracken", view=sidecar.view)
    try:
        result = run_drawn(
            photo, (), request, Settings(), sidecar, segmenter=_Blind(), scale_finder=lambda *given: scale
        )
    except PhotoRefused:  # run_drawn takes these in
        raise AssertionError("a refusal came out of the chain") from None
    dumps(photo_record(result))


# --- calibrations, profiles, rules


def _calibration(data: bytes, place: Path) -> None:
    from clawvision.scale.calibration import load_calibrations, match_calibration
    from clawvision.types import Exif

    _write(place, "lens.json", data)
    (lens,) = load_calibrations([place])
    assert "/" not in lens.file_name
    assert lens.remarks
    exif = Exif(make=lens.make, model=lens.model, focal_mm=lens.focal_mm, focal_35mm=lens.focal_35mm)
    if match_calibration([lens], exif, 1600, 1200) is not None:
        for orientation in range(1, 9):
            lens.camera(1600, 1200, orientation)


def _calibration_seeds() -> Sequence[bytes]:
    lens = {
        "schema": "clawvision/lens/1",
        "make": "Anymaker",
        "model": "One",
        "focal_mm": 4.25,
        "focal_35mm": 26.0,
        "width": 4000,
        "height": 3000,
        "fx": 3000.0,
        "fy": 3001.5,
        "cx": 1999.5,
        "cy": 1499.5,
        "distortion": [0.01, -0.02, 0.0001, 0.0, 0.0],
        "rms_px": 0.4,
        "u_focal_rel": 0.003,
        "reach": 0.9,
        "photos": [{"photo": "a.jpg", "corners": 40, "rms_px": 0.4, "tilt_deg": 22.0}],
        "dropped": [{"photo": "b.jpg", "reason": "no corners"}],
        "date": "2030-05-31",
        "target": "charuco",
        "square_mm": 35.0,
    }
    return (json.dumps(lens).encode(),)


@cache
def _profiles() -> Any:
    from clawvision.findings.profiles import load_profiles

    return load_profiles()


@cache
def _feet() -> Any:
    from tests.findings import photos

    return [*photos.whole("LH", toes=(105.0, 80.0)), *photos.whole("RH", locomotion=3), *photos.whole("LF")]


def _profile(data: bytes, place: Path) -> None:
    from clawvision.findings import assess_feet, load_rules
    from clawvision.findings.profiles import read_profile

    made = read_profile("herd.toml", data, _profiles())
    feet = [replace(each, request=replace(each.request, profile=made.name)) for each in _feet()[:3]]
    assess_feet(feet, {**_profiles(), made.name: made}, load_rules())


def _profile_seeds() -> Sequence[bytes]:
    folder = ROOT / "clawvision" / "findings" / "profiles"
    return [path.read_bytes() for path in sorted(folder.glob("*.toml"))]


def _rules(data: bytes, place: Path) -> None:
    from clawvision.findings import assess_feet, load_rules

    book = load_rules(_write(place, "rules.toml", data))
    assess_feet(_feet(), _profiles(), book)


def _rules_seeds() -> Sequence[bytes]:
    text = (ROOT / "clawvision" / "findings" / "rules.toml").read_text("utf-8")
    rows = [part for part in text.split("[[rule]]")[1:]]
    rows = ["[[rule]]" + part.split("\n[")[0] for part in rows]
    own = [row.replace('id = "', 'id = "own-', 1) for row in rows]
    return [("\n".join(part)).encode() for part in (rows[:2], rows[5:7], own[:1], own[3:5], own[8:9], own[12:13])] + [
        b'off = ["x"]\n' + own[2].encode()
    ]


# --- assessments


def _told(record: Any) -> None:
    """Tell all that the commands tell of an assessment on file."""
    from clawvision.history.entry import entries
    from clawvision.output.explanation import explanation, feet_of
    from clawvision.output.table import measures_csv

    rows = list(csv.reader(io.StringIO(measures_csv(record).decode("utf-8"))))
    for cell in (cell for row in rows for cell in row):
        if cell.startswith(("=", "+", "-", "@", "\t", "\r")):
            float(cell)  # a number, and nothing else
    for animal in record.animals[:2]:
        text = explanation(record, animal, feet_of(record, animal.animal, all_dates=True), exact=True)
        assert all(line.isprintable() for line in text.split("\n")), "the explanation holds what does not print"
    entries(record, "The assessment")


def _assessment(data: bytes, place: Path) -> None:
    from clawvision.output.read import read_assessment

    _told(read_assessment(_write(place, "assessment.json", data)))


def _report(data: bytes, place: Path) -> None:
    from clawvision.output.read import read_assessment
    from clawvision.report.write import Wanted, write_page
    from tests.report.made import parsed

    record = read_assessment(_write(place, "assessment.json", data))
    write_page(record, place, place / "r.html", Wanted(language="de"))
    html = (place / "r.html").read_text("utf-8")
    for bad in ("<script", "<img src=x", "javascript:", "onerror"):
        assert f"<{bad}" not in html
    parsed(html)


@cache
def _assessment_seeds() -> Sequence[bytes]:
    from clawvision.output.record import dumps
    from tests.history import made
    from tests.output import made_feet

    def small(record: Any) -> bytes:
        data = json.loads(dumps(record))
        _thin(data)
        return json.dumps(data).encode()

    return (small(made_feet.assessment()), small(made.herd(1, 1)))


def _thin(value: Any) -> None:
    """Shorten long lists of points, which would take most of the changes."""
    for key, part in list(value.items() if isinstance(value, dict) else enumerate(value)):
        if isinstance(part, list) and len(part) > 12 and all(isinstance(each, list) for each in part):
            value[key] = part[:: len(part) // 9]
        elif isinstance(part, list | dict):
            _thin(part)
    if isinstance(value, dict) and isinstance(value.get("checked"), list):
        value["checked"] = value["checked"][:2]


def _compare(data: bytes, place: Path) -> None:
    from clawvision.compare.comparison import compared
    from clawvision.compare.given import given_of
    from clawvision.compare.table import compare_csv
    from clawvision.findings import load_rules
    from clawvision.output.read import read_assessment
    from clawvision.repeatability.smallest import NONE_KNOWN

    record = read_assessment(_write(place, "assessment.json", data))
    compare_csv(compared([given_of(record)], _profiles(), load_rules(), NONE_KNOWN))


@cache
def _compare_seeds() -> Sequence[bytes]:
    from clawvision.output.record import dumps
    from tests.history import made

    record = made.herd(1, 2)
    data = json.loads(dumps(record))
    for photo in data["photos"]:
        late = photo["taken"] > "2030-02"
        photo["stage"], photo["taken"] = ("after" if late else "before"), "2030-01-07T08:15:00"
    data["photos"] = [each for each in data["photos"] if each["foot"] in ("LF", "RH")]
    return (json.dumps(data).encode(),)


# --- the store


@cache
def _export() -> bytes:
    import tempfile

    from clawvision.history.exchange import export_store
    from clawvision.history.store import add, open_store
    from tests.history import made

    with tempfile.TemporaryDirectory() as folder:
        with open_store(str(Path(folder) / "h"), "create") as store:
            add(store, made.herd(1, 1))
            export_store(store, Path(folder) / "h.gz")
        return gzip.decompress((Path(folder) / "h.gz").read_bytes())


_stores: dict[Path, Any] = {}


def _import(data: bytes, place: Path) -> None:
    from clawvision.history.exchange import import_store
    from clawvision.history.store import open_store

    if place not in _stores:
        _stores[place] = open_store(str(place / "store.sqlite"), "create")
        _stores[place] = (_stores[place], _stores[place].__enter__())
    import_store(_stores[place][1], _write(place, "in.jsonl.gz", data))


def _import_change(data: bytes, chance: random.Random) -> bytes:
    """Change lines; three of four get the key that goes with what they hold now, so that they are believed."""
    if chance.random() < 0.1:
        return mutate.bytewise(data, chance)
    try:
        lines = gzip.decompress(data).split(b"\n")
    except (OSError, EOFError, ValueError, zlib.error):
        return mutate.bytewise(data, chance)
    if len(lines) > 8:  # a few photos, and a foot with its photos
        chosen = chance.sample(lines[2:-2], 3) if chance.random() < 0.6 else [*lines[2:5], lines[-3]]
        lines = [*lines[:2], *sorted(chosen, key=lambda line: line.startswith(b'{"foot')), *lines[-2:]]
    at = chance.randrange(len(lines))
    if len(lines[at]) < 400_000:
        lines[at] = mutate.json_text(lines[at], chance)
    lines = [each for each in lines if each and not each.startswith(b'{"end"')]
    if chance.random() < 0.75:
        lines = _keyed(lines)
    lines.append(json.dumps({"end": {"lines": len(lines)}}).encode())
    return gzip.compress(b"\n".join(lines) + b"\n", 1)


def _keyed(lines: list[bytes]) -> list[bytes]:
    from clawvision.history import exchange

    class Key(Exception):
        pass

    def told(made: Any, key: str) -> Any:
        raise Key(made.key)

    made: dict[str, Any] = {}
    out = []
    same = exchange._same
    for line in lines:
        try:
            parsed = exchange._parsed(line)
            kind, value = next((k, v) for k, v in parsed if v is not None)
            if kind == "provenance":
                exchange._same = lambda each, key: each  # type: ignore[assignment]
                entry = exchange._provenance(value)
                data = json.loads(line)
                made[entry.key] = entry
                data["provenance"]["key"] = entry.key
                out.append(json.dumps(data).encode())
                continue
            exchange._same = told
            if kind in ("photo", "foot"):
                exchange._photo(value, made) if kind == "photo" else exchange._foot(value, made)
            out.append(line)
        except Key as key:
            data = json.loads(line)
            data[kind]["key"] = str(key)
            out.append(json.dumps(data).encode())
        except Exception:
            out.append(line)
        finally:
            exchange._same = same
    return out


# --- triage


def _journal(data: bytes, place: Path) -> None:
    """Work an empty inbox off with this journal."""
    from clawvision import batch
    from clawvision.triage.rounds import Triage, TriageSettings
    from tests.batch.fakes import run_here
    from tests.triage.fakes import Noting

    inbox, out = place / "inbox", place / "out"
    if out.exists():
        shutil.rmtree(out)
    inbox.mkdir(exist_ok=True)
    out.mkdir()
    _write(out, "triage.json", data)
    with patch.object(batch, "run_tasks", run_here):
        Triage(inbox, out, TriageSettings(worker=Noting(out / "log"), settle_s=0.0)).round()
    outside = [path.name for path in place.iterdir() if path not in (inbox, out)]
    assert not outside and not list(inbox.iterdir()), f"written outside: {outside}"


def _journal_seeds() -> Sequence[bytes]:
    photo = {
        **{"name": "a.jpg", "source": "Ann/a.jpg", "sha256": "ab" * 32, "size": 5, "mtime_ns": 7, "readable": True},
        **{"came": "2030-05-31T08:00:00+00:00", "file": "abababababababababab.jpg"},
    }
    line = {
        **{
            "sender": "Ann",
            "animal": "Bracken",
            "level": "this week",
            "at_least": True,
            "text": "Look.",
            "reasons": [],
        },
        **{
            "reasons": [],
            "came": "2030-05-31T08:00:00+00:00",
            "ask": ["How does she walk?"],
            "answer": "answers/Ann.txt",
        },
        "feet": [
            {
                **{"foot": "LF", "date": None, "level": "this week", "at_least": False, "text": "x", "reasons": ["y"]},
                "photos": ["a.jpg"],
            }
        ],
        "to_look_at": [{"photo": "a.jpg", "status": "review", "picture": "senders/Ann/annotated/a.jpg", "why": ["z"]}],
    }
    sender = {**{"name": "Ann", "folder": "Ann", "photos": [photo], "context": "", "open": False}, "notes": ["n"]}
    waiting = {"sender": "Bo", "source": "Bo/b.jpg", "since": "2030-05-31T08:00:00+00:00", "why": "cut"}
    return (
        json.dumps(
            {"schema": "clawvision/triage/1", "senders": [{**sender, "animals": [line]}], "waiting": [waiting]}
        ).encode(),
    )


def _inbox(data: bytes, place: Path) -> None:
    """Take the input's lines for names of senders and files, make these, and list them."""
    from clawvision.triage.inbox import key_of, list_inbox, read_found, shown_name
    from clawvision.triage.names import safe_name

    inbox = place / "inbox"
    if inbox.exists():
        shutil.rmtree(inbox)
    inbox.mkdir()
    for line in data.split(b"\n\n")[:12]:
        folder, _, name = line.partition(b"|")
        with suppress(OSError, ValueError):
            there = inbox / os.fsdecode(folder.replace(b"/", b"_")[:200])
            if folder and folder not in (b".", b".."):
                there.mkdir(exist_ok=True)
                file = there / os.fsdecode(name.replace(b"/", b"_")[:240])
                if name.startswith(b"->"):
                    file.symlink_to(os.fsdecode(name[2:]))
                elif name.startswith(b"#"):
                    os.mkfifo(file)
                else:
                    file.write_bytes(b"x")
    taken: list[str] = []
    listing = list_inbox(inbox)
    for each in (*listing.pictures, *listing.tables, *listing.sidecars):
        read_found(each, 100)
        assert each.source.isprintable() and each.sender.isprintable()
        made = safe_name(each.sender, taken)
        taken.append(made)
        assert made not in ("", ".", "..") and not set(made) & set('/\\\0:*?"<>|')
        assert shown_name(each.path.name).isprintable()
        assert key_of(each.sender).isprintable()
    assert all(note.isprintable() for note in listing.notes)


def _inbox_seeds() -> Sequence[bytes]:
    return (
        b"Ann|a.jpg\n\nAnn|photos.csv\n\nBo\x1b[31m|b\nc.JPG\n\nCON|nul.png\n\nAnn|a.outline.json\n\nEve|->/etc/passwd\n\n"
        b"Eve|#pipe.jpg\n\n=1+1|=cmd.jpg\n\n<b>|<img src=x>.jpg\n\n\xff\xfe|\xe2\x80\xae.jpg",
    )


# --- the review page


@cache
def _app(place: Path) -> Any:
    from clawvision.output.models import AssessmentRecord
    from clawvision.pipeline import _Known, _result
    from clawvision.review.app import make_app
    from clawvision.review.folder import review_photos
    from clawvision.review.workbench import Workbench
    from tests.history import made
    from tests.hostile import raw

    (place / "a.jpg").write_bytes(raw.saved(raw.scene(), "JPEG"))
    sha256 = hashlib.sha256((place / "a.jpg").read_bytes()).hexdigest()
    photo = made.refused("a.jpg", sha256).model_copy(update={"width": raw.SIZE[0], "height": raw.SIZE[1]})
    record = made.assessment([photo], judged=False)
    assert isinstance(record, AssessmentRecord)

    class Bench(Workbench):
        """Reads and checks as the real one; only the measuring, which takes a second, is left out."""

        def measure(self, index: int, sidecar: Any) -> Any:
            from clawvision.outline.sidecar import check_inside

            photo, _ = self.photo(index)
            if sidecar is not None:
                check_inside(sidecar, photo.width, photo.height)
            return _result(_Known(self.photos[index].request, photo))

    bench = Bench(review_photos(record, place), Settings())
    return make_app(bench, "token", frozenset({"here:1"}))


def _review(data: bytes, place: Path) -> None:
    """Send the input to the page's server: a word for what is asked, then the body."""
    app = _app(place)
    head, _, body = data.partition(b"\n")
    action = {b"g": "segment", b"n": "snap", b"s": "save"}.get(head[:1], "measure")
    answers: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: dict[str, Any]) -> None:
        answers.append(message)

    scope = {
        **{"type": "http", "method": "POST", "path": f"/api/photos/0/{action}", "query_string": b"", "root_path": ""},
        **{"http_version": "1.1", "scheme": "http", "server": ("here", 1), "client": ("x", 1), "asgi": {}},
        "headers": [
            (b"host", b"here:1"),
            (b"content-type", b"application/json"),
            (b"cookie", app.cookie.encode() + b"=token"),
        ],
    }
    _loop().run_until_complete(app(scope, receive, send))
    status = next(each["status"] for each in answers if each["type"] == "http.response.start")
    assert status < 500, f"status {status}"
    json.loads(b"".join(each.get("body", b"") for each in answers))
    names = {path.name for path in place.iterdir()}
    assert names <= {"a.jpg", "a.jpg.outline.json"}, f"files in the photos' folder: {names}"


@cache
def _loop() -> asyncio.AbstractEventLoop:
    return asyncio.new_event_loop()


def _review_seeds() -> Sequence[bytes]:
    ring = [[60, 60], [110, 52], [160, 60], [170, 110], [150, 150], [110, 160], [70, 150], [55, 105], [54, 90]]
    drawing = {"view": "side", "claws": {"outer": {"outline_px": ring, "landmarks_px": {"T": [150, 150]}}}}
    bodies: tuple[tuple[bytes, Any], ...] = (
        (b"m", drawing),
        (b"s", {"drawing": drawing, "by": "Ann"}),
        (b"m", {"outer": {"landmarks_px": {"T": [1, 2]}}, "points": [1, 2, 30, 40, 10], "foot": "LF"}),
        (b"s", {"drawing": {"left": {"outline_px": ring}, "leg_axis_px": [[1, 2], [100, 2]]}, "by": "<b>"}),
        (b"n", {"outline": ring, "first": 1, "last": 4, "reach": 8}),
        (b"g", {"horn": [[100, 100]], "other": [[10, 10]], "outline": ring, "neighbours": [ring[:4]], "anew": True}),
        (b"g", {"horn": [[100, 100]], "other": [], "outline": None}),
    )
    return [head + b"\n" + json.dumps(body).encode() for head, body in bodies]


def _review_change(data: bytes, chance: random.Random) -> bytes:
    head, _, body = data.partition(b"\n")
    return head + b"\n" + mutate.json_text(body, chance)


def _kept(data: bytes, place: Path) -> None:
    """Take a finished photo of an earlier run from the output folder."""
    from clawvision import store
    from clawvision.types import PhotoRequest

    (slot,) = store.slots([PhotoRequest(path=place / "a.jpg", name="a.jpg")], place)
    slot.record.parent.mkdir(exist_ok=True)
    slot.record.write_bytes(data)
    store.load(slot, "key")


def _kept_seeds() -> Sequence[bytes]:
    from clawvision.output.record import dumps, photo_record
    from clawvision.store import KeptRecord
    from tests.output import made

    data = json.loads(
        dumps(KeptRecord(key="key", picture="a.jpg", picture_sha256="ab" * 32, photo=photo_record(made.side_result())))
    )
    _thin(data)
    return (json.dumps(data).encode(),)


READERS: dict[str, Reader] = {
    "photo": Reader(_photo, pictures.seeds, pictures.picture),
    "bare": Reader(_bare, pictures.seeds, pictures.picture),
    "manifest": Reader(_manifest, _manifest_seeds, mutate.table),
    "hand": Reader(_hand, _hand_seeds, mutate.table),
    "smallest": Reader(_smallest, _smallest_seeds, mutate.json_text),
    "outline": Reader(_outline, _outline_seeds, mutate.json_text),
    "drawing": Reader(_drawing, _outline_seeds, mutate.json_text),
    "calibration": Reader(_calibration, _calibration_seeds, mutate.json_text),
    "profile": Reader(_profile, _profile_seeds, mutate.toml),
    "rules": Reader(_rules, _rules_seeds, mutate.toml),
    "assessment": Reader(_assessment, _assessment_seeds, mutate.json_text),
    "report": Reader(_report, _assessment_seeds, mutate.json_text),
    "compare": Reader(_compare, _compare_seeds, mutate.json_text),
    "import": Reader(_import, lambda: (gzip.compress(_export(), 1),), _import_change),
    "journal": Reader(_journal, _journal_seeds, mutate.json_text),
    "inbox": Reader(_inbox, _inbox_seeds, mutate.bytewise),
    "review": Reader(_review, _review_seeds, _review_change),
    "kept": Reader(_kept, _kept_seeds, mutate.json_text),
}
