"""Drawn outlines as training data: picture, mask and outline file of each photo."""

from __future__ import annotations

import json
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from clawvision.apart import read_apart
from clawvision.errors import PhotoRefused
from clawvision.outline.sidecar import Sidecar, check_inside, read_sidecar
from clawvision.output.atomic import write_atomic
from clawvision.review.drawing import as_members
from clawvision.review.folder import ReviewPhoto
from clawvision.types import ByteArray, Photo, Settings

MASK_IDS = {"outer": 1, "left": 1, "inner": 2, "right": 2}


def export(photos: Sequence[ReviewPhoto], settings: Settings, folder: Path) -> int:
    """Write the photos that have an outline file, and return how many there are.

    Of each the upright picture as PNG, which holds pixels and nothing else; a mask PNG of the same size; the outline
    file, whose pixels are those of the picture. ``index.json`` tells what belongs together, and what the camera said
    of itself, less where and when.

    Raises
    ------
    OutputError
        If the folder cannot be written to.
    """
    lines: list[dict[str, Any]] = []
    for photo in photos:
        try:
            sidecar = read_sidecar(photo.path)
            if sidecar is None:
                continue
            picture, _ = read_apart(photo.path, name=photo.request.name, settings=settings)
            check_inside(sidecar, picture.width, picture.height)
        except PhotoRefused:
            continue
        name = f"{len(lines):05d}"
        write_atomic(folder / f"{name}.png", _png(np.asarray(picture.pixels)))
        write_atomic(folder / f"{name}_mask.png", _png(mask_of(sidecar, picture, photo.request.claw)))
        members = {key: value for key, value in as_members(sidecar).items() if value is not None}
        write_atomic(
            folder / f"{name}.outline.json", _json({"schema": "clawvision/outline/1", **_named(members, photo)})
        )
        lines.append(_line(name, photo, sidecar, picture))
    write_atomic(
        folder / "index.json", _json({"masks": {"1": "outer or left", "2": "inner or right"}, "photos": lines})
    )
    return len(lines)


def mask_of(sidecar: Sidecar, photo: Photo, claw: str | None) -> ByteArray:
    """Return the drawn claws as a mask (H, W); 0 where there is none."""
    mask = np.zeros((photo.height, photo.width), dtype=np.uint8)
    for name, drawn in sidecar.claws.items():
        if drawn.outline_px is not None:
            line = np.round(drawn.outline_px * 16).astype(np.int32)
            cv2.fillPoly(mask, [line], MASK_IDS[name or claw or "outer"], shift=4)
    return mask


def _named(members: dict[str, Any], photo: ReviewPhoto) -> dict[str, Any]:
    """Return the members with the claw named that a file for a manifest may leave without a name."""
    claws = {photo.request.claw or "outer" if name == "claw" else name: claw for name, claw in members["claws"].items()}
    view = members.get("view") or photo.request.view or photo.record.view
    return {**members, "view": view, "claws": claws}


def _line(name: str, photo: ReviewPhoto, sidecar: Sidecar, picture: Photo) -> dict[str, Any]:
    exif = picture.exif
    return {
        "picture": f"{name}.png",
        "mask": f"{name}_mask.png",
        "outline": f"{name}.outline.json",
        "sha256": picture.sha256,
        "view": sidecar.view or photo.request.view or photo.record.view,
        "foot": photo.request.foot or sidecar.foot,
        "claw": photo.record.claw,
        "claws": sorted(each or photo.request.claw or "outer" for each in sidecar.claws),
        "by": sidecar.by,
        "at": sidecar.at,
        "camera": {"make": exif.make, "model": exif.model, "focal_mm": exif.focal_mm, "focal_35mm": exif.focal_35mm},
    }


def _png(pixels: ByteArray) -> bytes:
    stream = BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels)).save(stream, "PNG")
    return stream.getvalue()


def _json(data: Any) -> bytes:
    return (json.dumps(data, ensure_ascii=False, indent=1) + "\n").encode("utf-8")
