"""Assessments of an invented cow put together by hand: outlines with a known motion between them and a known cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from clawvision.findings import assess_feet, load_profiles
from clawvision.measure.curve import clip_halfplane, outward_normals, resample_closed
from clawvision.measure.side import Profile as SideProfile
from clawvision.measure.side import find_bearing, heel_point, measure_side
from clawvision.output.models import AssessmentRecord, PhotoRecord, RunInfo
from clawvision.output.record import assessment_record, dumps, photo_facts, photo_record
from clawvision.types import (
    ClawName,
    ClawResult,
    Exif,
    FloatArray,
    Measure,
    PhotoRequest,
    PhotoResult,
    frozen_array,
    frozen_mapping,
)
from tests.measure.shapes import almond, wedge
from tests.output import made

ANIMAL = "Invented 31"
DAY = "2031-04-02"
HEEL = np.array([10.0, 0.0])


def moved(points: FloatArray, degrees: float, shift: Sequence[float], *, mirror: bool = False) -> FloatArray:
    """Return points turned from x towards y about the origin, after a mirroring in x where asked, and shifted."""
    a = np.radians(degrees)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    return (points * (-1.0 if mirror else 1.0, 1.0)) @ turn.T + np.asarray(shift)


def side_shape(toe_length: float = 105.0) -> dict[str, FloatArray]:
    """Return a claw's profile with y down, as a photo has it: T, C, B and the outline from T on."""
    shape = wedge(toe_length, 40.0, 38.0, 150.0)
    return {name: points * (1.0, -1.0) for name, points in shape.items()}


def cut(shape: Mapping[str, FloatArray], toe_length: float) -> dict[str, FloatArray]:
    """Return the profile after a trim: cut along the line from the heel to the dorsal wall, so far from C."""
    chord = shape["T"] - shape["C"]
    toe = shape["C"] + chord * toe_length / np.hypot(*chord)
    along = toe - HEEL
    normal = np.array([-along[1], along[0]]) / np.hypot(*along)
    if (shape["C"] - HEEL) @ normal > 0:
        normal = -normal
    outline = clip_halfplane(shape["outline"], normal, float(HEEL @ normal))
    return {**shape, "T": toe, "outline": resample_closed(outline, 600)}


def sole_shape(length: float = 130.0, width: float = 52.0) -> dict[str, FloatArray]:
    """Return a claw's sole, heel at x = 0, its borders not alike: K, T and the outline."""
    outline = almond(length, width, bend=-6.0)
    return {"outline": outline, "T": outline[int(np.argmax(outline[:, 0]))], "K": np.array([length / 5.0, 0.0])}


def cut_sole(shape: Mapping[str, FloatArray], length: float) -> dict[str, FloatArray]:
    """Return the sole with all taken off that lies beyond ``length`` from the heel."""
    outline = resample_closed(clip_halfplane(shape["outline"], np.array([1.0, 0.0]), length), 400)
    toe = outline[int(np.argmax(np.hypot(*(outline - shape["K"]).T) * (outline[:, 0] > length / 2)))]
    return {"outline": outline, "T": toe, "K": np.array([length / 5.0, 0.0])}


def noisy(points: FloatArray, sigma: float, chance: np.random.Generator) -> FloatArray:
    """Return an outline with errors of the kind the measuring chain reckons with: as a whole, and in three waves."""
    normals = outward_normals(points, 3)
    turn = 2.0 * np.pi * np.arange(len(points)) / len(points)
    size = 0.7 * sigma * chance.normal() * np.ones(len(points))
    wave = sigma * np.sqrt((1.0 - 0.7**2) / 3.0)
    for order in (1, 2, 3):
        one, other = chance.normal(size=2)
        size += wave * (one * np.cos(order * turn) + other * np.sin(order * turn))
    return points + size[:, None] * normals


