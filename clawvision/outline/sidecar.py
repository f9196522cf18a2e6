"""Outlines and landmarks that a person placed, in a JSON file beside the photo.

The file is named after the photo: ``cow7.outline.json`` or ``cow7.jpg.outline.json`` for ``cow7.jpg`` (where both
exist, the one with the full name counts). UTF-8, at most 5 MB::

    {
      "schema": "clawvision/outline/1",
      "view": "sole",
      "claws": {
        "outer": {"outline_px": [[812.0, 431.5], [815.2, 440.0], ...],
                  "landmarks_px": {"T": [702.1, 655.0], "K": [820.4, 500.9]}},
        "inner": {"landmarks_px": {"T": [640.0, 650.2]}}
      }
    }

* ``schema`` may be left out. ``view`` (``side sole front rear``) too; it counts where the manifest names no view.
* ``claws`` has a member for each claw: ``outer``, ``inner``, or in a sole view ``left`` and ``right`` as seen with
  the toes up. The members may also stand at the top level, without ``claws``.
* Each claw has ``outline_px``, ``landmarks_px``, or both. A file may hold just these two at its top level: it then
  describes the claw of a side view that the manifest names. ``outline`` and ``landmarks`` are taken as well.
* ``outline_px`` is the horn's silhouette without hair, dewclaw or neighbouring claw: at least 8 points ``[x, y]``
  around it in either direction, closed of itself (a repeated first point is dropped), not crossing itself.
* ``landmarks_px`` may hold any of ``C T B H K``.
* ``leg_axis_px`` at the top level, for a rear view: two points on the leg's axis, the upper one first.
* ``foot`` and ``points`` at the top level are the manifest's columns of these names; they count where it is silent.
  ``points`` is ``[x1, y1, x2, y2, mm]``: two points of known distance.
* ``by`` and ``at`` at the top level tell who saved the file and when (ISO 8601); nothing depends on them.
* Pixels are those of the photo turned upright by its EXIF orientation: x right, y down, the centre of the top left
  pixel is (0, 0).

Members of other names are ignored, so that a drawing program may keep its own in the file.
"""

from __future__ import annotations

import json
import math
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast, get_args

import numpy as np
import shapely

from clawvision.errors import PhotoRefused
from clawvision.reasons import reason
from clawvision.scale.points import MIN_APART_PX
from clawvision.types import ClawName, FloatArray, Foot, View, frozen_array, frozen_mapping

MAX_BYTES = 5_000_000
MAX_POINTS = 100_000
MIN_POINTS = 8
MENDABLE_SHARE = 0.05
"""Share of an outline's area that may lie in loops and holes where it touches itself."""
MIN_AREA_PX2 = 200.0
LANDMARKS = ("C", "T", "B", "H", "K")
CLAW_NAMES = cast(tuple[ClawName, ...], get_args(ClawName))
_SCHEMA = "clawvision/outline/1"
_MARGIN = 0.05  # of the picture's longer side: a claw cut by the frame may be drawn on beyond it


@dataclass(frozen=True, slots=True, eq=False)
class SidecarClaw:
    """One claw of a sidecar file: ``outline_px`` float64 (N, 2) or None, and landmarks in pixels by letter."""

    outline_px: FloatArray | None
    landmarks_px: Mapping[str, tuple[float, float]]


@dataclass(frozen=True, slots=True, eq=False)
class Sidecar:
    """A sidecar file. ``claws`` is by name; the name is None where the file describes one unnamed claw."""

    file: str
    view: View | None
    claws: Mapping[ClawName | None, SidecarClaw]
    leg_axis_px: FloatArray | None = None
    foot: Foot | None = None
    points: tuple[float, float, float, float, float] | None = None
    """Two points of known distance: x1, y1, x2, y2 in pixels, then their distance in mm."""
    by: str | None = None
    at: str | None = None


class _Invalid(Exception):
    """What is wrong with the content; turned into a refusal that names the file."""


