"""What the packaged network says of photos with known truth, kept in a file for trials of the helical twist."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from clawvision.errors import PhotoRefused
from clawvision.measure.curve import resample_closed
from clawvision.measure.viewing import viewing_of
from clawvision.outline.find import find_outlines
from clawvision.outline.learned.crop import Pyramid
from clawvision.outline.learned.look import glance, look_closer
from clawvision.outline.learned.network import Network, packaged_network
from clawvision.outline.learned.together import together
from clawvision.outline.naming import Side, sole_name
from clawvision.photo.read import read_photo
from clawvision.scale.find import find_scale, with_offset
from clawvision.scale.geometry import card_corners
from clawvision.scale.plane import mm_per_px
from clawvision.scale.pose import solve_scale
from clawvision.types import Camera, ClawOutline, Photo, Reference, Scale, Settings, Twist, frozen_array
from tests.truth import TruePhoto

_POINTS = 140


@dataclass(frozen=True, slots=True)
class SeenClaw:
    """A claw as the network sees it, in the reference's frame; its scale is found by the program where ``own_scale``
    is True, else that of the true corners of a card that the program does not find.

    ``outline_mm`` (N, 2) and ``marks_mm`` (x, y and standard error) lie where the rays meet the measuring plane;
    ``centre_mm`` (3,) is the camera's. ``sigma_mm`` is the outline's standard error.
    """

    own_scale: bool
    confidence: float
    centre_mm: list[float]
    offset_mm: float
    u_offset_mm: float
    sigma_mm: float
    outline_mm: list[list[float]]
    marks_mm: dict[str, list[float]]


@dataclass(frozen=True, slots=True)
class TwistRow:
    """One claw of one photo: what the network says of it, and the truth.

    The twist is as the network says it, not calibrated. ``seen`` is None where there is no scale; the network needs
    none.
    """

    scene: int
    view: str
    claw: str
    family: str
    said_deg: float
    said_sigma_deg: float
    true_deg: float
    seen: SeenClaw | None


def scene_photos(scene: dict[str, Any], masks: Path, photos: Path) -> Iterator[TruePhoto]:
    """Yield those photos of a scene that are fit to be measured but for their reference."""
    for view in ("side", "sole"):
        shown = scene["photos"][view]
        if not shown["bad"]:
            yield TruePhoto(scene, view, np.array(Image.open(masks / shown["mask"])), photos)


def rows_of(photo: TruePhoto, network: Network) -> Iterator[TwistRow]:
    """Run a photo up to its outlines and yield a row for each claw whose twist the network tells."""
    request = photo.request()
    decoded, _ = read_photo(request.path, name=request.name, settings=Settings())
    scale, own = _scale(decoded, photo)
    try:
        outlines = find_outlines(decoded, scale, request, Settings()) if scale is not None else None
    except PhotoRefused:
        return
    if scale is None or outlines is None:
        for name, twist in _without_scale(decoded, photo, network):
            yield _row(photo, name, twist, None)
        return
    for claw in outlines.claws:
        if claw.outline_px is not None and claw.twist is not None:
            yield _row(photo, claw.name, claw.twist, _seen(claw, scale, own))


def _scale(decoded: Photo, photo: TruePhoto) -> tuple[Scale | None, bool]:
    """Return the scale, and whether the program finds it itself."""
    request, shown = photo.request(), photo.shown
    try:
        return with_offset(find_scale(decoded, request, Settings()), request.view, request), True
    except PhotoRefused:
        pass
    if shown["reference"] not in ("card", "id1"):
        return None, False
    corners = frozen_array(np.array(shown["reference_px"]["corners_3d"]))
    reference = Reference("points", corners, frozen_array(card_corners()), 0.5, corners)
    width, height, focal = (shown["camera"][name] for name in ("width", "height", "fx"))
    camera = Camera(width, height, focal, focal, (width - 1) / 2.0, (height - 1) / 2.0)
    try:
        return solve_scale(reference, camera, shown["offset_true_mm"], 1.0), False
    except ValueError:
        return None, False


def _without_scale(decoded: Photo, photo: TruePhoto, network: Network) -> Iterator[tuple[str, Twist]]:
    pyramid = Pyramid(decoded.pixels)
    seen = glance(network, pyramid)
    view = photo.request().view or "side"
    looks = look_closer(network, pyramid, seen, view) if seen is not None else []
    if looks:
        sides: tuple[Side, Side] = ("left", "right")
        told = together(looks).twist
        for number in range(1 if photo.view == "side" else 2):
            name = photo.claws[0] if photo.view == "side" else sole_name(sides[number], photo.request().foot)
            yield name, Twist(*told[number])


def _seen(claw: ClawOutline, scale: Scale, own: bool) -> SeenClaw:
    assert claw.outline_px is not None
    viewing = viewing_of(scale)
    size = mm_per_px(scale, claw.outline_px.mean(axis=0))
    marks = {
        name: [*viewing.locate(np.array([(mark.x, mark.y)]))[0].tolist(), size * mark.sigma_px]
        for name, mark in claw.found.items()
    }
    return SeenClaw(
        own_scale=own,
        confidence=claw.confidence,
        centre_mm=scale.camera_centre.tolist(),
        offset_mm=scale.offset_mm,
        u_offset_mm=scale.u_offset_mm,
        sigma_mm=size * claw.sigma_px,
        outline_mm=resample_closed(viewing.locate(claw.outline_px), _POINTS).tolist(),
        marks_mm=marks,
    )


def _row(photo: TruePhoto, claw: str, twist: Twist, seen: SeenClaw | None) -> TwistRow:
    return TwistRow(
        scene=int(photo.scene["seed"]),
        view=photo.view,
        claw=claw,
        family=str(photo.scene.get("family", "")),
        said_deg=twist.value_deg,
        said_sigma_deg=twist.sigma_deg,
        true_deg=float(photo.scene["side"][claw]["helical_twist_deg"]),
        seen=seen,
    )


def read_rows(file: Path) -> list[TwistRow]:
    """Return the rows kept in a file."""
    rows = []
    for line in file.read_text("utf-8").splitlines():
        values = json.loads(line)
        seen = SeenClaw(**values.pop("seen")) if values["seen"] is not None else values.pop("seen")
        rows.append(TwistRow(**values, seen=seen))
    return rows


def write_rows(scenes: list[dict[str, Any]], masks: Path, photos: Path, file: Path) -> None:
    """Run all photos of scenes that are not spoilt, and keep their rows."""
    network = packaged_network()
    if network is None:
        raise SystemExit("there is no model in the package that runs")
    with file.open("w", encoding="utf-8") as stream:
        for photo in (photo for scene in scenes for photo in scene_photos(scene, masks, photos)):
            for row in rows_of(photo, network):
                stream.write(json.dumps(asdict(row)) + "\n")
            stream.flush()
