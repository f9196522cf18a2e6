"""What a person drew, as it comes from the page, and the outline file it becomes."""

from __future__ import annotations

import json
import os
from datetime import datetime
from pathlib import Path
from typing import Any

from clawvision.errors import OutputError, PhotoRefused
from clawvision.outline.sidecar import MAX_BYTES, Sidecar, parse_sidecar, read_sidecar
from clawvision.output.atomic import write_atomic
from clawvision.output.wording import clean
from clawvision.reasons import reason
from clawvision.regular import read_regular

_DECIMALS = 2
_MOST_NAME = 80
_KNOWN = ("schema", "view", "foot", "points", "leg_axis_px", "claws", "outer", "inner", "left", "right")
_BARE = ("outline_px", "outline", "landmarks_px", "landmarks")


def sidecar_path(photo: Path) -> Path:
    """Return the outline file that counts for a photo: the one that is there, else the name to write."""
    full = photo.with_name(photo.name + ".outline.json")
    short = photo.with_name(photo.stem + ".outline.json")
    return short if short.exists() and not full.exists() else full


def drawn(data: dict[str, Any], photo: Path) -> Sidecar:
    """Return what a drawing says, by the very reader that reads outline files.

    Raises
    ------
    PhotoRefused
        ``sidecar_invalid``, saying what is wrong.
    """
    name = sidecar_path(photo).name
    return parse_sidecar(_dumps(data, name), name)


def save(data: dict[str, Any], photo: Path, *, by: str, now: datetime | None = None) -> Path:
    """Write a drawing beside its photo, with who drew it and when; return the file.

    Members that another program keeps in a file that is there stay in it.

    Raises
    ------
    PhotoRefused
        If it is no outline file.
    OutputError
        If the folder cannot be written to.
    """
    drawn(data, photo)
    path = sidecar_path(photo)
    kept = {key: value for key, value in _present(path).items() if key not in (*_KNOWN, *_BARE, "by", "at")}
    moment = (now or datetime.now().astimezone()).isoformat(timespec="seconds")
    members = {key: data[key] for key in _KNOWN if data.get(key) is not None}
    name = clean(by, _MOST_NAME)
    written = {"schema": "clawvision/outline/1", "by": name or None, "at": moment, **members, **kept}
    content = _dumps({key: value for key, value in written.items() if value is not None}, path.name)
    parse_sidecar(content, path.name)
    if not os.access(path.parent, os.W_OK):
        raise OutputError(
            f"{path.name} cannot be written: the photos' folder is read-only.", "Copy the photos to one that is not."
        )
    write_atomic(path, content)
    return path


def present(photo: Path) -> dict[str, Any] | None:
    """Return the members of the outline file beside a photo for the page; None where there is none.

    Raises
    ------
    PhotoRefused
        ``sidecar_invalid`` where there is one that cannot be used.
    """
    sidecar = read_sidecar(photo)
    return None if sidecar is None else as_members(sidecar)


def as_members(sidecar: Sidecar) -> dict[str, Any]:
    """Return a sidecar as plain values, claws by name; one without a name is called ``claw``."""
    return {
        "view": sidecar.view,
        "foot": sidecar.foot,
        "points": None if sidecar.points is None else list(sidecar.points),
        "leg_axis_px": None if sidecar.leg_axis_px is None else sidecar.leg_axis_px.tolist(),
        "by": sidecar.by,
        "at": sidecar.at,
        "claws": {
            name or "claw": {
                "outline_px": None if claw.outline_px is None else claw.outline_px.tolist(),
                "landmarks_px": {letter: list(point) for letter, point in claw.landmarks_px.items()},
            }
            for name, claw in sidecar.claws.items()
        },
    }


def _present(path: Path) -> dict[str, Any]:
    """Return the members of a file; nothing where there is none, or none that can be read."""
    try:
        data = json.loads(read_regular(path, MAX_BYTES))
    except (OSError, ValueError, RecursionError):
        return {}
    return data if isinstance(data, dict) else {}


def _dumps(data: dict[str, Any], file: str) -> bytes:
    try:
        return (json.dumps(_rounded(data), ensure_ascii=False) + "\n").encode("utf-8", "replace")
    except RecursionError:
        raise PhotoRefused(reason("sidecar_invalid", sidecar=file, detail="it is nested too deeply")) from None
    except ValueError:  # an integer of thousands of digits
        raise PhotoRefused(reason("sidecar_invalid", sidecar=file, detail="a number is too long")) from None


def _rounded(value: Any) -> Any:
    """Return plain values with numbers of two decimals: finer than any hand or edge."""
    if isinstance(value, float):
        return round(value, _DECIMALS)
    if isinstance(value, dict):
        return {key: _rounded(part) for key, part in value.items()}
    return [_rounded(part) for part in value] if isinstance(value, list) else value