def read_sidecar(photo_path: Path) -> Sidecar | None:
    """Read the sidecar file beside a photo.

    Parameters
    ----------
    photo_path
        The photo's file.

    Returns
    -------
    Sidecar or None
        None where there is no such file.

    Raises
    ------
    PhotoRefused
        ``sidecar_invalid`` where there is one that cannot be read or used.
    """
    for name in (photo_path.name + ".outline.json", photo_path.stem + ".outline.json"):
        path = photo_path.with_name(name)
        try:
            status = path.stat()
        except FileNotFoundError:
            continue
        except OSError as error:
            raise _refused(name, error.strerror or "it cannot be opened") from error
        if not stat.S_ISREG(status.st_mode):
            raise _refused(name, "it is not a file")
        if status.st_size > MAX_BYTES:
            raise _refused(name, f"it is larger than {MAX_BYTES // 1_000_000} MB")
        try:
            with path.open("rb") as stream:
                content = stream.read(MAX_BYTES + 1)
        except OSError as error:
            raise _refused(name, error.strerror or "it cannot be opened") from error
        return parse_sidecar(content, name)
    return None


def parse_sidecar(content: bytes, file: str) -> Sidecar:
    """Return what the content of a sidecar file says.

    Parameters
    ----------
    content
        The file's bytes.
    file
        Its name, for the message.

    Raises
    ------
    PhotoRefused
        ``sidecar_invalid``, with the file's name and what is wrong.
    """
    try:
        if len(content) > MAX_BYTES:
            raise _Invalid(f"it is larger than {MAX_BYTES // 1_000_000} MB")
        return _parse(_load(content), file)
    except _Invalid as error:
        raise _refused(file, str(error)) from error


def check_inside(sidecar: Sidecar, width: int, height: int) -> None:
    """Check that claws and points of known distance lie in a picture of this size, or little beyond its edge.

    Raises
    ------
    PhotoRefused
        ``sidecar_invalid``.
    """
    margin = _MARGIN * max(width, height)
    placed: list[tuple[str, list[tuple[float, float]]]] = []
    for name, claw in sidecar.claws.items():
        points = list(claw.landmarks_px.values())
        if claw.outline_px is not None:
            points.extend((float(x), float(y)) for x, y in claw.outline_px)
        placed.append((_label(name), points))
    if sidecar.points is not None:
        placed.append(("the known distance", [sidecar.points[:2], sidecar.points[2:4]]))
    for what, points in placed:
        for x, y in points:
            if not (-margin <= x <= width - 1 + margin and -margin <= y <= height - 1 + margin):
                raise _refused(
                    sidecar.file,
                    f"{what} has a point ({x:.0f}, {y:.0f}) outside the picture of {width} × {height} pixels",
                )


def _refused(file: str, detail: str) -> PhotoRefused:
    return PhotoRefused(reason("sidecar_invalid", sidecar=file, detail=detail))


def _label(name: str | None) -> str:
    return "the claw" if name is None else f"the {name} claw"


def _load(content: bytes) -> Any:
    def no_constant(text: str) -> float:
        raise _Invalid(f"{text} is not a number in JSON")

    def no_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        members = dict(pairs)
        if len(members) != len(pairs):
            raise _Invalid("a name is given twice in one object")
        return members

    try:
        return json.loads(content.decode("utf-8-sig"), parse_constant=no_constant, object_pairs_hook=no_duplicates)
    except RecursionError as error:
        raise _Invalid("it is nested too deeply") from error
    except json.JSONDecodeError as error:
        raise _Invalid(f"it is not JSON (line {error.lineno}: {error.msg})") from error
    except UnicodeDecodeError as error:
        raise _Invalid("it is not UTF-8 text") from error
    except ValueError as error:  # an integer of thousands of digits
        raise _Invalid("a number is too long") from error


