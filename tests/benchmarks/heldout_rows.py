"""One photo of a held-out set through the whole chain, set beside its truth: a row that can be kept as JSON.

A row holds what there was to doubt, not the confidence, and no status: those follow from the row, the fitted weights
and the gate, so that a change of these alone needs no photo to be run again.
"""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from pathlib import Path
from shutil import copy
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageOps

import clawvision
from clawvision.outline.learned.confidence import Doubt, confidence_of
from clawvision.outline.learned.network import MODEL, packaged_network
from clawvision.outline.naming import sole_name
from clawvision.output.picture import annotate
from clawvision.pipeline import run_photo
from clawvision.scale.plane import mm_per_px
from clawvision.types import ByteArray, ClawName, FloatArray, Photo, PhotoResult, Settings
from tests.benchmarks.accuracy import GROSS_DEG, GROSS_MM, Miss, misses
from tests.benchmarks.confidence import Recording
from tests.truth import TruePhoto

CAREFUL_TILT_DEG, CAREFUL_OFFSET_MM = 30.0, 10.0
"""A reference turned no farther away, and no farther from where the manifest says that it lies, was held with care."""
_HIDES = ("reference", "occluder")
_CLOSE_UP = 1400
_NOT_THE_RESULT = ("confidence.py",)
_RESULT_OF = ("photo", "scale", "outline", "measure", "pipeline.py", "types.py")


_GROSS_PERCENT = 10.0
"""Relative differences count as large as a gross error beyond this, where photos are put in order."""


@dataclass(frozen=True, slots=True)
class SeenClaw:
    """A claw that a photo ought to show: ``iou`` with its visible horn, ``marks_mm`` the distance of each landmark from
    the true one in mm, ``doubt`` the traits by name; nothing in them where the claw was not found."""

    claw: str
    iou: float
    marks_mm: dict[str, float]
    doubt: dict[str, float]


@dataclass(frozen=True, slots=True)
class Row:
    """A photo of a held-out set. ``sole_odds`` tells how much the coarse pass says for a sole against a side view, log
    odds, None where it saw no horn. ``codes`` are reasons by code and effect, without the doubt of the outline."""

    photo: str
    scene: int
    view: str
    families: list[str]
    flaw: str | None
    bad: bool
    must_refuse: bool
    reference: str
    tilt_deg: float | None
    offset_error_mm: float | None
    refused: bool
    codes: dict[str, str]
    sole_odds: float | None
    claws: list[SeenClaw]
    misses: list[Miss]

    @property
    def good(self) -> bool:
        return not self.bad and not self.must_refuse

    @property
    def looked_at(self) -> bool:
        """Whether anything looked for claws: not where the scale was refused before."""
        return "no_claw" in self.codes or any(claw.doubt for claw in self.claws)

    @property
    def careful(self) -> bool:
        """Whether the reference was held as it ought to be."""
        tilt, offset = self.tilt_deg or 0.0, self.offset_error_mm or 0.0
        return self.good and tilt <= CAREFUL_TILT_DEG and abs(offset) <= CAREFUL_OFFSET_MM

    @property
    def confidence(self) -> float:
        found = [confidence_of(Doubt(**claw.doubt)) for claw in self.claws if claw.doubt]
        return min(found, default=0.0)

    def status(self, gate: float) -> str:
        """Return the photo's status under a gate."""
        if self.refused:
            return "refused"
        look = "review" in self.codes.values() or self.confidence < gate
        return "review" if look else "measured"

    @property
    def worst(self) -> float:
        """Return the largest error in units of what counts as gross; the helical twist is judged by itself."""
        limits = {"mm": GROSS_MM, "deg": GROSS_DEG, "percent": _GROSS_PERCENT}
        rows = [row for row in self.misses if row.measure != "helical_twist" and row.unit in limits]
        return max((abs(row.error) / limits[row.unit] for row in rows), default=0.0)

    @property
    def gross(self) -> bool:
        return any(row.gross for row in self.misses if row.measure != "helical_twist")


@dataclass(frozen=True, slots=True)
class Task:
    """A photo to run: its scene's file, the view, and the folder of the photos."""

    scene_file: Path
    view: str
    photos: Path

    def load(self) -> TruePhoto:
        scene = json.loads(self.scene_file.read_text("utf-8"))
        mask = np.array(Image.open(self.scene_file.parent / scene["photos"][self.view]["mask"]))
        return TruePhoto(scene, self.view, mask, self.photos)


