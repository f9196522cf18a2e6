"""What a photo's EXIF data tell of camera, date and focal length. Where it was taken is never read."""

from __future__ import annotations

import math
import re
import struct
import unicodedata
from collections.abc import Sequence
from datetime import datetime
from fractions import Fraction
from typing import Any

from PIL import Image

from clawvision.photo.structure import claims_too_much
from clawvision.types import Exif

FULL_FRAME_DIAGONAL_MM = 43.267
"""Diagonal of the 36 × 24 mm frame: the 35 mm equivalent focal length is defined by it (CIPA DCG-001)."""

_MAKE, _MODEL, _ORIENTATION, _EXIF_IFD = 0x010F, 0x0110, 0x0112, 0x8769
_TAKEN, _TAKEN_OFFSET = 0x9003, 0x9011
_FOCAL, _FOCAL_35, _DIGITAL_ZOOM = 0x920A, 0xA405, 0xA404
_PIXELS_X, _PIXELS_Y = 0xA002, 0xA003
_PLANE_X, _PLANE_Y, _PLANE_UNIT = 0xA20E, 0xA20F, 0xA210
# Exif knows inch and centimetre; millimetre and micrometre are in use by some cameras all the same.
_UNIT_MM = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}

_NUMBERS = (_FOCAL, _FOCAL_35, _DIGITAL_ZOOM, _PIXELS_X, _PIXELS_Y, _PLANE_X, _PLANE_Y, _PLANE_UNIT)
"""Of the details, all numbers that are read."""
_TAKEN_FLAGS = ((_TAKEN, "taken_invalid"), (_TAKEN_OFFSET, "taken_offset_invalid"))

_ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED, _DOUBLE = 2, 3, 4, 5, 7, 12
_ABSURD = (_ASCII, 2, b"?\0")
"""Type, count and bytes of what is neither a number nor a date."""
_Field = tuple[int, int, int, bytes]
"""Tag, type, count, bytes."""

_TEXT_LIMIT = 64
_FOCAL_RANGE_MM = (0.5, 3000.0)
_FOCAL_35_RANGE_MM = (4.0, 3000.0)
_SENSOR_DIAGONAL_RANGE_MM = (2.0, 90.0)
_DATE = re.compile(r"(\d{4}):(\d\d):(\d\d)[ T](\d\d):(\d\d):(\d\d)")
_OFFSET = re.compile(r"[+-](0\d|1[0-4]):[0-5]\d")


def focal_px(focal_35mm: float, width: int, height: int) -> float:
    """Return the focal length in pixels of a picture from its 35 mm equivalent.

    Parameters
    ----------
    focal_35mm
        35 mm equivalent focal length, mm: same diagonal angle of view on a 36 × 24 mm frame.
    width, height
        Size of the whole picture, pixels.

    Raises
    ------
    ValueError
        If one of them is not positive.

    Notes
    -----
    CIPA DCG-001 (Exif tag 0xA405): ``f_px = f_35 · diagonal_px / 43.267``.
    """
    if not (focal_35mm > 0 and width > 0 and height > 0):
        raise ValueError("focal length and picture size must be positive")
    return focal_35mm * math.hypot(width, height) / FULL_FRAME_DIAGONAL_MM


def read_exif(image: Image.Image) -> Exif:
    """Read the EXIF data of an opened picture, whatever state they are in.

    Parameters
    ----------
    image
        Picture as opened by Pillow, in its stored orientation. A PNG must be decoded first, since its EXIF
        data may lie behind its pixels; a TIFF must not be, since it lets go of its file then.

    Returns
    -------
    Exif
        A value that is absent is None; one that is absurd is None too and leaves a flag: ``exif_unreadable``,
        ``orientation_invalid``, ``taken_invalid``, ``taken_offset_invalid``, ``focal_invalid``,
        ``focal_35mm_invalid``, ``focal_plane_invalid``, ``focal_digital_zoom``, ``cropped``.

    Notes
    -----
    The focal length is not given for a picture that was cropped afterwards (its proportions differ from
    those that the camera wrote), since the angle of view is no longer the lens's. Where tag 0xA405 is
    missing, the 35 mm equivalent follows from the focal length and the sensor's diagonal, which the focal
    plane resolution and the picture's size in pixels tell; with digital zoom it does not.
    The GPS directory is never read.
    """
    flags: list[str] = []
    tags = _tags(image)
    if tags is None:
        return Exif(flags=("exif_unreadable",))
    main, detail = tags
    focal, focal_35 = _focal_lengths(detail, image.size, flags)
    return Exif(
        make=_text(_value(main, _MAKE)),
        model=_text(_value(main, _MODEL)),
        taken=_taken(detail, flags),
        focal_mm=focal,
        focal_35mm=focal_35,
        orientation=_orientation(_value(main, _ORIENTATION), flags),
        flags=tuple(flags),
    )