def _parse(data: Any, file: str) -> Sidecar:
    if not isinstance(data, dict):
        raise _Invalid("it must hold one JSON object")
    schema = data.get("schema")
    if schema is not None and schema != _SCHEMA:
        raise _Invalid(f"its schema is not {_SCHEMA}")
    view = data.get("view")
    if view is not None and view not in get_args(View):
        raise _Invalid(f"view must be one of {' '.join(get_args(View))}")
    bare = any(key in data for key in ("outline_px", "outline", "landmarks_px", "landmarks"))
    foot = data.get("foot")
    if foot is not None and foot not in get_args(Foot):
        raise _Invalid(f"foot must be one of {' '.join(get_args(Foot))}")
    if "claws" in data:
        members = data["claws"]
        if not isinstance(members, dict):
            raise _Invalid("claws must be an object with a member for each claw")
        unknown = [key for key in members if key not in CLAW_NAMES]
        if unknown:
            raise _Invalid(f"claws must be named {' '.join(CLAW_NAMES)}, not {_quoted(unknown[0])}")
    else:
        members = {key: data[key] for key in CLAW_NAMES if key in data}
    if members and bare:
        raise _Invalid("it has both named claws and an outline or landmarks outside of them")
    if {"outer", "inner"} & set(members) and {"left", "right"} & set(members):
        raise _Invalid("claws are named both outer or inner and left or right")
    if bare:
        members = {None: data}
    claws = {name: _claw(member, _label(name)) for name, member in members.items()}
    if not claws:
        raise _Invalid("it holds no claw")
    frozen_claws: Mapping[Any, SidecarClaw] = frozen_mapping(claws)
    return Sidecar(
        file,
        view,
        frozen_claws,
        _leg_axis(data.get("leg_axis_px")),
        foot,
        _points(data.get("points")),
        _text(data, "by"),
        _text(data, "at"),
    )


def _points(data: Any) -> tuple[float, float, float, float, float] | None:
    if data is None:
        return None
    if not isinstance(data, list) or len(data) != 5:
        raise _Invalid("points must be five numbers: x1, y1, x2, y2 in pixels, then the distance in mm")
    (x1, y1), (x2, y2) = (_point(data[k : k + 2], f"point {k // 2 + 1} of points") for k in (0, 2))
    _, distance = _point([0, data[4]], "the distance of points")
    if not 1.0 <= distance <= 10_000.0:
        raise _Invalid("the distance of points must be 1 to 10000 mm")
    if math.hypot(x2 - x1, y2 - y1) < MIN_APART_PX:
        raise _Invalid(f"the two points of known distance lie less than {MIN_APART_PX:.0f} pixels apart")
    return x1, y1, x2, y2, distance


def _text(data: dict[str, Any], key: str) -> str | None:
    """Return a text that only people read; one that is none is ignored like a member of another name."""
    value = data.get(key)
    return value if isinstance(value, str) else None


def _leg_axis(data: Any) -> FloatArray | None:
    if data is None:
        return None
    if not isinstance(data, list) or len(data) != 2:
        raise _Invalid("leg_axis_px must be a list of two points")
    axis = frozen_array([_point(point, f"point {i + 1} of leg_axis_px") for i, point in enumerate(data)])
    if np.hypot(*(axis[1] - axis[0])) < MIN_POINTS:
        raise _Invalid("the two points of leg_axis_px are too near to each other")
    return axis


def _claw(data: Any, label: str) -> SidecarClaw:
    if not isinstance(data, dict):
        raise _Invalid(f"{label} must be an object with outline_px or landmarks_px")
    outline = _either(data, "outline_px", "outline", label)
    landmarks = _either(data, "landmarks_px", "landmarks", label)
    if outline is None and not landmarks:
        raise _Invalid(f"{label} has neither outline_px nor landmarks_px")
    return SidecarClaw(
        None if outline is None else _outline(outline, label),
        frozen_mapping(_landmarks(landmarks, label)),
    )


