"""Claws in order, or only short: what is seen, how much toe lies beyond the minimum, and what a person saw beside it.

A spare range is length − minimum ± √(U² + 8²), never under 0: 8 mm is how far what a claw needs may lie from the
minimum (Archer et al. 2015: median 83 mm, 90 mm covers 96 %).
"""

from __future__ import annotations

from tests.findings.photos import side, sole, whole
from tests.findings.vignettes import (
    ARCHER,
    BOTH,
    CAUTION,
    COMMON,
    GUM,
    LEACH,
    NUSS,
    ORDER,
    ORDINARY,
    SOON,
    SPRECHER,
    TODAY,
    TRIM,
    TSUKA,
    WEEK,
    Vignette,
)

VIGNETTES = [
    Vignette("mean healthy foot, all measured", NUSS, whole("LH"), spare=BOTH, questions=("gait", "signs")),
    Vignette("mean healthy foot, outer claw from the side", NUSS, [sole("LH"), side("LH")], manner="unsure keep"),
    Vignette("equal soles", NUSS + ": toe lengths equal", [sole("LH", 115, 115)], manner="keep"),
    Vignette("outer wide as usual", NUSS + ": +22 %", [sole("LH", widths=(52, 42.5))], manner="keep"),
    Vignette(
        "healthy foot, even gait",
        SPRECHER,
        whole("LH", locomotion=1),
        at_least=False,
        spare=BOTH,
        questions=("signs",),
    ),
    Vignette(
        "sharply measured toes of 98 mm",
        ARCHER,  # 13 ± √(0.5² + 8²) = 13 ± 8.02
        whole("LH", toes=(98, 98), u=0.5),
        spare={"outer": (4.98, 21.02), "inner": (4.98, 21.02)},
    ),
    Vignette(
        "just beyond the minimum",
        ARCHER,  # 87.5 − 2 > 85; 2.5 ± 8.25
        whole("LH", toes=(87.5, 87.5)),
        spare={"outer": (0.0, 10.75), "inner": (0.0, 10.75)},
    ),
    Vignette(
        "the minimum at the edge of the uncertainty",
        ARCHER + "; " + GUM,  # 87 − 2 = 85, not beyond it
        whole("LH", toes=(87, 87)),
        manner="keep",
        open={"at-minimum:outer", "at-minimum:inner"},
    ),
    Vignette(
        "the minimum within the uncertainty",
        ARCHER + "; " + GUM,
        whole("LH", toes=(86.5, 84)),
        manner="keep",
        open={"at-minimum:outer", "at-minimum:inner"},
    ),
    Vignette(
        "at the minimum",
        ARCHER,
        [side("LH", toe_length=80)],
        {"at_minimum:outer"},
        manner="keep",
    ),
    Vignette(
        "the floor within the uncertainty",
        TSUKA + "; " + GUM,  # 74 ± 2 is surely not above 85, and perhaps not above 75
        [side("LH", toe_length=74)],
        {"at_minimum:outer"},
        manner="keep",
        open={"too-short:outer"},
    ),
    Vignette(
        "at the floor exactly",
        TSUKA + ": sole 6.1 and 6.4 mm thick at 75 mm",  # at most 73 + 2 = 75
        [side("LH", toe_length=73)],
        {"too_short:outer"},
        WEEK,
        manner="keep",
    ),
    Vignette(
        "short",
        TSUKA + ": under 5 mm of sole below 72 mm",
        [side("LH", toe_length=68)],
        {"too_short:outer"},
        WEEK,
        manner="keep",
    ),
    Vignette(
        "short and lame",
        TSUKA + "; " + LEACH,
        [side("LH", toe_length=68, locomotion=3)],
        {"too_short:outer"},
        SOON,
        at_least=False,
        manner="first keep",
    ),
    Vignette(
        "short and steep",
        TSUKA + "; " + COMMON + ": a short toe stands steep",
        [side("LH", toe_length=68, toe_angle=63)],
        {"too_short:outer", "steep_angle:outer"},
        WEEK,
        manner="keep",
    ),
    Vignette(
        "the inner claw short, the outer one not",
        ARCHER + ": a claw at the minimum is not shortened, nor the other one matched to it",
        # 82 + 2 < 85; 90 − 82 = 8 ± 2.8, beyond 5; whether beyond 10 is too close to call, so no figure
        whole("LH", toes=(90, 82)),
        {"at_minimum:inner", "out_of_proportion_watch:outer"},
        TRIM,
        manner="keep",
        open={"toe-far-out-of-proportion:outer"},
    ),
    Vignette(
        "the outer claw at the minimum, the inner one not known",
        ARCHER,
        [sole("LH"), side("LH", toe_length=80)],
        {"at_minimum:outer"},
        manner="keep",
    ),
    Vignette(
        "not quite even gait, claws in order",
        SPRECHER + "; common practice: lift and look soon",
        whole("LH", locomotion=2),
        level=WEEK,
        at_least=False,
        spare=BOTH,
    ),
    Vignette(
        "lame, claws in order", LEACH, whole("LH", locomotion=3), level=SOON, at_least=False, manner="first usual"
    ),
    Vignette(
        "clearly lame, claws in order",
        COMMON + ": the same day",
        whole("LH", locomotion=4),
        level=TODAY,
        at_least=False,
        manner="first usual",
    ),
    Vignette(
        "hardly any weight on the foot, claws in order",
        CAUTION,
        whole("LH", locomotion=5),
        level=TODAY,
        at_least=False,
        veterinarian=True,
        manner="first",
    ),
    Vignette(
        "warm and sore",
        LEACH + "; " + ORDER,
        whole("LH", signs=("heat", "pain")),
        level=SOON,
        manner="first usual",
    ),
    *[
        Vignette(
            f"{sign}, claws in order",
            CAUTION,
            whole("LH", signs=(sign,)),
            level=TODAY,
            at_least=False,
            veterinarian=True,
            manner="first",
        )
        for sign in ("swelling", "wound", "smell")
    ],
    Vignette(
        "one claw ordinary, the other not fully seen",
        "plain logic: only a claw of which nothing is left open is called ordinary",
        [sole("LH", helical=5.0), side("LH"), side("LH", "inner", name="LH_inner.jpg")],
        spare={"outer": ORDINARY},
        manner="unsure keep",
    ),
]