def tasks_of(truth: Path, photos: Path, every: int = 1, toes_mm: tuple[float, float] = (0.0, np.inf)) -> list[Task]:
    """Return the photos of every so-manieth scene of a folder whose longer toe has such a length, in order."""
    found = []
    for file in sorted(truth.glob("[0-9]*.json"), key=lambda path: int(path.stem))[::every]:
        scene = json.loads(file.read_text("utf-8"))
        longer = max(claw["measures"]["toe_length"] for claw in scene["side"].values())
        if toes_mm[0] <= longer <= toes_mm[1]:
            found += [Task(file, view, photos) for view in ("side", "sole") if view in scene["photos"]]
    return found


@lru_cache(maxsize=1)
def made_by() -> str:
    """Return a digest of the model and of the code that a row depends on."""
    package = Path(clawvision.__file__).parent
    digest = hashlib.sha256()
    files = [file for part in _RESULT_OF for file in sorted((package / part).rglob("*.py")) or [package / part]]
    model = package / "outline" / "model" / MODEL
    for file in [*files, *([model] if model.exists() else [])]:
        if file.name not in _NOT_THE_RESULT:
            digest.update(file.read_bytes())
    return digest.hexdigest()[:16]


def to_json(row: Row) -> str:
    return json.dumps(asdict(row))


def from_json(text: str) -> Row:
    loaded: dict[str, Any] = json.loads(text)
    loaded["claws"] = [SeenClaw(**claw) for claw in loaded["claws"]]
    loaded["misses"] = [Miss(**miss) for miss in loaded["misses"]]
    return Row(**loaded)


def run(photo: TruePhoto, segmenter: Recording, gate: float = 0.0) -> tuple[PhotoResult, Photo | None]:
    """Run the chain on a copy of a photo, which no outline file lies beside."""
    segmenter.drafts = ()
    with tempfile.TemporaryDirectory() as folder:
        request = replace(photo.request(), path=Path(copy(photo.folder / photo.name, folder)))
        return run_photo(request, Settings(min_confidence=gate), segmenter=segmenter)


@lru_cache(maxsize=1)
def _segmenter() -> Recording:
    network = packaged_network()
    if network is None:
        raise SystemExit("There is no model in the package that runs.")
    return Recording(network)


def work(task: Task) -> str:
    """Run a photo and return its row as JSON."""
    cv2.setNumThreads(1)
    photo, segmenter = task.load(), _segmenter()
    result, decoded = run(photo, segmenter)
    odds = segmenter.odds(decoded, "sole") if decoded is not None else None
    shown, scale = photo.shown, result.scale
    drafts = {
        str(photo.claws[0]) if draft.claw.side is None else str(sole_name(draft.claw.side, result.request.foot)): draft
        for draft in segmenter.drafts
    }
    claws = []
    for name in photo.claws:
        draft = drafts.get(name)
        outlined = draft.claw.outline_px if draft is not None else None
        claws.append(
            SeenClaw(
                claw=name,
                iou=0.0 if outlined is None else visible_iou(outlined, photo, name),
                marks_mm={} if scale is None else _marks_mm(photo, name, result),
                doubt={} if draft is None else {key: float(value) for key, value in asdict(draft.doubt).items()},
            )
        )
    nominal, true = shown["offset_nominal_mm"], shown["offset_true_mm"]
    row = Row(
        photo=photo.name,
        scene=int(photo.scene["seed"]),
        view=photo.view,
        families=_families(photo),
        flaw=shown["flaw"],
        bad=bool(shown["bad"]),
        must_refuse=bool(shown["must_refuse"]),
        reference=shown["reference"],
        tilt_deg=photo.tilt_deg,
        offset_error_mm=None if true is None else float(true - nominal),
        refused=result.status == "refused",
        codes={why.code: why.effect for why in result.reasons if why.code != "outline_doubtful"},
        sole_odds=odds,
        claws=claws,
        misses=[*misses(photo, dict(result.claws), dict(result.foot_measures), result.status), *_twists(photo, result)],
    )
    return to_json(row)


