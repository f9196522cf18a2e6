"""Write photos of scenes with their truth: ``python -m clawvision.scenes.write FOLDER --scenes 300``.

Each scene is one foot with a side photo and a sole photo. Beside the photos: ``photos.csv`` (a manifest), and for each
scene its truth ``N.json`` and the masks ``N_side_mask.png`` and ``N_sole_mask.png``. The shapes, looks and lights are
of the families that training never sees, unless ``--trained`` is given.
"""

from __future__ import annotations

import argparse
import csv
import json
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from PIL import Image

from clawvision.photo.exif import FULL_FRAME_DIAGONAL_MM
from clawvision.scenes.foot import PlacedClaw
from clawvision.scenes.marks import LABELS
from clawvision.scenes.pictures import Pictures, Wanted, draw_scene, render
from clawvision.scenes.references import Reference, ReferenceTexture, sample_reference
from clawvision.scenes.shape import FootShape
from clawvision.scenes.truth import TrueSole, true_foot, true_profile, true_sole
from clawvision.scenes.viewpoint import SceneView
from clawvision.types import ByteArray, FloatArray

MASK_IDS = {"background": 0, "outer": 1, "inner": 2, "leg": 3, "reference": 4, "occluder": 5, "dewclaw": 6}
_EXIF_DIRECTORY, _EXIF_MAKE, _EXIF_FOCAL_35MM = 0x8769, 0x010F, 0xA405
_VIEWS: tuple[SceneView, ...] = ("side", "sole")
_AT_ONCE, _SAVERS = 6, 8
_SCALE_FROM = {"card": 0.25, "id1": 0.6, "ruler": 0.25}
"""Share of a reference's face that must show, or no scale can be had: a marker, a card's edges, a stretch of ruler."""
_SIDE_FROM, _TICK_FROM_PX = 0.55, 2.0
"""Share that must show of each side of a plain card, which nothing but its sides tells; and pixels between a ruler's
millimetres, or they cannot be counted (Nyquist)."""
_EDGE_IN = 0.06
"""How far in from a side it is looked, as a share of the way to the middle: the mask ends half a pixel early."""


def _numpy(tensor: torch.Tensor) -> FloatArray:
    result: FloatArray = tensor.detach().cpu().double().numpy()
    return result


def _claw_truth(claw: PlacedClaw, index: int, sole: TrueSole) -> dict[str, Any] | None:
    profile = true_profile(
        _numpy(claw.points[index]), _numpy(claw.coronet[index]), _numpy(claw.bulb[index]), sole.shape.axis.direction
    )
    if profile is None:
        return None
    return {
        "measures": dict(profile.measures),
        "outline_mm": profile.outline.tolist(),
        "landmarks_mm": {name: place.tolist() for name, place in profile.landmarks.items()},
    }


def scene_truth(pictures: Pictures, index: int) -> dict[str, Any] | None:
    """Return what is true of the foot of one scene, None where its claws cannot be measured."""
    stage = pictures.stages[index]
    claws = {"outer": (pictures.scenes.outer, stage.foot.outer), "inner": (pictures.scenes.inner, stage.foot.inner)}
    side, soles = {}, {}
    for name, (claw, shape) in claws.items():
        toward = np.array([0.0, -1.0 if name == "outer" else 1.0])
        soles[name] = true_sole(_numpy(claw.points[index]), toward)
        profile = _claw_truth(claw, index, soles[name])
        if profile is None:
            return None
        side[name] = profile | {"helical_twist_deg": shape.helical_twist}
    return {
        "foot": ("R" if stage.right_foot else "L") + "H",
        "family": stage.foot.family,
        "side": side,
        "sole": {
            name: {"measures": dict(sole.shape.values), "outline_mm": sole.outline.tolist()}
            for name, sole in soles.items()
        },
        "foot_measures": true_foot(soles["outer"], soles["inner"]),
        "mask_ids": MASK_IDS,
        "photos": {},
    }


def _offset(pictures: Pictures, index: int) -> float:
    """Return how far behind the card's plane the measuring plane truly lies, mm."""
    stage = pictures.stages[index]
    normal = np.cross(stage.card[1], stage.card[2])
    normal = normal / np.linalg.norm(normal)
    if normal @ (stage.card[0] - stage.viewpoint.position) < 0:
        normal = -normal
    if stage.view == "sole":
        place = np.array([55.0, 0.0, 0.0])
    else:
        claw = pictures.scenes.outer if stage.near == "outer" else pictures.scenes.inner
        place = 0.5 * (_numpy(claw.coronet[index]) + _numpy(claw.bulb[index]))
        place = place * np.array([1.0, float(pictures.scenes.side[index]), 1.0])
    return float((place - stage.card[0]) @ normal)


