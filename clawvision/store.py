"""What a run keeps of each finished photo, so that a later run need not do it again."""

from __future__ import annotations

import hashlib
import json
import os
import pickle
import re
import stat
import unicodedata
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from importlib import metadata
from pathlib import Path, PurePosixPath
from typing import Any

from pydantic import ValidationError

import clawvision
from clawvision.output.atomic import write_atomic
from clawvision.output.models import PhotoRecord, Record
from clawvision.output.record import dumps
from clawvision.regular import read_regular
from clawvision.types import PhotoRequest, Settings

RECORDS = "records"
ANNOTATED = "annotated"
NEVER = ""
"""A key that no photo has: what is saved with it is never taken for finished."""

_LIBRARIES = ("numpy", "opencv-python-headless", "pillow", "pillow-heif", "scikit-image", "scipy", "shapely")
_NO_BEARING = (
    "check.py",
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
    six digits of their name's hash behind it.
    """
    result = []
    taken: set[str] = set()
    for request in requests:
        digest = hashlib.sha256(request.name.encode("utf-8", "surrogatepass")).hexdigest()
        stem = _safe_stem(request.name)
        if _folded(stem) in taken:
            stem = f"{stem}-{digest[:6]}"
        taken.add(_folded(stem))
        ascii_stem = re.sub(r"[^A-Za-z0-9._-]+", "_", stem)[:60]
        result.append(Slot(out / RECORDS / f"{ascii_stem}-{digest[:12]}.json", out / ANNOTATED / stem))
    return tuple(result)


def settings_key(settings: Settings, worker: object) -> str:
    """Return a hash of everything but the photo that bears on its result: settings, calibrations, program.

    ``worker`` is the measuring chain, as it is sent to the processes.
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
    return _hash([values, calibrations, chain, _program()])


def photo_key(request: PhotoRequest, settings: Settings, basis: str) -> str:
    """Return a hash of a photo's bytes, of what was said of it, of its sidecar file, and of ``basis``."""
    values = asdict(replace(request, path=Path()))
    del values["path"]  # where it lies does not bear on the result
    path = request.path
    sidecars = [path.with_name(name + ".outline.json") for name in (path.name, path.stem)]
    contents = [_digest(path, settings.max_file_bytes), *(_digest(sidecar, _SIDECAR_LIMIT) for sidecar in sidecars)]
    return _hash([basis, values, contents])


def load(slot: Slot, key: str) -> PhotoRecord | None:
    """Return the kept record if it is of this very photo and its picture is as it was written, else None."""
    try:
        kept = KeptRecord.model_validate_json(read_regular(slot.record, _RECORD_LIMIT))
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
    return kept.photo


def save(slot: Slot, key: str, record: PhotoRecord, picture: bytes | None) -> None:
    """Write picture and record. The record comes last: once it is there, the photo is finished.

    Raises
    ------
    OutputError
        If one cannot be written.
    """
    name = None
    if picture is not None:
        suffix = next(suffix for start, suffix in _PICTURE_SUFFIXES.items() if picture.startswith(start))
        name = slot.picture.name + suffix
        write_atomic(slot.picture.with_name(name), picture)
    for suffix in _PICTURE_SUFFIXES.values():  # an earlier run's picture of another photo must not stay beside it
        if slot.picture.name + suffix != name:
            with suppress(OSError):
                slot.picture.with_name(slot.picture.name + suffix).unlink()
    digest = None if picture is None else hashlib.sha256(picture).hexdigest()
    write_atomic(slot.record, dumps(KeptRecord(key=key, picture=name, picture_sha256=digest, photo=record)))


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
    left = [path for name in names for path in out.glob(f".{name}.*.part")]
    left += [path for folder in (out / RECORDS, out / ANNOTATED) for path in folder.glob(".*.part")]
    for path in left:
        with suppress(OSError):
            path.unlink()


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
