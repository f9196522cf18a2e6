"""Simulated claws, as the measuring plane has them: mm, x right, y down."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from clawvision.shape import ClawShape
from tests.measure.shapes import almond, wedge
from tests.truth import TRUTH, true_photos

_DOWN = np.array([1.0, -1.0])


def side_claw(
    toe_length: float = 75.0,
    angle: float = 50.0,
    heel_height: float = 38.0,
    base: float = 110.0,
    *,
    animal: str = "Pebble",
    day: float | None = None,
    noise: float = 0.0,
    seed: int = 0,
) -> ClawShape:
    """Return a profile with straight sides, its toe to the right; ``noise`` mm of smooth unevenness."""
    shape = wedge(toe_length, angle, heel_height, base)
    outline = shape["outline"] * _DOWN
    marks = {name: shape[name] * _DOWN for name in "TCB"}
    if noise:
        rng = np.random.default_rng(seed)
        wave = np.exp(2j * np.pi * np.outer(np.arange(len(outline)) / len(outline), np.arange(2, 7)))
        moved = (wave @ rng.normal(size=(5, 2)).astype(complex)).real * noise / np.sqrt(2.5)
        at = {name: int(np.argmin(np.hypot(*(outline - point).T))) for name, point in marks.items()}
        marks = {name: point + moved[at[name]] for name, point in marks.items()}
        outline = outline + moved
    return ClawShape(outline, "side", "outer", "LH", marks, animal, day)


def sole_claw(claw: str = "outer", foot: str | None = "LH", bend: float = 8.0, **size: float) -> ClawShape:
    """Return a sole outline, toe up in the photo, whose toe bends towards the cleft."""
    points = almond(bend=bend, **size)  # heel at x = 0, toe at +x, bent to +y
    up = np.column_stack((points[:, 1], -points[:, 0]))  # toe up (y down), bent to the right
    # the outer claw of a left foot is on the right, its cleft on the left (docs/measures.md)
    right = {("outer", "L"): False, ("inner", "L"): True, ("outer", "R"): True, ("inner", "R"): False}
    to_right = claw == "left" if foot is None else right[claw, foot[0]]
    return ClawShape(up if to_right else up * (-1.0, 1.0), "sole", claw, foot, {}, "Pebble")  # type: ignore[arg-type]


def moved(
    shape: ClawShape,
    degrees: float = 0.0,
    shift: tuple[float, float] = (0.0, 0.0),
    scale: float = 1.0,
    start: int = 0,
    backwards: bool = False,
    mirror: bool = False,
) -> ClawShape:
    """Return the same claw elsewhere, otherwise turned, listed from another point, or as its mirror image."""
    a = np.radians(degrees)
    turn = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    flip = np.array([-1.0, 1.0]) if mirror else np.ones(2)
    outline = np.roll(scale * (shape.outline * flip) @ turn + shift, start, axis=0)
    marks = {name: scale * (point * flip) @ turn + shift for name, point in shape.landmarks.items()}
    return replace(shape, outline=outline[::-1] if backwards else outline, landmarks=marks)


def true_claws(view: str) -> list[tuple[ClawShape, dict[str, float]]]:
    """Return the modelled claws of the sample scenes with their true measures; outline and landmarks with y down."""
    found = []
    for scene in {photo.scene["seed"]: photo.scene for photo in true_photos(TRUTH)}.values():
        for claw in ("outer", "inner"):
            made = scene[view][claw]
            if view == "side":  # heights are up there
                marks = {name: np.array(point) * _DOWN for name, point in made["landmarks_mm"].items()}
                outline = np.array(made["outline_mm"]) * _DOWN
            else:
                marks = {"K": np.array(made["K"]), "T": np.array(made["T"])}
                outline = np.array(made["outline_mm"])
            animal = f"Scene {scene['seed']}"
            found.append((ClawShape(outline, view, claw, scene["foot"], marks, animal), made["measures"]))  # type: ignore[arg-type]
    return found
