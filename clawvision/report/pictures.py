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
QUALITY = 70
MOST_BYTES = 30_000_000
"""All small pictures together; beyond it a page opens slowly on a telephone, and pictures are linked only."""
_SIDES = ((150, LONG_SIDE), (400, 640), (1000, 420))
"""Up to so many photos, the long side in pixels."""
_LEAST_SIDE = 300
_MOST_PIXELS = 60_000_000
_MOST_FILE_BYTES = 80_000_000
_SUFFIXES = (".jpg", ".png")


@dataclass(frozen=True, slots=True)
class Thumbnail:
    """A small picture as JPEG, with its size in pixels."""

    data: bytes
    width: int
    height: int

    @property
    def uri(self) -> str:
        """Return it as a ``data:`` address."""
        return "data:image/jpeg;base64," + b64encode(self.data).decode("ascii")


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


def long_side(count: int) -> int:
    """Return how many pixels the long side of a small picture may have, where there are so many."""
    return next((side for most, side in _SIDES if count <= most), _LEAST_SIDE)


def thumbnail(file: Path, side: int) -> Thumbnail | None:
    """Return a small picture of a file, or None where it is no picture that can be read.

    Parameters
    ----------
    file
        JPEG or PNG.
    side
        Long side at most, pixels.
    """
    try:
        data = read_regular(file, _MOST_FILE_BYTES)
        kind: Literal["JPEG", "PNG"] = "PNG" if data.startswith(b"\x89PNG") else "JPEG"
        if len(data) > _MOST_FILE_BYTES or structure_problem(kind, data) is not None:
            return None
        with Image.open(BytesIO(data), formats=("JPEG", "PNG")) as picture:
            if picture.width * picture.height > _MOST_PIXELS:
                return None
            picture.draft("RGB", (side, side))
            small = picture.convert("RGB")
            small.thumbnail((side, side), reducing_gap=2.0)
            stream = BytesIO()
            small.save(stream, "JPEG", quality=QUALITY, optimize=True, progressive=True)
            return Thumbnail(stream.getvalue(), small.width, small.height)
    except Exception:  # the folder may come from anybody, and decoders of hostile data raise almost anything
        return None


def link_to(file: Path) -> str:
    """Return a file of the folder of annotated pictures as a relative address."""
    return f"{ANNOTATED}/{quote(file.name.encode('utf-8', 'surrogateescape'), safe='')}"
