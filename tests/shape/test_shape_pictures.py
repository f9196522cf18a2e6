"""Pictures of shapes: repeatable, to scale, readable without colour."""

from __future__ import annotations

import hashlib
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import matplotlib
import numpy as np
import pytest

import clawvision.shape
from clawvision.errors import MissingExtraError, UsageError
from clawvision.shape import (
    Components,
    StandardShape,
    align,
    components,
    components_picture,
    outlines_picture,
    repeatability_from_sd,
    scores_picture,
    semilandmarks,
    shape_paths,
    standard_frame,
)
from tests.shape.claws import side_claw, sole_claw

ROOT = Path(__file__).parents[2]


def over_time(animal: str = "Pebble") -> list[StandardShape]:
    return [standard_frame(side_claw(70.0 + 4 * i, animal=animal, day=30.0 * i, noise=0.3, seed=i)) for i in range(4)]


def herd() -> Components:
    shapes = [standard_frame(side_claw(68.0 + 3 * i, noise=0.4, seed=20 + i)) for i in range(8)]
    found = components(align([semilandmarks(shape) for shape in shapes], "form")).value
    assert found is not None
    return found


def pictures() -> dict[str, bytes]:
    found = herd()
    repeats = repeatability_from_sd([2.0, 2.0])
    return {
        "components": components_picture(found),
        "scores": scores_picture(found, shape_paths([*over_time(), *over_time("Sorrel")], found, repeats)),
        "outlines": outlines_picture(over_time()),
        "soles": outlines_picture([standard_frame(sole_claw())]),
    }


@pytest.fixture(scope="module")
def drawn() -> dict[str, bytes]:
    return pictures()


def test_the_same_shapes_make_the_same_bytes_in_another_process_with_other_settings(
    drawn: dict[str, bytes], tmp_path: Path
) -> None:
    (tmp_path / "matplotlibrc").write_text(
        "font.size: 20\nsvg.hashsalt: other\nxtick.direction: in\nfigure.facecolor: red\n"
    )
    code = (
        "import hashlib, tests.shape.test_shape_pictures as t\n"
        "print(*[n + hashlib.sha256(b).hexdigest() for n, b in t.pictures().items()])"
    )
    surroundings = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONHASHSEED": "7", "MPLCONFIGDIR": str(tmp_path)}
    made = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=surroundings)
    assert made.stdout.split() == [name + hashlib.sha256(data).hexdigest() for name, data in drawn.items()]


def test_they_are_plain_vectors_with_letters_as_paths_and_no_date(drawn: dict[str, bytes]) -> None:
    for data in drawn.values():
        tags = {element.tag.rpartition("}")[2] for element in ElementTree.fromstring(data).iter()}
        assert "title" in tags
        assert not tags & {"script", "image", "foreignObject", "text", "date", "creator"}
        assert b"font-family" not in data


def lines(data: bytes) -> list[tuple[str, str, np.ndarray]]:
    """Return colour, strokes and points of every line within the axes that is no grid line."""
    found = []
    for element in ElementTree.fromstring(data).iter("{http://www.w3.org/2000/svg}path"):
        style = dict(part.split(": ") for part in element.get("style", "").split("; ") if part)
        if "clip-path" not in element.attrib or style.get("fill") != "none" or style["stroke"] == "#e3e3e3":
            continue
        points = np.array(re.findall(r"[ML] (-?[\d.]+) (-?[\d.]+)", element.get("d", "")), dtype=float)
        found.append((style["stroke"], style.get("stroke-dasharray", "full"), points))
    return found


def test_lines_differ_by_their_strokes_not_by_colour_alone(drawn: dict[str, bytes]) -> None:
    first_panel = lines(drawn["components"])[:3]
    assert len({stroke for _, stroke, _ in first_panel}) == len({colour for colour, _, _ in first_panel}) == 3
    over_days = [line for line in lines(drawn["outlines"]) if len(line[2]) > 2]  # not the bearing line
    assert len(over_days) == 4
    assert len({stroke for _, stroke, _ in over_days}) == len({colour for colour, _, _ in over_days}) == 4


def test_a_millimetre_is_as_long_across_as_up(drawn: dict[str, bytes]) -> None:
    shapes = over_time()
    boxes = [np.ptp(points, axis=0) for _, _, points in lines(drawn["outlines"]) if len(points) > 2]
    scales = np.array([box / np.ptp(shape.outline, axis=0) for box, shape in zip(boxes, shapes, strict=True)])
    assert scales == pytest.approx(scales[0, 0], rel=0.003)  # points of the picture per mm, all alike


def test_the_users_own_settings_are_left_alone() -> None:
    before = dict(matplotlib.rcParams)
    outlines_picture(over_time()[:1])
    assert dict(matplotlib.rcParams) == before


def test_names_from_outside_are_drawn_as_they_are() -> None:
    odd = [standard_frame(replace(side_claw(), animal="<b>$x_$\n&"))]
    ElementTree.fromstring(outlines_picture(odd))


def test_without_matplotlib_the_message_has_the_install_line(monkeypatch: pytest.MonkeyPatch) -> None:
    found = herd()
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    for draw in (
        lambda: components_picture(found),
        lambda: scores_picture(found),
        lambda: outlines_picture(over_time()),
    ):
        with pytest.raises(MissingExtraError, match=r"pip install 'clawvision\[plots\]'"):
            draw()


def test_computing_needs_no_matplotlib() -> None:
    code = "import sys, clawvision.shape; sys.exit('matplotlib' in sys.modules or 'torch' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT).returncode == 0


def test_the_example_of_the_page_runs_as_it_stands() -> None:
    found = re.search(r"```python\n(.+?)```", (ROOT / "docs" / "shape.md").read_text(encoding="utf-8"), re.DOTALL)
    assert found is not None
    claw = side_claw()
    names = {
        **vars(clawvision.shape),
        "outline_mm": claw.outline,
        **{mark.lower(): claw.landmarks[mark] for mark in "CTB"},
        "standards": over_time(),
        "repeatability": repeatability_from_sd([2.0, 2.0]),
    }
    exec(found[1], names)
    assert names["svg"].startswith(b"<?xml")
    assert [path.name for path in names["paths"]] == ["Pebble LH outer claw"]


def test_what_cannot_be_told_apart_is_not_drawn() -> None:
    found = herd()
    with pytest.raises(UsageError, match="cannot be told apart"):
        outlines_picture([standard_frame(side_claw(day=float(i))) for i in range(7)])
    with pytest.raises(UsageError, match="one claw"):
        outlines_picture([*over_time(), *over_time("Sorrel")])
    with pytest.raises(UsageError, match="one claw"):
        outlines_picture([])
    with pytest.raises(UsageError, match="two"):
        scores_picture(found, first=0, second=99)
    with pytest.raises(UsageError, match="nothing to draw"):
        components_picture(found, 0)
    many = [shape for i in range(7) for shape in over_time(f"Cow {i}")[:2]]
    with pytest.raises(UsageError, match="cannot be told apart"):
        scores_picture(found, shape_paths(many, found))
