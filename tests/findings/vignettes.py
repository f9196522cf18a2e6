"""What a vignette is: a foot as it comes in practice, what should be said of it, and on what ground."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from clawvision.types import PhotoFacts

# The ground that an expectation stands on, where several vignettes share it.
NUSS = "Nuss & Paulus 2006, Vet J 172:284-292"
ARCHER = "Archer et al. 2015, Vet Rec 177:222"
TSUKA = "Tsuka et al. 2014, J Dairy Sci 97"
SPRECHER = "Sprecher et al. 1997, Theriogenology 47:1179"
LEACH = "Leach et al. 2012, Vet J 193:626: treated within 48 hours"
THOMAS = "Thomas et al. 2016, Vet Rec 178:116: the other hind limb"
AMSTEL = "van Amstel 2017, Vet Clin N Am Food Anim 33:351-364"
COOK = "Cook et al. 2019, AABP Proc"
ATLAS = "ICAR Claw Health Atlas, 2nd ed. 2020"
GUM = "JCGM 100:2008: nothing is shown inside its expanded uncertainty, k = 2"
WALL = "common practice: the wall grows 4 to 7 mm a month"
CAUTION = "common practice: when to call a veterinarian at once"
COMMON = "common practice"
BAND = "this project's band (J), no published threshold"
CHANGE = "this project's judgement: more than +10 or less than -7 mm a month is more likely an error"
LOGIC = "plain logic: what is not known, or contradicts itself, decides nothing"
ORDER = "this project's judgement: pain or a veterinarian comes before horn"

NOTHING = "no sign in the photo"
TRIM = "at the next trim"
WEEK = "this week"
SOON = "within 48 hours"
TODAY = "today"
UNKNOWN = "unknown"

ORDINARY = (0.0, 15.2)
"""Spare of an ordinary 92 ± 2 mm toe over the minimum of 85 mm, which spreads by 8 mm: 7 ± √(2² + 8²) = 7 ± 8.2."""
BOTH = {"outer": ORDINARY, "inner": ORDINARY}


@dataclass(frozen=True)
class After:
    """What is said after a trim: how each sentence begins, in any order."""

    achieved: tuple[str, ...] = ()
    open: tuple[str, ...] = ()
    harm: tuple[str, ...] = ()
    next_look: str | None = None
    compared_with: tuple[str, ...] = ()


@dataclass(frozen=True)
class Vignette:
    """A foot (that of the first photo), and the animal it belongs to.

    ``codes`` are its findings as ``code:claw``, of which ``weak`` ask to look at a photo first. ``open`` are rows of
    the table of rules, as ``id:claw``, that were measured but are too close to call. ``spare`` holds the ranges in mm;
    a claw that is not in it has none. ``manner`` names the steps: usual, keep or careful, after ``first`` where
    something comes before horn, or none. ``questions`` come first among those asked, ``asks`` anywhere among them;
    ``notes`` are parts of the reasons given. ``wrong`` says in what the program differs from what is expected.
    """

    name: str
    basis: str
    photos: list[PhotoFacts]
    codes: set[str] = field(default_factory=set)
    level: str = NOTHING
    at_least: bool = True
    veterinarian: bool = False
    manner: str = "usual"
    spare: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    open: set[str] = field(default_factory=set)
    animal: set[str] = field(default_factory=set)
    pattern: str | None = None
    animal_level: str | None = None
    notes: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()
    asks: set[str] = field(default_factory=set)
    weak: set[str] = field(default_factory=set)
    after: After | None = None
    wrong: str | None = None