def kept_exif(image: Image.Image) -> bytes:
    """Return a block of EXIF data with what `read_exif` reads of a picture's, and nothing else.

    Made anew: numbers are numbers again, texts those that were read. A value that `read_exif` would call absurd is
    written as one that it calls so too, but says nothing of what it was.

    Parameters
    ----------
    image
        As for `read_exif`.

    Returns
    -------
    bytes
        A TIFF block, without the ``Exif`` mark in front of it. In place of data that cannot be read something that
        cannot be read either.
    """
    tags = _tags(image)
    if tags is None:
        return b"unreadable"
    main, detail = tags
    own = [
        (tag, *_text_field(text)) for tag in (_MAKE, _MODEL) if (text := _text(_value(main, tag))) is not None
    ] + _number_fields(main, (_ORIENTATION,))
    flags: list[str] = []
    taken = _taken(detail, flags)
    of_detail = _number_fields(detail, _NUMBERS)
    if taken is not None:
        of_detail.append((_TAKEN, *_text_field(taken[:19].replace("-", ":").replace("T", " "))))
        if taken[19:]:
            of_detail.append((_TAKEN_OFFSET, *_text_field(taken[19:])))
    of_detail += [(tag, *_ABSURD) for tag, flag in _TAKEN_FLAGS if flag in flags]
    return _block(own, of_detail)


def _tags(image: Image.Image) -> tuple[Any, Any] | None:
    """Return the tags of the main directory and of the details, None where they cannot be read."""
    try:
        block = getattr(image, "info", {}).get("exif")
        if isinstance(block, bytes) and claims_too_much(block):
            return None
        main = image.getexif()
        return main, main.get_ifd(_EXIF_IFD) if _EXIF_IFD in main else {}
    except Exception:  # hostile data make Pillow raise almost anything
        return None


def _text_field(text: str) -> tuple[int, int, bytes]:
    """Return type, count and bytes of a text: ASCII as EXIF has it, any other text as bytes of UTF-8."""
    if text.isascii():
        return _ASCII, len(text) + 1, text.encode() + b"\0"
    data = text.encode("utf-8")
    return _UNDEFINED, len(data), data


def _number_fields(tags: Any, numbers: Sequence[int]) -> list[_Field]:
    """Return the fields of those tags that are there."""
    found = []
    for tag in numbers:
        if (value := _value(tags, tag)) is not None:
            number = _number(value)
            found.append((tag, *(_ABSURD if number is None else _number_field(number))))
    return found


def _number_field(number: float) -> tuple[int, int, bytes]:
    """Return type, count and bytes of a number: exactly this one, in the type that EXIF has for it where one fits."""
    if number.is_integer() and 0 <= number < 2**32:
        return (
            (_SHORT, 1, struct.pack("<H", int(number)))
            if number < 2**16
            else (_LONG, 1, struct.pack("<I", int(number)))
        )
    near = Fraction(number).limit_denominator(1_000_000)
    if 0 <= near.numerator < 2**32 and float(near) == number:
        return _RATIONAL, 1, struct.pack("<II", near.numerator, near.denominator)
    return _DOUBLE, 1, struct.pack("<d", number)


def _block(main: Sequence[_Field], detail: Sequence[_Field]) -> bytes:
    """Return a TIFF block of a main directory and one of details."""
    pointer = [(_EXIF_IFD, _LONG, 1, struct.pack("<I", 0))] if detail else []
    there = 8 + len(_directory([*main, *pointer], 8))
    pointer = [(_EXIF_IFD, _LONG, 1, struct.pack("<I", there))] if detail else []
    head = b"II*\0" + struct.pack("<I", 8) + _directory([*main, *pointer], 8)
    return head + (_directory(detail, there) if detail else b"")


def _directory(fields: Sequence[_Field], start: int) -> bytes:
    """Return a directory that lies at ``start``, with the values that are longer than 4 bytes behind it."""
    entries, behind = b"", b""
    values = start + 2 + 12 * len(fields) + 4
    for tag, kind, count, data in sorted(fields):
        place = data.ljust(4, b"\0") if len(data) <= 4 else struct.pack("<I", values + len(behind))
        behind += data + b"\0" * (len(data) % 2) if len(data) > 4 else b""
        entries += struct.pack("<HHI", tag, kind, count) + place
    return struct.pack("<H", len(fields)) + entries + bytes(4) + behind


def _value(tags: Any, tag: int) -> Any:
    try:
        return tags.get(tag)  # Pillow decodes a tag when it is asked for, so this may raise
    except Exception:
        return None


