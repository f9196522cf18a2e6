"""The models of ``assessment.json``: names, types and meaning of everything a run writes down.

The names are fixed: they may be added to, never changed. Numbers are finite, absent values are null.
``clawvision.output.record`` makes these records from the results of the chain; the JSON Schema is
generated from them (``python -m clawvision.output.schema``).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    AliasChoices,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    JsonValue,
    model_validator,
)

from clawvision.output.paths import is_absolute, without_paths
from clawvision.types import ClawName, Foot, ReferenceKind, Sign, Stage, Status, View

LARGEST = 1e30
"""No measure comes near it, and squares of it can still be added up."""
SCHEMA_NAME: Literal["clawvision/assessment/1"] = "clawvision/assessment/1"


def _relative(name: str) -> str:
    if is_absolute(name):
        raise ValueError("a photo is named relative to its folder, never by an absolute path")
    return name


def _finite(value: Any) -> Any:
    """Return ``value`` as plain JSON values; NaN and infinity are refused, numpy scalars are unpacked."""
    if isinstance(value, Mapping):
        return {str(key): _finite(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(part) for part in value]
    if isinstance(value, date):
        return value.isoformat()
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("NaN and infinity have no place in a record")
    return value


def _no_paths(value: Any) -> Any:
    """Return JSON values with every absolute path in their texts cut to its last part."""
    if isinstance(value, str):
        return without_paths(value, whole=True)
    if isinstance(value, dict):
        return {key: _no_paths(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_no_paths(part) for part in value]
    return value


PlainJson = Annotated[JsonValue, BeforeValidator(_finite)]
PathlessJson = Annotated[JsonValue, BeforeValidator(lambda value: _no_paths(_finite(value)))]
PathlessText = Annotated[str, AfterValidator(without_paths)]
PathlessWord = Annotated[str, AfterValidator(lambda word: without_paths(word, whole=True))]
PhotoName = Annotated[str, AfterValidator(_relative)]
Pixel = tuple[float, float]
Unit = Literal["mm", "deg", "mm2", "percent"]
UrgencyLevel = Literal["today", "within 48 hours", "this week", "at the next trim", "no sign in the photo", "unknown"]


class Record(BaseModel):
    """Base of all records: frozen, no unknown names, no NaN."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        allow_inf_nan=False,
        validate_by_name=True,
        validate_by_alias=True,
        # Every name is always written, so that the schema may demand it.
        json_schema_serialization_defaults_required=True,
    )


class ReasonRecord(Record):
    """Why a photo is not simply ``measured``, or a note on it."""

    code: str
    message: PathlessText
    advice: PathlessText
    effect: Literal["note", "review", "refused"]


class MeasureRecord(Record):
    """A value with its expanded uncertainty (k = 2), or null with the reason."""

    model_config = ConfigDict(
        json_schema_extra={
            "if": {"properties": {"value": {"type": "null"}}},
            "then": {
                "properties": {"uncertainty": {"type": "null"}, "reason": {"type": "string", "minLength": 1}},
                "required": ["reason"],
            },
            "else": {"properties": {"uncertainty": {"type": "number"}}},
        }
    )

    value: float | None
    uncertainty: Annotated[float, Field(ge=0)] | None = Field(description="Expanded, coverage factor k = 2.")
    unit: Unit
    budget: dict[str, float] = Field(
        default_factory=dict,
        description="Signed standard contributions (k = 1) by cause, in the value's unit. Values of one photo that "
        "share a cause share its sign convention.",
    )
    flags: tuple[str, ...] = ()
    reason: str | None = Field(default=None, description="Why the measure could not be taken.")

    @model_validator(mode="after")
    def _value_or_reason(self) -> Self:
        if self.value is None and not (self.uncertainty is None and self.reason):
            raise ValueError("a measure that could not be taken has no uncertainty and must give its reason")
        if self.value is not None and self.uncertainty is None:
            raise ValueError("a measured value must state its uncertainty")
        numbers = (self.value or 0.0, self.uncertainty or 0.0, *self.budget.values())
        if max(map(abs, numbers)) > LARGEST:
            raise ValueError("a number is larger than any measure")
        return self


