"""One invented foot before and after a trim, rendered: photos, a manifest, and what is true of them (needs PyTorch)."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import torch
from PIL import Image

from clawvision.scenes.pictures import Drawn, Wanted, draw_scene, render
from clawvision.scenes.references import sample_reference
from clawvision.scenes.shape import ClawShape, FootShape, sample_foot
from clawvision.scenes.viewpoint import SceneView
from clawvision.scenes.write import photo_truth, scene_truth
from clawvision.types import ClawName

ANIMAL = "Invented 31"
SIZE = (1200, 900)
_FULL_FRAME_DIAGONAL_MM = 43.267
_TAKEN = {"before": "2031-04-02T09:10", "after": "2031-04-02T09:40"}
_EXIF_DIRECTORY, _MAKE, _MODEL, _FOCAL_35MM = 0x8769, 0x010F, 0x0110, 0xA405


def trimmed(claw: ClawShape, toe_length: float) -> ClawShape:
    """Return a claw after a trim: the toe shortened along its dorsal wall, the sole taken down to there.

    Coronet, bulb and what is left of the dorsal wall stay where they are; the new sole is laid level, which steepens
    the toe as a trim does.
    """
    heel = np.array([10.0, 0.0])
    coronet = np.array([claw.coronet_x, claw.coronet_z])
    toe = np.array([claw.coronet_x + np.sqrt(claw.toe_length**2 - claw.coronet_z**2), 0.0])
    tip = coronet + (toe - coronet) * toe_length / claw.toe_length
    angle = np.arctan2(tip[1] - heel[1], tip[0] - heel[0])
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    coronet, bulb = (turn @ (at - heel) + heel for at in (coronet, np.array([claw.bulb_x, claw.bulb_z])))
    return replace(
        claw,
        toe_length=toe_length,
        coronet_x=float(coronet[0]),
        coronet_z=float(coronet[1]),
        bulb_x=float(bulb[0]),
        bulb_z=float(bulb[1]),
    )


def feet(seed: int) -> dict[str, FootShape]:
    """Return a foot before and after a trim: toes shortened, soles taken down, everything at the coronet as it was."""
    foot = sample_foot(np.random.default_rng(seed), held_out=False, lifted=True)
    level = {"toe_lift": 0.0, "helical_twist": 0.0, "turn_in": 0.0, "hollow": 0.0, "coronet_x": 67.0}
    outer = replace(foot.outer, toe_length=112.0, coronet_z=66.0, bulb_x=-4.0, bulb_z=39.0, **level)
    inner = replace(foot.inner, toe_length=97.0, coronet_z=65.0, bulb_x=-4.0, bulb_z=38.0, **level)
    before = replace(foot, outer=outer, inner=inner, splay_outer=1.0, splay_inner=1.0, gap=3.0)
    return {"before": before, "after": replace(before, outer=trimmed(outer, 88.0), inner=trimmed(inner, 87.0))}


def _drawn(seed: int, foot: FootShape, view: SceneView, near: ClawName) -> tuple[Drawn, Any]:
    """Draw a scene of this foot, from the side one that shows the claw asked for."""
    wanted = Wanted(held_out=False, plain=True, flawed=0.0, bare=0.0, careful=True)
    for number in range(400):
        reference = sample_reference(np.random.default_rng([seed, number]), "card")
        drawn = draw_scene((seed, number), view, wanted, reference, foot=foot, right_foot=True)
        if view != "side" or drawn.stage.near == near:
            return drawn, reference
    raise AssertionError("no scene shows that claw")


def write(folder: Path, seed: int, *, claws: tuple[ClawName, ...] = ("outer", "inner")) -> dict[str, Any]:
    """Write the photos and their manifest; return what is true, by stage."""
    folder.mkdir(parents=True, exist_ok=True)
    device = torch.device("cpu")
    rows, truths = [], {}
    shots: tuple[tuple[SceneView, ClawName], ...] = (*(("side", claw) for claw in claws), ("sole", "outer"))  # type: ignore[assignment]
    for order, (stage, foot) in enumerate(feet(seed).items()):
        for view, claw in shots:
            number = seed * 100 + order * 10 + len(rows)
            drawn, reference = _drawn(number, foot, view, claw)
            card = torch.from_numpy(np.array(reference.texture[None])).to(device).float() / 255.0
            pictures = render([drawn], card, device, height=SIZE[1], width=SIZE[0], finer=1, seed=seed)
            truths.setdefault(stage, scene_truth(pictures, 0))
            name = f"{stage}_{view}" + (f"_{claw}" if view == "side" else "")
            shown = photo_truth(pictures, 0, name, "card", np.random.default_rng([number, 8]))
            exif = Image.Exif()
            focal = shown["camera"]["fx"]
            exif.get_ifd(_EXIF_DIRECTORY)[_FOCAL_35MM] = round(focal * _FULL_FRAME_DIAGONAL_MM / float(np.hypot(*SIZE)))
            exif[_MAKE], exif[_MODEL] = "Rendered", "One"
            pixels = (pictures.photo[0].permute(1, 2, 0) * 255.0).round().clamp(0, 255).byte().cpu().numpy()
            Image.fromarray(pixels).save(folder / f"{name}.jpg", quality=92, exif=exif)
            rows.append(
                {
                    "photo": f"{name}.jpg",
                    "animal": ANIMAL,
                    "foot": "RH",
                    "view": view,
                    "claw": claw if view == "side" else "",
                    "stage": stage,
                    "taken": _TAKEN[stage],
                    "offset_mm": shown["offset_nominal_mm"],
                }
            )
    with (folder / "photos.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    (folder / "truth.json").write_text(json.dumps(truths), encoding="utf-8")
    return truths
