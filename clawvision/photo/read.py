"""Files to photos: the only place that opens a picture.

Nothing in a file is trusted: its size is known before it is read, its kind comes from its content, its
pixels are counted before they are decoded.
"""

from __future__ import annotations

import hashlib
import stat
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from PIL import Image
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile
from PIL.TiffImagePlugin import TiffImageFile

from clawvision.errors import PhotoRefused
from clawvision.photo.exif import kept_exif, read_exif
from clawvision.photo.structure import structure_problem
from clawvision.reasons import reason
from clawvision.types import WHOLE, ByteArray, Photo, Reason, Reduction, Settings

Format = Literal["JPEG", "PNG", "TIFF", "HEIC"]

MIN_SIDE_PX = 200
"""Shorter side below which a picture is a preview, not a photo to be measured."""

_SUFFIXES: dict[Format, frozenset[str]] = {
    "JPEG": frozenset({".jpg", ".jpeg", ".jpe", ".jfif", ".mpo"}),
    "PNG": frozenset({".png"}),
    "TIFF": frozenset({".tif", ".tiff"}),
    "HEIC": frozenset({".heic", ".heif", ".hif"}),
}
_HEIC_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"})
_OTHER_KINDS = (
    (b"GIF8", "it is a GIF picture"),
    (b"BM", "it is a BMP picture"),
    (b"%PDF", "it is a PDF document"),
    (b"PK\x03\x04", "it is a ZIP archive"),
)
_DNG_VERSION = 0xC612
_STRIP_ROWS = 64  # a strip of a 12 MP photo fits in the processor's cache

_TURNS: dict[int, Callable[[ByteArray], Any]] = {
    2: lambda p: cv2.flip(p, 1),
    3: lambda p: cv2.rotate(p, cv2.ROTATE_180),
    4: lambda p: cv2.flip(p, 0),
    5: lambda p: cv2.transpose(p),
    6: lambda p: cv2.rotate(p, cv2.ROTATE_90_CLOCKWISE),
    7: lambda p: cv2.rotate(cv2.transpose(p), cv2.ROTATE_180),
    8: lambda p: cv2.rotate(p, cv2.ROTATE_90_COUNTERCLOCKWISE),
}


def read_photo(
    path: Path, *, name: str, settings: Settings, long_side: int | None = None
) -> tuple[Photo, tuple[Reason, ...]]:
    """Read a JPEG, PNG, TIFF or HEIC photo and turn it upright.

    Parameters
    ----------
    path
        The file. It is read once.
    name
        The photo as the user names it.
    settings
        ``max_file_bytes`` and ``max_pixels`` are checked before reading and before decoding.
    long_side
        The photo is read at the smallest half, quarter or eighth whose longer side has so many pixels: a JPEG is
        decoded so, another kind averaged. ``stored_size`` and ``file_size`` stay those of the file; ``reduction``
        tells where its pixels lie. None reads it whole.

    Returns
    -------
    photo : Photo
        Pixels uint8 (H, W, 3) RGB, contiguous, read-only, with the EXIF orientation applied. Transparent
        parts are laid on white, 16 bits become 8, colour profiles are ignored. ``stored_size`` of a HEIC
        photo is its upright size, since that format turns its pixels itself.
    notes : tuple of Reason
        ``misnamed``, ``first_page_only``.

    Raises
    ------
    PhotoRefused
        With the reason, where there is no photo to be had from the file.
    """
    data = _read_bytes(path, settings.max_file_bytes)
    return photo_of(data, suffix=path.suffix, name=name, settings=settings, long_side=long_side)


