"""Assessments of an invented herd, made without photos: as large as real ones, every number drawn from a seed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from clawvision.findings import assess_feet, load_profiles
from clawvision.measure.side import SIDE_UNITS
from clawvision.measure.sole import FOOT_UNITS, SOLE_UNITS
from clawvision.output.models import (
    AskedRecord,
    AssessmentRecord,
    ClawRecord,
    ExifRecord,
    MeasureRecord,
    PhotoRecord,
    ReasonRecord,
    RunInfo,
)
from clawvision.output.record import assessment_record, photo_facts
from clawvision.output.rounding import rounded

FEET = ("LF", "RF", "LH", "RH")
CAUSES = (
    "reference_pose_1",
    "reference_pose_2",
    "focal_length",
    "reference_size",
    "plane_offset",
    "plane_yaw",
    "plane_pitch",
    "build_hair_coronet",
    "outline_1",
    "outline_2",
    "outline_4",
    "outline_6",
    "model",
)
"""As many as a side view's measure usually has."""
OUTLINE_POINTS = 360
MODEL = "a1" * 32
_USUAL = {"mm": 80.0, "deg": 50.0, "mm2": 4500.0, "percent": 5.0}


@dataclass(frozen=True, slots=True)
class Visit:
    """One foot of one cow on one day: a side photo of each claw, and a sole photo of both."""

    cow: int
    foot: str
    day: date


def visits(cows: int, days: int, first: date = date(2030, 1, 7), every_days: int = 56) -> list[Visit]:
    """Return all feet of all cows on each day of the trimmer."""
    return [
        Visit(cow, foot, first + timedelta(days=every_days * day))
        for day in range(days)
        for cow in range(cows)
        for foot in FEET
    ]


def run(
    finished: str = "2030-06-01T12:00:00+00:00", model: str | None = MODEL, version: str = "0.1.0", **parameters: Any
) -> RunInfo:
    """Return what an invented run says of itself."""
    usual = {"print_scale": 1.0, "tick_mm": 1.0, "profile": None, "csv_delimiter": ",", "csv_decimal": "."}
    return RunInfo(
        version=version,
        started=finished,
        finished=finished,
        command=("clawvision", "assess", "photos"),
        parameters=usual | parameters,
        model_sha256=model,
    )


def photos(seen: Sequence[Visit], seed: int = 7) -> Iterator[PhotoRecord]:
    """Give three photos a visit, all different. Built without validation: a benchmark makes 75,000 of them."""
    random = np.random.default_rng(seed)
    outlines = [_outline(random) for _ in range(64)]
    for visit in seen:
        for claw in ("outer", "inner"):
            yield photo(visit, "side", {claw: _claw(random, outlines, SIDE_UNITS)}, {}, claw)
        claws = {claw: _claw(random, outlines, SOLE_UNITS) for claw in ("outer", "inner")}
        yield photo(visit, "sole", claws, _measures(random, FOOT_UNITS), None)


def photo(
    visit: Visit, view: Any, claws: dict[Any, ClawRecord], foot_measures: dict[str, MeasureRecord], claw: Any
) -> PhotoRecord:
    """Return the record of one photo of a visit."""
    name = f"{visit.day}/cow-{visit.cow:04}_{visit.foot}_{view}{'' if claw is None else '_' + claw}.jpg"
    return PhotoRecord.model_construct(
        photo=name,
        sha256=hashlib.sha256(name.encode()).hexdigest(),
        width=4000,
        height=3000,
        animal=f"Invented {visit.cow:04}",
        foot=visit.foot,
        view=view,
        view_inferred=False,
        claw=claw,
        stage="check",
        taken=f"{visit.day}T08:15:00",
        status="measured",
        reasons=(),
        scale=None,
        claws=claws,
        foot_measures=foot_measures,
        foot_guides_px={},
        exif=ExifRecord(make="Anyphone", model="One", taken=f"{visit.day}T08:15:00"),
        asked=AskedRecord(foot=visit.foot, view=view, claw=claw, taken=None, trimmed=visit.day - timedelta(days=150)),
    )


def refused(name: str, sha256: str | None = None, animal: str = "Invented 0001") -> PhotoRecord:
    """Return the record of a photo that could not be measured, or not even be read."""
    why = ReasonRecord(code="no_reference", message="No card.", advice="Put one beside the claw.", effect="refused")
    return PhotoRecord(
        photo=name,
        sha256=sha256,
        width=None,
        height=None,
        animal=animal,
        foot=None,
        view=None,
        view_inferred=False,
        claw=None,
        stage="check",
        taken=None,
        status="refused",
        reasons=(why,),
        scale=None,
        claws={},
        foot_measures={},
        foot_guides_px={},
        exif=None,
        asked=AskedRecord(),
    )


def assessment(records: Sequence[PhotoRecord], info: RunInfo | None = None, *, judged: bool = True) -> AssessmentRecord:
    """Return an assessment of these photos, with what the findings say of them where it is ``judged``."""
    made = info or run()
    if not judged:
        return AssessmentRecord.model_construct(run=made, photos=tuple(records), feet=(), animals=())
    feet, animals = assess_feet([photo_facts(record) for record in records], load_profiles())
    return assessment_record(made, records, feet, animals)


def herd(cows: int = 3, days: int = 2, info: RunInfo | None = None, seed: int = 7) -> AssessmentRecord:
    """Return a judged assessment of a small herd."""
    return assessment(list(photos(visits(cows, days), seed)), info)


def _outline(random: np.random.Generator) -> tuple[tuple[float, float], ...]:
    angle = np.linspace(0.0, 2 * np.pi, OUTLINE_POINTS, endpoint=False)
    points = np.column_stack((60 * np.cos(angle), 35 * np.sin(angle))) + random.normal(0.0, 0.3, (OUTLINE_POINTS, 2))
    return tuple((x, y) for x, y in (np.round(points, 2) + 0.0).tolist())


def _claw(random: np.random.Generator, outlines: Sequence[Any], units: Any) -> ClawRecord:
    return ClawRecord.model_construct(
        outline_px=None,
        landmarks_px={},
        confidence=0.97,
        source="automatic",
        measures=_measures(random, units),
        guides_px={},
        outline_mm=outlines[int(random.integers(len(outlines)))],
        landmarks_mm={"C": (1.25, 2.5), "T": (-60.11, 4.0), "B": (55.0, -20.02), "H": (58.0, 3.3)},
    )


def _measures(random: np.random.Generator, units: Any) -> dict[str, MeasureRecord]:
    values = random.normal(0.0, 1.0, (len(units), len(CAUSES) + 1)).tolist()
    return {
        name: MeasureRecord.model_construct(
            value=rounded(_USUAL[unit] + 4 * row[0]),
            uncertainty=1.25,
            unit=unit,
            budget={cause: round(part, 4) for cause, part in zip(CAUSES, row[1:], strict=True)},
            flags=(),
            reason=None,
        )
        for (name, unit), row in zip(units.items(), values, strict=True)
    }
