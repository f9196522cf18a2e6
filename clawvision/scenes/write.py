"""Write photos of scenes with their truth: ``python -m clawvision.scenes.write FOLDER --scenes 300``.

Each scene is one foot with a side photo and a sole photo. Beside the photos: ``photos.csv`` (a manifest), and for each
scene its truth ``N.json`` and the masks ``N_side_mask.png`` and ``N_sole_mask.png``. The shapes, looks and lights are of
the families that training never sees, unless ``--trained`` is given.
"""

from __future__ import annotations

import csv
import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import click
import numpy as np
import torch
from PIL import Image

from clawvision.scenes.feed import Pictures, Wanted, draw_scene, render
from clawvision.scenes.foot import PlacedClaw
from clawvision.scenes.references import sample_reference
from clawvision.scenes.render import LABELS
from clawvision.scenes.shape import FootShape
from clawvision.scenes.truth import TrueSole, true_foot, true_profile, true_sole
from clawvision.scenes.stage import SceneView
from clawvision.types import ByteArray, FloatArray

MASK_IDS = {"background": 0, "outer": 1, "inner": 2, "leg": 3, "reference": 4, "occluder": 5, "dewclaw": 6}
_SENSOR_DIAGONAL_MM = 43.2666
_AT_ONCE = 6
_COLUMNS = ("photo", "animal", "foot", "view", "claw", "offset_mm")


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
    claws = {"outer": pictures.scenes.outer, "inner": pictures.scenes.inner}
    soles = {
        name: true_sole(_numpy(claw.points[index]), np.array([0.0, -1.0 if name == "outer" else 1.0]))
        for name, claw in claws.items()
    }
    side = {name: _claw_truth(claw, index, soles[name]) for name, claw in claws.items()}
    if None in side.values():
        return None
    shapes = {"outer": stage.foot.outer, "inner": stage.foot.inner}
    for name, values in side.items():
        assert values is not None
        values["helical_twist_deg"] = shapes[name].helical_twist
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
    right, down = stage.card[1], stage.card[2]
    normal = np.cross(right, down)
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


def photo_truth(pictures: Pictures, index: int, name: str, reference: str) -> dict[str, Any]:
    """Return what one photo shows; ``reference`` is what lies in it, where something does."""
    stage = pictures.stages[index]
    kind = reference if stage.has_card else "none"
    camera = stage.viewpoint
    corners = np.array(
        [stage.card[0] + u * stage.card[1] + v * stage.card[2] for u, v in ((0, 0), (1, 0), (1, 1), (0, 1))]
    )
    device = pictures.photo.device
    seen = pictures.camera.project(
        torch.tensor(np.tile(corners, (len(pictures.stages), 1, 1)), dtype=torch.float32, device=device)
    )
    labels = _numpy(pictures.labels[index]).astype(int)
    marks = _numpy(pictures.landmarks[index])
    a, b = ("inner", "outer") if bool(pictures.swapped[index]) else ("outer", "inner")
    normal = np.cross(stage.card[1], stage.card[2]) if stage.has_card else camera.rotation[2]
    tilt = np.degrees(np.arccos(min(1.0, abs(float(normal @ camera.rotation[2])) / float(np.linalg.norm(normal)))))
    if stage.view == "side":
        landmarks = {a: {key: marks[row].tolist() for row, key in enumerate("CTBH")}}
    else:
        landmarks = {a: {"T": marks[4].tolist()}, b: {"T": marks[5].tolist()}}
    height, width = labels.shape
    faults = _faults(pictures, index, labels, marks)
    return {
        "photo": f"{name}.jpg",
        "mask": f"{name}_mask.png",
        "view": stage.view,
        "claw": stage.near if stage.view == "side" else None,
        "stage": "check",
        "flaw": faults[0] if faults else None,
        "bad": bool(faults),
        "must_refuse": kind == "none",
        "reference": kind,
        "reference_px": {"corners_3d": _numpy(seen[index, :, :2]).tolist()} if kind != "none" else {},
        "offset_nominal_mm": 25.0 if stage.view == "side" else 0.0,
        "offset_true_mm": _offset(pictures, index) if kind != "none" else None,
        "camera": {"width": width, "height": height, "fx": float(pictures.camera.focal[index])},
        "landmarks_px": landmarks,
        "tilt_card_to_camera_deg": float(tilt) if kind != "none" else None,
        "families": pictures.families[index],
    }


