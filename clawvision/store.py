"""What a run keeps of each finished photo, so that a later run need not do it again."""

from __future__ import annotations

import hashlib
import json
import os
import pickle
import re
import stat
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from importlib import metadata
from pathlib import Path, PurePosixPath
from typing import Any

from pydantic import ValidationError

import clawvision
from clawvision.errors import OutputError
from clawvision.outline.engine import engine_told
from clawvision.output.atomic import write_atomic
from clawvision.output.models import PhotoRecord, Record
from clawvision.output.record import dumps
from clawvision.plain import plain
from clawvision.regular import read_regular
from clawvision.types import PhotoRequest, Settings

RECORDS = "records"
ANNOTATED = "annotated"
NEVER = ""
"""A key that no photo has: what is saved with it is never taken for finished."""

_LIBRARIES = ("numpy", "opencv-python-headless", "pillow", "pillow-heif", "scikit-image", "scipy", "shapely")
_NO_BEARING = (
    "apart.py",
    "check.py",
    "checked.py",
    "cli",
    "compare",
    "findings",
    "growth",
    "history",
    "plotting.py",
    "printing",
    "repeatability",
    "report",
    "review",
    "shape",
    "triage",
)
_PICTURE_SUFFIXES = {b"\x89PNG": ".png", b"\xff\xd8\xff": ".jpg"}
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)
_TURNING = "\u200e\u200f\u061c\u202a-\u202e\u2066-\u2069"  # marks that make a name look like another one
_UNFIT = re.compile((r'[<>:"/\\|?*' if os.name == "nt" else "[") + rf"\x00-\x1f\x7f-\x9f{_TURNING}]")
_MAX_STEM_BYTES = 240
_DIGITS = (0, 6, 8, 10)
_SIDECAR_LIMIT = 5_000_000
_RECORD_LIMIT = 64_000_000


class KeptRecord(Record):
    """A finished photo as kept: its record, and what it was made from."""

    key: str
    picture: str | None
    picture_sha256: str | None
    photo: PhotoRecord


@dataclass(frozen=True, slots=True)
class Slot:
    """The places of one photo below the output folder; ``picture`` is without suffix."""

    record: Path
    picture: Path


def slots(requests: Sequence[PhotoRequest], out: Path) -> tuple[Slot, ...]:
    """Return each photo's places, in the order of the requests.

    A picture has the stem of its photo. Where several photos share one (whatever its case), all but the first get
    six digits of their name's hash behind it, and more where that is not enough.
    """
    pairs = zip(requests, digits_needed(requests), strict=True)
    return tuple(slot(request.name, digits, out) for request, digits in pairs)


def digits_needed(requests: Iterable[PhotoRequest]) -> bytes:
    """Return how many digits of its name's hash tell each photo's picture from those before it: a byte a photo."""
    taken: set[str] = set()
    needed = bytearray()
    for request in requests:
        stems = ((digits, _folded(_stem(request.name, digits))) for digits in _DIGITS)
        digits, folded = next((pair for pair in stems if pair[1] not in taken), (_DIGITS[-1], ""))
        taken.add(folded)
        needed.append(digits)
    return bytes(needed)


def slot(name: str, digits: int, out: Path) -> Slot:
    """Return the places of the photo ``name``, of whose hash so many digits are needed, see `digits_needed`."""
    stem = _stem(name, digits)
    ascii_stem = re.sub(r"[^A-Za-z0-9._-]+", "_", stem)[:60]
    return Slot(out / RECORDS / f"{ascii_stem}-{_name_digest(name)[:12]}.json", out / ANNOTATED / stem)