def _text(value: Any) -> str | None:
    if isinstance(value, bytes):
        value = value[: 4 * _TEXT_LIMIT].decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    # Category C holds control, format (text direction) and surrogate characters: none belongs in a name.
    kept = (" " if unicodedata.category(c)[0] in "CZ" else c for c in value[: 4 * _TEXT_LIMIT])
    return " ".join("".join(kept).split())[:_TEXT_LIMIT].strip() or None


def _number(value: Any) -> float | None:
    """Return a finite number, or None for anything else."""
    if isinstance(value, tuple) and len(value) == 1:
        value = value[0]
    if isinstance(value, (str, bytes, tuple, list, dict)) or value is None:
        return None
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) else None


def _within(value: Any, limits: tuple[float, float]) -> float | None:
    number = _number(value)
    return number if number is not None and limits[0] <= number <= limits[1] else None


def _orientation(value: Any, flags: list[str]) -> int:
    if value is None:
        return 1
    number = _number(value)
    if number is not None and number in range(1, 9):
        return int(number)
    flags.append("orientation_invalid")
    return 1


def _taken(detail: Any, flags: list[str]) -> str | None:
    value = _value(detail, _TAKEN)
    if isinstance(value, bytes):
        value = value.decode("ascii", "replace")
    if value is None or (isinstance(value, str) and not value.strip(" :0\0")):
        return None  # Exif writes an unknown date as blanks, many cameras as zeros
    try:
        match = _DATE.fullmatch(value.strip(" \0"))
        moment = datetime(*(int(part) for part in match.groups())) if match else None  # type: ignore[arg-type]
    except (AttributeError, TypeError, ValueError):
        moment = None
    if moment is None:
        flags.append("taken_invalid")
        return None
    offset = _value(detail, _TAKEN_OFFSET)
    if isinstance(offset, bytes):
        offset = offset.decode("ascii", "replace")
    if offset is None or (isinstance(offset, str) and not offset.strip(" :\0")):
        return moment.isoformat()
    if isinstance(offset, str) and _OFFSET.fullmatch(offset.strip(" \0")):
        return moment.isoformat() + offset.strip(" \0")
    flags.append("taken_offset_invalid")
    return moment.isoformat()


def _focal_lengths(detail: Any, size: tuple[int, int], flags: list[str]) -> tuple[float | None, float | None]:
    raw, raw_35 = _value(detail, _FOCAL), _value(detail, _FOCAL_35)
    focal = _within(raw, _FOCAL_RANGE_MM)
    if raw is not None and focal is None and _number(raw) != 0:  # 0 stands for unknown
        flags.append("focal_invalid")
    focal_35 = _within(raw_35, _FOCAL_35_RANGE_MM)
    if raw_35 is not None and focal_35 is None and _number(raw_35) != 0:
        flags.append("focal_35mm_invalid")
    original = _original_size(detail, size)
    if _cropped(original, size):
        flags.append("cropped")
        return focal, None
    if focal_35 is None and focal is not None:
        focal_35 = _from_sensor(detail, focal, original, flags)
    return focal, focal_35


def _original_size(detail: Any, size: tuple[int, int]) -> tuple[float, float]:
    across, down = (_within(_value(detail, tag), (1, 1e6)) for tag in (_PIXELS_X, _PIXELS_Y))
    return (across, down) if across and down else (float(size[0]), float(size[1]))


def _cropped(original: tuple[float, float], size: tuple[int, int]) -> bool:
    """Tell whether the proportions were changed by more than rounding; a turn by 90° does not change them."""
    ratio = max(original) / min(original)
    return abs(max(size) / min(size) / ratio - 1.0) > 0.02


def _from_sensor(detail: Any, focal: float, original: tuple[float, float], flags: list[str]) -> float | None:
    raw = _value(detail, _PLANE_X), _value(detail, _PLANE_Y)
    if raw[0] is None and raw[1] is None:
        return None
    # One direction may be missing: pixels are square.
    across, down = _number(raw[0]) or _number(raw[1]), _number(raw[1]) or _number(raw[0])
    unit = _UNIT_MM.get(int(_number(_value(detail, _PLANE_UNIT)) or 2))
    if across and down and unit and across > 0 and down > 0:
        diagonal = _within(math.hypot(original[0] / across, original[1] / down) * unit, _SENSOR_DIAGONAL_RANGE_MM)
        zoom = _number(_value(detail, _DIGITAL_ZOOM)) or 1.0
        if diagonal and abs(zoom - 1.0) > 0.005:
            flags.append("focal_digital_zoom")  # whether the resolution includes the zoom is not settled
            return None
        focal_35 = _within(focal * FULL_FRAME_DIAGONAL_MM / diagonal, _FOCAL_35_RANGE_MM) if diagonal else None
        if focal_35:
            return focal_35
    flags.append("focal_plane_invalid")
    return None
