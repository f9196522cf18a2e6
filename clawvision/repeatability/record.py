"""The models of ``repeatability.json``. Names may be added to, never changed; numbers are finite, absent ones null."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AliasChoices, Field, model_validator

from clawvision.output.models import PathlessText, PhotoName, Record, RunInfo
from clawvision.output.rounding import rounded
from clawvision.repeatability.models import Estimate, Icc, Limits, Precision
from clawvision.repeatability.repeats import By, Gathered
from clawvision.repeatability.stated import verdict
from clawvision.repeatability.study import Flag, HandResult, MeasureResult, Study
from clawvision.repeatability.wording import meaning
from clawvision.types import View

SCHEMA_NAME: Literal["clawvision/repeatability/1"] = "clawvision/repeatability/1"
Design = Literal["one-way", "two-way, agreement", "two-way, consistency"]


class EstimateRecord(Record):
    """A figure with its 95 % interval, or null with the reason; an interval that is not known is null too."""

    value: float | None
    low: float | None
    high: float | None
    reason: str | None = None

    @model_validator(mode="after")
    def _value_or_reason(self) -> Self:
        if self.value is None and not (self.low is None and self.high is None and self.reason):
            raise ValueError("a figure that is not known has no interval and must give its reason")
        return self


class IccRecord(Record):
    """One design of the intraclass correlation. ``k`` is how many photos the average is of."""

    design: Design
    single: EstimateRecord
    average: EstimateRecord
    k: float | None


class PrecisionRecord(Record):
    """ISO 5725-2. Without groups s_r is the within-claw SD, and s_R is not known."""

    s_r: EstimateRecord
    s_between: EstimateRecord = Field(description="Between groups: s_L.")
    s_reproducibility: EstimateRecord = Field(description="s_R.")
    r: EstimateRecord = Field(description="Repeatability limit, 2.8 s_r.")
    reproducibility: EstimateRecord = Field(description="Reproducibility limit R, 2.8 s_R.")
    groups: tuple[PathlessText, ...]
    photos_without_group: int


class FlagRecord(Record):
    """Something that stands out. Nothing was left out for it."""

    what: str
    strength: Literal["straggler", "outlier"]
    where: PathlessText
    photos: tuple[PhotoName, ...]
    p: Annotated[float, Field(ge=0, le=1)]


class HandRecord(Record):
    """Photos against measures by hand, photo minus hand, for single values."""

    claws: int
    photos: int
    readings: int
    operators: int
    difference: EstimateRecord
    sd: EstimateRecord
    lower: EstimateRecord
    upper: EstimateRecord
    concordance: EstimateRecord = Field(description="Lin's, of the first photo and the first reading of each claw.")
    hand_sd: EstimateRecord = Field(description="Within claws, of the readings by hand.")


class MeasureRepeats(Record):
    """All figures of one measure in one view, in its unit where no other is said."""

    measure: str
    view: View
    unit: str
    claws: int = Field(description="With two photos or more of one day and stage.")
    sets: int = Field(description="Claws on one day and stage with two photos or more.")
    photos: int
    mean: float | None
    enough: bool = Field(description="Whether there are as many repeats as the figures should rest on.")
    within_sd: EstimateRecord = Field(description="Also the absolute technical error of measurement.")
    tem_percent: EstimateRecord
    sdc: EstimateRecord = Field(description="Smallest detectable change, 1.96 √2 SEM.")
    icc: dict[Literal["1", "2", "3"], IccRecord] = Field(description="By the first number of Shrout & Fleiss.")
    icc_crossed: int = Field(description="Claws that all raters measured: what ICC 2 and 3 rest on.")
    precision: PrecisionRecord
    stated_ratio: EstimateRecord = Field(description="Root mean square of (x − claw's mean) / (U / 2).")
    stated_verdict: str | None
    flags: tuple[FlagRecord, ...]
    hand: HandRecord | None
    meaning: str


class UnmatchedRecord(Record):
    """A row of the hand measures that no photo goes with."""

    line: int
    why: str


class RepeatabilityRecord(Record):
    """The whole of ``repeatability.json``."""

    schema_name: Literal["clawvision/repeatability/1"] = Field(
        default=SCHEMA_NAME, validation_alias=AliasChoices("schema", "schema_name"), serialization_alias="schema"
    )
    run: RunInfo
    by: Literal["camera", "day", "operator", "stage"] | None
    photos: int = Field(description="That count, each once.")
    left_out: tuple[str, ...]
    doubts: tuple[str, ...] = Field(description="What makes it doubtful that photos are repeats.")
    measures: tuple[MeasureRepeats, ...]
    hand_unmatched: tuple[UnmatchedRecord, ...]


def repeatability_record(run: RunInfo, gathered: Gathered, found: Study, by: By | None) -> RepeatabilityRecord:
    """Return the record of a study. NaN and infinity are refused by it."""
    return RepeatabilityRecord(
        run=run,
        by=by,
        photos=len(gathered.seen),
        left_out=gathered.left_out.words(),
        doubts=gathered.doubts(),
        measures=tuple(_measure(each) for each in found.results),
        hand_unmatched=tuple(UnmatchedRecord(line=line, why=why) for line, why in found.unmatched),
    )


def _measure(each: MeasureResult) -> MeasureRepeats:
    return MeasureRepeats(
        measure=each.measure,
        view=each.view,
        unit=each.unit,
        claws=each.claws,
        sets=each.sets,
        photos=each.photos,
        mean=rounded(each.mean),
        enough=each.enough,
        within_sd=_estimate(each.within_sd),
        tem_percent=_estimate(each.tem_percent),
        sdc=_estimate(each.sdc),
        icc={
            "1": _icc("one-way", each.one_way),
            "2": _icc("two-way, agreement", each.agreement),
            "3": _icc("two-way, consistency", each.consistency),
        },
        icc_crossed=each.crossed,
        precision=_precision(each.precision, each),
        stated_ratio=_estimate(each.stated_ratio),
        stated_verdict=verdict(each.stated_ratio),
        flags=tuple(_flag(flag) for flag in each.flags),
        hand=None if each.hand is None else _hand(each.hand),
        meaning=meaning(each),
    )


def _icc(design: Design, icc: Icc) -> IccRecord:
    return IccRecord(design=design, single=_estimate(icc.single), average=_estimate(icc.average), k=rounded(icc.k))


def _estimate(figure: Estimate) -> EstimateRecord:
    return EstimateRecord(
        value=rounded(figure.value), low=rounded(figure.low), high=rounded(figure.high), reason=figure.reason
    )


def _precision(found: Precision, each: MeasureResult) -> PrecisionRecord:
    return PrecisionRecord(
        s_r=_estimate(found.s_r),
        s_between=_estimate(found.s_between),
        s_reproducibility=_estimate(found.s_reproducibility),
        r=_estimate(found.r),
        reproducibility=_estimate(found.reproducibility),
        groups=each.groups,
        photos_without_group=each.ungrouped,
    )


def _flag(flag: Flag) -> FlagRecord:
    return FlagRecord(
        what=flag.what,
        strength="outlier" if flag.strength == "outlier" else "straggler",
        where=flag.where,
        photos=flag.photos,
        p=flag.p,
    )


def _hand(hand: HandResult) -> HandRecord:
    limits: Limits = hand.limits
    return HandRecord(
        claws=hand.claws,
        photos=hand.photos,
        readings=hand.readings,
        operators=hand.operators,
        difference=_estimate(limits.difference),
        sd=_estimate(limits.sd),
        lower=_estimate(limits.lower),
        upper=_estimate(limits.upper),
        concordance=_estimate(hand.concordance),
        hand_sd=_estimate(hand.hand_sd),
    )