class ScaleRecord(Record):
    """Where the millimetres come from. Every ``u_`` is a standard uncertainty (k = 1)."""

    reference: ReferenceKind
    mm_per_px: float | None = Field(description="Size of a pixel on the measuring plane at the claw.")
    u_mm_per_px: float | None
    tilt_deg: float = Field(description="Angle between the reference's normal and the camera's axis.")
    u_tilt_deg: float
    distance_mm: float = Field(description="From the camera to the middle of the reference's points.")
    u_distance_mm: float
    offset_mm: float = Field(description="Depth of the measuring plane behind the reference.")
    u_offset_mm: float
    focal_px: float
    u_focal_rel: float = Field(description="Relative to the focal length.")
    focal_source: Literal["calibration", "exif", "assumed"]
    u_size_rel: float = Field(description="The reference's own size, printed or made, relative.")
    u_point_px: float = Field(description="Localisation of one coordinate of one point of the reference.")
    points: int = Field(description="How many points of the reference were used.")
    markers: tuple[int, ...] = Field(description="Markers of the card that were used.")
    reprojection_px: float = Field(description="Root mean square of what the pose leaves unexplained.")
    outline_px: tuple[Pixel, ...] = Field(description="The reference as it covers the picture.")


class ClawRecord(Record):
    """One claw of one photo."""

    outline_px: tuple[Pixel, ...] | None = Field(description="Closed; the first point is not repeated.")
    landmarks_px: dict[str, Pixel]
    confidence: Annotated[float, Field(ge=0, le=1)]
    source: Literal["automatic", "sidecar"]
    measures: dict[str, MeasureRecord]
    guides_px: dict[str, tuple[Pixel, ...]] = Field(
        default_factory=dict, description="What the annotated picture draws besides outline and landmarks."
    )
    outline_mm: tuple[Pixel, ...] | None = Field(
        default=None,
        description="As measured, each edge at its depth: mm in a plane parallel to the reference's, x right, y down.",
    )
    landmarks_mm: dict[str, Pixel] = Field(default_factory=dict, description="In the same plane.")


class ExifRecord(Record):
    """What the photo tells of itself. Its place on earth is never kept."""

    make: str | None = None
    model: str | None = None
    taken: str | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    orientation: int = 1
    flags: tuple[str, ...] = ()


class AskedRecord(Record):
    """What the manifest said of a photo; null where it was silent."""

    foot: Foot | None = None
    view: View | None = None
    claw: ClawName | None = None
    taken: str | None = None
    profile: str | None = None
    offset_mm: float | None = None
    trimmed: date | None = None
    locomotion: int | None = None
    signs: tuple[Sign, ...] = ()
    tick_mm: float | None = None
    points: tuple[float, float, float, float, float] | None = None


class PhotoRecord(Record):
    """Everything known of one photo. One that could not be read has its record too."""

    photo: PhotoName
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")] | None
    width: int | None = Field(description="Of the upright picture, pixels.")
    height: int | None
    animal: str
    foot: Foot | None
    view: View | None
    view_inferred: bool
    claw: ClawName | None = Field(description="The claw that a side view shows.")
    stage: Stage
    taken: str | None
    status: Status
    reasons: tuple[ReasonRecord, ...]
    scale: ScaleRecord | None
    claws: dict[ClawName, ClawRecord]
    foot_measures: dict[str, MeasureRecord]
    foot_guides_px: dict[str, tuple[Pixel, ...]]
    exif: ExifRecord | None
    asked: AskedRecord


class FindingRecord(Record):
    """What the measures show beyond their uncertainty, with the chain that leads to it. Never a diagnosis."""

    code: str
    claw: ClawName | None
    text: str
    chain: tuple[dict[str, PlainJson], ...]
    also_explained_by: str = ""
    look_for: str = ""
    where: str = ""
    strength: Literal["strong", "moderate", "weak"] = "moderate"
    icar_term: str | None = None
    title: str = Field(default="", description="A few words for lists.")
    exact: str = Field(default="", description="The same in a veterinarian's words.")
    rule: str = Field(default="", description="The row of the table of rules that it comes from.")
    basis: str = Field(default="", description="What that row stands on.")


class CheckedRecord(Record):
    """What a rule came to, shown or not, and what decided it or is missing."""

    rule: str
    code: str
    claw: ClawName | None
    state: Literal["shown", "not shown", "cannot tell"]
    why: str


