"""Pictures put together piece by piece, so that any piece may lie."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Sequence

import numpy as np
from PIL import Image

SIZE = (232, 204)
"""A little more than the least that is taken for a photo: quickly decoded."""

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL = 1, 2, 3, 4, 5, 7, 10
TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8}

Tag = tuple[int, int, int, bytes]
"""Number, type, count as stated, and the value's bytes, which need not agree with them."""


def scene(size: tuple[int, int] = SIZE, mode: str = "RGB") -> Image.Image:
    """Return a smooth picture with something in it."""
    width, height = size
    x, y = np.meshgrid(np.linspace(0, 1, width), np.linspace(0, 1, height))
    red = 120 + 60 * x + 30 * np.sin(9 * y)
    green = 110 + 50 * y
    blue = np.where((x - 0.5) ** 2 + (y - 0.5) ** 2 < 0.06, 40, 140 - 40 * x)
    return Image.fromarray(np.stack([red, green, blue], axis=-1).astype(np.uint8)).convert(mode)


def saved(image: Image.Image, kind: str, **more: object) -> bytes:
    """Return a picture as a file's bytes."""
    stream = io.BytesIO()
    image = image.copy()  # saving leaves a mark on a picture that another kind's saving trips over
    image.save(stream, kind, **more)  # type: ignore[arg-type]
    return stream.getvalue()


def ascii_tag(number: int, text: str) -> Tag:
    """Return a tag with a text."""
    data = text.encode("utf-8", "surrogatepass") + b"\0"
    return (number, ASCII, len(data), data)


def short_tag(number: int, value: int) -> Tag:
    """Return a tag with a small number."""
    return (number, SHORT, 1, struct.pack("<H", value))


def long_tag(number: int, value: int) -> Tag:
    """Return a tag with a number or a place in the block."""
    return (number, LONG, 1, struct.pack("<I", value))


def ratio_tag(number: int, above: int, below: int, signed: bool = False) -> Tag:
    """Return a tag with a fraction."""
    kind = SRATIONAL if signed else RATIONAL
    return (number, kind, 1, struct.pack("<ii" if signed else "<II", above, below))


def directory(tags: Sequence[Tag], start: int, following: int = 0) -> bytes:
    """Return an image file directory that lies at ``start``, with the values that are longer than 4 bytes behind it."""
    entries, behind = b"", b""
    values = start + 2 + 12 * len(tags) + 4
    for number, kind, count, data in tags:
        if len(data) > 4:
            place = struct.pack("<I", values + len(behind))
            behind += data + b"\0" * (len(data) % 2)
        else:
            place = data.ljust(4, b"\0")
        entries += struct.pack("<HHI", number, kind, count) + place
    return struct.pack("<H", len(tags)) + entries + struct.pack("<I", following) + behind


def block(main: Sequence[Tag], detail: Sequence[Tag] = (), following: int = 0) -> bytes:
    """Return a TIFF block as EXIF data are: a main directory, and one of details where ``detail`` holds any."""
    head = b"II*\0" + struct.pack("<I", 8)
    if not detail:
        return head + directory(main, 8, following)
    tags = [*main, long_tag(0x8769, 0)]
    there = 8 + len(directory(tags, 8))
    tags[-1] = long_tag(0x8769, there)
    return head + directory(tags, 8, following) + directory(detail, there)


def segment(marker: int, content: bytes) -> bytes:
    """Return a segment of a JPEG file."""
    return bytes((0xFF, marker)) + struct.pack(">H", len(content) + 2) + content


def with_segment(jpeg: bytes, marker: int, content: bytes) -> bytes:
    """Return a JPEG file with a segment put in at its beginning."""
    return jpeg[:2] + segment(marker, content[:65533]) + jpeg[2:]


def with_exif(jpeg: bytes, data: bytes) -> bytes:
    """Return a JPEG file with EXIF data."""
    return with_segment(jpeg, 0xE1, b"Exif\0\0" + data)


def segments(jpeg: bytes) -> tuple[list[tuple[int, bytes]], bytes]:
    """Return the segments of a JPEG file up to the scan, by marker, and the rest from there."""
    found, at = [], 2
    while at + 4 <= len(jpeg) and jpeg[at] == 0xFF and jpeg[at + 1] != 0xDA:
        length = struct.unpack(">H", jpeg[at + 2 : at + 4])[0]
        found.append((jpeg[at + 1], jpeg[at + 4 : at + 2 + length]))
        at += 2 + length
    return found, jpeg[at:]


def chunk(kind: bytes, content: bytes) -> bytes:
    """Return a chunk of a PNG file, with its true check sum."""
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def chunks(png: bytes) -> list[tuple[bytes, bytes]]:
    """Return the chunks of a PNG file."""
    found, at = [], 8
    while at + 12 <= len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        found.append((png[at + 4 : at + 8], png[at + 8 : at + 8 + length]))
        at += 12 + length
    return found


def png_of(pieces: Sequence[tuple[bytes, bytes]]) -> bytes:
    """Return a PNG file of these chunks."""
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunk(kind, content) for kind, content in pieces)


def with_chunk(png: bytes, kind: bytes, content: bytes) -> bytes:
    """Return a PNG file with a chunk put in behind its header."""
    first, *others = chunks(png)
    return png_of([first, (kind, content), *others])


def png_header(width: int, height: int, depth: int = 8, colour: int = 2) -> bytes:
    """Return the content of a PNG's header."""
    return struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0)


def tiff(tags: Sequence[Tag], data: bytes = b"", following: int = 0) -> bytes:
    """Return a TIFF file of one directory; the pixels lie in front of it, at 8."""
    start = 8 + len(data)
    start += start % 2
    return (b"II*\0" + struct.pack("<I", start) + data).ljust(start, b"\0") + directory(tags, start, following)


def tiff_tags(width: int, height: int, *, bits: int = 8, samples: int = 3, length: int | None = None) -> list[Tag]:
    """Return the tags of a plain TIFF picture whose pixels lie at 8 in one strip."""
    size = width * height * samples * bits // 8 if length is None else length
    return [
        long_tag(256, width),
        long_tag(257, height),
        (258, SHORT, samples, struct.pack("<H", bits) * samples),
        short_tag(259, 1),
        short_tag(262, 2 if samples >= 3 else 1),
        long_tag(273, 8),
        short_tag(277, samples),
        long_tag(278, height),
        long_tag(279, min(size, 2**32 - 1)),
    ]
