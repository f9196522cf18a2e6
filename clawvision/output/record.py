"""From results to records, from records to bytes, and back.

All of it pure. Numbers are rounded on the way into a record, so that a stored record equals a fresh one.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from clawvision.output.feet_record import animal_record, foot_record
from clawvision.output.models import (
    AskedRecord,
    AssessmentRecord,
    ClawRecord,
    ExifRecord,
    MeasureRecord,
    PhotoRecord,
    Pixel,
    ProfileSource,
    ReasonRecord,
    Record,
    RunInfo,
    ScaleRecord,
)
from clawvision.output.rounding import rounded
from clawvision.types import (
    AnimalResult,
    ClawName,
    ClawResult,
    FloatArray,
    Foot,
    FootResult,
    Measure,
    PhotoFacts,
    PhotoRequest,
    PhotoResult,
    Reason,
    Scale,
    Stage,
    frozen_mapping,
)

__all__ = [
    "AssessmentRecord",
    "PhotoRecord",
    "ProfileSource",
    "RunInfo",
    "assessment_parts",
    "assessment_record",
    "dumps",
    "joined",
    "load_assessment",
    "load_photo",
    "photo_facts",
    "photo_record",
    "request_again",
    "rounded",
]


def _number(value: float) -> float:
    result = rounded(value)
    assert result is not None
    return result


def _pixel(point: Sequence[float] | FloatArray) -> Pixel:
    # Adding 0.0 turns -0.0 into 0.0.
    return (round(float(point[0]), 2) + 0.0, round(float(point[1]), 2) + 0.0)


def _pixels(points: FloatArray) -> tuple[Pixel, ...]:
    values = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    return tuple((x, y) for x, y in (np.round(values, 2) + 0.0).tolist())


def photo_record(result: PhotoResult) -> PhotoRecord:
    """Return the record of one photo.

    Raises
    ------
    pydantic.ValidationError
        If a number is NaN or infinite, the photo's name is an absolute path, or a measure without a value
        gives no reason.
    """
    request = result.request
    width, height = result.size if result.size is not None else (None, None)
    return PhotoRecord(
        photo=request.name,
        sha256=result.sha256,
        width=width,
        height=height,
        animal=request.animal,
        foot=request.foot,
        view=result.view,
        view_inferred=result.view_inferred,
        claw=_shown_claw(result),
        stage=request.stage,
        taken=result.taken,
        status=result.status,
        reasons=tuple(_reason(reason) for reason in result.reasons),
        scale=None if result.scale is None else _scale(result.scale, result.mm_per_px),
        claws={claw.name: _claw(claw) for claw in result.claws.values()},
        foot_measures=_measures(result.foot_measures),
        foot_guides_px={name: _pixels(points) for name, points in result.foot_guides_px.items()},
        exif=_exif(result),
        asked=AskedRecord(
            foot=request.foot,
            view=request.view,
            claw=request.claw,
            taken=request.taken,
            profile=request.profile,
            offset_mm=request.offset_mm,
            trimmed=request.trimmed,
            locomotion=request.locomotion,
            signs=request.signs,
            tick_mm=request.tick_mm,
            points=request.points,
        ),
    )


def request_again(
    path: Path, asked: AskedRecord, *, name: str, animal: str, foot: Foot | None, stage: Stage
) -> PhotoRequest:
    """Return what was asked of a photo, from what its record keeps of that; ``path`` is where it lies now."""
    return PhotoRequest(
        path=path,
        name=name,
        animal=animal,
        foot=foot,
        view=asked.view,
        claw=asked.claw,
        stage=stage,
        taken=asked.taken,
        profile=asked.profile,
        offset_mm=asked.offset_mm,
        trimmed=asked.trimmed,
        locomotion=asked.locomotion,
        signs=asked.signs,
        tick_mm=asked.tick_mm,
        points=asked.points,
    )


def photo_facts(record: PhotoRecord) -> PhotoFacts:
    """Return what the findings may know of a photo, from its record alone."""
    request = request_again(
        Path(record.photo), record.asked, name=record.photo, animal=record.animal, foot=record.foot, stage=record.stage
    )
    refused = record.status == "refused"
    return PhotoFacts(
        request=request,
        view=record.view,
        taken=record.taken,
        status=record.status,
        reasons=tuple(Reason(r.code, r.message, r.advice, r.effect) for r in record.reasons),
        claws=frozen_mapping({} if refused else {name: _back(claw.measures) for name, claw in record.claws.items()}),
        foot_measures=frozen_mapping() if refused else _back(record.foot_measures),
    )


def assessment_record(
    run: RunInfo, photos: Sequence[PhotoRecord], feet: Sequence[FootResult], animals: Sequence[AnimalResult]
) -> AssessmentRecord:
    """Return the record of a whole run, in the order given."""
    return AssessmentRecord(
        run=run,
        photos=tuple(photos),
        feet=tuple(foot_record(foot) for foot in feet),
        animals=tuple(animal_record(animal) for animal in animals),
    )


def dumps(record: Record) -> bytes:
    """Return a record as JSON: UTF-8, names in the models' order, one line for each run of numbers.

    Raises
    ------
    ValueError
        If a number is NaN or infinite.
    """
    lines = _lines(record.model_dump(mode="json", by_alias=True), "")
    return (lines + "\n").encode("utf-8")


def assessment_parts(
    run: RunInfo, *, photos: Iterable[bytes], feet: Iterable[bytes], animals: Iterable[bytes]
) -> Iterator[bytes]:
    """Give in parts what ``dumps`` writes of a whole run, so that it need not be in memory at once.

    Parameters
    ----------
    run
        What was run.
    photos, feet, animals
        The lists in parts, as `joined` gives them; taken one after the other.
    """
    rest = dumps(AssessmentRecord(run=run, photos=(), feet=(), animals=()))
    for name, parts in (("photos", photos), ("feet", feet), ("animals", animals)):
        # What stands deeper is indented further, and no text holds a line end as it is: this is the list itself.
        before, rest = rest.split(f'\n  "{name}": []'.encode())
        yield before + f'\n  "{name}": ['.encode()
        empty = True
        for part in parts:
            yield b"\n" + part if empty else part
            empty = False
        yield b"]" if empty else b"\n  ]"
    yield rest


def joined(records: Iterable[Record]) -> Iterator[bytes]:
    """Give records as they stand in a list of an assessment, one a part, with the commas between them."""
    comma = ""
    for record in records:
        yield f"{comma}    {_lines(record.model_dump(mode='json', by_alias=True), '    ')}".encode()
        comma = ",\n"


def load_photo(data: bytes) -> PhotoRecord:
    """Return the photo record that ``dumps`` wrote.

    Raises
    ------
    pydantic.ValidationError
        If it is not one.
    """
    return PhotoRecord.model_validate_json(data)


def load_assessment(data: bytes) -> AssessmentRecord:
    """Return the assessment that ``dumps`` wrote.

    Raises
    ------
    pydantic.ValidationError
        If it is not one.
    """
    return AssessmentRecord.model_validate_json(data)


def _lines(value: Any, indent: str) -> str:
    """Return JSON with one member a line, but arrays of numbers (outlines have hundreds) on one."""
    deeper = indent + "  "
    if isinstance(value, dict) and value:
        parts = [
            f"{deeper}{json.dumps(key, ensure_ascii=False)}: {_lines(part, deeper)}" for key, part in value.items()
        ]
        return "{\n" + ",\n".join(parts) + f"\n{indent}}}"
    if isinstance(value, list) and any(isinstance(part, (dict, str)) for part in value):
        return "[\n" + ",\n".join(deeper + _lines(part, deeper) for part in value) + f"\n{indent}]"
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _shown_claw(result: PhotoResult) -> ClawName | None:
    """Return the claw of a side view: as asked, else as the chain named it."""
    if result.request.claw is not None or result.view != "side" or len(result.claws) != 1:
        return result.request.claw
    return next(iter(result.claws.values())).name


def _reason(reason: Reason) -> ReasonRecord:
    return ReasonRecord(code=reason.code, message=reason.message, advice=reason.advice, effect=reason.effect)


def _measures(measures: Mapping[str, Measure]) -> dict[str, MeasureRecord]:
    return {
        name: MeasureRecord(
            value=rounded(measure.value),
            uncertainty=rounded(measure.uncertainty),
            unit=measure.unit,
            budget={cause: _number(part) for cause, part in measure.budget.items()},
            flags=measure.flags,
            reason=measure.reason,
        )
        for name, measure in measures.items()
    }


def _back(measures: Mapping[str, MeasureRecord]) -> Mapping[str, Measure]:
    return frozen_mapping(
        {
            name: Measure(m.value, m.uncertainty, m.unit, frozen_mapping(m.budget), m.flags, m.reason)
            for name, m in measures.items()
        }
    )


def _claw(claw: ClawResult) -> ClawRecord:
    return ClawRecord(
        outline_px=None if claw.outline_px is None else _pixels(claw.outline_px),
        landmarks_px={name: _pixel(point) for name, point in claw.landmarks_px.items()},
        confidence=_number(claw.confidence),
        source=claw.source,
        measures=_measures(claw.measures),
        guides_px={name: _pixels(points) for name, points in claw.guides_px.items()},
        outline_mm=None if claw.outline_mm is None else _pixels(claw.outline_mm),
        landmarks_mm={name: _pixel(point) for name, point in claw.landmarks_mm.items()},
    )


def _exif(result: PhotoResult) -> ExifRecord | None:
    exif = result.exif
    if exif is None:
        return None
    return ExifRecord(
        make=exif.make,
        model=exif.model,
        taken=exif.taken,
        focal_mm=exif.focal_mm,
        focal_35mm=exif.focal_35mm,
        orientation=exif.orientation,
        flags=exif.flags,
    )


def _scale(scale: Scale, mm_per_px: float | None) -> ScaleRecord:
    u_tilt, u_reach = _pose_uncertainty(scale)
    reference, camera, distance = scale.reference, scale.camera, scale.distance_mm
    # The focal length and the reference's size each carry the whole distance with them in proportion.
    u_distance = math.hypot(u_reach, distance * camera.u_focal_rel, distance * reference.u_size_rel)
    # On the reference itself the focal length cancels; it counts only for the way from there to the plane.
    plane = distance + scale.offset_mm
    u_rel = math.hypot(
        u_reach / distance,
        reference.u_size_rel,
        scale.u_offset_mm / plane,
        scale.offset_mm / plane * camera.u_focal_rel,
    )
    return ScaleRecord(
        reference=reference.kind,
        mm_per_px=rounded(mm_per_px),
        u_mm_per_px=None if mm_per_px is None else rounded(mm_per_px * u_rel),
        tilt_deg=_number(scale.tilt_deg),
        u_tilt_deg=_number(u_tilt),
        distance_mm=_number(distance),
        u_distance_mm=_number(u_distance),
        offset_mm=_number(scale.offset_mm),
        u_offset_mm=_number(scale.u_offset_mm),
        focal_px=_number(camera.fx),
        u_focal_rel=_number(camera.u_focal_rel),
        focal_source=camera.source,
        u_size_rel=_number(reference.u_size_rel),
        u_point_px=_number(reference.sigma_px),
        points=len(reference.points_px),
        markers=reference.marker_ids,
        reprojection_px=_number(scale.reprojection_px),
        outline_px=_pixels(reference.outline_px),
    )


def _pose_uncertainty(scale: Scale) -> tuple[float, float]:
    """Return the standard uncertainties of tilt (degrees) and of distance (mm) that the pose alone gives.

    First order, JCGM 100:2008 equation 13. A left rotation vector ``w`` and a shift ``s`` of the
    translation move a point ``p = R m + t`` of the camera frame by ``w × R m + s``.
    """
    middle = np.append(scale.reference.points_mm.mean(axis=0), 0.0)
    turned = scale.rotation @ middle
    ray = turned + scale.translation
    ray = ray / np.linalg.norm(ray)
    by_distance = np.concatenate((np.cross(turned, ray), ray))
    reach = math.sqrt(max(float(by_distance @ scale.pose_covariance @ by_distance), 0.0))

    normal = scale.rotation[:, 2]
    sine = math.hypot(float(normal[0]), float(normal[1]))
    turning = scale.pose_covariance[:2, :2]
    if sine > 1e-6:
        # The angle opens about the axis that is square to the normal and to the camera's axis.
        axis = np.array([-normal[1], normal[0]]) / sine
        variance = float(axis @ turning @ axis)
    else:
        # Square on, any turn opens the angle: the larger principal variance bounds it.
        variance = float(np.linalg.eigvalsh(turning)[-1])
    return math.degrees(math.sqrt(max(variance, 0.0))), reach