def side_measures(shape: Mapping[str, FloatArray], budgets: Mapping[str, Mapping[str, float]]) -> dict[str, Measure]:
    """Return the measures of a profile, with these contributions by cause."""
    bearing = find_bearing(shape["outline"], shape["T"], shape["C"], shape["B"])
    assert bearing is not None
    dorsal = np.linspace(shape["T"], shape["C"], 30)
    values = measure_side(SideProfile(shape["outline"], dorsal, shape["T"], shape["C"], shape["B"]), bearing)
    return {name: measure(values[name], budget, unit(name)) for name, budget in budgets.items()}


def unit(name: str) -> Any:
    return "deg" if name.endswith(("angle", "twist")) or name == "splay" else "mm2" if "area" in name else "mm"


def measure(value: float, budget: Mapping[str, float], kind: Any = "mm") -> Measure:
    total = 2.0 * float(np.sqrt(sum(part**2 for part in budget.values())))
    return Measure(float(value), total, kind, frozen_mapping(budget))


def side_budgets(claw: str) -> dict[str, dict[str, float]]:
    """Contributions much like those of a photo with the printed card."""
    length = {
        "focal_length": -0.5,
        "reference_size": 0.2,
        "plane_offset": 0.5,
        "plane_yaw": 0.4,
        f"build_hair_coronet.{claw}": 1.0,
        f"outline_1.{claw}": 0.21,
        f"landmark_C_x.{claw}": 0.3,
        f"landmark_C_y.{claw}": 0.3,
        f"model.{claw}": 0.5,
    }
    heel = {
        "reference_size": 0.1,
        "plane_pitch": 0.3,
        f"build_hair_bulb.{claw}": 0.6,
        f"outline_1.{claw}": 0.21,
        f"landmark_B_y.{claw}": 0.4,
        f"model.{claw}": 0.6,
    }
    angle = {"plane_yaw": 0.3, f"build_width.{claw}": 0.4, f"model.{claw}": 0.5}
    diagonal = {"plane_offset": 0.6, f"landmark_B_x.{claw}": 0.4, f"outline_1.{claw}": 0.3, f"model.{claw}": 0.7}
    return {
        "toe_length": length,
        "heel_height": heel,
        "dorsal_height": {**heel, f"build_hair_coronet.{claw}": 0.7},
        "toe_angle": angle,
        "diagonal": diagonal,
    }


def side_photo(
    name: str,
    stage: str,
    shape: Mapping[str, FloatArray],
    claw: ClawName = "outer",
    *,
    status: Any = "measured",
    camera: str = "Anyphone",
    **request: Any,
) -> PhotoResult:
    """Return a side photo of a claw with this profile, in the frame of its card."""
    base = made.side_result()
    usual = base.claws["outer"]
    asked = {"animal": ANIMAL, "foot": "RH", "taken": f"{DAY}T09:00", **request}
    bearing = find_bearing(shape["outline"], shape["T"], shape["C"], shape["B"])
    assert bearing is not None
    marks = {each: shape[each] for each in "CTB"}
    profile = SideProfile(shape["outline"], np.array([shape["T"], shape["C"]]), shape["T"], shape["C"], shape["B"])
    marks["H"] = heel_point(profile, bearing)
    shown = replace(
        usual,
        name=claw,
        measures=frozen_mapping(side_measures(shape, side_budgets(claw))),
        outline_mm=frozen_array(shape["outline"]),
        landmarks_mm=frozen_mapping({each: (float(xy[0]), float(xy[1])) for each, xy in marks.items()}),
    )
    return replace(
        base,
        request=PhotoRequest(Path(name), name, view="side", claw=claw, stage=stage, **asked),  # type: ignore[arg-type]
        exif=Exif(camera, "One", asked["taken"], 5.4, 50.0),
        taken=asked["taken"],
        status=status,
        reasons=(),
        claws=frozen_mapping({claw: shown}),
    )


