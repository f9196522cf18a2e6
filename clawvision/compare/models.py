"""The models of ``compare.json``. Names may be added to, never changed; what is not known is null."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AliasChoices, Field

from clawvision.output.models import PathlessText, PhotoName, PlainJson, Record, Unit
from clawvision.types import ClawName, Foot, View

SCHEMA_NAME: Literal["clawvision/compare/1"] = "clawvision/compare/1"
Answer = Literal["yes", "no", "too close to call", "not known"]


class ValueRecord(Record):
    """A value with its expanded uncertainty (k = 2)."""

    value: float
    uncertainty: Annotated[float, Field(ge=0)]


class ChangeRecord(Record):
    """A measure before and after, and after less before."""

    measure: str
    unit: Unit
    before: ValueRecord
    after: ValueRecord
    change: ValueRecord
    cancelled: tuple[str, ...] = Field(description="Causes of error that both photos share and that partly cancel.")


class FitRecord(Record):
    """How the outline from after was laid over the one from before."""

    overlaid: bool
    reason: str | None = Field(description="Why it was not.")
    mirrored: bool = False
    angle_deg: float | None = None
    shift_mm: tuple[float, float] | None = None
    rms_mm: float | None = Field(default=None, description="Left between the parts that a trim does not touch.")
    limit_mm: float
    by: str = Field(description="What was laid on what.")


class AreaRecord(Record):
    """The horn between the two outlines, mm²."""

    off: float = Field(description="Where horn was before and is not after.")
    new: float = Field(description="Where horn is after and was not before: a check of the fit, near 0.")
    net: ValueRecord = Field(description="Off less new.")
    unit: Literal["mm2"] = "mm2"


class PairRecord(Record):
    """Two photos of the same claw in the same view."""

    view: View
    claw: ClawName | None = Field(description="Null for measures of both claws of one photo.")
    before: PhotoName
    after: PhotoName
    days_apart: int
    candidates_before: tuple[PhotoName, ...]
    candidates_after: tuple[PhotoName, ...]
    look_first: tuple[PhotoName, ...] = Field(description="Photos under review: look at them before using a number.")
    fit: FitRecord | None
    off_the_toe: ValueRecord | None = Field(default=None, description="Toe length before less after, mm.")
    horn: AreaRecord | None = None
    changes: tuple[ChangeRecord, ...]
    outline_before_mm: tuple[tuple[float, float], ...] | None = Field(
        default=None, description="As measured, in the frame of the photo from before."
    )
    outline_after_mm: tuple[tuple[float, float], ...] | None = Field(
        default=None, description="As laid over it, in the same frame."
    )
    landmarks_before_mm: dict[str, tuple[float, float]] = Field(default_factory=dict, description="In that frame.")
    landmarks_after_mm: dict[str, tuple[float, float]] = Field(default_factory=dict, description="In that frame.")
    picture: str | None = None


class VerdictRecord(Record):
    """A question to the foot after the trim, answered beyond the uncertainty or left open."""

    question: str
    claw: ClawName | None
    answer: Answer
    text: str
    why: tuple[str, ...]
    look_first: bool = Field(description="It rests on a photo that a person has to look at first.")
    chain: tuple[dict[str, PlainJson], ...] = ()


class AfterRecord(Record):
    """What the findings say of the foot after the trim, in their own words."""

    achieved: tuple[str, ...]
    open: tuple[str, ...]
    harm: tuple[str, ...]
    expectation: tuple[str, ...]
    next_look: str | None


class ComparedFootRecord(Record):
    """One foot at one trim."""

    animal: str
    foot: Foot
    before: str = Field(description="Day of the latest photo from before.")
    after: str = Field(description="Day of the earliest photo from after.")
    profile: str
    pairs: tuple[PairRecord, ...]
    balance: tuple[ChangeRecord, ...] = Field(description="Outer claw less inner, before and after.")
    verdicts: tuple[VerdictRecord, ...]
    after_trim: AfterRecord | None
    veterinarian: bool
    trim: tuple[str, ...]
    cautions: tuple[str, ...]


class UnpairedRecord(Record):
    """A photo that was compared with none."""

    photo: PhotoName
    why: PathlessText


class CorrelationRecord(Record):
    """How far the errors of one cause go together in two photos."""

    causes: tuple[str, ...]
    correlation: float
    where: Literal["camera", "reference", "claw", "never"]
    status: Literal["J"] = "J"
    basis: str


class ComparisonRecord(Record):
    """The whole of ``compare.json``."""

    schema_name: Literal["clawvision/compare/1"] = Field(
        default=SCHEMA_NAME, validation_alias=AliasChoices("schema", "schema_name"), serialization_alias="schema"
    )
    version: str
    correlations: tuple[CorrelationRecord, ...]
    feet: tuple[ComparedFootRecord, ...]
    unpaired: tuple[UnpairedRecord, ...]
    caution: str