def _families(photo: TruePhoto) -> list[str]:
    told = photo.shown.get("families", photo.scene.get("family", []))
    if isinstance(told, Mapping):
        return [f"{key}: {value}" for key, value in told.items()]
    return [str(told)] if isinstance(told, str) else [str(each) for each in told]


def _twists(photo: TruePhoto, result: PhotoResult) -> Iterator[Miss]:
    for name, claw in result.claws.items():
        found = claw.measures.get("helical_twist")
        truth = photo.scene["side"].get(name, {}).get("helical_twist_deg")
        if found is not None and found.value is not None and found.uncertainty is not None and truth is not None:
            error = found.value - float(truth)
            tilt = photo.tilt_deg or 0.0
            yield Miss(photo.name, name, "helical_twist", "deg", error, found.uncertainty, tilt, result.status)


def _marks_mm(photo: TruePhoto, name: ClawName, result: PhotoResult) -> dict[str, float]:
    claw = result.claws.get(name)
    if claw is None or result.scale is None:
        return {}
    truth = photo.landmarks_px(name)
    errors = {}
    # H is drawn where its edge shows, half a claw's width before the profile plane in which it is defined.
    for mark in (truth.keys() & claw.landmarks_px.keys()) - {"H"}:
        away = float(np.hypot(*(np.array(claw.landmarks_px[mark]) - truth[mark])))
        errors[mark] = away * mm_per_px(result.scale, truth[mark])
    return errors


def visible_iou(outline_px: FloatArray, photo: TruePhoto, name: ClawName) -> float:
    """Return the intersection over union of an outline with a claw's horn, where nothing in front hides what is there.

    An outline is led on behind a hand or a rope; the mask ends at it. What lies behind is left out of both.
    """
    ids = photo.scene["mask_ids"]
    drawn = np.zeros(photo.mask.shape, np.uint8)
    cv2.fillPoly(drawn, [np.round(outline_px * 16).astype(np.int32)], 1, shift=4)
    open_there = ~np.isin(photo.mask, [ids[each] for each in _HIDES])
    found, truth = (drawn > 0) & open_there, photo.mask == ids[name]
    return float((found & truth).sum() / max((found | truth).sum(), 1))


def picture(task: Task, gate: float) -> Image.Image:
    """Return a photo's annotated picture, beside it the horn with its true border (green) and the found one (red)."""
    photo = task.load()
    result, decoded = run(photo, _segmenter(), gate)
    annotated = annotate(decoded, result)
    if decoded is None:
        return annotated
    close = Image.fromarray(_close_up(photo, result, np.array(decoded.pixels)))
    close = ImageOps.contain(close, (_CLOSE_UP, annotated.height))
    both = Image.new("RGB", (annotated.width + close.width, annotated.height), (255, 255, 255))
    both.paste(annotated, (0, 0))
    both.paste(close, (annotated.width, 0))
    return both


def _close_up(photo: TruePhoto, result: PhotoResult, pixels: ByteArray) -> ByteArray:
    horn = np.isin(photo.mask, [photo.scene["mask_ids"][name] for name in photo.claws]).astype(np.uint8)
    thick = max(1, round(max(horn.shape) / 900))
    for name in photo.claws:
        region = (photo.mask == photo.scene["mask_ids"][name]).astype(np.uint8)
        contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        cv2.drawContours(pixels, contours, -1, (0, 210, 60), thick)
        claw = result.claws.get(name)
        if claw is not None and claw.outline_px is not None:
            cv2.polylines(pixels, [np.round(claw.outline_px).astype(np.int32)], True, (235, 40, 40), thick)
            for place in claw.landmarks_px.values():
                cv2.circle(pixels, (round(place[0]), round(place[1])), 3 * thick, (235, 40, 40), -1)
        for place in photo.landmarks_px(name).values() if name in photo.shown["landmarks_px"] else ():
            cv2.circle(pixels, (round(float(place[0])), round(float(place[1]))), 3 * thick, (0, 210, 60), thick)
    rows, columns = np.nonzero(horn)
    if not len(rows):
        return pixels
    margin = round(0.15 * max(np.ptp(rows), np.ptp(columns)))
    top, left = max(int(rows.min()) - margin, 0), max(int(columns.min()) - margin, 0)
    return np.ascontiguousarray(pixels[top : int(rows.max()) + margin, left : int(columns.max()) + margin])