def _reference_truth(pictures: Pictures, index: int) -> dict[str, Any]:
    """Return what is true of the reference that lies in a photo: where its corners are, tilt and offset, and which
    share of its face shows.
    """
    stage = pictures.stages[index]
    corner, top, left = stage.card
    corners = np.array([corner, corner + top, corner + top + left, corner + left])
    # of a batch of cameras, each sees the same four corners
    same = torch.tensor(corners, dtype=torch.float32, device=pictures.photo.device)
    seen = _numpy(pictures.camera.project(same.expand(len(pictures.camera.focal), 4, 3))[index, :, :2])
    x, y = seen[:, 0], seen[:, 1]
    face = 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))
    normal = np.cross(top, left)
    slant = abs(float(normal @ stage.viewpoint.rotation[2])) / float(np.linalg.norm(normal))
    return {
        "reference_px": {"corners_3d": seen.tolist()},
        "reference_seen": float((pictures.labels[index] == LABELS.index("reference")).sum()) / max(face, 1.0),
        "offset_true_mm": _offset(pictures, index),
        "tilt_card_to_camera_deg": float(np.degrees(np.arccos(min(1.0, slant)))),
    }


_STATED_WITHIN_MM: dict[SceneView, float] = {"side": 3.0, "sole": 2.0}
"""Standard deviation of a careful user's word (status J; the samples' own are 2.5 and 2)."""

_NO_REFERENCE: dict[str, Any] = {
    "reference_px": {},
    "reference_seen": 0.0,
    "offset_true_mm": None,
    "tilt_card_to_camera_deg": None,
}


def _gives_scale(kind: str, truth: dict[str, Any], reference: npt.NDArray[np.bool_], card: FloatArray) -> bool:
    """Tell whether a scale can be had from what shows of a reference: bool (H, W) where it does, ``card`` (3, 3) mm."""
    if kind not in _SCALE_FROM or truth["reference_seen"] < _SCALE_FROM[kind]:
        return False
    corners = np.array(truth["reference_px"]["corners_3d"])
    if kind == "ruler":
        return float(np.hypot(*(corners[1] - corners[0]))) / float(np.linalg.norm(card[1])) >= _TICK_FROM_PX
    return kind == "card" or min(_sides_seen(reference, corners)) >= _SIDE_FROM


def _sides_seen(reference: npt.NDArray[np.bool_], corners: FloatArray) -> list[float]:
    """Return the share that shows of each side of a quadrilateral (4, 2) px, just inside of it."""
    inner = corners + _EDGE_IN * (corners.mean(axis=0) - corners)
    share = np.linspace(0.06, 0.94, 60)[:, None]
    seen = []
    for start, stop in zip(inner, np.roll(inner, -1, axis=0), strict=True):
        x, y = np.rint(start + share * (stop - start)).astype(int).T
        inside = (x >= 0) & (y >= 0) & (x < reference.shape[1]) & (y < reference.shape[0])
        seen.append(float(reference[y[inside], x[inside]].sum()) / len(share))
    return seen


def _toe_px(pictures: Pictures, index: int, name: str) -> FloatArray:
    """Return where the toe tip of a sole view lies in the picture (2,), by the very definition of the measures.

    Its height is that of the nearest point of the claw's surface.
    """
    claw = pictures.scenes.outer if name == "outer" else pictures.scenes.inner
    points = _numpy(claw.points[index])
    toe = true_sole(points, np.array([0.0, -1.0 if name == "outer" else 1.0])).shape.axis.toe
    flat = points.reshape(-1, 3)
    height = flat[int(np.argmin(np.hypot(*(flat[:, :2] - toe).T))), 2]
    place = torch.tensor([toe[0], toe[1] * float(pictures.scenes.side[index]), height])
    alike = place.to(pictures.photo).expand(len(pictures.camera.focal), 1, 3)
    return _numpy(pictures.camera.project(alike)[index, 0, :2])


def _stated_offset(true_mm: float | None, view: SceneView, chance: np.random.Generator) -> float:
    """Return how far before the measured plane its user says that the reference lies."""
    if true_mm is None:
        return 25.0 if view == "side" else 0.0
    return round(true_mm + float(chance.normal(0.0, _STATED_WITHIN_MM[view])), 1)