class QuestionRecord(Record):
    """Something not known that could change the answer."""

    code: str
    text: str
    could_become: UrgencyLevel = Field(description="The most urgent level that an answer may lead to.")
    settles: int = Field(description="How many rules an answer decides.")


class UrgencyRecord(Record):
    """How soon somebody must lift the foot."""

    level: UrgencyLevel
    at_least: bool
    text: str
    reasons: tuple[str, ...] = ()
    questions: tuple[QuestionRecord, ...] = Field(
        default=(), description="What is not known, by how far an answer could change the level."
    )


class SpareRecord(Record):
    """How much toe lies beyond the minimum on an ordinary claw; null with a reason where that is not said.

    No length to take: the sole decides.
    """

    least: float | None
    most: float | None
    unit: Literal["mm"] = "mm"
    minimum: float | None = None
    chain: tuple[dict[str, PlainJson], ...] = ()
    reason: str | None = None


class TrimRecord(Record):
    """What is said about trimming: never a line or a length to cut to."""

    text: tuple[str, ...]
    cautions: tuple[str, ...]
    veterinarian: bool
    spare: dict[ClawName, SpareRecord] = Field(default_factory=dict)
    steps: tuple[str, ...] = ()
    slow_down: tuple[str, ...] = ()
    feel_for: tuple[str, ...] = ()
    chain: tuple[dict[str, PlainJson], ...] = Field(
        default=(), description="Where the numbers in these texts come from."
    )


class AfterTrimRecord(Record):
    """What a trim did, by the photos taken after it, and those before it where there are any."""

    achieved: tuple[str, ...]
    open: tuple[str, ...] = Field(description="Still shown, or too close to call.")
    harm: tuple[str, ...] = Field(description="Now too short, or unequal where it was not.")
    expectation: tuple[str, ...]
    next_look: str | None = Field(description="Date by which somebody looks again.")
    compared_with: tuple[PhotoName, ...]
    chain: tuple[dict[str, PlainJson], ...] = ()


class FootRecord(Record):
    """One foot at one stage and date."""

    animal: str
    foot: Foot | None
    stage: Stage
    date: str | None
    photos: tuple[PhotoName, ...]
    profile: str
    findings: tuple[FindingRecord, ...]
    urgency: UrgencyRecord
    trim: TrimRecord
    checked: tuple[CheckedRecord, ...] = Field(default=(), description="Every rule, shown or not.")
    after_trim: AfterTrimRecord | None = Field(default=None, description="Only for the stage after.")


class AnimalRecord(Record):
    """The feet of one animal seen together."""

    animal: str
    pattern: str
    findings: tuple[FindingRecord, ...]
    urgency: UrgencyRecord
    checked: tuple[CheckedRecord, ...] = Field(default=(), description="Every rule about the feet together.")


class OneAnimalRecord(Record):
    """An animal and its feet out of an assessment, as ``clawvision explain --json`` writes them."""

    animal: AnimalRecord
    feet: tuple[FootRecord, ...]


class ProfileSource(Record):
    """A reference profile that the run compared with, and where its figures come from."""

    name: str
    title: str = ""
    sources: tuple[PathlessText, ...]


class RunInfo(Record):
    """What was run, with what. Absolute paths are cut to their last part on the way in."""

    version: str
    started: str = Field(description="ISO 8601.")
    finished: str = Field(description="ISO 8601.")
    command: tuple[PathlessWord, ...]
    parameters: dict[str, PathlessJson]
    reference_profiles: tuple[ProfileSource, ...] = ()
    model_sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")] | None = Field(
        default=None, description="Of the network that outlines claws; null where there was none, or it is not known."
    )
    engine: str | None = Field(
        default=None,
        description="What ran that network, with its version; null where there was none, or it is not known.",
    )


class AssessmentRecord(Record):
    """The whole of ``assessment.json``."""

    schema_name: Literal["clawvision/assessment/1"] = Field(
        default=SCHEMA_NAME, validation_alias=AliasChoices("schema", "schema_name"), serialization_alias="schema"
    )
    run: RunInfo
    photos: tuple[PhotoRecord, ...]
    feet: tuple[FootRecord, ...]
    animals: tuple[AnimalRecord, ...]