def settings_key(settings: Settings, worker: object) -> str:
    """Return a hash of everything but the photo that bears on its result: settings, calibrations, program.

    ``worker`` is the measuring chain, as it is sent to the processes.

    Raises
    ------
    MissingExtraError
        If what is to run the network is not installed.
    """
    values = asdict(settings)
    folders = [Path(folder) for folder in values.pop("calibration_dirs")]
    calibrations = [
        [path.name, _digest(path, _SIDECAR_LIMIT)]
        for folder in folders
        if folder.is_dir()
        for path in sorted(folder.iterdir())
        if path.is_file()
    ]
    chain = hashlib.sha256(pickle.dumps(worker)).hexdigest()
    # The version of OpenCV is the program's own; another engine's counts only where it is asked for.
    engine = [] if settings.engine == "opencv" else [engine_told(settings.engine)]
    return _hash([values, calibrations, chain, _program(), *engine])


def photo_key(request: PhotoRequest, settings: Settings, basis: str) -> str:
    """Return a hash of a photo's bytes, of what was said of it, of its sidecar file, and of ``basis``."""
    values = asdict(replace(request, path=Path()))
    del values["path"]  # where it lies does not bear on the result
    path = request.path
    sidecars = [path.with_name(name + ".outline.json") for name in (path.name, path.stem)]
    contents = [_digest(path, settings.max_file_bytes), *(_digest(sidecar, _SIDECAR_LIMIT) for sidecar in sidecars)]
    return _hash([basis, values, contents])


def load(slot: Slot, key: str) -> int | None:
    """Return the mark of the kept record if it is of this very photo and its picture is as it was written, else None.

    The mark is a number made from the record's bytes, by which `read` knows it again.
    """
    try:
        data = read_regular(slot.record, _RECORD_LIMIT)
        kept = KeptRecord.model_validate_json(data)
    except (OSError, ValidationError):
        return None
    if kept.key != key or any(reason.code == "internal_error" for reason in kept.photo.reasons):
        return None
    if kept.picture is not None:
        stems = {slot.picture.name + suffix for suffix in _PICTURE_SUFFIXES.values()}
        if kept.picture not in stems:
            return None
        if _digest(slot.picture.with_name(kept.picture), None) != kept.picture_sha256:
            return None
    return _mark(data)


def read(slot: Slot, mark: int) -> PhotoRecord:
    """Return the kept record that has this mark.

    Raises
    ------
    OutputError
        If it cannot be read or is another one.
    """
    remedy = "See that nothing else writes to this folder, and give the same command again."
    try:
        data = read_regular(slot.record, _RECORD_LIMIT)
    except OSError as error:
        raise OutputError(f"{plain(slot.record)} cannot be read again ({error.strerror}).", remedy) from None
    if _mark(data) != mark:
        raise OutputError(f"{plain(slot.record)} was changed while the run went on.", remedy)
    return KeptRecord.model_validate_json(data).photo


def save(slot: Slot, key: str, record: PhotoRecord, picture: bytes | None) -> int:
    """Write picture and record, and return the record's mark.

    The record comes last: once it is there, the photo is finished. Neither waits for its name to be on the disk: what
    a loss of power undoes is found out by `load`, and done again.

    Raises
    ------
    OutputError
        If one cannot be written.
    """
    name = None
    if picture is not None:
        suffix = next(suffix for start, suffix in _PICTURE_SUFFIXES.items() if picture.startswith(start))
        name = slot.picture.name + suffix
        write_atomic(slot.picture.with_name(name), picture, settled=False)
    for suffix in _PICTURE_SUFFIXES.values():  # an earlier run's picture of another photo must not stay beside it
        if slot.picture.name + suffix != name:
            with suppress(OSError):
                slot.picture.with_name(slot.picture.name + suffix).unlink()
    digest = None if picture is None else hashlib.sha256(picture).hexdigest()
    data = dumps(KeptRecord(key=key, picture=name, picture_sha256=digest, photo=record))
    write_atomic(slot.record, data, settled=False)
    return _mark(data)


