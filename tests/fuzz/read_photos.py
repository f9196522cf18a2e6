"""Photos, and the outline files beside them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from clawvision.errors import PhotoRefused
from clawvision.types import Settings
from tests.fuzz import mutate, pictures
from tests.fuzz.reader import SAMPLES, Reader, write
from tests.hostile import raw


def _photo(data: bytes, place: Path) -> None:
    from clawvision.photo.read import read_photo

    path = write(place, "photo.jpg", data)
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


def _outline(data: bytes, place: Path) -> None:
    from clawvision.outline.sidecar import check_inside, read_sidecar

    write(place, "photo.jpg.outline.json", data)
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


READERS: dict[str, Reader] = {
    "photo": Reader(_photo, pictures.seeds, pictures.picture),
    "bare": Reader(_bare, pictures.seeds, pictures.picture),
    "outline": Reader(_outline, _outline_seeds, mutate.json_text),
    "drawing": Reader(_drawing, _outline_seeds, mutate.json_text),
}
