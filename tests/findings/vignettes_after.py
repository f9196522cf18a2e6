"""Feet photographed after a trim: what it achieved, what is open, what is now too short or unequal."""

from __future__ import annotations

from datetime import date
from typing import Any

from clawvision.types import PhotoFacts
from tests.findings.photos import photo, side, sole, whole
from tests.findings.vignettes import (
    ARCHER,
    BAND,
    CAUTION,
    COMMON,
    GUM,
    LEACH,
    LOGIC,
    NUSS,
    SOON,
    TODAY,
    TRIM,
    TSUKA,
    UNKNOWN,
    WEEK,
    After,
    Vignette,
)

_LASTS = "common practice: a trim lasts 4 to 6 months, the shorter taken: 120 days"
_WEEKS = "this project's judgement: 28 days where a claw is short or may have changed inside"
_TENDER = "common practice: a cow lame some days after a trim is called about: 3 days (J)"
_USUAL, _SOONER, _LAME = "2031-07-31", "2031-04-30", "2031-04-05"
"""2 April 2031 and 120, 28 and 3 days."""


def _now(*toes: float, **more: Any) -> list[PhotoFacts]:
    return whole("LH", toes=toes, stage="after", tag="_after", **more)


def _then(*toes: float, **more: Any) -> list[PhotoFacts]:
    return whole("LH", toes=toes, stage="before", tag="_before", **more)


_BEFORE = ("LH_inner_before.jpg", "LH_outer_before.jpg", "LH_sole_before.jpg")
_SHORTER = ("Outer claw: the toe is 27 ± 3 mm shorter", "Inner claw: the toe is 27 ± 3 mm shorter")

