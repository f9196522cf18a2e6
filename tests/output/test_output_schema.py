"""The published schema, judged by a library that knows nothing of the models."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from clawvision.output.record import assessment_record, dumps, photo_record
from clawvision.output.schema import generated, stored
from tests.output import made
from tests.output.test_output_record import ALL, RUN, foot

SCHEMA: dict[str, Any] = json.loads(stored())
JUDGE = Draft202012Validator(SCHEMA)


@pytest.fixture()
def document() -> Any:
    photos = [photo_record(result) for result in ALL.values()]
    return json.loads(dumps(assessment_record(RUN, photos, [foot()], [])))


def test_the_stored_schema_is_the_generated_one() -> None:
    assert stored() == generated()


def test_the_schema_is_one_of_2020_12() -> None:
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    Draft202012Validator.check_schema(SCHEMA)


def test_records_follow_the_schema(document: Any) -> None:
    assert [error.message for error in JUDGE.iter_errors(document)] == []


@pytest.mark.parametrize(
    "path",
    [
        ("schema",),
        ("run",),
        ("run", "version"),
        ("run", "started"),
        ("run", "finished"),
        ("run", "command"),
        ("run", "parameters"),
        ("run", "reference_profiles"),
        ("photos", 0, "photo"),
        ("photos", 0, "sha256"),
        ("photos", 0, "status"),
        ("photos", 0, "reasons", 0, "advice"),
        ("photos", 0, "scale", "mm_per_px"),
        ("photos", 0, "scale", "tilt_deg"),
        ("photos", 0, "scale", "distance_mm"),
        ("photos", 0, "scale", "offset_mm"),
        ("photos", 0, "claws", "outer", "outline_px"),
        ("photos", 0, "claws", "outer", "landmarks_px"),
        ("photos", 0, "claws", "outer", "confidence"),
        ("photos", 0, "claws", "outer", "measures", "toe_length", "uncertainty"),
        ("photos", 0, "foot_measures"),
        ("feet", 0, "findings"),
        ("feet", 0, "urgency"),
        ("feet", 0, "trim"),
        ("animals",),
    ],
)
def test_nothing_promised_may_be_missing(document: Any, path: tuple[Any, ...]) -> None:
    holder = document
    for step in path[:-1]:
        holder = holder[step]
    del holder[path[-1]]
    assert not JUDGE.is_valid(document)


@pytest.mark.parametrize(
    ("where", "value"),
    [
        ({"value": None}, "a null without its reason"),
        ({"value": None, "uncertainty": None, "reason": None}, "a null with an empty reason"),
        ({"value": None, "reason": "hidden"}, "an uncertainty of nothing"),
        ({"uncertainty": None}, "a value without uncertainty"),
        ({"uncertainty": -1.0}, "a negative uncertainty"),
        ({"unit": "inch"}, "another unit"),
        ({"extra": 1}, "an unknown name"),
    ],
)
def test_the_schema_refuses(document: Any, where: dict[str, Any], value: str) -> None:
    wrong = copy.deepcopy(document)
    wrong["photos"][0]["claws"]["outer"]["measures"]["toe_length"] |= where
    assert not JUDGE.is_valid(wrong), value


def test_a_missing_measure_is_null_with_a_reason(document: Any) -> None:
    missing = document["photos"][0]["claws"]["outer"]["measures"]["bearing_length"]
    assert missing["value"] is None and missing["uncertainty"] is None and missing["unit"] == "mm"
    assert missing["reason"] == "straw hides the heel"


def test_the_side_view_names_its_claw_even_where_it_was_not_asked() -> None:
    from dataclasses import replace

    side = made.side_result()
    assumed = replace(side, request=replace(side.request, claw=None))
    record = photo_record(assumed)
    assert (record.claw, record.asked.claw) == ("outer", None)
