"""What is said about the feet of an invented cow, put together by hand: every part of a record is there once."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from clawvision.output.models import AssessmentRecord, ProfileSource, RunInfo
from clawvision.output.record import assessment_record, photo_record
from clawvision.types import (
    AfterTrim,
    AnimalResult,
    CheckedRule,
    ClawName,
    Finding,
    FootResult,
    OpenQuestion,
    PhotoResult,
    Spare,
    Trim,
    Urgency,
)
from tests.output import made

COW = "Lindgard 7"
RUN = RunInfo(
    version="0",
    started="2031-04-02T09:00:00+00:00",
    finished="2031-04-02T09:00:04+00:00",
    command=("clawvision", "assess", "byre"),
    parameters={},
    reference_profiles=(ProfileSource(name="lindgard", title="Cows of Lindgard", sources=()),),
)


def row(**values: Any) -> dict[str, Any]:
    """A row of a chain with all the keys that every row has."""
    names = ("measure", "value", "uncertainty", "unit", "limit", "source", "status", "photo")
    usual: dict[str, Any] = dict.fromkeys(names) | {"source": "", "status": ""}
    return usual | values


LENGTH = row(measure="outer toe_length", value=118.462, uncertainty=7.013, unit="mm", photo="byre/side.jpg")
LONG = LENGTH | row(
    measure="outer toe_length",
    value=118.462,
    uncertainty=7.013,
    unit="mm",
    photo="byre/side.jpg",
    limit=110.0,
    source="an invented study of invented cows",
    status="P",
    limit_name="toe_length_flag",
    profile="lindgard",
    limb="hind",
    condition="above",
    rule="overgrown",
)
USUAL = row(
    unit="mm", limit=100.0, source="the herd's own", status="C", limit_name="toe_length_usual_high", profile="lindgard"
)
OVER = row(
    measure="overgrowth",
    value=18.462,
    uncertainty=7.013,
    unit="mm",
    source="computed",
    status="C",
    formula="toe_length − toe_length_usual_high",
)
SOLE = row(unit="mm", limit=5.0, source="an invented book", status="M", fact="sole_least")


def long_claw(claw: ClawName | None = "outer", **changes: Any) -> Finding:
    """A claw found too long."""
    values: dict[str, Any] = {
        "code": "overgrown",
        "claw": claw,
        "text": "The toe is overgrown: 118 ± 8 mm long, 18 ± 8 mm more than usual.",
        "chain": (LONG, LENGTH, OVER, USUAL),
        "also_explained_by": "A trim that is overdue.",
        "look_for": "Whether the other claws are as long.",
        "where": "The toe.",
        "strength": "strong",
        "icar_term": "an invented term",
        "title": "toe overgrown",
        "exact": "Dorsal wall length: 118 ± 8 mm, above 110 mm.",
        "rule": "overgrown",
        "basis": "invented practice",
    }
    return Finding(**{**values, **changes})


def long_foot() -> FootResult:
    """A foot with a long claw, judged by a photo that is fine and one that a person has to look at."""
    angle = row(measure="outer toe_angle", value=39.5, uncertainty=0.412, unit="deg", photo="byre/sole.jpg")
    shallow = {
        **angle,
        "limit": 42.0,
        "source": "this project's judgement",
        "status": "J",
        "limit_name": "toe_angle_shallow",
        "profile": "lindgard",
        "limb": "hind",
        "condition": "below",
        "rule": "flat-while-lame",
    }
    flat = long_claw(
        code="low_angle",
        text="Look at the photo first, it may be wrong. The toe stands at a low angle of 39.5 ± 0.5°.",
        exact="Toe angle: 39.5 ± 0.5°, below 42°.",
        chain=(shallow, angle),
        title="toe angle low",
        strength="weak",
        icar_term=None,
        rule="flat-while-lame",
    )
    return FootResult(
        animal=COW,
        foot="RH",
        stage="before",
        date="2031-04-02",
        photos=("byre/side.jpg", "byre/sole.jpg"),
        profile="lindgard",
        findings=(long_claw(), flat),
        urgency=Urgency(
            "this week",
            True,
            "Lift and examine this foot this week.",
            ("Outer claw: toe overgrown.", "Outer claw: toe angle low.", "Look at these photos first: byre/sole.jpg."),
            (
                OpenQuestion("gait", "How does she walk?", "today", 0),
                OpenQuestion("side_photo_inner", "A photo of the inner claw.", "this week", 1),
            ),
        ),
        trim=Trim(
            ("An ordinary claw by what the photos show: outer claw.",),
            ("Never less than 5 mm of sole.",),
            False,
            spare={
                "outer": Spare(
                    22.835,
                    44.189,
                    minimum=85.0,
                    chain=(
                        row(measure="spare", value=33.462, uncertainty=10.727, unit="mm", formula="invented"),
                        LENGTH,
                    ),
                ),
                "inner": Spare(None, None, reason="It is not known which foot this is."),
            },
            steps=("Begin with the inner claw.", "Then the outer claw."),
            slow_down=("Slow down at the white line.",),
            feel_for=("Press the sole with the thumb.",),
            chain=(SOLE,),
        ),
        checked=(
            CheckedRule(
                "overgrown", "overgrown", "outer", "shown", "toe_length 118 ± 8 mm is above toe_length_flag, 110 mm"
            ),
            CheckedRule(
                "flat-while-lame",
                "low_angle",
                "outer",
                "shown",
                "toe_angle 39.5 ± 0.5° is below toe_angle_shallow, 42°; gait: lame",
            ),
            CheckedRule("low-heel", "low_heel", "outer", "cannot tell", "no heel_height from these photos"),
            CheckedRule(
                "too-short",
                "too_short",
                "outer",
                "not shown",
                "toe_length 118 ± 8 mm is not below toe_length_floor, 75 mm",
            ),
        ),
    )


def trimmed_foot() -> FootResult:
    """A foot after its trim."""
    change = row(
        measure="outer toe_length now − before",
        value=-21.338,
        uncertainty=3.281,
        unit="mm",
        source="computed",
        status="C",
        formula="now − before",
    )
    return replace(
        long_foot(),
        foot="LH",
        stage="after",
        findings=(),
        urgency=Urgency("no sign in the photo", True, "The photo shows no sign.", ()),
        trim=Trim((), ("Never less than 5 mm of sole.",), False, chain=(SOLE,)),
        checked=(),
        after_trim=AfterTrim(
            ("Outer claw: the toe is 21 ± 4 mm shorter than before.",),
            ("Outer claw, the wall: still shown.",),
            ("Inner claw, a short toe: at or under the minimum.",),
            ("Tender for a short while is common.",),
            "2031-04-30",
            ("byre/side.jpg",),
            (change, LENGTH),
        ),
    )


def animal() -> AnimalResult:
    together = long_claw(
        None,
        code="one_claw_long",
        title="one claw long among all",
        text="One claw is long while the others are not.",
        exact="Solitary overgrowth.",
        rule="one-long-claw",
        icar_term=None,
    )
    return AnimalResult(
        COW,
        "one claw long, the others not",
        (together,),
        Urgency(
            "this week",
            True,
            "Lift and examine this foot this week.",
            ("LH: no sign in the photo.", "RH: this week."),
            (OpenQuestion("gait", "How does she walk?", "today", 0), OpenQuestion("day", "Which day?", "this week", 3)),
        ),
        (CheckedRule("one-long-claw", "one_claw_long", None, "shown", "one claw alone"),),
    )


def photos() -> tuple[PhotoResult, ...]:
    return made.side_result(), made.sole_result()


def assessment(*more: FootResult) -> AssessmentRecord:
    """The record of a run with this cow, seen once before as well."""
    quiet = trimmed_foot().urgency
    earlier = replace(long_foot(), date="2030-11-20", stage="check", findings=(), urgency=quiet)
    feet = (earlier, trimmed_foot(), long_foot(), *more)
    return assessment_record(RUN, [photo_record(photo) for photo in photos()], feet, (animal(),))
