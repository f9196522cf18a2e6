"""How true the measures are on photos with known truth.

Run with ``python -m tests.benchmarks.accuracy [TRUTH_FOLDER PHOTO_FOLDER]``. Three tables: the scale; the measures
with the true outline given, which isolates the measuring from the seeing; the measures with the automatic outline.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from clawvision.errors import PhotoRefused
from clawvision.measure.claws import measure_claws
from clawvision.outline.find import default_segmenter, rough_references
from clawvision.photo.read import read_photo
from clawvision.pipeline import run_photo
from clawvision.scale.find import find_scale
from clawvision.scale.geometry import card_corners
from clawvision.scale.plane import cast, mm_per_px
from clawvision.types import ClawResult, Measure, Outlines, PhotoResult, Scale, Settings
from tests.truth import PHOTOS, TRUTH, TruePhoto, true_photos

SQUARE_DEG = 12.0
"""Photos tilted less than this are the ones that targets are set for."""
GROSS_MM, GROSS_DEG = 10.0, 8.0


@dataclass(frozen=True, slots=True)
class Miss:
    """A measured value against its truth. ``status`` is the photo's."""

    photo: str
    claw: str
    measure: str
    unit: str
    error: float
    uncertainty: float
    tilt_deg: float
    status: str

    @property
    def gross(self) -> bool:
        limit = {"mm": GROSS_MM, "deg": GROSS_DEG}.get(self.unit, np.inf)
        return abs(self.error) > limit


def scale_of(photo: TruePhoto, *, true_offset: bool = False) -> Scale | None:
    """Return the scale as the program finds it, None where it refuses."""
    request = photo.request(true_offset=true_offset)
    decoded, _ = read_photo(request.path, name=request.name, settings=Settings())
    try:
        return find_scale(decoded, request, Settings(), where=lambda: rough_references(decoded, default_segmenter()))
    except PhotoRefused:
        return None


def true_mm_per_px(photo: TruePhoto, point_px: np.ndarray) -> float | None:
    """Return the true scale on the measuring plane at a pixel, from the true camera and the true corners."""
    shown = photo.shown
    if shown["reference"] not in ("card", "id1"):
        return None
    camera = shown["camera"]
    matrix = np.array([[camera["fx"], 0, camera["cx"]], [0, camera["fy"], camera["cy"]], [0, 0, 1]])
    corners = np.column_stack((card_corners(), np.zeros(4)))
    _, vector, move = cv2.solvePnP(
        corners, np.array(shown["reference_px"]["corners_3d"]), matrix, None, flags=cv2.SOLVEPNP_IPPE
    )
    turn = cv2.Rodrigues(vector)[0]
    normal = turn[:, 2]
    ray = np.linalg.solve(matrix, np.array([*point_px, 1.0]))
    foot = normal @ (move.ravel() + shown["offset_true_mm"] * normal)
    depth = foot / (normal @ ray)
    # area of a pixel on the plane: depth² / f², stretched by the angle between ray and normal
    return float(np.sqrt(depth**2 / (camera["fx"] * camera["fy"]) / abs(normal @ ray)))


def misses(photo: TruePhoto, claws: dict[str, ClawResult], foot: dict[str, Measure], status: str) -> Iterator[Miss]:
    """Yield every measured value of a photo against its truth."""
    tilt = photo.tilt_deg or 0.0
    for name, claw in claws.items():
        for measure, truth in photo.measures(name).items():
            found = claw.measures.get(measure)
            if found is not None and found.value is not None and found.uncertainty is not None:
                yield Miss(photo.name, name, measure, found.unit, found.value - truth, found.uncertainty, tilt, status)
    for measure, truth in photo.foot_measures.items():
        found = foot.get(measure)
        if found is not None and found.value is not None and found.uncertainty is not None:
            yield Miss(photo.name, "foot", measure, found.unit, found.value - truth, found.uncertainty, tilt, status)


def with_true_outline(photo: TruePhoto) -> list[Miss]:
    """Return the misses of a photo with the true outline given; none where the scale is refused."""
    scale = scale_of(photo)
    if scale is None:
        return []
    outlines = Outlines(photo.view, False, tuple(photo.outline(claw) for claw in photo.claws))
    measured = measure_claws(outlines, scale)
    return list(misses(photo, dict(measured.claws), dict(measured.foot_measures), "measured"))


def table(rows: list[Miss]) -> str:
    """Return median and 95th percentile error, bias, stated uncertainty and coverage by measure."""
    by_measure = defaultdict(list)
    for row in rows:
        by_measure[row.measure].append(row)
    lines = [f"{'measure':28} {'n':>3} {'median':>8} {'95 %':>8} {'bias':>8} {'U (k=2)':>8} {'held':>6}"]
    for measure, group in by_measure.items():
        error = np.array([row.error for row in group])
        stated = np.array([row.uncertainty for row in group])
        held = 100 * np.mean(np.abs(error) <= stated)
        size = np.abs(error)
        lines.append(
            f"{measure:28} {len(group):3d} {np.median(size):8.2f} {np.quantile(size, 0.95):8.2f} {error.mean():+8.2f}"
            f" {np.median(stated):8.2f} {held:5.0f} %"
        )
    return "\n".join(lines)