def photo_of(
    data: bytes, *, suffix: str, name: str, settings: Settings, long_side: int | None = None
) -> tuple[Photo, tuple[Reason, ...]]:
    """Do what `read_photo` does with the bytes of a file, of whose name only the suffix bears on it.

    Parameters
    ----------
    data
        The whole file.
    suffix
        How its name ends, with the point; empty for none.
    name, settings, long_side
        As for `read_photo`.

    Raises
    ------
    PhotoRefused
        With the reason, where there is no photo to be had from them.
    """
    kind = kind_of(data)
    if (problem := structure_problem(kind, data)) is not None:
        raise PhotoRefused(reason("truncated", detail=problem))
    notes = []
    if suffix and suffix.lower() not in _SUFFIXES[kind]:
        notes.append(reason("misnamed", suffix=suffix.lower(), actual=kind))
    with _pillow_guarded():
        image = _open(kind, BytesIO(data))
        _check_size(image.size, settings.max_pixels)
        stored_size = image.size
        by = _reduction(stored_size, long_side)
        # A TIFF lets go of its file once decoded, the EXIF data of a PNG may come after its pixels.
        if kind == "PNG":
            image.load()
            exif = read_exif(image)
        else:
            exif = read_exif(image)
            if kind == "JPEG" and by > 1:
                image.draft("RGB", (stored_size[0] // by, stored_size[1] // by))
            image.load()
            if kind == "JPEG":
                by = round(stored_size[0] / image.size[0])
        if kind == "TIFF" and exif.orientation >= 5:
            stored_size = (stored_size[1], stored_size[0])
        if getattr(image, "is_animated", False):
            notes.append(reason("first_page_only"))
        pixels = _rgb(image, by if kind != "JPEG" else 1)
    if kind == "JPEG" and bool(np.all(pixels[-1] == 128)):
        # What a JPEG decoder puts where data are missing although the file has its end mark.
        raise PhotoRefused(reason("truncated", detail="its lower part is missing"))
    del image
    turn = exif.orientation if kind in ("JPEG", "PNG") else 1  # Pillow turns TIFF, pillow-heif turns HEIC
    pixels = turned(pixels, turn)
    pixels.flags.writeable = False
    aside = exif.orientation >= 5 and kind in ("JPEG", "PNG", "TIFF")
    upright = (stored_size[1], stored_size[0]) if aside else stored_size
    reduction = Reduction(by, _frame_shift(by, upright, pixels.shape, turn)) if by > 1 else WHOLE
    photo = Photo(name, hashlib.sha256(data).hexdigest(), pixels, exif, stored_size, reduction, upright)
    return photo, tuple(notes)


def exif_of(data: bytes) -> bytes:
    """Return an EXIF block with what is read of a picture's, see `clawvision.photo.exif.kept_exif`.

    Parameters
    ----------
    data
        A whole file that `photo_of` takes.

    Raises
    ------
    PhotoRefused
        If it cannot be opened.
    """
    kind = kind_of(data)
    with _pillow_guarded():
        image = _open(kind, BytesIO(data))
        if kind == "PNG":  # whose EXIF data may come after its pixels
            image.load()
        return kept_exif(image)


def turned(pixels: ByteArray, orientation: int) -> ByteArray:
    """Return pixels (H, W, 3) turned upright that are stored with an EXIF orientation."""
    return pixels if orientation == 1 else np.asarray(_TURNS[orientation](pixels))


def _read_bytes(path: Path, limit: int) -> bytes:
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise PhotoRefused(reason("unreadable", detail="it is a folder"))
        if not stat.S_ISREG(status.st_mode):  # a pipe would make the program wait for ever
            raise PhotoRefused(reason("unreadable", detail="it is a pipe or a device, not a file"))
        size = status.st_size
        if size <= limit:
            with path.open("rb") as stream:
                data = stream.read(limit + 1)
            size = len(data)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise PhotoRefused(reason("file_missing")) from error
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        detail = (getattr(error, "strerror", None) or str(error)).lower()
        raise PhotoRefused(reason("unreadable", detail=detail)) from error
    if size > limit:
        raise PhotoRefused(reason("file_too_large", size_mb=size / 1e6, limit_mb=limit / 1e6))
    if not data:
        raise PhotoRefused(reason("file_empty"))
    return data


def kind_of(data: bytes) -> Format:
    """Return what kind of picture bytes begin like.

    Raises
    ------
    PhotoRefused
        If it is none that is read.
    """
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        if data[8:10] == b"CR":
            raise PhotoRefused(reason("not_a_photo", detail="it is a raw camera file"))
        return "TIFF"
    detail = "its content is of another kind"
    if data[4:8] == b"ftyp":
        end = min(int.from_bytes(data[:4], "big"), 256)
        brands = {data[8:12], *(data[i : i + 4] for i in range(16, end - 3, 4))}
        if brands & _HEIC_BRANDS and not brands & {b"avif", b"avis"}:
            return "HEIC"
        detail = "it is an AVIF picture or a film"
    elif data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        detail = "it is a WebP picture"
    else:
        detail = next((text for start, text in _OTHER_KINDS if data.startswith(start)), detail)
    raise PhotoRefused(reason("not_a_photo", detail=detail))


@contextmanager
def _pillow_guarded() -> Iterator[None]:
    """Turn whatever a decoder raises on damaged data into a refusal, and keep its warnings off the console."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            yield
        except (PhotoRefused, MemoryError):  # the latter says nothing of the photo
            raise
        except Exception as error:  # decoders of hostile data raise almost anything
            text = " ".join(str(error).split()) or type(error).__name__
            raise PhotoRefused(reason("truncated", detail=text[:120])) from error


def _open(kind: Format, stream: BytesIO) -> Image.Image:
    """Open by the very class of the kind: no other decoder can be reached, and no global limit is in play."""
    if kind == "JPEG":
        return JpegImageFile(stream)  # phones append further frames (MPO); the first is the photo
    if kind == "PNG":
        return PngImageFile(stream)
    if kind == "TIFF":
        image = TiffImageFile(stream)
        if _DNG_VERSION in image.tag_v2:
            raise PhotoRefused(reason("not_a_photo", detail="it is a raw camera file"))
        return image
    try:
        from pillow_heif import HeifImageFile
    except ImportError as error:
        raise PhotoRefused(reason("heic_extra_missing")) from error
    opener: Callable[[BytesIO], Image.Image] = HeifImageFile
    return opener(stream)


def _reduction(size: tuple[int, int], long_side: int | None) -> int:
    """Return the largest of 1, 2, 4, 8 by which the longer side may be divided and still have so many pixels."""
    if long_side is None:
        return 1
    return next(by for by in (8, 4, 2, 1) if by == 1 or max(size) >= by * long_side)


def _frame_shift(by: int, upright: tuple[int, int], shape: tuple[int, ...], turn: int) -> tuple[float, float]:
    """Return where the reduced picture's frame begins in the file's, upright.

    Where a side is no multiple of ``by`` the last column or row as stored reaches beyond the picture. A turn may bring
    it to the front.
    """
    beyond = (shape[1] * by - upright[0], shape[0] * by - upright[1])
    return (-float(beyond[0]) if turn in (2, 3, 6, 7) else 0.0, -float(beyond[1]) if turn in (3, 4, 7, 8) else 0.0)


def _check_size(size: tuple[int, int], limit: int) -> None:
    width, height = size
    if width * height > limit:
        raise PhotoRefused(reason("picture_too_large", megapixels=width * height / 1e6, limit=limit / 1e6))
    if min(width, height) < MIN_SIDE_PX:
        raise PhotoRefused(reason("picture_too_small", width=width, height=height))


def _rgb(image: Image.Image, by: int) -> ByteArray:
    """Return a decoded picture of any mode as uint8 (H, W, 3), its sides divided by ``by`` and rounded up."""
    if image.mode in ("I", "F") or image.mode.startswith("I;"):
        image = Image.fromarray(_from_deep_grey(image))
    if image.has_transparency_data:
        clear = image.convert("RGBA")
        white = Image.new("RGBA", clear.size, (255, 255, 255, 255))
        image = Image.alpha_composite(white, clear)
    if image.mode not in ("RGB", "RGBX", "RGBA"):
        image = image.convert("RGB")
    return _unpack(image if by == 1 else image.reduce(by))


def _from_deep_grey(image: Image.Image) -> ByteArray:
    values = np.asarray(image)
    if image.mode == "F" or int(values.min()) < 0 or int(values.max()) > 65535:
        raise PhotoRefused(reason("not_a_photo", detail="its pixels are not 8 or 16 bits deep"))
    grey = (values.astype(np.uint16) >> 8).astype(np.uint8)
    return grey


def _unpack(image: Image.Image) -> ByteArray:
    """Copy a picture that Pillow holds in 4 bytes a pixel to an array of 3.

    In strips, since that is four times as fast as ``numpy.asarray`` on a whole 12 MP photo.
    """
    width, height = image.size
    pixels = np.empty((height, width, 3), np.uint8)
    raw_mode = "RGBA" if image.mode == "RGBA" else "RGBX"
    for top in range(0, height, _STRIP_ROWS):
        bottom = min(top + _STRIP_ROWS, height)
        raw = image.crop((0, top, width, bottom)).tobytes("raw", raw_mode)
        strip = np.frombuffer(raw, np.uint8).reshape(bottom - top, width, 4)
        cv2.cvtColor(strip, cv2.COLOR_RGBA2RGB, dst=pixels[top:bottom])
    return pixels
