"""How well the automatic outline agrees with the truth masks of a folder of photos.

Run as ``python -m tests.benchmarks.outline_iou PHOTOS_DIR [--variants]``. The folder holds ``photos.csv``, ``N.json``
with the truth and ``N_side.jpg``, ``N_side_mask.png``, ``N_sole.jpg``, ``N_sole_mask.png``. The scale is that of
the truth, so that only the outline is judged. For each claw it prints the intersection over union with the mask and the
confidence, then the count of claws that are bad (below 0.9) yet confident. ``--variants`` adds mirrored, turned,
re-lit, noisy, recompressed, cropped and resized copies of each photo.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageOps

from clawvision.errors import PhotoRefused
from clawvision.outline.find import find_outlines
from clawvision.types import (
    Camera,
    Exif,
    FloatArray,
    Foot,
    Photo,
    PhotoRequest,
    Reference,
    Scale,
    Settings,
    frozen_array,
)

GOOD_IOU = 0.9
_SIZES_MM = {"card": (85.60, 53.98), "id1": (85.60, 53.98)}
_MIRRORED: dict[str, Foot] = {"LF": "RF", "RF": "LF", "LH": "RH", "RH": "LH"}


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """A photo with its truth: ``mask`` uint8 (H, W) holds the values of ``ids``; ``corners`` (4, 2) the reference."""

    name: str
    pixels: np.ndarray[Any, Any]
    mask: np.ndarray[Any, Any]
    ids: dict[str, int]
    corners: FloatArray
    size_mm: tuple[float, float]
    fx: float
    request: PhotoRequest
    bad: bool


def scale_from_corners(corners: FloatArray, size_mm: tuple[float, float], camera: Camera, offset_mm: float) -> Scale:
    """Return the scale that a rectangle's four corners, float64 (4, 2) pixels from the top left clockwise, give."""
    width, height = size_mm
    rectangle = np.array([(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)])
    world = np.column_stack((rectangle, np.zeros(4)))
    _, rvec, tvec = cv2.solvePnP(world, np.ascontiguousarray(corners), camera.matrix, None, flags=cv2.SOLVEPNP_IPPE)
    reference = Reference("card", frozen_array(corners), frozen_array(rectangle), 0.2, frozen_array(corners))
    rotation, _ = cv2.Rodrigues(rvec)
    return Scale(
        reference,
        camera,
        frozen_array(rotation),
        frozen_array(np.reshape(tvec, 3)),
        frozen_array(np.eye(6) * 1e-6),
        offset_mm,
        5.0,
        0.2,
    )


def load_cases(folder: Path) -> Iterator[Case]:
    """Yield every photo of the folder's manifest that shows a reference."""
    with (folder / "photos.csv").open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        stem = Path(row["photo"]).stem
        number = stem.split("_")[0]
        truth = json.loads((folder / f"{number}.json").read_text(encoding="utf-8"))
        shown = truth["photos"][row["view"]]
        if "corners_3d" not in (shown["reference_px"] or {}):
            continue
        corners = np.array(shown["reference_px"]["corners_3d"])
        size = _SIZES_MM.get(shown["reference"])
        if size is None:  # the rulers of these photos are 160 mm long
            long, short = np.hypot(*(corners[1] - corners[0])), np.hypot(*(corners[2] - corners[1]))
            size = (160.0, 160.0 * short / long)
        with Image.open(folder / row["photo"]) as image:
            pixels = np.asarray(ImageOps.exif_transpose(image).convert("RGB"))
        mask = np.asarray(Image.open(folder / f"{stem}_mask.png"))
        request = PhotoRequest(
            folder / row["photo"],
            row["photo"],
            foot=row["foot"] or None,  # type: ignore[arg-type]
            view=row["view"],  # type: ignore[arg-type]
            claw=row["claw"] or None,  # type: ignore[arg-type]
            offset_mm=float(row["offset_mm"]),
        )
        fx = float(shown["camera"]["fx"])
        yield Case(stem, pixels, mask, truth["mask_ids"], corners, size, fx, request, bool(shown["bad"]))


