"""What a picture's file is made of, counted before any decoder sees it.

A decoder may be kept busy for hours, or take all memory, by a small file that breaks no rule of its format: a JPEG of a
million passes, EXIF data in a hundred thousand pieces, tags that all claim the same megabyte, a tile larger than the
picture. No camera writes such; the limits (status J) lie ten times and more above what cameras write.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from typing import Literal

MOST_SCANS = 100
"""Passes of a JPEG over its picture; a progressive one has about 10."""
MOST_SEGMENTS = 4_000
"""Of a JPEG; each holds up to 64 kB. Depth maps and the like are cut into hundreds."""
MOST_EXIF_BYTES = 4_000_000
MOST_CHUNKS = 100_000
"""Of a PNG; its pixels come in pieces of 8 kB and more."""
MOST_TILE_PX = 16_777_216
"""Of a TIFF's tile; usual ones have 256 to 1024 pixels a side."""

MOST_RUBBISH_BYTES = 100_000
"""Between the parts of a JPEG, where nothing belongs."""

_OVERLAP = 8
_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
_SOS, _EOI, _APP1, _ALONE = 0xDA, 0xD9, 0xE1, 0x01
_TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_TILE_WIDTH, _TILE_LENGTH, _DETAILS = 322, 323, 0x8769

_Entry = tuple[int, int, int]
"""Number of a tag, bytes that its value claims, and the value where it is one number."""


def structure_problem(kind: Literal["JPEG", "PNG", "TIFF", "HEIC"], data: bytes) -> str | None:
    """Return what is wrong with a file's structure, None where nothing is, as far as it can be followed.

    Parameters
    ----------
    kind
        What the file begins like.
    data
        The whole file.
    """
    if kind == "JPEG":
        return _jpeg_problem(data)
    if kind == "PNG":
        return _png_problem(data)
    if kind == "TIFF":
        return _tiff_problem(data)
    return None


def claims_too_much(block: bytes) -> bool:
    """Return whether the tags of EXIF data, or of a TIFF file, together claim many times the bytes there are.

    Values of honest tags do not overlap. One tag that lies about its size is no reason to give up the others.
    """
    block = block.removeprefix(b"Exif\0\0")
    most = _OVERLAP * len(block)
    return any(sum(min(size, len(block)) for _, size, _ in entries) > most for entries in _directories(block))


def _jpeg_problem(data: bytes) -> str | None:
    at, rubbish, segments, exif = 2, 0, 0, 0
    while True:
        found = _MARKER.search(data, at)
        if found is None:
            return None
        rubbish += found.start() - at
        marker, at = data[found.end() - 1], found.end()
        segments += 1
        if rubbish > MOST_RUBBISH_BYTES:
            return f"more than {MOST_RUBBISH_BYTES // 1000} kB in it mean nothing"
        if segments > MOST_SEGMENTS:
            return f"it has more than {MOST_SEGMENTS} parts"
        if marker == _EOI or at + 2 > len(data):
            return None
        if marker == _SOS:
            break
        length = 0 if marker == _ALONE else int.from_bytes(data[at : at + 2], "big")
        exif += length if marker == _APP1 and data.startswith(b"Exif\0", at + 2) else 0
        if exif > MOST_EXIF_BYTES:
            return f"its EXIF data have more than {MOST_EXIF_BYTES // 1_000_000} MB"
        at += length
    # The mark of a pass stands in coded pixels only as itself, but by chance in what a phone puts behind the picture.
    if data.count(b"\xff\xda", at) < MOST_SCANS or _scans(data, at) < MOST_SCANS:
        return None
    return f"it has more than {MOST_SCANS} passes"


def _scans(data: bytes, at: int) -> int:
    """Return how many passes begin before the picture's end, from within the first one; no more than count."""
    for scans in range(MOST_SCANS):
        marker = _EOI
        while (found := _MARKER.search(data, at)) is not None:
            marker, at = data[found.end() - 1], found.end()
            if marker in (_SOS, _EOI):
                break
            at += int.from_bytes(data[at : at + 2], "big")
        if found is None or marker == _EOI:
            return scans
    return MOST_SCANS


def _png_problem(data: bytes) -> str | None:
    at, chunks = 8, 0
    while at + 8 <= len(data):
        kind, chunks = data[at + 4 : at + 8], chunks + 1
        if kind == b"IEND":
            return None
        if chunks > MOST_CHUNKS:
            return f"it has more than {MOST_CHUNKS} parts"
        length = int.from_bytes(data[at : at + 4], "big")
        if kind == b"eXIf" and length > MOST_EXIF_BYTES:
            return f"its EXIF data have more than {MOST_EXIF_BYTES // 1_000_000} MB"
        at += 12 + length
    return None


def _tiff_problem(data: bytes) -> str | None:
    if claims_too_much(data):
        return "its tags claim more than the file holds"
    for entries in _directories(data):
        values = {tag: value for tag, _, value in entries}
        if values.get(_TILE_WIDTH, 0) * values.get(_TILE_LENGTH, 0) > MOST_TILE_PX:
            return f"its tiles have more than {MOST_TILE_PX / 1e6:.0f} million pixels"
    return None


def _directories(block: bytes) -> Iterator[list[_Entry]]:
    """Give the entries of the first directory, and of the one of EXIF details that it names."""
    if block[:4] not in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return
    order = "<" if block.startswith(b"II") else ">"
    big = b"+" in block[:4]
    at, width = (8, 8) if big else (4, 4)
    place = int.from_bytes(block[at : at + width], "little" if order == "<" else "big")
    for _ in range(2):
        entries = list(_entries(block, place, order, big))
        yield entries
        following = next((value for tag, _, value in entries if tag == _DETAILS), None)
        if following is None:
            return
        place = following


def _entries(block: bytes, place: int, order: str, big: bool) -> Iterator[_Entry]:
    head, entry = ("Q", "HHQQ") if big else ("H", "HHLL")
    start = place + struct.calcsize(order + head)
    if start > len(block):
        return
    (count,) = struct.unpack_from(order + head, block, place)
    step = struct.calcsize(order + entry)
    seen: set[int] = set()
    for at in range(start, min(start + count * step, len(block) - step + 1), step):
        tag, kind, number, value = struct.unpack_from(order + entry, block, at)
        if tag in seen:  # the first one counts
            continue
        seen.add(tag)
        if kind == 3 and number == 1:  # a short number stands at the field's beginning
            (value,) = struct.unpack_from(order + "H", block, at + step - (8 if big else 4))
        size = number * _TYPE_BYTES.get(kind, 0)
        yield tag, size if size > (8 if big else 4) else 0, value
