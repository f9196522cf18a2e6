"""The record: nothing lost, nothing invented, nothing that JSON does not know."""

from __future__ import annotations

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from clawvision.output.models import MeasureRecord
from clawvision.output.paths import without_paths
from clawvision.output.record import (
    RunInfo,
    assessment_record,
    dumps,
    load_assessment,
    load_photo,
    photo_facts,
    photo_record,
    rounded,
)
from clawvision.types import (
    AnimalResult,
    Finding,
    FootResult,
    Measure,
    PhotoResult,
    Reason,
    Trim,
    Urgency,
    frozen_mapping,
)
from tests.output import made

ALL = {
    "side": made.side_result(),
    "sole": made.sole_result(),
    "refused": made.refused_result(),
    "unread": made.unread_result(),
}

RUN = RunInfo(
    version="0.1.0",
    started="2031-04-02T09:00:00Z",
    finished="2031-04-02T09:00:04Z",
    command=("clawvision", "assess", "photos"),
    parameters={"min_confidence": 0.6},
)


def foot(**changes: object) -> FootResult:
    urgency = Urgency("this week", True, "Lift the foot this week.", ("long claw",))
    link = {"measure": "toe_length", "value": np.float64(83.42), "limit": 100, "source": "common practice"}
    finding = Finding("overgrown", "outer", "The claw is long.", (link,))
    values = {
        "animal": "Lindgard 7",
        "foot": "RH",
        "stage": "before",
        "date": "2031-04-02",
        "photos": ("byre/side.jpg",),
        "profile": "holstein",
        "findings": (finding,),
        "urgency": urgency,
        "trim": Trim(("Spare the heel.",), ("Stop when the sole gives.",), False),
    }
    return FootResult(**{**values, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize("result", ALL.values(), ids=ALL.keys())
def test_a_stored_record_is_the_fresh_one(result: PhotoResult) -> None:
    record = photo_record(result)
    again = load_photo(dumps(record))
    assert again == record
    assert dumps(again) == dumps(record)


def test_the_findings_see_the_same_from_a_stored_record() -> None:
    result = made.side_result()
    facts = photo_facts(load_photo(dumps(photo_record(result))))
    # Only the path is not kept: it would tell of the machine.
    assert replace(facts.request, path=result.request.path) == result.request
    assert (facts.view, facts.taken, facts.status, facts.reasons) == ("side", "2031-04-02", "measured", result.reasons)
    assert set(facts.claws) == {"outer"}
    for name, measure in result.claws["outer"].measures.items():
        kept = facts.claws["outer"][name]
        assert (kept.unit, kept.reason, kept.flags) == (measure.unit, measure.reason, measure.flags)
        assert kept.value == pytest.approx(measure.value, abs=5e-4) if measure.value is not None else kept.value is None
        assert dict(kept.budget) == pytest.approx(dict(measure.budget), abs=5e-4)


def test_two_claw_measures_come_back() -> None:
    facts = photo_facts(photo_record(made.sole_result()))
    assert facts.foot_measures["length_difference"].value == 11.3
    assert set(facts.claws) == {"outer", "inner"}


def test_a_refused_photo_has_a_record_with_its_reasons_and_no_facts_of_claws() -> None:
    record = photo_record(made.unread_result())
    assert (record.status, record.sha256, record.width, record.scale) == ("refused", None, None, None)
    assert record.reasons[0].code == "file_empty" and record.reasons[0].advice
    # Even where the chain had got as far as claws.
    late = replace(made.side_result(), status="refused")
    assert not photo_facts(photo_record(late)).claws


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -float("inf")])
def test_a_number_that_is_none_is_refused(bad: float) -> None:
    side = made.side_result()
    claw = side.claws["outer"]

    def with_claw(**changes: object) -> PhotoResult:
        return replace(side, claws=frozen_mapping({"outer": replace(claw, **changes)}))  # type: ignore[arg-type]

    broken = [
        with_claw(measures=frozen_mapping({"toe_length": Measure(bad, 1.0, "mm")})),
        with_claw(measures=frozen_mapping({"toe_length": Measure(80.0, bad, "mm")})),
        with_claw(measures=frozen_mapping({"toe_length": Measure(80.0, 1.0, "mm", frozen_mapping({"tilt": bad}))})),
        with_claw(landmarks_px=frozen_mapping({"T": (bad, 0.0)})),
        with_claw(outline_px=np.array([(0.0, 0.0), (bad, 1.0), (2.0, 2.0)])),
        replace(side, mm_per_px=bad),
    ]
    for result in broken:
        with pytest.raises(ValidationError):
            photo_record(result)
    findings = (Finding("x", None, "x", ({"value": bad},)),)
    with pytest.raises(ValidationError):
        assessment_record(RUN, (), (foot(findings=findings),), ())
    nested = (Finding("x", None, "x", ({"value": {"deep": [np.float32(bad)]}},)),)
    with pytest.raises(ValidationError):
        assessment_record(RUN, (), (foot(findings=nested),), ())