def photo_truth(
    pictures: Pictures, index: int, name: str, reference: str, chance: np.random.Generator
) -> dict[str, Any]:
    """Return what one photo shows.

    Parameters
    ----------
    pictures
        The photos that it is one of.
    index
        Which of them.
    name
        Of its file, without the suffix.
    reference
        What lies in it where the stage has a reference.
    chance
        Of what its user states.
    """
    stage = pictures.stages[index]
    kind = reference if stage.has_card else "none"
    truth = _reference_truth(pictures, index) if stage.has_card else _NO_REFERENCE
    labels = pictures.labels[index].cpu().numpy()
    marks = _numpy(pictures.landmarks[index])
    a, b = ("inner", "outer") if bool(pictures.swapped[index]) else ("outer", "inner")
    if stage.view == "side":
        landmarks = {a: {key: marks[row].tolist() for row, key in enumerate("CTBH")}}
    else:
        landmarks = {name: {"T": _toe_px(pictures, index, name).tolist()} for name in (a, b)}
    height, width = labels.shape
    focal = float(pictures.camera.focal[index])
    across, down = pictures.camera.centre
    faults = _faults(stage.view, pictures.flaws[index], labels, marks)
    return {
        "photo": f"{name}.jpg",
        "mask": f"{name}_mask.png",
        "view": stage.view,
        "claw": stage.near if stage.view == "side" else None,
        "flaw": faults[0] if faults else None,
        "bad": bool(faults),
        "must_refuse": not _gives_scale(kind, truth, labels == LABELS.index("reference"), stage.card),
        "reference": kind,
        "offset_nominal_mm": _stated_offset(truth["offset_true_mm"], stage.view, chance),
        "camera": {
            "width": width,
            "height": height,
            "fx": focal,
            "fy": focal,
            "cx": across,
            "cy": down,
            "k1": stage.viewpoint.distortion,
        },
        "landmarks_px": landmarks,
        "families": pictures.families[index],
        **truth,
    }


def _faults(view: SceneView, flaw: str, labels: npt.NDArray[np.int64], marks: FloatArray) -> list[str]:
    """Return what makes a photo unfit to be measured."""
    faults = [] if flaw == "none" else [flaw]
    height, width = labels.shape
    side = view == "side"
    needed = marks[:4] if side else marks[4:8]
    if (needed < 4).any() or (needed[:, 0] > width - 5).any() or (needed[:, 1] > height - 5).any():
        faults.append("cut")
        return faults
    claws = ((1, 1),) if side else ((1, 4), (2, 5))
    for claw, tip in claws:
        x, y = marks[tip].round().astype(int)
        near = labels[max(0, y - 7) : y + 8, max(0, x - 7) : x + 8]
        if not (near == claw).any():
            faults.append("tip hidden")
    horn = np.isin(labels, [claw for claw, _ in claws])
    if horn.sum() < 0.006 * horn.size:
        faults.append("too small")
    return faults


def _reference(chance: np.random.Generator) -> ReferenceTexture:
    """Draw what a careful user lays beside the claw: mostly the scale card."""
    kinds: tuple[Reference, ...] = ("card", "id1", "ruler", "paper")
    return sample_reference(chance, kinds[chance.choice(4, p=[0.8, 0.07, 0.1, 0.03])])


