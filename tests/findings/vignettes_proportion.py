"""One claw against the other: closed lengths, toes from the side, widths, and what only looks uneven.

Hind feet: an outer claw up to 6.57 % longer than the inner one is healthy (Nuss & Paulus 2006: 120.1 and 112.7 mm);
5 mm beyond that is to be watched, 10 mm asks for the cause. Of soles each ± 2 mm the excess is ± 2.13 mm.
"""

from __future__ import annotations

from tests.findings.photos import photo, side, sole, whole
from tests.findings.vignettes import (
    ATLAS,
    BAND,
    COMMON,
    GUM,
    LEACH,
    LOGIC,
    NUSS,
    SOON,
    TRIM,
    TSUKA,
    WEEK,
    Vignette,
)

SIDES = "dorsal walls of healthy claws about equal: " + NUSS

VIGNETTES = [
    Vignette(
        "outer far too long",
        BAND,  # 30 − 7.6 = 22.4
        [sole("RH", 145, 115), side("RH")],
        {"out_of_proportion:outer"},
        WEEK,
        veterinarian=True,
        manner="first careful",
        animal={"other_hind_foot"},
        pattern="one claw out of proportion",
    ),
    Vignette(
        "outer far too long, not quite even gait",
        LEACH,
        [sole("RH", 145, 115, locomotion=2)],
        {"out_of_proportion:outer"},
        SOON,
        at_least=False,
        veterinarian=True,
        manner="first careful",
        animal={"other_hind_foot"},
    ),
    Vignette(
        "outer far too long, clearly lame",
        COMMON + ": the same day",
        [sole("RH", 145, 115, locomotion=4)],
        {"out_of_proportion:outer"},
        "today",
        at_least=False,
        veterinarian=True,
        manner="first careful",
        animal={"other_hind_foot"},
    ),
    Vignette(
        "outer far too long on a foot else in order",
        BAND + "; a foot with such a claw is seen to before any toe is measured out",
        whole("RH", outer=145, inner=115),
        {"out_of_proportion:outer"},
        WEEK,
        veterinarian=True,
        manner="first careful",
        animal={"other_hind_foot"},
    ),
    Vignette(
        "outer in the watch band",
        BAND + "; " + GUM,  # 18 − 7.4 = 10.6 ± 2.1
        [sole("LH", 131, 113)],
        {"out_of_proportion_watch:outer"},
        TRIM,
        manner="keep",
        open={"outer-far-out-of-proportion:outer"},
    ),
    Vignette(
        "outer a little long, within doubt",
        GUM,  # 14 − 7.4 = 6.6 ± 2.1
        [sole("LH", 127, 113)],
        manner="keep",
        open={"outer-out-of-proportion:outer"},
    ),
    Vignette(
        "outer in the watch band, not quite even gait",
        LEACH,
        [sole("LH", 129, 113, locomotion=2)],
        {"out_of_proportion_watch:outer"},
        SOON,
        at_least=False,
        manner="keep",
    ),
    Vignette(
        "a rough photo shows no difference",
        GUM,
        [sole("LH", 131, 113, u=7.0, twist=(8, 8))],
        manner="keep",
        open={"outer-far-out-of-proportion:outer", "outer-out-of-proportion:outer"},
    ),
    Vignette(
        "outer too long, the cause not ruled out",
        BAND + "; " + GUM + "; where it cannot be ruled out no toe length is measured out",
        whole("LH", outer=131, inner=113),
        {"out_of_proportion_watch:outer"},
        TRIM,
        # the other claw may need a veterinarian first, so no figure for this one either
        open={"outer-far-out-of-proportion:outer"},
        manner="unsure keep",
    ),
    Vignette(
        "inner far too long",
        BAND,
        [sole("LH", 110, 130)],
        {"out_of_proportion:inner"},
        WEEK,
        veterinarian=True,
        manner="first careful",
        animal={"other_hind_foot"},
    ),
    Vignette(
        "inner in the watch band",
        BAND + "; " + GUM,  # 9 ± 2
        [sole("LH", 106, 115)],
        {"out_of_proportion_watch:inner"},
        TRIM,
        manner="keep",
        open={"inner-far-out-of-proportion:inner"},
    ),
    Vignette(
        "inner a little long, within doubt",
        GUM,  # 6 ± 2
        [sole("LH", 109, 115)],
        manner="keep",
        open={"inner-out-of-proportion:inner"},
    ),
    Vignette(
        "outer toe far longer, from the side",
        SIDES,  # 108 − 90 = 18 ± 2.8
        [side("RH", toe_length=108), side("RH", "inner", toe_length=90)],
        {"out_of_proportion:outer", "long:outer"},
        WEEK,
        veterinarian=True,
        manner="first careful",
        animal={"other_hind_foot"},
    ),
    Vignette(
        "inner toe far longer, from the side",
        SIDES,
        [side("RH", toe_length=88), side("RH", "inner", toe_length=104)],
        {"out_of_proportion:inner", "long:inner"},
        WEEK,
        veterinarian=True,
        manner="first careful",
        animal={"other_hind_foot"},
    ),
    Vignette(
        "outer toe longer, from the side",
        SIDES + "; " + GUM,  # 98 − 89 = 9 ± 2.8
        [side("RH", toe_length=98), side("RH", "inner", toe_length=89)],
        {"out_of_proportion_watch:outer"},
        TRIM,
        open={"toe-far-out-of-proportion:outer"},
        manner="unsure keep",
    ),
    Vignette(
        "outer toe a little longer, within doubt",
        GUM,  # 97 − 91 = 6 ± 2.8
        [side("RH", toe_length=97), side("RH", "inner", toe_length=91)],
        open={"toe-out-of-proportion:outer"},
        manner="unsure keep",
    ),
    # What else the claw shows says where to look besides.
    *[
        Vignette(
            f"outer far too long, and {what}",
            BAND + "; " + COMMON,
            [sole("RH", 145, 115, **of_sole), *([side("RH", **of_side)] if of_side else [])],
            {"out_of_proportion:outer", code},
            WEEK,
            veterinarian=True,
            manner="first careful",
            animal={"other_hind_foot", *animal},
        )
        for what, of_sole, of_side, code, animal in (
            ("twisted", {"helical": 41.0}, {}, "twist:outer", {"twist_other_foot"}),
            ("hollow in front", {}, {"dorsal_concavity": 7.0}, "concave_wall:outer", set()),
            ("low at the heel", {}, {"heel_height": 30.0}, "low_heel:outer", set()),
            ("high at the heel", {}, {"heel_height": 60.0}, "high_heel:outer", set()),
            ("shallow", {}, {"heel_height": 30.0, "toe_angle": 36.0}, "low_angle_low_heel:outer", set()),
            ("short at the toe", {}, {"toe_length": 80.0}, "at_minimum:outer", set()),
        )
    ],
    Vignette(
        "outer far too long on the sole, and too short at the toe",
        BAND + "; " + TSUKA,
        [sole("RH", 145, 115), side("RH", toe_length=70)],
        {"out_of_proportion:outer", "too_short:outer"},
        WEEK,
        veterinarian=True,
        manner="first careful",
        animal={"other_hind_foot"},
    ),
    Vignette(
        "right toe longer, foot not named",
        SIDES + ", on any foot",
        [photo("x.jpg", None, claws={"left": {"toe_length": 89.0}, "right": {"toe_length": 98.0}}, u=1.0)],
        {"out_of_proportion_watch:right"},
        TRIM,
        open={"toe-far-out-of-proportion:right"},
        manner="unsure keep",
    ),
    # Differences within one photo, JCGM 100:2008, 5.2: what the causes of error share falls out, by their signs.
    Vignette(
        "toes of one photo whose errors are shared",
        GUM + "; 5.2: correlated errors cancel",  # 8 ± 2 × √(0.3² + 0.3²) = 8 ± 0.85
        [
            photo(
                "both.jpg",
                "LH",
                claws={"outer": {"toe_length": 98.0}, "inner": {"toe_length": 90.0}},
                budgets={
                    "outer": {"toe_length": {"scale": 1.5, "outline outer": 0.3}},
                    "inner": {"toe_length": {"scale": 1.5, "outline inner": 0.3}},
                },
            )
        ],
        {"out_of_proportion_watch:outer"},
        TRIM,
        manner="unsure keep",
    ),
    Vignette(
        "toes of one photo whose shared error has opposite signs",
        GUM + "; 5.2: they add",  # 8 ± 2 × √(3² + 0.3² + 0.3²) = 8 ± 6.06
        [
            photo(
                "both.jpg",
                "LH",
                claws={"outer": {"toe_length": 98.0}, "inner": {"toe_length": 90.0}},
                budgets={
                    "outer": {"toe_length": {"tilt": 1.5, "outline outer": 0.3}},
                    "inner": {"toe_length": {"tilt": -1.5, "outline inner": 0.3}},
                },
            )
        ],
        open={"toe-out-of-proportion:outer"},
        manner="unsure keep",
    ),
    Vignette(
        "toes of one photo whose causes of error are not given",
        GUM + "; 5.2: at most they add",  # 8 ± (2 + 2)
        [photo("both.jpg", "LH", claws={"outer": {"toe_length": 98.0}, "inner": {"toe_length": 90.0}})],
        open={"toe-out-of-proportion:outer"},
        manner="unsure keep",
    ),
    Vignette(
        "toes of two photos whose causes have the same names",
        GUM + "; two photos are independent",  # 8 ± √2 × 3.06 = 8 ± 4.3
        [
            photo(
                f"{claw}.jpg",
                "LH",
                claws={claw: {"toe_length": length}},
                budgets={claw: {"toe_length": {"scale": 1.5, "outline": 0.3}}},
            )
            for claw, length in (("outer", 98.0), ("inner", 90.0))
        ],
        open={"toe-out-of-proportion:outer"},
        manner="unsure keep",
    ),
    # What only looks uneven.
    Vignette(
        "the toes stand unevenly, closed they are alike",
        COMMON + ": muscle pull spreads the toes unevenly",
        [sole("RH", 117, 115, apparent=19)],
        {"apparent_difference_only:None"},
        manner="keep",
    ),
    Vignette(
        "the toes stand a little unevenly, within doubt",
        GUM,  # 8 − 2 = 6 ± 4, of one photo
        [sole("RH", 117, 115, apparent=8)],
        manner="keep",
        open={"apparent-only:None"},
    ),
    Vignette(
        "the toes stand unevenly and one claw is longer too",
        LOGIC + "; what is truly longer is not explained away",
        [sole("RH", 145, 115, apparent=60)],
        {"out_of_proportion:outer"},
        WEEK,
        veterinarian=True,
        manner="first careful",
        animal={"other_hind_foot"},
    ),
    # Widths: outer − inner over their mean, healthy 20.1 %.
    Vignette(
        "outer twice as wide",
        ATLAS + ": asymmetric claws",
        [sole("LH", widths=(70, 38))],
        {"asymmetric:outer"},
        TRIM,
        manner="keep",
    ),
    Vignette(
        "outer very wide, within doubt",
        ATLAS + "; " + GUM,  # 41 ± 2 %
        [sole("LH", widths=(60.25, 39.75))],
        manner="keep",
        open={"asymmetric-outer-wide:outer"},
    ),
    Vignette(
        "inner far wider",
        ATLAS + ": asymmetric claws",
        [sole("LH", widths=(40, 54))],
        {"asymmetric:inner"},
        TRIM,
        manner="keep",
    ),
    Vignette(
        "inner wider, within doubt",
        ATLAS + "; " + GUM,  # −21 ± 2 %
        [sole("LH", widths=(44.75, 55.25))],
        manner="keep",
        open={"asymmetric-inner-wide:inner"},
    ),
    # A doubtful photo against a sure one.
    Vignette(
        "twist and proportion ruled out by a photo under review only",
        "a photo under review raises questions; it does not show a claw to be ordinary",
        [side("LH"), side("LH", "inner", name="inner.jpg"), sole("LH", helical=(5, 4), status="review")],
    ),
    Vignette(
        "far out of proportion under review, a little by the side photos",
        "common practice: look before you act; under doubt a claw is spared as if the doubt were true",
        [
            side("LH", toe_length=98, u=0.5, name="outer.jpg"),
            side("LH", "inner", toe_length=91, u=0.5, name="inner.jpg"),
            sole("LH", 145, 115, helical=(5, 4), status="review"),
        ],
        {"out_of_proportion_watch:outer", "out_of_proportion:outer"},
        TRIM,
        manner="careful",
        animal={"other_hind_foot"},
        weak={"out_of_proportion:outer"},
    ),
]
