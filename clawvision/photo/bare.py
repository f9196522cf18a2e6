"""A photo's file without what it tells besides its picture: place, people, devices, previews, what lies behind it.

The coded pixels of a JPEG or PNG are copied byte for byte. Of the camera's own data a new block is written that holds
what is read of them and nothing else. What somebody has hidden in the coded pixels themselves is not looked for.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO

import numpy as np
from PIL import Image

from clawvision.errors import PhotoRefused
from clawvision.photo.read import Format, exif_of, kind_of, photo_of, turned
from clawvision.photo.structure import MOST_SEGMENTS, structure_problem
from clawvision.reasons import reason
from clawvision.types import ByteArray, Exif, Photo, Settings

_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
_EOI, _SOS, _APP0, _APP1, _ADOBE = 0xD9, 0xDA, 0xE0, 0xE1, 0xEE
_DECODING = frozenset({*range(0xC0, 0xD0), *range(0xDA, 0xE0)} - {0xC8})
"""Segments of a JPEG that a decoder needs: frames, tables, passes."""
_DROPPED = frozenset({*range(0xE0, 0xF0), 0xFE})
"""Application segments and comments. Colour profiles are among them: measuring ignores them, and they may name a
screen and its owner."""
_BACK = {6: 8, 8: 6}
_PNG = b"\x89PNG\r\n\x1a\n"
_CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}


@dataclass(frozen=True, slots=True)
class BareCopy:
    """A photo's file, bare, and how its name has to end. ``notes`` were said of the file and are not of the copy."""

    data: bytes
    suffix: str
    notes: tuple[str, ...] = ()


def bare_copy(data: bytes, *, suffix: str, settings: Settings) -> BareCopy:
    """Return a photo's file without what it tells besides its picture. It is decoded, before and behind.

    Parameters
    ----------
    data
        The whole file.
    suffix
        How its name ends.
    settings
        Limits, as for `clawvision.photo.read.read_photo`.

    Returns
    -------
    BareCopy
        What `clawvision.photo.read.photo_of` reads from it is what it reads from the file: pixels and EXIF values.
        A JPEG or PNG stays one. A TIFF, a HEIC, and a JPEG or PNG whose parts cannot be told from one another,
        becomes a PNG of the pixels that were read. The same file always gives the same copy, and a copy itself.

    Raises
    ------
    PhotoRefused
        Where the file is no photo to be had, or its pixels do not fit into a file that may be read.
    """
    try:
        photo, notes = photo_of(data, suffix=suffix, name="photo", settings=settings)
    except PhotoRefused as refusal:
        size = refusal.reason.code in ("picture_too_small", "picture_too_large")  # for which nothing need be decoded
        if not size or (made := bare(data, kind_of(data), b"")) is None:
            raise
        return BareCopy(made, suffix)
    block = exif_of(data)
    made = bare(data, kind_of(data), block)
    notes_left = _notes_if_same(photo, made, suffix, settings)
    if made is None or notes_left is None:
        suffix, made = ".png", _png_of(photo, block)
        if len(made) > settings.max_file_bytes:
            limit = settings.max_file_bytes
            raise PhotoRefused(reason("file_too_large", size_mb=len(made) / 1e6, limit_mb=limit / 1e6))
        notes_left = _notes_if_same(photo, made, suffix, settings)
        if notes_left is None:
            raise PhotoRefused(reason("internal_error", detail="its copy does not read like it"))
    return BareCopy(made, suffix, tuple(note.message for note in notes if note.message not in notes_left))


def bare(data: bytes, kind: Format, exif: bytes) -> bytes | None:
    """Return a JPEG or PNG with its coded pixels, what decoding needs, an EXIF block, and nothing else.

    Parameters
    ----------
    data
        The whole file. Of several pictures the first one is kept.
    kind
        What it begins like.
    exif
        TIFF block of EXIF data; none is written where it is empty.

    Returns
    -------
    bytes or None
        None for another kind, and where the file's parts cannot be told from one another, or its end is missing.
    """
    if structure_problem(kind, data) is not None:
        return None
    if kind == "JPEG":
        return _bare_jpeg(data, exif)
    return _bare_png(data, exif) if kind == "PNG" else None


