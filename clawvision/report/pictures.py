"""Small pictures of the annotated photos, for a page that has to travel by itself."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Literal
from urllib.parse import quote

from PIL import Image

from clawvision.output.models import PhotoRecord
from clawvision.output.record import photo_facts
from clawvision.photo.structure import structure_problem
from clawvision.regular import read_regular
from clawvision.store import ANNOTATED, slots

LONG_SIDE = 900
MOST_PAGE_BYTES = 15_000_000
"""The whole page, unless its words alone take more. Beyond it a telephone has trouble, and pictures are linked only."""
MOST_BYTES = 4_000_000
"""All small pictures together, before they are written as text, which makes them larger by a third."""
_STEPS = ((40, LONG_SIDE, 50), (120, 640, 45), (240, 420, 40), (600, 260, 35))
"""Up to so many photos, the long side in pixels and the quality of WebP."""
_LEAST = (200, 30)
_PRINTED = (LONG_SIDE, 70)
_FRAME = 350
"""Bytes around a picture in the page at most: its tag and what is said instead of it to those who do not see it."""
_MOST_PIXELS = 60_000_000
_MOST_FILE_BYTES = 80_000_000
_SUFFIXES = (".jpg", ".png")


@dataclass(frozen=True, slots=True)
class Thumbnail:
    """A small picture as JPEG or WebP, with its size in pixels."""

    data: bytes
    width: int
    height: int
    kind: Literal["jpeg", "webp"] = "jpeg"

    @property
    def uri(self) -> str:
        """Return it as a ``data:`` address."""
        return f"data:image/{self.kind};base64," + b64encode(self.data).decode("ascii")


def annotated_files(photos: Sequence[PhotoRecord], out: Path) -> Mapping[str, Path]:
    """Return the annotated picture of each photo that has one.

    Its place is worked out as it was when it was written; a photo's name is not taken for a path. What leads out of
    the folder of annotated pictures is left out.
    """
    folder = out / ANNOTATED
    found: dict[str, Path] = {}
    if not folder.is_dir():
        return found
    requests = [photo_facts(photo).request for photo in photos]
    inside = folder.resolve()
    for photo, slot in zip(photos, slots(requests, out), strict=True):
        for suffix in _SUFFIXES:
            file = slot.picture.with_name(slot.picture.name + suffix)
            if file.is_file() and file.resolve().parent == inside:
                found[photo.photo] = file
                break
    return found


def picture_bytes(page: int, count: int) -> int:
    """Return how many bytes all small pictures may have, beside a page of so many bytes without them."""
    left = MOST_PAGE_BYTES - page - _FRAME * count
    return max(0, min(MOST_BYTES, left * 3 // 4))


def size_for(count: int) -> tuple[int, int]:
    """Return long side in pixels and quality of a small picture, where there are so many."""
    return next(((side, quality) for most, side, quality in _STEPS if count <= most), _LEAST)


def thumbnail(file: Path, side: int, quality: int, kind: Literal["jpeg", "webp"] = "webp") -> Thumbnail | None:
    """Return a small picture of a file, or None where it is no picture that can be read.

    Parameters
    ----------
    file
        JPEG or PNG.
    side
        Long side at most, pixels.
    quality
        As the format counts it, 0 to 100.
    kind
        WebP is half as large; JPEG goes into a PDF as it is.
    """
    try:
        data = read_regular(file, _MOST_FILE_BYTES)
        found: Literal["JPEG", "PNG"] = "PNG" if data.startswith(b"\x89PNG") else "JPEG"
        if len(data) > _MOST_FILE_BYTES or structure_problem(found, data) is not None:
            return None
        with Image.open(BytesIO(data), formats=("JPEG", "PNG")) as picture:
            if picture.width * picture.height > _MOST_PIXELS:
                return None
            picture.draft("RGB", (side, side))
            small = picture.convert("RGB")
            small.thumbnail((side, side), reducing_gap=2.0)
            return _packed(small, quality, kind)
    except Exception:  # the folder may come from anybody, and decoders of hostile data raise almost anything
        return None


def small_picture(picture: Image.Image, side: int, quality: int) -> Thumbnail:
    """Return a small copy of a picture that was drawn."""
    small = picture.convert("RGB")
    small.thumbnail((side, side), reducing_gap=2.0)
    return _packed(small, quality, "webp")


def _packed(small: Image.Image, quality: int, kind: Literal["jpeg", "webp"]) -> Thumbnail:
    stream = BytesIO()
    if kind == "webp":
        small.save(stream, "WEBP", quality=quality, method=4)
    else:
        small.save(stream, "JPEG", quality=quality, optimize=True, progressive=True)
    return Thumbnail(stream.getvalue(), small.width, small.height, kind)


def thumbnails_of(files: Mapping[str, Path], order: Sequence[str], most: int = MOST_BYTES) -> Mapping[str, Thumbnail]:
    """Return small pictures, in an order, as many as go into so many bytes.

    The more files there are, the smaller each is.
    """
    side, quality = size_for(len(files))
    found: dict[str, Thumbnail] = {}
    total = 0
    for name in dict.fromkeys((*order, *files)):
        small = thumbnail(files[name], side, quality) if name in files else None
        if small is None:
            continue
        total += len(small.data)
        if total > most:
            break
        found[name] = small
    return found


def printed_pictures(files: Mapping[str, Path], names: Sequence[str]) -> Mapping[str, Thumbnail]:
    """Return pictures of these photos for a printed page."""
    made = {name: thumbnail(files[name], *_PRINTED, "jpeg") for name in names if name in files}
    return {name: each for name, each in made.items() if each is not None}


def link_to(file: Path) -> str:
    """Return a file of the folder of annotated pictures as a relative address."""
    return f"{ANNOTATED}/{quote(file.name.encode('utf-8', 'surrogateescape'), safe='')}"
