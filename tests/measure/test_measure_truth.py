"""The formulas against truth that others computed: the sample scenes' own outlines and measures, in mm.

No camera is involved. What differs is how finely an outline is sampled, on either side.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from clawvision.measure.curve import chain, resample_closed
from clawvision.measure.side import Profile, find_bearing, measure_side
from clawvision.measure.side_landmarks import find_side_landmarks
from clawvision.measure.sole import SoleShape, measure_foot, measure_sole
from clawvision.types import FloatArray
from tests.truth import TRUTH

SCENES = sorted(TRUTH.glob("[0-9]*.json"))
TOLERANCE = {"mm": 0.35, "deg": 0.35, "mm2": 10.0, "percent": 0.2}
"""A sample every 0.3 to 0.6 mm on our side, corners 2 to 15 mm apart on the other."""


def unit(measure: str) -> str:
    if measure.endswith("percent"):
        return "percent"
    if measure.endswith("angle") or measure in ("splay", "axial_twist"):
        return "deg"
    return "mm2" if measure.startswith(("sole_area", "area")) else "mm"


def compare(found: dict[str, float], truth: dict[str, float]) -> None:
    for measure, value in truth.items():
        assert found[measure] == pytest.approx(value, abs=TOLERANCE[unit(measure)]), measure


def nearest(line: FloatArray, point: FloatArray) -> int:
    return int(np.argmin(np.hypot(*(line - point).T)))


@pytest.mark.parametrize("claw", ["outer", "inner"])
@pytest.mark.parametrize("file", SCENES, ids=lambda file: file.stem)
def test_side_measures(file: Path, claw: str) -> None:
    side: dict[str, Any] = json.loads(file.read_text())["side"][claw]
    line = resample_closed(np.array(side["outline_mm"]), 1200)
    marks = {name: np.array(xy) for name, xy in side["landmarks_mm"].items()}
    toe, coronet = nearest(line, marks["T"]), nearest(line, marks["C"])
    ways = (chain(line, toe, coronet), chain(line, coronet, toe)[::-1])
    dorsal = np.vstack((marks["T"], min(ways, key=len)[1:-1], marks["C"]))
    bearing = find_bearing(line, marks["T"], marks["C"], marks["B"])
    assert bearing is not None
    compare(measure_side(Profile(line, dorsal, marks["T"], marks["C"], marks["B"]), bearing), side["measures"])


@pytest.mark.parametrize("claw", ["outer", "inner"])
@pytest.mark.parametrize("file", SCENES, ids=lambda file: file.stem)
def test_side_landmarks(file: Path, claw: str) -> None:
    """T and C to a millimetre; B, the end of a round bulb, to four."""
    side: dict[str, Any] = json.loads(file.read_text())["side"][claw]
    line = resample_closed(np.array(side["outline_mm"]), 360)
    marks = find_side_landmarks(line, np.array([0.0, 1.0]))
    line = line[::-1] if marks.flipped else line
    for name, index, limit in (("C", marks.coronet, 1.0), ("T", marks.toe, 1.0), ("B", marks.bulb, 4.0)):
        assert np.hypot(*(line[index] - side["landmarks_mm"][name])) < limit, name


@pytest.mark.parametrize("file", SCENES, ids=lambda file: file.stem)
def test_sole_and_foot_measures(file: Path) -> None:
    scene: dict[str, Any] = json.loads(file.read_text())
    lines = {claw: resample_closed(np.array(scene["sole"][claw]["outline_mm"]), 600) for claw in ("outer", "inner")}
    shapes: dict[str, SoleShape] = {}
    for claw, other in (("outer", "inner"), ("inner", "outer")):
        shapes[claw] = measure_sole(lines[claw], lines[other].mean(axis=0) - lines[claw].mean(axis=0))
        compare(dict(shapes[claw].values), scene["sole"][claw]["measures"])
    compare(measure_foot(shapes["outer"], shapes["inner"]), scene["foot_measures"])