def test_a_measure_says_why_it_is_missing() -> None:
    assert MeasureRecord(value=None, uncertainty=None, unit="mm", reason="hidden").reason == "hidden"
    for value, uncertainty, why in ((None, None, None), (None, None, ""), (None, 1.0, "hidden"), (3.0, None, None)):
        with pytest.raises(ValidationError):
            MeasureRecord(value=value, uncertainty=uncertainty, unit="mm", reason=why)


def test_numbers_are_rounded_by_the_rule() -> None:
    assert [rounded(v) for v in (83.41567, 5118.5853, 0.0123456, -0.00098765, 1e-12, -0.0, None)] == [
        83.416,
        5118.585,
        0.01235,
        -0.0009877,
        0.0,
        0.0,
        None,
    ]


@given(st.floats(min_value=1e-6, max_value=1e6), st.sampled_from([-1.0, 1.0]))
@settings(deadline=None, max_examples=60)
def test_rounding_keeps_four_digits(size: float, sign: float) -> None:
    kept = rounded(sign * size)
    assert kept is not None
    assert abs(kept - sign * size) <= min(0.0005, size * 0.0005) * (1 + 1e-9)


def test_pixels_have_two_decimals_and_no_negative_zero() -> None:
    side = made.side_result()
    claw = replace(side.claws["outer"], landmarks_px=frozen_mapping({"T": (-0.001, 12.34567)}))
    record = photo_record(replace(side, claws=frozen_mapping({"outer": claw})))
    assert record.claws["outer"].landmarks_px["T"] == (0.0, 12.35)
    assert "-0.0" not in json.dumps(record.claws["outer"].landmarks_px)


def test_the_bytes_are_utf8_json_in_a_fixed_order() -> None:
    side = made.side_result()
    side = replace(side, request=replace(side.request, animal="Übermut ½"))
    assessment = assessment_record(RUN, [photo_record(side)], [foot()], [_animal()])
    data = dumps(assessment)
    assert "Übermut ½".encode() in data and data.endswith(b"}\n")
    parsed = json.loads(data, parse_constant=lambda word: pytest.fail(f"{word} is not JSON"))
    assert list(parsed) == ["schema", "run", "photos", "feet", "animals"]
    assert parsed["schema"] == "clawvision/assessment/1"
    assert dumps(load_assessment(data)) == data
    assert parsed["feet"][0]["findings"][0]["chain"][0]["value"] == 83.42