VIGNETTES = [
    Vignette(
        "trimmed as it should be",
        _LASTS + "; 118 − 91 = 27 ± √8, rounded up",
        [*_now(91, 91), *_then(118, 118)],
        manner="none",
        after=After(
            achieved=(*_SHORTER, "Outer claw, the length of the toe", "Inner claw, the length of the toe"),
            next_look=_USUAL,
            compared_with=_BEFORE,
        ),
    ),
    Vignette(
        "trimmed, no photos from before",
        LOGIC + ": nothing to compare with",
        _now(91, 91),
        manner="none",
        after=After(next_look=_USUAL),
    ),
    Vignette(
        "still long",
        BAND,
        [*_now(105, 91), *_then(118, 118)],
        {"long:outer", "out_of_proportion:outer"},
        WEEK,
        veterinarian=True,
        manner="none",
        animal={"other_hind_foot"},
        # 105 − 91 = 14 ± 2.8: now unequal, which it was not
        after=After(
            achieved=(
                "Outer claw: the toe is 13 ± 3 mm shorter",
                "Inner claw: the toe is 27 ± 3 mm shorter",
                "Inner claw, the length of the toe",
            ),
            open=("Outer claw, the length of the toe",),
            harm=("Outer claw, one claw against the other",),
            next_look=_SOONER,
            compared_with=_BEFORE,
        ),
    ),
    Vignette(
        "now perhaps still long",
        GUM,
        [*_now(101, 101), *_then(118, 118)],
        manner="none",
        open={"long:outer", "long:inner"},
        after=After(
            achieved=("Outer claw: the toe is 17 ± 3 mm shorter", "Inner claw: the toe is 17 ± 3 mm shorter"),
            open=("Outer claw, the length of the toe", "Inner claw, the length of the toe"),
            next_look=_USUAL,
            compared_with=_BEFORE,
        ),
    ),
    Vignette(
        "now too short",
        TSUKA + "; the short claw is the dangerous error",
        [*_now(70, 70), *_then(97, 97)],
        {"too_short:outer", "too_short:inner"},
        WEEK,
        manner="none",
        after=After(
            achieved=_SHORTER,
            harm=("Outer claw, whether the toe is short", "Inner claw, whether the toe is short"),
            next_look=_SOONER,
            compared_with=_BEFORE,
        ),
    ),
    Vignette(
        "too short, no photos from before",
        TSUKA + "; " + _WEEKS,
        [side("LH", toe_length=70, stage="after")],
        {"too_short:outer"},
        WEEK,
        manner="none",
        after=After(harm=("Outer claw, whether the toe is short",), next_look=_SOONER),
    ),
    Vignette(
        "at the minimum now, and not before",
        ARCHER,
        [*_now(82, 82), *_then(97, 97)],
        {"at_minimum:outer", "at_minimum:inner"},
        manner="none",
        after=After(
            achieved=("Outer claw: the toe is 15 ± 3 mm shorter", "Inner claw: the toe is 15 ± 3 mm shorter"),
            harm=("Outer claw, whether the toe is short", "Inner claw, whether the toe is short"),
            next_look=_SOONER,
            compared_with=_BEFORE,
        ),
    ),
    Vignette(
        "at the minimum before, and left as long",
        ARCHER + ": a claw at the minimum is not shortened; who does not shorten it does no harm",
        [*_now(82, 82), *_then(82, 82)],
        {"at_minimum:outer", "at_minimum:inner"},
        manner="none",
        after=After(
            open=("Outer claw, whether the toe is short", "Inner claw, whether the toe is short"),
            next_look=_SOONER,
            compared_with=_BEFORE,
        ),
    ),
    Vignette(
        "at the minimum before, and shortened",
        ARCHER + ": a claw at the minimum is not shortened",
        [*_now(78, 78, u=1.0), *_then(83, 83, u=1.0)],
        {"at_minimum:outer", "at_minimum:inner"},
        manner="none",
        after=After(
            achieved=("Outer claw: the toe is 5 ± 2 mm shorter", "Inner claw: the toe is 5 ± 2 mm shorter"),
            harm=("Outer claw, whether the toe is short", "Inner claw, whether the toe is short"),
            next_look=_SOONER,
            compared_with=_BEFORE,
        ),
    ),
    Vignette(
        "unequal now",
        NUSS + ": a levelled outer claw keeps 2.71 mm of sole",
        [
            *whole("LH", outer=110, inner=130, stage="after", tag="_after"),
            *_then(92, 92),
        ],
        {"out_of_proportion:inner"},
        WEEK,
        veterinarian=True,
        manner="none",
        animal={"other_hind_foot"},
        after=After(
            harm=("Inner claw, one claw against the other",),
            next_look=_SOONER,
            compared_with=_BEFORE,
        ),
    ),
    Vignette(
        "unequal before and still",
        LOGIC + ": what was so before was not done by the trim",
        [
            *whole("LH", outer=145, inner=115, stage="after", tag="_after"),
            *_then(92, 92, outer=150, inner=115),
        ],
        {"out_of_proportion:outer"},
        WEEK,
        veterinarian=True,
        manner="none",
        animal={"other_hind_foot"},
        after=After(
            open=("Outer claw, one claw against the other",),
            next_look=_SOONER,
            compared_with=_BEFORE,
        ),
    ),
    Vignette(
        "twist stays after a trim",
        COMMON + ": the bone stays turned",
        [*_now(95, 95, helical=(35, 4)), *_then(118, 118, helical=(41, 4))],
        {"twist:outer"},
        TRIM,
        veterinarian=True,
        manner="none",
        animal={"twist_other_foot"},
        after=After(
            achieved=(
                "Outer claw: the toe is 23 ± 3 mm shorter",
                "Inner claw: the toe is 23 ± 3 mm shorter",
                "Outer claw, the length of the toe",
                "Inner claw, the length of the toe",
            ),
            open=("Outer claw, twist of the claw",),
            next_look=_SOONER,
            compared_with=_BEFORE,
        ),
    ),
    Vignette(
        "shallow and low before, the heel still low",
        COMMON,
        [
            side("LH", toe_length=91, toe_angle=47, heel_height=32, stage="after", name="a.jpg"),
            side("LH", toe_length=118, toe_angle=36, heel_height=30, stage="before", name="b.jpg"),
        ],
        {"low_heel:outer"},
        TRIM,
        manner="none",
        after=After(
            achieved=(
                "Outer claw: the toe is 27 ± 3 mm shorter",
                "Outer claw: the toe angle is 11 ± 3° steeper",
                "Outer claw, the length of the toe",
                "Outer claw, the toe angle",
            ),
            open=("Outer claw, the height of the heel",),
            next_look=_USUAL,
            compared_with=("b.jpg",),
        ),
    ),
    Vignette(
        "a low heel before, low and shallow after",
        LOGIC + ": what is still so is not achieved, though another row speaks of it now",
        [
            side("LH", toe_angle=36, heel_height=31, stage="after", name="a.jpg"),
            side("LH", toe_angle=None, heel_height=30, stage="before", name="b.jpg"),
        ],
        {"low_angle_low_heel:outer"},
        TRIM,
        manner="none",
        after=After(open=("Outer claw, the toe angle",), next_look=_USUAL, compared_with=("b.jpg",)),
    ),
    Vignette(
        "lower at the heel than before",
        COMMON + ": spare the heel",
        [
            side("LH", heel_height=40, stage="after", name="a.jpg"),
            side("LH", heel_height=47, stage="before", name="b.jpg"),
        ],
        manner="none",
        after=After(
            harm=("Outer claw: the heel is 7 ± 3 mm lower",),
            next_look=_USUAL,
            compared_with=("b.jpg",),
        ),
    ),
    Vignette(
        "flatter than before",
        COMMON + ": a flatter toe is nothing that a trim achieved",
        [
            side("LH", toe_angle=46, stage="after", name="a.jpg"),
            side("LH", toe_angle=52, stage="before", name="b.jpg"),
        ],
        manner="none",
        after=After(open=("Outer claw: the toe angle is 6 ± 3° flatter",), next_look=_USUAL, compared_with=("b.jpg",)),
    ),
    Vignette(
        "grown fast before the trim",
        LOGIC + ": how fast a claw grows is nothing that a trim changes",
        [
            side("LH", toe_length=91, stage="after", name="a.jpg", trimmed=date(2031, 2, 2)),
            side("LH", toe_length=128, stage="before", name="b.jpg", trimmed=date(2031, 2, 2)),
        ],
        manner="none",
        after=After(
            achieved=("Outer claw: the toe is 37 ± 3 mm shorter", "Outer claw, the length of the toe"),
            next_look=_USUAL,
            compared_with=("b.jpg",),
        ),
    ),
    Vignette(
        "trimmed and lame",
        LEACH + "; " + _TENDER,
        [*_now(91, 91, locomotion=3), *_then(118, 118)],
        level=SOON,
        at_least=False,
        manner="none",
        after=After(
            achieved=(*_SHORTER, "Outer claw, the length of the toe", "Inner claw, the length of the toe"),
            next_look=_LAME,
            compared_with=_BEFORE,
        ),
    ),
    Vignette(
        "trimmed, and living tissue bleeds",
        CAUTION,
        _now(91, 91, signs=("wound",)),
        level=TODAY,
        at_least=False,
        veterinarian=True,
        manner="none",
        after=After(next_look=_LAME),
    ),
    Vignette(
        "trimmed, the day not known",
        LOGIC,
        _now(91, 91, taken=None),
        manner="none",
        after=After(),
    ),
    Vignette(
        "earlier photos too old to be from before this trim",
        "this project's judgement: no older than a week",
        [*_now(91, 91), *_then(118, 118, taken="2031-03-20")],
        manner="none",
        after=After(next_look=_USUAL),
    ),
    Vignette(
        "photos of a check the day before count as from before",
        LOGIC,
        [
            side("LH", toe_length=91, stage="after", name="a.jpg"),
            side("LH", toe_length=118, taken="2031-04-01", name="b.jpg"),
        ],
        manner="none",
        after=After(
            achieved=("Outer claw: the toe is 27 ± 3 mm shorter", "Outer claw, the length of the toe"),
            next_look=_USUAL,
            compared_with=("b.jpg",),
        ),
    ),
    Vignette(
        "a change within its uncertainty is none",
        GUM,
        [*_now(92, 92), *_then(94, 94)],
        manner="none",
        after=After(next_look=_USUAL, compared_with=_BEFORE),
    ),
    Vignette(
        "photo after the trim refused",
        LOGIC,
        [photo("a.jpg", "LH", stage="after", status="refused"), *_then(118, 118)],
        level=UNKNOWN,
        manner="none",
        after=After(
            open=("Outer claw, the length of the toe", "Inner claw, the length of the toe"),
            next_look=_USUAL,
            compared_with=_BEFORE,
        ),
    ),
    Vignette(
        "a trimmed calf is not judged",
        "no values for growing animals are known",
        [side("LH", toe_length=55, stage="after", profile="calf-yearling")],
        level=UNKNOWN,
        manner="none",
    ),
    Vignette(
        "sole photo only after the trim",
        LOGIC,
        [sole("LH", stage="after"), *_then(118, 118)],
        manner="none",
        after=After(
            open=("Outer claw, the length of the toe", "Inner claw, the length of the toe"),
            next_look=_USUAL,
            compared_with=_BEFORE,
        ),
    ),
]
