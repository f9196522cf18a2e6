"""Inputs that contradict each other, are missing, or are wrong."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import MappingProxyType

from clawvision.types import Measure, PhotoFacts
from tests.findings.photos import photo, side, sole, whole
from tests.findings.vignettes import (
    BAND,
    BOTH,
    CAUTION,
    COMMON,
    GUM,
    LOGIC,
    NOTHING,
    ORDINARY,
    SPRECHER,
    TODAY,
    TRIM,
    UNKNOWN,
    WALL,
    WEEK,
    Vignette,
)

_LOOK = "common practice: look before you act; what photos dispute is doubtful"


def _with(facts: PhotoFacts, claw: str, **changed: Measure) -> PhotoFacts:
    claws = {**facts.claws, claw: MappingProxyType({**facts.claws[claw], **changed})}
    return replace(facts, claws=MappingProxyType(claws))


def _mm(value: float | None, uncertainty: float | None) -> Measure:
    return Measure(value, uncertainty, "mm")


VIGNETTES = [
    # Contradictory.
    Vignette(
        "two photos disagree about the length",
        _LOOK,
        [*whole("LH"), side("LH", name="again.jpg", toe_length=120)],
        {"overgrown:outer", "out_of_proportion:outer"},  # 120 − 92 = 28 ± 2.8 if the second is right
        WEEK,  # a photo that needs no look shows it, so a worse one may not make the foot wait
        manner="careful",
        # the other claw may need a veterinarian first, so no figure for this one either
        notes=("disagree about toe_length of the outer claw",),
        weak={"overgrown:outer", "out_of_proportion:outer"},
        animal={"other_hind_foot"},
    ),
    Vignette(
        "the surer of two photos shows it, the other does not",
        _LOOK,
        [side("LH", name="a.jpg", toe_length=93, u=4.0), side("LH", name="b.jpg", toe_length=120, u=1.5)],
        {"overgrown:outer"},
        TRIM,
        weak={"overgrown:outer"},
        notes=("disagree about toe_length",),
        manner="unsure keep",
    ),
    Vignette(
        "two photos disagree about shortness",
        _LOOK + "; a claw that may be short is spared",
        [side("LH", name="a.jpg", toe_length=93, u=1.0), side("LH", name="b.jpg", toe_length=80, u=2.0)],
        {"at_minimum:outer"},
        manner="keep",
        weak={"at_minimum:outer"},
        notes=("disagree about toe_length",),
    ),
    Vignette(
        "two photos agree within both uncertainties",
        GUM + "; the surer one is used: 93 − 85 = 8 ± 8.06",
        [*whole("LH"), side("LH", name="again.jpg", toe_length=93, u=1.0)],
        spare={"outer": (0.0, 16.06), "inner": ORDINARY},
    ),
    Vignette(
        "a photo under review against one that is not",
        "a photo under review cannot cast doubt on one that is not",
        [*whole("LH"), side("LH", name="again.jpg", toe_length=140, u=0.5, status="review")],
        spare=BOTH,
        notes=("Look at these photos first: again.jpg",),
    ),
    Vignette(
        "even gait with a swelling",
        CAUTION + "; a sign outweighs an even gait",
        whole("LH", locomotion=1, signs=("swelling",)),
        level=TODAY,
        at_least=False,
        veterinarian=True,
        manner="first",
        notes=("Swelling was seen.", "scored 1"),
    ),
    Vignette(
        "two gaits on one day",
        SPRECHER + "; the worse one counts",
        [side("LH", locomotion=1), side("LH", "inner", locomotion=4)],
        level=TODAY,
        at_least=False,
        manner="first unsure keep",
    ),
    Vignette(
        "trim after the photo",
        LOGIC,
        [side("LH", toe_length=128, trimmed=date(2031, 6, 2))],
        {"overgrown:outer"},
        TRIM,
        manner="unsure keep",
    ),
    Vignette(
        "two days of the last trim",
        LOGIC + "; the later one, which explains the least growth, is used and named",
        [
            side("LH", toe_length=128, trimmed=date(2030, 6, 1)),
            side("LH", "inner", toe_length=128, trimmed=date(2031, 2, 2)),
        ],
        {"overgrown:outer", "overgrown:inner", "fast_growth:outer", "fast_growth:inner"},
        TRIM,
        notes=("different days of the last trim",),
        manner="unsure keep",
    ),
    Vignette(
        "two profiles",
        LOGIC + "; the first photo's is used and named",
        [
            side("LH", name="a.jpg", toe_length=92, profile="jersey"),
            side("LH", "inner", name="b.jpg", toe_length=92, profile="bull"),
        ],
        {"long:outer", "long:inner"},
        TRIM,
        notes=("different profiles; jersey was used",),
        manner="unsure keep",
    ),
    Vignette(
        "photos of before and after on one day are two feet",
        LOGIC,
        [
            side("LH", name="b.jpg", toe_length=118, stage="before"),
            side("LH", name="a.jpg", toe_length=93, stage="after"),
        ],
        {"overgrown:outer"},
        TRIM,
        manner="unsure keep",
    ),
    # Missing.
    Vignette(
        "no day",
        LOGIC + ": no growth without a day; " + WALL,
        [side("LH", toe_length=118, taken=None, trimmed=date(2031, 2, 2))],
        {"overgrown:outer"},
        TRIM,
        manner="unsure keep",
    ),
    Vignette(
        "a day that cannot be read",
        LOGIC,
        [side("LH", toe_length=118, taken="last spring", trimmed=date(2031, 2, 2))],
        {"overgrown:outer"},
        TRIM,
        manner="unsure keep",
    ),
    Vignette(
        "no day, gait known",
        SPRECHER + ": the gait stands beside this foot's own photo",
        whole("LH", taken=None, locomotion=3),
        level="within 48 hours",
        at_least=False,
        manner="first usual",
    ),
    Vignette(
        "no foot",
        LOGIC,
        [side(None, name="x.jpg")],
        questions=("gait", "signs"),
        manner="unsure keep",
    ),
    Vignette(
        "left and right claw of a foot not named",
        LOGIC + ": outer and inner are not known",
        [
            photo(
                "b.jpg",
                None,
                claws={"left": {"sole_length": 150.0}, "right": {"sole_length": 115.0}},
                foot_measures={"length_difference": 35.0, "width_difference_percent": 60.0},
            )
        ],
        level=UNKNOWN,
        manner="keep",
    ),
    Vignette(
        "left claw short, foot not named",
        COMMON + ": short is short on any foot",
        [photo("b.jpg", None, claws={"left": {"toe_length": 68.0}, "right": {"toe_length": 92.0}})],
        # 92 − 68 = 24 ± 4, of one photo
        {"too_short:left", "out_of_proportion:right"},
        WEEK,
        veterinarian=True,
        manner="first careful",
    ),
    Vignette("one claw only", BAND, [side("LH", "inner", toe_length=105)], {"long:inner"}, TRIM, manner="unsure keep"),
    Vignette(
        "nothing measured",
        LOGIC,
        [side("LH", toe_length=None, toe_angle=None, heel_height=None, dorsal_concavity=None)],
        level=UNKNOWN,
        manner="keep",
    ),
    Vignette(
        "nothing measured, even gait",
        LOGIC + ": an even gait is no knowledge of the claws",
        [side("LH", toe_length=None, toe_angle=None, heel_height=None, dorsal_concavity=None, locomotion=1)],
        level=UNKNOWN,
        at_least=False,
        manner="keep",
    ),
    Vignette(
        "toe hidden, angle low",
        COMMON,
        [side("LH", toe_length=None, toe_angle=36)],
        {"low_angle:outer"},
        TRIM,
        manner="keep",
    ),
    Vignette(
        "sole lengths hidden",
        LOGIC,
        [sole("LH", twist=(10, 9)), side("LH", toe_angle=None)],
        manner="unsure keep",
    ),
    # Wrong.
    Vignette(
        "refused photo",
        LOGIC,
        [photo("a.jpg", "LH", status="refused")],
        level=UNKNOWN,
        manner="keep",
        pattern="unknown",
        notes=("Could not be used: a.jpg",),
    ),
    Vignette(
        "measures of a refused photo do not count",
        LOGIC,
        [side("LH", toe_length=140, name="a.jpg", status="refused"), side("LH", name="b.jpg")],
        level=NOTHING,
        manner="unsure keep",
    ),
    Vignette(
        "refused photo, foul smell",
        CAUTION,
        [photo("a.jpg", "LH", status="refused", signs=("smell",))],
        level=TODAY,
        at_least=False,
        veterinarian=True,
        manner="first",
    ),
    Vignette(
        "photo under review",
        _LOOK,
        [sole("RH", 145, 115, status="review")],
        {"out_of_proportion:outer"},
        TRIM,
        manner="careful",
        weak={"out_of_proportion:outer"},
        animal={"other_hind_foot"},
        notes=("RH_sole.jpg",),
        questions=("gait", "signs"),
        asks={"look_at_photo"},
    ),
    Vignette(
        "a length that is no number",
        LOGIC,
        [_with(side("LH"), "outer", toe_length=_mm(float("nan"), 2.0))],
        manner="keep",
    ),
    Vignette(
        "an uncertainty below nothing",
        LOGIC,
        [_with(side("LH"), "outer", toe_length=_mm(140.0, -2.0))],
        manner="keep",
    ),
    Vignette(
        "an uncertainty without end",
        LOGIC,
        [_with(side("LH"), "outer", toe_length=_mm(140.0, float("inf")))],
        manner="keep",
    ),
    Vignette(
        "a value without uncertainty",
        GUM + ": without an uncertainty nothing is beyond it",
        [_with(side("LH"), "outer", toe_length=_mm(140.0, None))],
        manner="keep",
    ),
]
