"""Other animals than the Holstein cow, and fore feet."""

from __future__ import annotations

from tests.findings.photos import side, sole, whole
from tests.findings.vignettes import ARCHER, BAND, COMMON, GUM, LOGIC, NUSS, TODAY, TRIM, TSUKA, UNKNOWN, WEEK, Vignette

_CALF = "no values for growing animals are known"
_FORE = "no minimum length is known for fore claws"

VIGNETTES = [
    Vignette(
        "calf",
        _CALF,
        [side("LH", toe_length=55, profile="calf-yearling")],
        level=UNKNOWN,
        manner="none",
        notes=("Calf or yearling",),
        questions=("gait", "signs"),
    ),
    Vignette(
        "calf with a swelling",
        "common practice: a swelling is for the veterinarian, at any age",
        [side("LH", toe_length=55, profile="calf-yearling", signs=("swelling",))],
        level=TODAY,
        at_least=False,
        veterinarian=True,
        manner="none",
    ),
    Vignette(
        "jersey overgrown",
        BAND,
        [side("LH", toe_length=99, profile="jersey")],
        {"overgrown:outer"},
        TRIM,
    ),
    Vignette(
        "jersey in order",
        "no verified minimum; the floor of 75 mm stands for it: 83 − 75 = 8 ± 8.25",
        whole("LH", toes=(83, 83), profile="jersey"),
        spare={"outer": (0.0, 16.25), "inner": (0.0, 16.25)},
    ),
    Vignette(
        "a length that is ordinary for a Holstein is long for a Jersey",
        BAND,
        [side("LH", toe_length=92, profile="jersey")],
        {"long:outer"},
        TRIM,
    ),
    Vignette(
        "jersey heel of 34 mm",
        "this project's judgement: 32 mm is the least",
        [side("LH", toe_length=80, heel_height=34.5, profile="jersey")],
    ),
    Vignette(
        "bull in order",
        "this project's judgement: 90 to 115 mm; 100 − 90 = 10 ± 8.25",
        whole("LH", toes=(100, 100), heel_height=50, profile="bull"),
        spare={"outer": (1.75, 18.25), "inner": (1.75, 18.25)},
    ),
    Vignette(
        "bull at his minimum",
        BAND,
        [side("LH", toe_length=87, heel_height=50, profile="bull")],
        {"at_minimum:outer"},
        manner="keep",
    ),
    Vignette(
        "bull's low heel",
        BAND,
        [side("LH", toe_length=100, heel_height=42, profile="bull")],
        {"low_heel:outer"},
        TRIM,
    ),
    Vignette(
        "beef cow at the mean of untrimmed hind claws",
        "Fjeldaas et al. 2007, Acta Vet Scand: 89 mm behind; 89 − 83 = 6 ± 8.25",
        whole("LH", toes=(89, 89), profile="beef-cow"),
        spare={"outer": (0.0, 14.25), "inner": (0.0, 14.25)},
    ),
    Vignette(
        "beef cow long",
        BAND,
        [side("LH", toe_length=106, profile="beef-cow")],
        {"long:outer"},
        TRIM,
    ),
    Vignette(
        "simmental long",
        BAND,
        [side("LH", toe_length=102, profile="simmental")],
        {"long:outer"},
        TRIM,
    ),
    Vignette(
        "simmental at 77 mm",
        NUSS + ": 77 mm gave a sole of 5 mm, no more than the critical one",
        [side("LH", toe_length=77, u=1.0, profile="simmental")],
        {"at_minimum:outer"},
        manner="keep",
    ),
    Vignette(
        "first parity in order",
        "this project's judgement: 82.5 mm; 88 − 82.5 = 5.5 ± 8.25",
        whole("LH", toes=(88, 88), profile="holstein-parity-1"),
        spare={"outer": (0.0, 13.75), "inner": (0.0, 13.75)},
    ),
    Vignette(
        "first parity: long for her",
        BAND,
        [side("LH", toe_length=96, profile="holstein-parity-1")],
        {"long:outer"},
        TRIM,
    ),
    # Fore feet: no minimum, no heel and no width are known; the floor is common practice.
    Vignette(
        "fore foot in order",
        _FORE,
        [
            sole("LF", 114, 114, widths=(45, 45), helical=(5, 4)),
            side("LF"),
            side("LF", "inner", name="LF_inner.jpg"),
        ],
    ),
    Vignette("fore toe of 84 mm", "Fjeldaas et al. 2007, Acta Vet Scand: 84 mm in front", [side("LF", toe_length=84)]),
    Vignette(
        "fore toe at the floor",
        "common practice: 75 mm",
        [side("LF", toe_length=72)],
        {"too_short:outer"},
        WEEK,
        manner="keep",
    ),
    Vignette(
        "fore toe, the floor within doubt",
        GUM + "; what is not shown to be longer is not shortened",
        [side("LF", toe_length=76)],
        manner="keep",
        open={"too-short:outer"},
    ),
    Vignette("low fore heel is not judged", LOGIC + ": no value known", [side("LF", heel_height=30)]),
    Vignette("fore foot overgrown", COMMON, [side("LF", "inner", toe_length=118)], {"overgrown:inner"}, TRIM),
    Vignette(
        "fore foot steep as usual there",
        "this project's judgement: up to 60 degrees in front, 58 behind",
        [side("LF", toe_angle=59, u=1.0)],
    ),
    Vignette(
        "fore foot, inner far too long",
        BAND,
        [sole("RF", 122, 190, widths=(61, 57))],
        {"out_of_proportion:inner"},
        WEEK,
        veterinarian=True,
        manner="first careful",
    ),
    Vignette(
        "fore foot, outer far too long",
        BAND,
        [sole("RF", 150, 115, widths=(45, 45))],
        {"out_of_proportion:outer"},
        WEEK,
        veterinarian=True,
        manner="first careful",
    ),
    Vignette(
        "fore foot, the share to either side",
        NUSS + ": 6.57 %, to either side",
        [sole("LF", 114, 120, widths=(45, 50))],
        manner="keep",
    ),
    Vignette(
        "foot not named, overgrown either way",
        COMMON,
        [side(None, toe_length=118)],
        {"overgrown:outer"},
        TRIM,
    ),
    Vignette(
        "foot not named, short by either",
        TSUKA,
        [side(None, toe_length=68)],
        {"too_short:outer"},
        WEEK,
        manner="keep",
    ),
    Vignette(
        "foot not named, at the minimum of a hind claw",
        ARCHER + "; a claw that may be short is spared",
        [side(None, toe_length=80)],
        {"at_minimum:outer"},
        manner="keep",
    ),
    Vignette(
        "foot not named, the minimum within doubt",
        ARCHER + "; " + GUM,
        [side(None, toe_length=84)],
        manner="keep",
        open={"at-minimum:outer"},
    ),
    Vignette(
        "foot not named, low heel of a hind foot",
        LOGIC + ": fore heels are not judged",
        [side(None, heel_height=30)],
    ),
]