def write_scenes(
    folder: Path,
    seed: int,
    numbers: range,
    *,
    held_out: bool,
    device: torch.device,
    size: tuple[int, int],
    finer: int,
) -> None:
    """Write scenes with their truth into a folder.

    Parameters
    ----------
    folder
        Made where it does not exist.
    seed
        Of the whole set.
    numbers
        Of the scenes.
    held_out
        Families that training never sees.
    device
        Where to render.
    size
        Width and height of the photos, px.
    finer
        Render so many times finer and average.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rows: list[dict[str, Any]] = []
    saving: list[Future[None]] = []
    with ThreadPoolExecutor(_SAVERS) as savers:
        for start in range(0, len(numbers), _AT_ONCE):
            group = numbers[start : start + _AT_ONCE]
            feet: list[tuple[FootShape | None, bool | None]] = [(None, None)] * len(group)
            scenes: list[dict[str, Any] | None] = []
            for order, view in enumerate(_VIEWS):
                wanted = Wanted(held_out=held_out, plain=True, flawed=0.1, bare=0.06, careful=True)
                references = [_reference(np.random.default_rng([seed, number, order, 7])) for number in group]
                drawn = [
                    draw_scene((seed, number, order), view, wanted, reference, foot=foot, right_foot=right)
                    for number, reference, (foot, right) in zip(group, references, feet, strict=True)
                ]
                card = torch.from_numpy(np.stack([one.texture for one in references])).to(device).float() / 255.0
                pictures = render(
                    drawn, card, device, height=size[1], width=size[0], finer=finer, seed=seed + start + order
                )
                feet = [(stage.foot, stage.right_foot) for stage in pictures.stages]
                if not scenes:
                    scenes = [scene_truth(pictures, index) for index in range(len(group))]
                for index, (number, scene) in enumerate(zip(group, scenes, strict=True)):
                    if scene is not None:
                        name = f"{number}_{view}"
                        scene["seed"] = number
                        chance = np.random.default_rng([seed, number, order, 8])
                        scene["photos"][view] = photo_truth(pictures, index, name, references[index].kind, chance)
                        rows.append(_manifest_row(number, scene, view))
                        saving.append(savers.submit(_save, folder, name, *_files(pictures, index), number))
            for scene in scenes:
                if scene is not None:
                    (folder / f"{scene['seed']}.json").write_text(json.dumps(scene), encoding="utf-8")
        for one in saving:
            one.result()
    with (folder / "photos.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]) if rows else ["photo"])
        writer.writeheader()
        writer.writerows(rows)


def _manifest_row(number: int, scene: dict[str, Any], view: SceneView) -> dict[str, Any]:
    shown = scene["photos"][view]
    return {
        "photo": shown["photo"],
        "animal": f"scene-{number}",
        "foot": scene["foot"],
        "view": view,
        "claw": shown["claw"] or "",
        "offset_mm": shown["offset_nominal_mm"],
    }


def _files(pictures: Pictures, index: int) -> tuple[ByteArray, ByteArray, float]:
    """Return a photo's pixels (H, W, 3), its mask (H, W) by ``MASK_IDS``, and its focal length, px."""
    pixels: ByteArray = (pictures.photo[index].permute(1, 2, 0) * 255.0).round().clamp(0, 255).byte().cpu().numpy()
    ids = [MASK_IDS.get(name, 0) for name in LABELS]
    a, b = ("inner", "outer") if bool(pictures.swapped[index]) else ("outer", "inner")
    ids[LABELS.index("claw_a")], ids[LABELS.index("claw_b")] = MASK_IDS[a], MASK_IDS[b]
    mask: ByteArray = np.array(ids, dtype=np.uint8)[pictures.labels[index].cpu().numpy()]
    return pixels, mask, float(pictures.camera.focal[index])


def _save(folder: Path, name: str, pixels: ByteArray, mask: ByteArray, focal_px: float, number: int) -> None:
    """Write a photo and its mask; the photo's JPEG quality varies with the scene's number."""
    exif = Image.Exif()
    # by the diagonal, as Exif has it, and in whole millimetres, as cameras write it
    diagonal = float(np.hypot(*mask.shape))
    exif.get_ifd(_EXIF_DIRECTORY)[_EXIF_FOCAL_35MM] = round(focal_px * FULL_FRAME_DIAGONAL_MM / diagonal)
    exif[_EXIF_MAKE] = "Rendered"
    Image.fromarray(pixels).save(folder / f"{name}.jpg", quality=82 + number % 14, exif=exif)
    Image.fromarray(mask).save(folder / f"{name}_mask.png", optimize=True)


def main(arguments: Sequence[str] | None = None) -> None:
    """Write photos of rendered feet with their truth into a folder, as the command line asks."""
    parser = argparse.ArgumentParser(description="Write photos of rendered feet with their truth into a folder.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--scenes", type=int, default=300, help="how many feet")
    parser.add_argument("--first", type=int, default=1000, help="number of the first scene")
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--trained", action="store_true", help="of the families that training sees, instead")
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--width", type=int, default=1600)
    parser.add_argument("--height", type=int, default=1200)
    parser.add_argument("--finer", type=int, default=2, help="render so many times finer and average")
    options = parser.parse_args(arguments)
    write_scenes(
        options.folder,
        options.seed,
        range(options.first, options.first + options.scenes),
        held_out=not options.trained,
        device=torch.device(options.device),
        size=(options.width, options.height),
        finer=options.finer,
    )


if __name__ == "__main__":
    main()
