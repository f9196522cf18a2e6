"""Long claws: long, overgrown, overgrown by far, and how fast they grew."""

from __future__ import annotations

from datetime import date
from typing import Any

from clawvision.types import PhotoFacts
from tests.findings.photos import photo, side, whole
from tests.findings.vignettes import (
    AMSTEL,
    ARCHER,
    BAND,
    CHANGE,
    COMMON,
    GUM,
    LEACH,
    LOGIC,
    SOON,
    TRIM,
    WALL,
    Vignette,
)

_THEN = "2031-01-01"
"""91 days before the usual day of these photos: 2.99 months."""


def _since(before: float, now: float, then: str = _THEN, stage: Any = "check", **more: Any) -> list[PhotoFacts]:
    """A toe now, and as it was on an earlier day; each ± 2 mm, their difference ± 2.83 mm."""
    return [
        side("LH", toe_length=now, name="now.jpg", **more),
        side("LH", toe_length=before, name="then.jpg", taken=then, stage=stage),
    ]


VIGNETTES = [
    Vignette("long", BAND, [side("LH", toe_length=105)], {"long:outer"}, TRIM, manner="unsure keep"),
    Vignette("long within doubt", GUM, [side("LH", toe_length=101.5)], open={"long:outer"}, manner="unsure keep"),
    Vignette(
        "the watch length at the edge", GUM, [side("LH", toe_length=102)], open={"long:outer"}, manner="unsure keep"
    ),
    Vignette("overgrown", COMMON, [side("LH", toe_length=118)], {"overgrown:outer"}, TRIM, manner="unsure keep"),
    Vignette(
        "overgrown within doubt is long",
        GUM,
        [side("LH", toe_length=111)],
        {"long:outer"},
        TRIM,
        open={"overgrown:outer"},
        manner="unsure keep",
    ),
    Vignette(
        "both claws overgrown and else ordinary",
        ARCHER + ": 118 − 85 = 33 ± 8.25",
        whole("LH", toes=(118, 118)),
        {"overgrown:outer", "overgrown:inner"},
        TRIM,
        spare={"outer": (24.75, 41.25), "inner": (24.75, 41.25)},
    ),
    Vignette(
        "overgrown by far",
        COMMON + ": long standing overgrowth goes with a changed inside",
        whole("LH", toes=(140, 140)),
        {"overgrown:outer", "overgrown:inner"},
        TRIM,
        manner="careful",
    ),
    Vignette(
        "overgrown by far within doubt",
        GUM + "; a claw that may have changed inside gets no figure",
        whole("LH", toes=(131, 131)),
        {"overgrown:outer", "overgrown:inner"},
        TRIM,
        open={"grossly-overgrown:outer", "grossly-overgrown:inner"},
        manner="unsure keep",
    ),
    Vignette(
        "overgrown by far and lame",
        LEACH,
        [side("LH", toe_length=140, locomotion=2)],
        {"overgrown:outer"},
        SOON,
        at_least=False,
        manner="careful",
    ),
    Vignette(
        "overgrown by far, very lame",
        "common practice: what hurts first, then small steps",
        [side("LH", toe_length=140, locomotion=4)],
        {"overgrown:outer"},
        "today",
        at_least=False,
        manner="first careful",
    ),
    Vignette(
        "long, shallow and on a low heel",
        "Wells et al. 1993, Prev Vet Med: lame cows more often have overgrown, shallow claws",
        [side("LH", toe_length=118, toe_angle=36, heel_height=30)],
        {"overgrown:outer", "low_angle_low_heel:outer"},
        TRIM,
        manner="unsure keep",
    ),
    Vignette(
        "long, shallow and on a low heel, not quite even gait",
        LEACH,
        [side("LH", toe_length=118, toe_angle=36, heel_height=30, locomotion=2)],
        {"overgrown:outer", "low_angle_low_heel:outer"},
        SOON,
        at_least=False,
        manner="unsure keep",
    ),
    Vignette(
        "long with the toe up",
        COMMON + ": a long toe tips up",
        [side("LH", toe_length=125, toe_lift=9)],
        {"overgrown:outer", "toe_lifted:outer"},
        TRIM,
        manner="unsure keep",
    ),
    Vignette(
        "long and turned",
        AMSTEL + ": the twisted claw is the longer one; no figure on it",
        [
            *whole("LH", toes=(112, 108), helical=(41, 4)),
        ],
        {"long:outer", "long:inner", "twist:outer"},
        TRIM,
        veterinarian=True,
        manner="first careful",
        open={"overgrown:outer"},
        animal={"twist_other_foot"},
    ),
    # Since the last trim: 90 mm is the longest that a trim is taken to have left, 7 mm a month the fastest growth,
    # and 10 mm more than these explain is worth a word.
    Vignette(
        "long soon after a trim",
        WALL,  # 59 days, 1.94 months: 128 − 90 − 13.6 = 24.4 ± 2
        [side("LH", toe_length=128, trimmed=date(2031, 2, 2))],
        {"overgrown:outer", "fast_growth:outer"},
        TRIM,
        manner="unsure keep",
    ),
    Vignette(
        "long soon after a trim, within doubt",
        WALL + "; " + GUM,  # 115 − 90 − 13.6 = 11.4 ± 2
        [side("LH", toe_length=115, trimmed=date(2031, 2, 2))],
        {"overgrown:outer"},
        TRIM,
        open={"fast-growth:outer"},
        manner="unsure keep",
    ),
    Vignette(
        "as long as the time explains",
        WALL,
        [side("LH", toe_length=114, trimmed=date(2030, 10, 2))],
        {"overgrown:outer"},
        TRIM,
        manner="unsure keep",
    ),
    Vignette(
        "long soon after a trim, not quite even gait",
        WALL + "; " + LEACH,
        [side("LH", toe_length=128, trimmed=date(2031, 2, 2), locomotion=2)],
        {"overgrown:outer", "fast_growth:outer"},
        SOON,
        at_least=False,
        manner="unsure keep",
    ),
    # Since earlier photos, 2.99 months apart, so that a difference of ± 2.83 mm is ± 0.95 mm a month.
    Vignette("net growth as usual", "0 to 3 mm a month from memory", _since(90, 96), manner="unsure keep"),
    Vignette(
        "worn a little in winter",
        "Tranter & Morris 1992, NZ Vet J 40: growth and wear fall",
        _since(95, 92),
        manner="unsure keep",
    ),
    Vignette(
        "grown faster than a wall grows",
        WALL,  # 26 mm: 8.7 ± 0.95 a month
        _since(92, 118),
        {"overgrown:outer", "fast_growth:outer"},
        TRIM,
        manner="unsure keep",
    ),
    Vignette(
        "grown faster than a wall grows, within doubt",
        WALL + "; " + GUM,  # 23 mm: 7.7 ± 0.95 a month
        _since(92, 115),
        {"overgrown:outer"},
        TRIM,
        open={"grown-since-last-photo:outer"},
        manner="unsure keep",
    ),
    Vignette(
        "grown hard to believe, within doubt",
        CHANGE + "; " + GUM,  # 31 mm: 10.4 ± 0.95 a month
        _since(92, 123),
        {"overgrown:outer", "fast_growth:outer"},
        TRIM,
        open={"too-fast-to-be-true:outer"},
        manner="unsure keep",
    ),
    Vignette(
        "grown more than a claw can",
        CHANGE,  # 48 mm: 16 a month; rather another claw or day than growth
        _since(78, 126),
        {"overgrown:outer", "doubtful_change:outer"},
        TRIM,
        manner="unsure keep",
    ),
    Vignette(
        "a forgotten trim",
        CHANGE,  # −26 mm: −8.7 ± 0.95 a month
        _since(118, 92),
        {"doubtful_change:outer"},
        manner="unsure keep",
    ),
    Vignette(
        "a forgotten trim, within doubt",
        CHANGE + "; " + GUM,  # −23 mm: −7.7 ± 0.95 a month
        _since(115, 92),
        open={"shorter-without-trim:outer"},
        manner="unsure keep",
    ),
    Vignette(
        "shorter, and trimmed between the photos",
        LOGIC,
        _since(118, 92, trimmed=date(2031, 2, 1)),
        manner="unsure keep",
    ),
    Vignette(
        "shorter since the photos from before a trim",
        LOGIC + ": photos of the stage before are followed by a trim",
        _since(118, 92, stage="before"),
        manner="unsure keep",
    ),
    Vignette(
        "long again since a trim that was photographed",
        WALL,  # after photos of 90 mm: 26 mm in 2.99 months
        _since(90, 116, stage="after"),
        {"overgrown:outer", "fast_growth:outer"},
        TRIM,
        manner="unsure keep",
    ),
    Vignette(
        "two weeks apart",
        "two photos less than a month apart say nothing of growth (J)",
        _since(92, 99, then="2031-03-19"),
        open={"long:outer"},
        manner="unsure keep",
    ),
    Vignette(
        "the earlier photo is of another foot",
        LOGIC,
        [side("LH", toe_length=118), side("RH", toe_length=92, taken=_THEN)],
        {"overgrown:outer"},
        TRIM,
        manner="unsure keep",
    ),
    Vignette(
        "grown since a photo under review",
        "common practice: look before you act; what rests on a doubtful photo is weak",
        [
            side("LH", toe_length=118, name="now.jpg"),
            side("LH", toe_length=92, name="then.jpg", taken=_THEN, status="review"),
        ],
        {"overgrown:outer", "fast_growth:outer"},
        TRIM,
        weak={"fast_growth:outer"},
        manner="unsure keep",
    ),
    Vignette(
        "toe length of a refused earlier photo",
        LOGIC,
        [side("LH", toe_length=118, name="now.jpg"), photo("then.jpg", "LH", taken=_THEN, status="refused")],
        {"overgrown:outer"},
        TRIM,
        manner="unsure keep",
    ),
]