def scale_table(photos: tuple[TruePhoto, ...]) -> str:
    """Return, photo by photo, the reference, the tilt against its truth and the error of mm per pixel at the claw."""
    lines = [f"{'photo':16} {'reference':9} {'found':9} {'tilt':>6} {'truth':>6} {'mm/px error':>12}"]
    for photo in photos:
        scale = scale_of(photo, true_offset=photo.shown["offset_true_mm"] is not None)
        found = scale.reference.kind if scale is not None else "refused"
        line = f"{photo.name:16} {photo.shown['reference']:9} {found:9}"
        if scale is not None:
            line += f" {scale.tilt_deg:6.1f} {photo.tilt_deg or float('nan'):6.1f}"
            middle = photo.outline(photo.claws[0]).outline_px
            assert middle is not None
            point = middle.mean(axis=0)
            true = true_mm_per_px(photo, point)
            error = mm_per_px(scale, point) / true - 1 if true is not None else _span_error(photo, scale)
            line += f" {100 * error:+10.2f} %"
        lines.append(line)
    return "\n".join(lines)


def _span_error(photo: TruePhoto, scale: Scale) -> float:
    """Return the relative error of the distance between two true landmarks of the claw."""
    claw = photo.claws[0]
    first, second = ("C", "T") if photo.view == "side" else ("K", "T")
    pixels = photo.landmarks_px(claw)
    if photo.view == "side":
        marks = photo.scene["side"][claw]["landmarks_mm"]
        true = np.hypot(*(np.array(marks[first]) - np.array(marks[second])))
    else:
        sole = photo.scene["sole"][claw]
        true = np.hypot(*(np.array(sole[first]) - np.array(sole[second])))
    a, b = cast(scale, np.array([pixels[first], pixels[second]]), scale.offset_mm)
    return float(np.hypot(*(a - b)) / true - 1)


def _unaided(photo: TruePhoto) -> PhotoResult:
    """Run the chain on a copy of the photo, which no outline file lies beside."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(shutil.copy(photo.folder / photo.name, folder))
        return run_photo(replace(photo.request(), path=copy), Settings())[0]


def automatic(photos: tuple[TruePhoto, ...]) -> str:
    """Return the figures of the whole chain with the automatic outline."""
    rows: list[Miss] = []
    lines = [f"{'photo':16} {'status':9} {'bad':4} {'confidence':11} reasons"]
    measured = good = caught = bad = 0
    for photo in photos:
        result = _unaided(photo)
        rows += misses(photo, dict(result.claws), dict(result.foot_measures), result.status)
        is_bad = bool(photo.shown["bad"] or photo.shown["must_refuse"])
        bad += is_bad
        good += not is_bad
        measured += result.status == "measured" and not is_bad
        caught += result.status != "measured" and is_bad
        codes = [why.code for why in result.reasons if why.effect != "note"]
        sure = " ".join(f"{claw.confidence:.2f}" for claw in result.claws.values())
        lines.append(f"{photo.name:16} {result.status:9} {'bad' if is_bad else '':4} {sure:11} {' '.join(codes)}")
    silent = [row for row in rows if row.status == "measured"]
    gross = [row for row in silent if row.gross]
    lines.append(f"\ngood photos measured without a hand: {measured} of {good}; bad photos caught: {caught} of {bad}")
    lines.append(f"silent gross errors (over {GROSS_MM:g} mm or {GROSS_DEG:g}°): {len(gross)} of {len(silent)} values")
    lines += [f"  {row.photo} {row.claw} {row.measure}: off by {row.error:+.1f} {row.unit}" for row in gross]
    lines.append("\nstatus measured:\n" + table(silent))
    lines.append("\nmeasured and review together:\n" + table([row for row in rows if row.status != "refused"]))
    return "\n".join(lines)


def main() -> None:
    """Print all tables."""
    truth, folder = (Path(sys.argv[1]), Path(sys.argv[2])) if len(sys.argv) > 2 else (TRUTH, PHOTOS)
    cv2.setNumThreads(1)
    photos = true_photos(truth, folder)
    print("Scale, with the true offset of the measuring plane\n\n" + scale_table(photos))
    rows = [row for photo in photos for row in with_true_outline(photo)]
    square = [row for row in rows if row.tilt_deg < SQUARE_DEG]
    print(f"\nTrue outline given, photos tilted less than {SQUARE_DEG:g}°\n\n" + table(square))
    print("\nTrue outline given, all photos\n\n" + table(rows))
    print("\nAutomatic outline\n\n" + automatic(photos))


if __name__ == "__main__":
    main()