def test_no_path_of_the_machine_is_written() -> None:
    run = RunInfo(
        version="0.1.0",
        started="",
        finished="",
        command=("clawvision", "assess", "/home/greta o/photos", "--out=/home/greta o/out", r"C:\Users\greta\x", "a/b"),
        parameters={
            "calibration_dirs": ["/srv/greta o/lens"],
            "deep": {"at": "/etc/greta/x.toml"},
            "csv_delimiter": "/",
        },
    )
    bad = Reason("unreadable", "Cannot open '/home/greta o/a b.jpg' or /home/greta/c.jpg: and/or", "Do.", "refused")
    photo = photo_record(replace(made.refused_result(), reasons=(bad,)))
    text = dumps(assessment_record(run, [photo], [], [])).decode()
    assert "greta" not in text and "home" not in text
    assert run.command == ("clawvision", "assess", "photos", "--out=out", "x", "a/b")
    assert run.parameters["csv_delimiter"] == "/"
    assert photo.reasons[0].message == "Cannot open 'a b.jpg' or c.jpg: and/or"
    with pytest.raises(ValidationError):
        photo_record(photo_result_named("/home/greta/x.jpg"))


def photo_result_named(name: str) -> PhotoResult:
    side = made.side_result()
    return replace(side, request=replace(side.request, name=name))


@pytest.mark.parametrize(
    "text", ["and/or", "1/2 of 3/4", "see https://example.org/a/b", "5 mm / month", "a: b", "byre/side.jpg", "n/a, w/o"]
)
def test_what_is_no_path_stays(text: str) -> None:
    assert without_paths(text) == text


def test_uncertainty_of_tilt_and_distance_agrees_with_monte_carlo() -> None:
    # JCGM 101: draw the pose from its covariance and look at the scatter.
    draws = np.random.default_rng(7)
    for tilt in ((6.0, -4.0), (0.5, 25.0)):
        scale = made.scale(tilt=tilt)
        record = photo_record(replace(made.side_result(), scale=scale)).scale
        assert record is not None
        steps = draws.multivariate_normal(np.zeros(6), scale.pose_covariance, 3000)
        tilts, distances = [], []
        for step in steps:
            rotation, _ = cv2.Rodrigues(step[:3])
            moved = replace(scale, rotation=rotation @ scale.rotation, translation=scale.translation + step[3:])
            tilts.append(moved.tilt_deg)
            distances.append(moved.distance_mm)
        assert record.u_tilt_deg == pytest.approx(float(np.std(tilts)), rel=0.05)
        own = np.hypot(scale.camera.u_focal_rel, scale.reference.u_size_rel) * scale.distance_mm
        expected = float(np.hypot(np.std(distances), own))
        assert record.u_distance_mm == pytest.approx(expected, rel=0.03)


def test_tilt_of_a_square_card_still_has_its_doubt() -> None:
    scale = replace(made.scale(), rotation=np.eye(3))
    record = photo_record(replace(made.side_result(), scale=scale)).scale
    assert record is not None
    assert record.tilt_deg == 0.0 and record.u_tilt_deg == pytest.approx(np.degrees(0.005), abs=0.001)


def test_uncertainty_of_a_pixel_agrees_with_monte_carlo() -> None:
    # A card at a known pose: its size in the picture is s / Z · f, so that Z follows f and s; the plane does not.
    scale = replace(made.scale(offset_mm=25.0), pose_covariance=np.zeros((6, 6)))
    record = photo_record(replace(made.side_result(), scale=scale, mm_per_px=0.26)).scale
    assert record is not None and record.u_mm_per_px is not None
    draws = np.random.default_rng(3)
    focal = scale.camera.fx * (1 + scale.camera.u_focal_rel * draws.standard_normal(200_000))
    size = 1 + scale.reference.u_size_rel * draws.standard_normal(200_000)
    offset = 25.0 + scale.u_offset_mm * draws.standard_normal(200_000)
    pixel = scale.distance_mm / scale.camera.fx * size + offset / focal
    assert record.u_mm_per_px / 0.26 == pytest.approx(float(np.std(pixel) / np.mean(pixel)), rel=0.02)


def _animal() -> AnimalResult:
    return AnimalResult("Lindgard 7", "one foot", (), Urgency("unknown", True, "Not known.", ()))