def _notes_if_same(photo: Photo, made: bytes | None, suffix: str, settings: Settings) -> frozenset[str] | None:
    """Return what is said of a copy, None where there is none or it does not read like the photo."""
    if made is None:
        return None
    try:
        again, notes = photo_of(made, suffix=suffix, name=photo.name, settings=settings)
    except PhotoRefused:
        return None
    values: tuple[tuple[Exif, tuple[int, int]], ...] = tuple((each.exif, each.file_size) for each in (photo, again))
    if values[0] != values[1] or not np.array_equal(photo.pixels, again.pixels):
        return None
    return frozenset(note.message for note in notes)


def _segment(marker: int, content: bytes) -> bytes:
    return bytes((0xFF, marker)) + struct.pack(">H", len(content) + 2) + content


def _bare_jpeg(data: bytes, exif: bytes) -> bytes | None:
    at, in_scan, scans = 2, False, 0
    jfif, parts = b"", [b""]
    while (found := _MARKER.search(data, at)) is not None and len(parts) <= 2 * MOST_SEGMENTS:
        if in_scan:
            parts.append(data[at : found.start()])
        marker, start = data[found.end() - 1], found.end()
        if marker == _EOI:
            own = _segment(_APP1, b"Exif\0\0" + exif) if exif else b""
            return b"\xff\xd8" + jfif + own + b"".join(parts) + b"\xff\xd9" if scans else None
        at = start + int.from_bytes(data[start : start + 2], "big")
        content = data[start + 2 : at]
        if at < start + 2 or at > len(data) or marker not in _DECODING | _DROPPED:
            return None
        in_scan = marker == _SOS
        scans += in_scan
        if marker in _DECODING:
            parts.append(_segment(marker, content))
        elif marker == _APP0 and content.startswith(b"JFIF\0") and len(content) >= 14:
            jfif = _segment(_APP0, content[:12] + b"\0\0")  # which says that no small preview follows
        elif marker == _ADOBE and content.startswith(b"Adobe") and len(content) >= 12:
            parts.append(_segment(_ADOBE, content[:12]))
    return None


def _chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def _bare_png(data: bytes, exif: bytes) -> bytes | None:
    head, pixels = [], []
    for kind, start, end in _chunks(data):
        if kind == b"IDAT":
            pixels.append((start, end))
        elif pixels:  # what belongs to the picture ends here
            break
        elif kind in (b"IHDR", b"PLTE", b"tRNS"):
            head.append(data[start:end])
    if not pixels or not head or head[0][:8] != b"\0\0\0\x0dIHDR" or not _all_picture(head[0][8:21], data, pixels):
        return None
    own = [_chunk(b"eXIf", exif)] if exif else []
    return b"".join([_PNG, head[0], *own, *head[1:], *(data[a:b] for a, b in pixels), _chunk(b"IEND", b"")])


def _chunks(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """Give the kind of each whole chunk, and where it begins and ends."""
    at = 8
    while at + 12 <= len(data):
        end = at + 12 + int.from_bytes(data[at : at + 4], "big")
        if end > len(data):
            return
        yield data[at + 4 : at + 8], at, end
        at = end


def _all_picture(header: bytes, data: bytes, pixels: list[tuple[int, int]]) -> bool:
    """Return whether the coded pixels hold a picture of that size and nothing behind it."""
    width, height, depth, colour, _, _, interlaced = struct.unpack(">IIBBBBB", header)
    most = height * ((width * depth * _CHANNELS.get(colour, 1) + 7) // 8 + 1)
    if interlaced:
        most += most // 8 + 16 * (width + height)  # a byte a row of each of its seven pictures, and rounding
    decoder, seen = zlib.decompressobj(), 0
    try:
        for start, end in pixels:
            left = data[start + 8 : end - 4]
            while left:
                seen += len(decoder.decompress(left, 1 << 20))
                left = decoder.unconsumed_tail
                if seen > most or decoder.unused_data:
                    return False
    except zlib.error:
        return False
    return decoder.eof


def _png_of(photo: Photo, exif: bytes) -> bytes:
    """Return a PNG of pixels, stored as its EXIF orientation says."""
    orientation = photo.exif.orientation
    stored: ByteArray = np.ascontiguousarray(turned(photo.pixels, _BACK.get(orientation, orientation)))
    stream = BytesIO()
    Image.fromarray(stored).save(stream, "PNG", compress_level=1)
    made = _bare_png(stream.getvalue(), exif)
    assert made is not None
    return made