def sole_photo(
    name: str, stage: str, outer: Mapping[str, FloatArray], inner: Mapping[str, FloatArray], **request: Any
) -> PhotoResult:
    """Return a sole photo of two claws."""
    base = made.sole_result()
    asked = {"animal": ANIMAL, "foot": "RH", "taken": f"{DAY}T09:00", **request}
    claws: dict[ClawName, ClawResult] = {}
    lengths: dict[str, float] = {}
    for claw, shape in (("outer", outer), ("inner", inner)):
        axis = (shape["T"] - shape["K"]) / np.hypot(*(shape["T"] - shape["K"]))
        lengths[claw] = float(np.ptp(shape["outline"] @ axis))
        x, y = shape["outline"].T
        area = 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))
        shared = {"reference_size": 0.25, "plane_offset": 0.6}
        claws[claw] = replace(  # type: ignore[index]
            base.claws[claw],  # type: ignore[index]
            measures=frozen_mapping(
                {
                    "sole_length": measure(lengths[claw], {**shared, f"outline_1.{claw}": 0.8, f"model.{claw}": 0.4}),
                    "sole_area": measure(area, {"plane_offset": 40.0, f"outline_1.{claw}": 90.0}, "mm2"),
                    "axial_twist": measure(9.0, {f"model.{claw}": 1.5}, "deg"),
                }
            ),
            outline_mm=frozen_array(shape["outline"]),
            landmarks_mm=frozen_mapping({each: (float(shape[each][0]), float(shape[each][1])) for each in "KT"}),
        )
    difference = measure(lengths["outer"] - lengths["inner"], {"outline_1.outer": 0.8, "outline_1.inner": -0.8})
    return replace(
        base,
        request=PhotoRequest(Path(name), name, view="sole", stage=stage, **asked),  # type: ignore[arg-type]
        taken=asked["taken"],
        status="measured",
        reasons=(),
        claws=frozen_mapping(claws),
        foot_measures=frozen_mapping({"length_difference": difference}),
    )


def foot_photos() -> list[PhotoResult]:
    """Return a foot before and after a trim: both claws from the side, and the soles; every photo in its own frame."""
    long, short = side_shape(112.0), side_shape(104.0)
    apart = np.array([0.0, 60.0])
    soles = {"outer": sole_shape(150.0), "inner": sole_shape(128.0, 46.0)}
    now = {"outer": cut_sole(soles["outer"], 130.0), "inner": cut_sole(soles["inner"], 122.0)}

    def placed(shape: Mapping[str, FloatArray], degrees: float, *shift: float) -> dict[str, FloatArray]:
        return {name: moved(points, degrees, shift) for name, points in shape.items()}

    def pair(shapes: Mapping[str, Mapping[str, FloatArray]], degrees: float) -> tuple[Any, Any]:
        inner = {name: points + apart for name, points in shapes["inner"].items()}
        return placed(shapes["outer"], degrees, 40.0, 10.0), placed(inner, degrees, 40.0, 10.0)

    return [
        side_photo("before_outer.jpg", "before", placed(long, 4.0, 30.0, 80.0)),
        side_photo("before_inner.jpg", "before", placed(short, 184.0, 200.0, 10.0), "inner"),
        sole_photo("before_sole.jpg", "before", *pair(soles, 12.0)),
        side_photo("after_outer.jpg", "after", placed(cut(long, 92.0), -88.0, -20.0, 60.0), taken=f"{DAY}T10:00"),
        side_photo(
            "after_inner.jpg", "after", placed(cut(short, 91.0), 9.0, 60.0, 60.0), "inner", taken=f"{DAY}T10:00"
        ),
        sole_photo("after_sole.jpg", "after", *pair(now, -101.0), taken=f"{DAY}T10:00"),
    ]


def records(photos: Sequence[PhotoResult]) -> list[PhotoRecord]:
    return [photo_record(photo) for photo in photos]


def assessment(photos: Sequence[PhotoResult], profile: str | None = None) -> AssessmentRecord:
    found = records(photos)
    feet, animals = assess_feet([photo_facts(record) for record in found], load_profiles())
    run = RunInfo(version="0", started="x", finished="y", command=(), parameters={"profile": profile})
    return assessment_record(run, found, feet, animals)


def write(folder: Path, photos: Sequence[PhotoResult], profile: str | None = None) -> Path:
    """Write an output folder of a run, as ``clawvision assess`` leaves it."""
    folder.mkdir(parents=True)
    (folder / "assessment.json").write_bytes(dumps(assessment(photos, profile)))
    return folder