def _faults(pictures: Pictures, index: int, labels: FloatArray, marks: FloatArray) -> list[str]:
    """Return what makes a photo unfit to be measured."""
    faults = [] if pictures.flaws[index] == "none" else [pictures.flaws[index]]
    height, width = labels.shape
    needed = marks[[0, 1, 2]] if pictures.stages[index].view == "side" else marks[4:8]
    if (needed < 4).any() or (needed[:, 0] > width - 5).any() or (needed[:, 1] > height - 5).any():
        faults.append("cut")
        return faults
    wanted = (1,) if pictures.stages[index].view == "side" else (1, 2)
    tips = (1,) if pictures.stages[index].view == "side" else (4, 5)
    for claw, tip in zip(wanted, tips, strict=True):
        x, y = marks[tip].round().astype(int)
        near = labels[max(0, y - 7) : y + 8, max(0, x - 7) : x + 8]
        if not (near == claw).any():
            faults.append("tip hidden")
    horn = np.isin(labels, wanted)
    if horn.sum() < 0.006 * horn.size:
        faults.append("too small")
    return faults


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
    width, height = size
    with ThreadPoolExecutor(8) as workers:
        for start in range(0, len(numbers), _AT_ONCE):
            group = numbers[start : start + _AT_ONCE]
            feet: list[tuple[FootShape | None, bool | None]] = [(None, None)] * len(group)
            scenes: list[dict[str, Any] | None] = []
            views: tuple[SceneView, ...] = ("side", "sole")
            for order, view in enumerate(views):
                wanted = Wanted(held_out=held_out, plain=start // _AT_ONCE % 4 != 0, flawed=0.1, bare=0.06)
                references = [sample_reference(np.random.default_rng([seed, number, order, 7])) for number in group]
                drawn = [
                    draw_scene((seed, number, order), view, wanted, reference, foot=foot, right_foot=right)
                    for number, reference, (foot, right) in zip(group, references, feet, strict=True)
                ]
                card = torch.from_numpy(np.stack([one.texture for one in references])).to(device).float() / 255.0
                pictures = render(
                    drawn, card, device, height=height, width=width, finer=finer, seed=seed + start + order
                )
                feet = [(stage.foot, stage.right_foot) for stage in pictures.stages]
                if not scenes:
                    scenes = [scene_truth(pictures, index) for index in range(len(group))]
                for index, (number, scene) in enumerate(zip(group, scenes, strict=True)):
                    if scene is None:
                        continue
                    name = f"{number}_{view}"
                    scene["seed"] = number
                    shown = scene["photos"][view] = photo_truth(pictures, index, name, references[index].kind)
                    pixels = (pictures.photo[index].permute(1, 2, 0) * 255.0).round().clamp(0, 255).byte().cpu().numpy()
                    focal = float(pictures.camera.focal[index])
                    workers.submit(_save, folder, name, pixels, _mask(pictures, index), focal, number)
                    rows.append(
                        {
                            "photo": f"{name}.jpg",
                            "animal": f"scene-{number}",
                            "foot": scene["foot"],
                            "view": view,
                            "claw": shown["claw"] or "",
                            "offset_mm": shown["offset_nominal_mm"],
                        }
                    )
            for scene in scenes:
                if scene is not None:
                    (folder / f"{scene['seed']}.json").write_text(json.dumps(scene))
    with (folder / "photos.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, _COLUMNS)
        writer.writeheader()
        writer.writerows(rows)


def _mask(pictures: Pictures, index: int) -> ByteArray:
    labels = pictures.labels[index].cpu().numpy()
    swapped = bool(pictures.swapped[index])
    ids = dict(enumerate(MASK_IDS.get(name, 0) for name in LABELS))
    ids[1], ids[2] = (2, 1) if swapped else (1, 2)
    table = np.array([ids[label] for label in range(len(LABELS))], dtype=np.uint8)
    result: ByteArray = table[labels]
    return result


def _save(folder: Path, name: str, pixels: ByteArray, mask: ByteArray, focal_px: float, number: int) -> None:
    height, width = mask.shape
    exif = Image.Exif()
    details = exif.get_ifd(0x8769)
    # 35 mm focal length by the diagonal, as Exif has it; whole millimetres, as cameras write it
    details[0xA405] = round(focal_px * _SENSOR_DIAGONAL_MM / float(np.hypot(width, height)))
    exif[0x010F] = "Rendered"
    quality = 82 + number % 14
    Image.fromarray(pixels).save(folder / f"{name}.jpg", quality=quality, exif=exif)
    Image.fromarray(mask).save(folder / f"{name}_mask.png", optimize=True)


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--scenes", default=300, show_default=True, help="How many feet.")
@click.option("--first", default=1000, show_default=True, help="Number of the first scene.")
@click.option("--seed", default=20, show_default=True)
@click.option("--trained", is_flag=True, help="Families that training sees, too.")
@click.option("--device", default="cpu", show_default=True)
@click.option("--width", default=1600, show_default=True)
@click.option("--height", default=1200, show_default=True)
@click.option("--finer", default=2, show_default=True, help="Render so many times finer and average.")
def main(
    folder: Path, scenes: int, first: int, seed: int, trained: bool, device: str, width: int, height: int, finer: int
) -> None:
    """Write photos of rendered feet with their truth into FOLDER."""
    write_scenes(
        folder,
        seed,
        range(first, first + scenes),
        held_out=not trained,
        device=torch.device(device),
        size=(width, height),
        finer=finer,
    )


if __name__ == "__main__":
    main()