@contextmanager
def alone(out: Path) -> Iterator[None]:
    """Hold the records of ``out`` for this process, where the system can tell; two runs would mix theirs.

    Raises
    ------
    OutputError
        If another process holds them.
    """
    try:
        import fcntl
    except ImportError:  # a system without such locks
        yield
        return
    descriptor = os.open(out / RECORDS, os.O_RDONLY)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise OutputError(
                f"Another run is writing to {plain(out)}.", "Wait until it has ended, or name another folder."
            ) from None
        except OSError:  # a share that knows no locks
            pass
        yield
    finally:
        os.close(descriptor)


def model_sha256() -> str | None:
    """Return the hash of the network that outlines claws; None where it is missing or is not the recorded one."""
    folder = Path(clawvision.__file__).parent / "outline" / "model"
    try:
        recorded = json.loads((folder / "claw_outline.json").read_bytes())["sha256"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    found = _digest(folder / "claw_outline.onnx", None)
    return found if found == recorded else None


def sweep(out: Path, names: Iterable[str]) -> None:
    """Remove the temporary files that a killed run left behind.

    ``names`` are the files written to ``out`` itself. It may be a folder of the user's, where nothing else is touched.
    """
    starts = tuple(f".{name}." for name in names)
    for folder, begins in ((out, starts), (out / RECORDS, (".",)), (out / ANNOTATED, (".",))):
        with suppress(OSError), os.scandir(folder) as entries:
            for entry in entries:
                if entry.name.startswith(begins) and entry.name.endswith(".part"):
                    with suppress(OSError):
                        Path(entry.path).unlink()


def gone(folder: Path) -> str | None:
    """Return what is wrong with a folder of photos where it cannot be listed or is empty, else None."""
    try:
        with os.scandir(folder) as entries:
            return None if next(entries, None) is not None else "it is empty"
    except (OSError, ValueError) as error:
        return getattr(error, "strerror", None) or str(error)


def _mark(data: bytes) -> int:
    """Return eight bytes of a hash as a number, never 0."""
    return int.from_bytes(hashlib.sha256(data).digest()[:8]) | 1


def _name_digest(name: str) -> str:
    return hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()


def _stem(name: str, digits: int) -> str:
    return f"{_safe_stem(name)}-{_name_digest(name)[:digits]}" if digits else _safe_stem(name)


def _safe_stem(name: str) -> str:
    """Return the photo's stem, changed only where the file system would not take it."""
    stem = PurePosixPath(name).stem.encode("utf-8", "backslashreplace")[:_MAX_STEM_BYTES].decode("utf-8", "ignore")
    stem = _UNFIT.sub("_", stem)
    if os.name == "nt":
        stem = stem.rstrip(". ") or "_"
        return f"{stem}_" if _RESERVED.fullmatch(stem) else stem
    return stem


def _folded(stem: str) -> str:
    return unicodedata.normalize("NFC", stem).casefold()


def _digest(path: Path, limit: int | None) -> str:
    """Return the SHA-256 of a file, or in words why there is none. Never waits for a pipe or device."""
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            return "not a file"
        if limit is not None and status.st_size > limit:
            return f"{status.st_size} bytes"
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        return type(error).__name__


def _hash(value: Any) -> str:
    text = json.dumps(value, sort_keys=True, default=str)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


@lru_cache(maxsize=1)
def _program() -> tuple[str, ...]:
    """Return the program's version and a hash of its parts that bear on a photo, and its libraries' versions."""
    root = Path(clawvision.__file__).parent
    digest = hashlib.sha256()
    for path in sorted(path for path in root.rglob("*") if path.is_file()):
        parts = path.relative_to(root).parts
        if parts[0] not in _NO_BEARING and "__pycache__" not in parts:
            digest.update("/".join(parts).encode() + b"\0" + path.read_bytes() + b"\0")
    versions = []
    for library in _LIBRARIES:
        with suppress(metadata.PackageNotFoundError):
            versions.append(f"{library} {metadata.version(library)}")
    return (clawvision.__version__, digest.hexdigest(), *versions)