def variants(case: Case) -> Iterator[Case]:
    """Yield changed copies of a case: the same scene, differently taken."""
    height, width = case.mask.shape
    random = np.random.default_rng(int(case.name.split("_")[0]))
    flip = np.array([width - 1.0, 0.0])
    yield replace(
        case,
        name=case.name + "/mirror",
        pixels=np.ascontiguousarray(case.pixels[:, ::-1]),
        mask=np.ascontiguousarray(case.mask[:, ::-1]),
        corners=(flip + case.corners * (-1.0, 1.0))[[1, 0, 3, 2]],
        request=replace(case.request, foot=_MIRRORED[case.request.foot or "LF"]),
    )
    for turn in (90.0,) if case.request.view == "sole" else (7.0,):
        matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), turn, 1.0)
        yield replace(
            case,
            name=f"{case.name}/turn{turn:.0f}",
            pixels=cv2.warpAffine(case.pixels, matrix, (width, height), borderMode=cv2.BORDER_REPLICATE),
            mask=cv2.warpAffine(case.mask, matrix, (width, height), flags=cv2.INTER_NEAREST),
            corners=case.corners @ matrix[:, :2].T + matrix[:, 2],
        )
    light = case.pixels.astype(np.float32) / 255.0
    for name, gamma, gain in (
        ("dark", 1.7, (0.95, 0.95, 1.0)),
        ("light", 0.65, (1.0, 1.0, 1.0)),
        ("warm", 1.0, (1.0, 0.88, 0.7)),
        ("cold", 1.1, (0.78, 0.9, 1.0)),
    ):
        lit = np.clip(light**gamma * np.array(gain, dtype=np.float32), 0, 1)
        yield replace(case, name=f"{case.name}/{name}", pixels=(lit * 255 + 0.5).astype(np.uint8))
    noisy = np.clip(case.pixels + random.normal(0, 12, case.pixels.shape), 0, 255).astype(np.uint8)
    yield replace(case, name=case.name + "/noise", pixels=noisy)
    buffer = io.BytesIO()
    Image.fromarray(case.pixels).save(buffer, "JPEG", quality=25)
    yield replace(case, name=case.name + "/jpeg", pixels=np.asarray(Image.open(buffer).convert("RGB")))
    blurred = cv2.GaussianBlur(case.pixels, (0, 0), 3.0)
    yield replace(case, name=case.name + "/blur", pixels=blurred)
    half = cv2.resize(case.pixels, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    yield replace(
        case,
        name=case.name + "/half",
        pixels=half,
        mask=np.ascontiguousarray(case.mask[::2, ::2][: height // 2, : width // 2]),
        corners=(case.corners + 0.5) / 2 - 0.5,
        fx=case.fx / 2,
    )


def scale_of(case: Case) -> Scale:
    """Return the true scale of a case."""
    height, width = case.mask.shape
    camera = Camera(width, height, case.fx, case.fx, (width - 1) / 2, (height - 1) / 2, source="calibration")
    return scale_from_corners(case.corners, case.size_mm, camera, case.request.offset_mm or 0.0)


def photo_of(case: Case) -> Photo:
    """Return the photo of a case."""
    return Photo(case.name, "", case.pixels, Exif(), (case.pixels.shape[1], case.pixels.shape[0]))


def iou(outline_px: FloatArray, truth: np.ndarray[Any, Any]) -> float:
    """Return the intersection over union of a polygon's pixels and a bool mask."""
    drawn = np.zeros(truth.shape, np.uint8)
    cv2.fillPoly(drawn, [np.round(outline_px * 16).astype(np.int32)], 1, shift=4)
    return float((truth & (drawn > 0)).sum() / max((truth | (drawn > 0)).sum(), 1))


@dataclass(frozen=True, slots=True)
class Row:
    """The result for one claw of one photo; ``iou`` is 0 where the claw was not found."""

    photo: str
    claw: str
    iou: float
    confidence: float
    sigma_px: float
    seconds: float


def judge(case: Case) -> list[Row]:
    """Outline one photo and compare every claw that it ought to show with the mask."""
    scale, photo = scale_of(case), photo_of(case)
    start = time.perf_counter()
    try:
        claws = {claw.name: claw for claw in find_outlines(photo, scale, case.request, Settings()).claws}
    except PhotoRefused:
        claws = {}
    seconds = time.perf_counter() - start
    names = ("outer", "inner") if case.request.view == "sole" else (case.request.claw or "outer",)
    rows = []
    for name in names:
        claw = claws.get(name)  # type: ignore[call-overload]
        agreement = 0.0
        if claw is not None and claw.outline_px is not None:
            agreement = iou(claw.outline_px, case.mask == case.ids[name])
        rows.append(
            Row(
                case.name,
                name,
                agreement,
                claw.confidence if claw else 0.0,
                claw.sigma_px if claw else 0.0,
                seconds,
            )
        )
    return rows


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("photos", type=Path)
    parser.add_argument("--variants", action="store_true")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    rows: list[Row] = []
    for case in load_cases(options.photos):
        for each in [case, *(variants(case) if options.variants else ())]:
            for row in judge(each):
                rows.append(row)
                wrong = " <- bad yet confident" if row.iou < GOOD_IOU and row.confidence >= 0.6 else ""
                print(
                    f"{row.photo:22} {row.claw:6} IoU {row.iou:.3f}  confidence {row.confidence:.2f}  "
                    f"sigma {row.sigma_px:4.1f} px  {row.seconds * 1000:4.0f} ms{wrong}"
                )
    count = len(rows)
    good = [row for row in rows if row.iou >= GOOD_IOU]
    confident = [row for row in rows if row.confidence >= 0.6]
    print(f"{count} claws, {len(good)} good (IoU >= {GOOD_IOU}), median IoU {np.median([r.iou for r in rows]):.3f}")
    print(f"{len(confident)} with confidence >= 0.6, of which bad: {sum(r.iou < GOOD_IOU for r in confident)}")
    print(f"median time {1000 * float(np.median([r.seconds for r in rows])):.0f} ms")


if __name__ == "__main__":
    main()