def _either(data: dict[str, Any], name: str, short: str, label: str) -> Any:
    if data.get(name) is not None and data.get(short) is not None:
        raise _Invalid(f"{label} has both {name} and {short}")
    return data[name] if data.get(name) is not None else data.get(short)


def _landmarks(data: Any, label: str) -> dict[str, tuple[float, float]]:
    if data is None:
        return {}
    if not isinstance(data, dict):
        raise _Invalid(f"landmarks_px of {label} must be an object")
    for key in data:
        if key not in LANDMARKS:
            raise _Invalid(f"landmarks of {label} are {' '.join(LANDMARKS)}, not {_quoted(key)}")
    return {key: _point(data[key], f"landmark {key} of {label}") for key in LANDMARKS if key in data}


def _point(data: Any, label: str) -> tuple[float, float]:
    if not (
        isinstance(data, list)
        and len(data) == 2
        and all(isinstance(number, int | float) and not isinstance(number, bool) for number in data)
    ):
        raise _Invalid(f"{label} must be two numbers [x, y]")
    try:
        x, y = float(data[0]), float(data[1])
    except OverflowError as error:
        raise _Invalid(f"{label} has a number out of range") from error
    if not (math.isfinite(x) and math.isfinite(y) and abs(x) < 1e6 and abs(y) < 1e6):
        raise _Invalid(f"{label} has a number out of range")
    return x, y


def _outline(data: Any, label: str) -> FloatArray:
    if not isinstance(data, list):
        raise _Invalid(f"outline_px of {label} must be a list of points")
    if len(data) > MAX_POINTS:
        raise _Invalid(f"the outline of {label} has more than {MAX_POINTS} points")
    points = np.array([_point(point, f"point {i + 1} of {label}") for i, point in enumerate(data)]).reshape(-1, 2)
    if len(points):
        points = points[np.any(points != np.roll(points, 1, axis=0), axis=1)]  # repeated, the closing one included
    if len(points) < MIN_POINTS:
        raise _Invalid(f"the outline of {label} has {len(points)} different points, at least {MIN_POINTS} are needed")
    polygon = shapely.Polygon(points)
    if not polygon.is_valid:
        polygon = _mended(polygon, label)
    if polygon.area < MIN_AREA_PX2:
        raise _Invalid(f"the outline of {label} is too small ({polygon.area:.0f} square pixels)")
    return frozen_array(np.asarray(polygon.exterior.coords)[:-1])


def _mended(polygon: shapely.Polygon, label: str) -> shapely.Polygon:
    """Drop the specks that an outline makes where it touches itself; refuse one that truly crosses itself.

    An outline traced around a mask runs in and out along every hair that covers the horn.
    """
    # Coordinates many orders of magnitude apart are no drawing, and the mending of them overflows.
    rounded = np.round(np.asarray(polygon.exterior.coords)[:-1], 3)
    polygon = shapely.Polygon(rounded)
    # The mended shape is a collection that holds points and lines beside polygons, those perhaps in a collection too.
    mended = shapely.get_parts(shapely.get_parts(shapely.make_valid(polygon)))
    parts = [part for part in mended if isinstance(part, shapely.Polygon)]
    if parts:
        whole = max(parts, key=lambda part: part.area)
        # Without its holes the ring may still touch itself: of what that leaves, again the largest piece.
        pieces = shapely.get_parts(shapely.Polygon(whole.exterior).buffer(0))
        largest = max(pieces, key=lambda part: part.area)
        everything = sum(part.area for part in parts)
        strays = everything - whole.area + abs(largest.area - whole.area)
        if strays <= MENDABLE_SHARE * everything and len(largest.exterior.coords) > MIN_POINTS:
            return shapely.Polygon(largest.exterior)
    raise _Invalid(f"the outline of {label} crosses itself")


def _quoted(text: str) -> str:
    return repr(text if len(text) <= 20 else text[:20] + "…")
