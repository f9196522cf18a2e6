"""Feet as they come in practice, each with the ground on which its expected outcome stands."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import pytest

from clawvision.findings import assess_feet
from clawvision.findings.book import FORBIDDEN, packaged_rules
from clawvision.findings.wording import with_unit
from clawvision.types import AnimalResult, Finding, FootResult, PhotoFacts
from tests.findings.photos import PROFILES, photo, side, sole


@dataclass(frozen=True)
class Vignette:
    """``codes`` are the findings of the first foot, as ``code:claw``; ``animal`` those of the animal."""

    name: str
    basis: str
    photos: list[PhotoFacts]
    codes: set[str]
    level: str
    veterinarian: bool = False
    at_least: bool = True
    animal: set[str] = field(default_factory=set)
    pattern: str | None = None


NUSS = "Nuss & Paulus 2006, Vet J 172:284-292"
ARCHER = "Archer et al. 2015, Vet Rec 177:222"
TSUKA = "Tsuka et al. 2014, J Dairy Sci 97"
COMMON = "common practice"
CAUTION = "common practice: cautions, a veterinarian at once"
LEACH = "Leach et al. 2012, Vet J 193:626: treated within 48 hours"
OWN_BAND = "this project's band (J), no published threshold"
TWIST = "van Amstel 2017, Vet Clin N Am Food Anim 33:351-364"
CD = "ICAR Claw Health Atlas, 2nd ed. 2020: concave dorsal wall"

VIGNETTES = [
    Vignette("mean healthy foot", NUSS, [sole("LH"), side("LH")], set(), "no sign in the photo"),
    Vignette("equal claws", NUSS + ": toe lengths equal", [sole("LH", 115, 115)], set(), "no sign in the photo"),
    Vignette(
        "healthy foot, even gait",
        "Sprecher et al. 1997, Theriogenology 47:1179",
        [sole("LH", locomotion=1), side("LH")],
        set(),
        "no sign in the photo",
        at_least=False,
    ),
    Vignette(
        "outer far too long",
        OWN_BAND,
        [sole("RH", 145, 115), side("RH")],
        {"out_of_proportion:outer"},
        "this week",
        True,
        animal={"other_hind_foot"},
        pattern="one claw out of proportion",
    ),
    Vignette(
        "outer far too long and lame",
        LEACH,
        [sole("RH", 145, 115, locomotion=2)],
        {"out_of_proportion:outer"},
        "within 48 hours",
        True,
        at_least=False,
        animal={"other_hind_foot"},
    ),
    Vignette(
        "both hind outer too long",
        "Thomas et al. 2016, Vet Rec 178:116: the other hind limb",
        [sole("LH", 145, 115), sole("RH", 143, 115)],
        {"out_of_proportion:outer"},
        "this week",
        True,
        animal={"uneven_both_hinds"},
        pattern="same claw of both hind feet out of proportion",
    ),
    Vignette(
        "inner far too long",
        OWN_BAND,
        [sole("LH", 110, 130)],
        {"out_of_proportion:inner"},
        "this week",
        True,
        animal={"other_hind_foot"},
    ),
    Vignette(
        "outer in the watch band",
        OWN_BAND,
        [sole("LH", 131, 113)],
        {"out_of_proportion_watch:outer"},
        "at the next trim",
    ),
    Vignette(
        "difference within its uncertainty",
        "GUM, JCGM 100:2008: coverage k = 2",
        [sole("LH", 131, 113, u=7.0, overlap=-28.0, twist=(8, 8))],
        set(),
        "no sign in the photo",
    ),
    Vignette(
        "apparent difference only",
        "measures: the closed difference compares true lengths",
        [sole("RH", 117, 115, apparent=19)],
        {"apparent_difference_only:None"},
        "no sign in the photo",
    ),
    Vignette(
        "fore foot, inner far too long",
        OWN_BAND,
        [sole("RF", 122, 190, widths=(61, 57))],
        {"out_of_proportion:inner"},
        "this week",
        True,
    ),
    Vignette(
        "fore foot, share either way",
        NUSS + ", to either side",
        [sole("LF", 114, 120, widths=(45, 50))],
        set(),
        "no sign in the photo",
    ),
    Vignette("wide outer as usual", NUSS + ": +22 %", [sole("LH", widths=(52, 42.5))], set(), "no sign in the photo"),
    Vignette(
        "outer twice as wide",
        "ICAR Claw Health Atlas, 2nd ed. 2020: asymmetric claws",
        [sole("LH", widths=(70, 38))],
        {"asymmetric:outer"},
        "at the next trim",
    ),
    Vignette(
        "inner wider",
        "ICAR Claw Health Atlas, 2nd ed. 2020: asymmetric claws",
        [sole("LH", widths=(40, 54))],
        {"asymmetric:inner"},
        "at the next trim",
    ),
    Vignette("overgrown", COMMON, [side("LH", toe_length=118)], {"overgrown:outer"}, "at the next trim"),
    Vignette("long", OWN_BAND, [side("LH", toe_length=105)], {"long:outer"}, "at the next trim"),
    Vignette("long within doubt", OWN_BAND, [side("LH", toe_length=101.5)], set(), "no sign in the photo"),
    Vignette(
        "all four long and even",
        "common practice: overdue trim",
        [side(foot, claw, toe_length=117) for foot in ("LH", "RH", "LF", "RF") for claw in ("outer", "inner")],
        {"overgrown:outer", "overgrown:inner"},
        "at the next trim",
        animal={"overdue_trim"},
        pattern="all photographed feet long and even",
    ),
    Vignette(
        "one claw of four feet long",
        "common practice: one claw, a cause in that claw",
        [side("LF", "outer", toe_length=130), *[side(f, c) for f in ("RH", "RF") for c in ("outer", "inner")]],
        {"overgrown:outer"},
        "at the next trim",
        pattern="one claw with findings",
    ),
    Vignette(
        "long soon after a trim",
        "common practice: wall grows 4-7 mm a month",
        [side("LH", toe_length=128, trimmed=date(2031, 2, 2))],
        {"overgrown:outer", "fast_growth:outer"},
        "at the next trim",
    ),
    Vignette(
        "as long as the time explains",
        "common practice: wall grows 4-7 mm a month",
        [side("LH", toe_length=114, trimmed=date(2030, 10, 2))],
        {"overgrown:outer"},
        "at the next trim",
    ),
    Vignette(
        "trim after the photo",
        "plain logic: contradictory input tells nothing",
        [side("LH", toe_length=128, trimmed=date(2031, 6, 2))],
        {"overgrown:outer"},
        "at the next trim",
    ),
    Vignette("short", TSUKA, [side("LH", toe_length=68)], {"too_short:outer"}, "this week"),
    Vignette(
        "short and lame",
        TSUKA,
        [side("LH", toe_length=68, locomotion=3)],
        {"too_short:outer"},
        "within 48 hours",
        at_least=False,
    ),
    Vignette("at the minimum", ARCHER, [side("LH", toe_length=80)], {"at_minimum:outer"}, "no sign in the photo"),
    Vignette(
        "fore toe with no known minimum",
        "no published minimum for fore claws",
        [side("LF", toe_length=80)],
        set(),
        "no sign in the photo",
    ),
    Vignette(
        "turned toe",
        TWIST,
        [sole("LH", twist=(34, 9))],
        {"twist:outer"},
        "at the next trim",
        True,
        animal={"twist_other_foot"},
    ),
    Vignette(
        "turned toe, lame",
        TWIST,
        [sole("LH", twist=(34, 9), locomotion=2)],
        {"twist:outer"},
        "within 48 hours",
        True,
        animal={"twist_other_foot"},
        at_least=False,
    ),
    Vignette(
        "rolled under",
        TWIST,
        [sole("LH", helical=41)],
        {"twist:outer"},
        "at the next trim",
        True,
        animal={"twist_other_foot"},
    ),
    Vignette(
        "twist of healthy claws",
        "measures: 6 to 16 degrees",
        [sole("LH", twist=(16, 6))],
        set(),
        "no sign in the photo",
    ),
    Vignette(
        "inner claw of a heifer turned",
        "Cook et al. 2019, AABP Proc",
        [sole("RH", twist=(8, 30), profile="holstein-parity-1")],
        {"twist:inner"},
        "at the next trim",
        True,
        animal={"twist_other_foot"},
    ),
    Vignette("concave wall", CD, [side("LH", dorsal_concavity=7)], {"concave_wall:outer"}, "at the next trim", True),
    Vignette(
        "scissor claws",
        "ICAR Claw Health Atlas, 2nd ed. 2020: scissor claws",
        [sole("LH", overlap=6)],
        {"scissor_claws:None"},
        "at the next trim",
    ),
    Vignette("low angle", COMMON, [side("LH", toe_angle=36)], {"low_angle:outer"}, "at the next trim"),
    Vignette("low heel", COMMON, [side("LH", heel_height=30)], {"low_heel:outer"}, "at the next trim"),
    Vignette(
        "low fore heel is not judged", "no value known", [side("LF", heel_height=30)], set(), "no sign in the photo"
    ),
    Vignette(
        "very lame, claws in order",
        "Sprecher et al. 1997, Theriogenology 47:1179",
        [side("LH", locomotion=5)],
        set(),
        "today",
        True,
        at_least=False,
    ),
    Vignette(
        "clearly lame, claws in order",
        "Sprecher et al. 1997, Theriogenology 47:1179",
        [side("LH", locomotion=4)],
        set(),
        "today",
        False,
        at_least=False,
    ),
    Vignette("swollen", CAUTION, [side("LH", signs=("swelling",))], set(), "today", True, at_least=False),
    Vignette("warm and sore", LEACH, [side("LH", signs=("heat", "pain"))], set(), "within 48 hours"),
    Vignette(
        "refused photo",
        "plain logic: nothing seen",
        [photo("a.jpg", "LH", status="refused")],
        set(),
        "unknown",
        pattern="unknown",
    ),
    Vignette(
        "refused photo, foul smell",
        CAUTION,
        [photo("a.jpg", "LH", status="refused", signs=("smell",))],
        set(),
        "today",
        True,
        at_least=False,
    ),
    Vignette(
        "photo under review",
        "common practice: look before you cut",
        [sole("RH", 145, 115, status="review")],
        {"out_of_proportion:outer"},
        "at the next trim",
        False,
        animal={"other_hind_foot"},
    ),
    Vignette(
        "calf", "no values for growing animals", [side("LH", toe_length=55, profile="calf-yearling")], set(), "unknown"
    ),
    Vignette(
        "nothing measured",
        "plain logic: nothing seen",
        [side("LH", toe_length=None, toe_angle=None, heel_height=None, dorsal_concavity=None)],
        set(),
        "unknown",
    ),
    Vignette("foot not named", COMMON, [side(None, toe_length=118)], {"overgrown:outer"}, "at the next trim"),
    Vignette("foot not named, short", TSUKA, [side(None, toe_length=68)], {"too_short:outer"}, "this week"),
    Vignette(
        "left and right claw of a foot not named",
        "plain logic: outer and inner are not known",
        [
            photo(
                "b.jpg",
                None,
                claws={"left": {"sole_length": 150.0}, "right": {"sole_length": 115.0}},
                foot_measures={"length_difference": 35.0, "width_difference_percent": 60.0},
            )
        ],
        set(),
        "unknown",
    ),
    Vignette(
        "jersey",
        "this project's band (J)",
        [side("LH", toe_length=99, profile="jersey")],
        {"overgrown:outer"},
        "at the next trim",
    ),
]


def assess(vignette: Vignette) -> tuple[tuple[FootResult, ...], tuple[AnimalResult, ...]]:
    return assess_feet(vignette.photos, PROFILES)


def first_foot(vignette: Vignette) -> FootResult:
    wanted = vignette.photos[0].request.name
    return next(foot for foot in assess(vignette)[0] if wanted in foot.photos)


def all_findings(vignette: Vignette) -> list[Finding]:
    feet, animals = assess(vignette)
    return [finding for each in (*feet, *animals) for finding in each.findings]


def texts_of(finding: Finding) -> list[str]:
    return [finding.text, finding.also_explained_by, finding.look_for, finding.where]


def all_texts(vignette: Vignette) -> list[str]:
    feet, animals = assess(vignette)
    texts = [text for finding in all_findings(vignette) for text in texts_of(finding)]
    for foot in feet:
        texts += [*foot.trim.text, *foot.trim.cautions]
    for each in (*feet, *animals):
        texts += [each.urgency.text, *each.urgency.reasons]
    return texts + [animal.pattern for animal in animals]


def named(cases: list[Vignette]) -> Any:
    return pytest.mark.parametrize("vignette", cases, ids=[case.name for case in cases])


@named(VIGNETTES)
def test_vignette(vignette: Vignette) -> None:
    assert vignette.basis
    foot, animals = first_foot(vignette), assess(vignette)[1]
    assert {f"{finding.code}:{finding.claw}" for finding in foot.findings} == vignette.codes
    assert (foot.urgency.level, foot.urgency.at_least) == (vignette.level, vignette.at_least)
    assert foot.trim.veterinarian is vignette.veterinarian
    assert {finding.code for animal in animals for finding in animal.findings} == vignette.animal
    if vignette.pattern is not None:
        assert animals[0].pattern == vignette.pattern


@named(VIGNETTES)
def test_no_text_gives_a_forbidden_instruction(vignette: Vignette) -> None:
    texts = all_texts(vignette)
    assert len(texts) > 5
    for text in texts:
        assert not FORBIDDEN.search(text), text
        assert "{" not in text and "<" not in text and "None" not in text, text


@pytest.mark.parametrize("bad", ["Cut it back to 75 mm.", "Remove 12 mm.", "The foot is sound.", "Trim to the line."])
def test_the_search_for_forbidden_instructions_can_find_them(bad: str) -> None:
    assert FORBIDDEN.search(bad)


def _said(row: Any) -> set[str]:
    """Numbers that a row of a chain accounts for, as texts print them."""
    printed = []
    if row["value"] is not None:
        printed.append(with_unit(row["value"], row["uncertainty"], row["unit"]))
    if row["limit"] is not None:
        printed.append(with_unit(row["limit"], None, row["unit"]))
    return {found for text in printed for found in re.findall(r"\d+(?:\.\d+)?", text)}


@named([case for case in VIGNETTES if case.codes])
def test_every_number_of_a_finding_traces_to_a_measure_or_a_profile_value(vignette: Vignette) -> None:
    for finding in all_findings(vignette):
        accounted = set().union(*[_said(row) for row in finding.chain])
        numbers = set(re.findall(r"\d+(?:\.\d+)?", " ".join(texts_of(finding))))
        assert numbers <= accounted, (finding.code, numbers - accounted)
        for row in finding.chain:
            assert {"measure", "value", "uncertainty", "unit", "limit", "source", "status", "photo"} <= set(row)
            assert row["limit"] is None or (row["source"] and row["status"] in "PMTCJ")
        compared = [row for row in finding.chain if "rule" in row]
        assert compared and all(row["limit"] is not None and row["photo"] for row in compared)


def test_the_rules_texts_hold_no_numbers_of_their_own() -> None:
    book = packaged_rules()
    texts = [text for rule in book.rule for text in (rule.text, rule.also_explained_by, rule.look_for, rule.where)]
    texts += [row.text for row in (*book.trim, *book.caution, *book.observed)]
    texts += [text for seat in book.seat for text in (seat.where, seat.look_for)]
    texts += [text for key, text in book.say.items() if key != "within 48 hours"]
    assert not [text for text in texts if re.search(r"\d", text)]


def test_terms_of_the_atlas_are_only_suspected() -> None:
    for vignette in VIGNETTES:
        for finding in all_findings(vignette):
            if finding.icar_term and finding.icar_term in finding.text.lower():
                assert "suspected" in finding.text


@named([case for case in VIGNETTES if case.veterinarian and case.codes])
def test_a_claw_that_needs_a_veterinarian_gets_no_line(vignette: Vignette) -> None:
    text = " ".join(first_foot(vignette).trim.text)
    assert "veterinarian" in text and "No length and no line" in text


@pytest.mark.parametrize("length", [60.0, 74.0, 84.0, 86.5])
def test_a_claw_not_shown_to_be_longer_than_the_minimum_is_not_shortened(length: float) -> None:
    feet, _ = assess_feet([side("LH", toe_length=length)], PROFILES)
    assert "do not shorten" in " ".join(feet[0].trim.text)


def test_a_photo_under_review_raises_a_question_only() -> None:
    feet, _ = assess_feet([sole("RH", 145, 115, status="review")], PROFILES)
    (finding,) = feet[0].findings
    assert finding.strength == "weak" and finding.text.startswith("Look at the photo first")
    assert "take no horn" in " ".join(feet[0].trim.text)
    assert any("RH_sole.jpg" in reason for reason in feet[0].urgency.reasons)


def test_a_sure_finding_is_not_pushed_aside_by_a_doubtful_one() -> None:
    doubtful = photo("z.jpg", "LH", claws={"outer": {"helical_twist": 50.0}}, status="review")
    feet, _ = assess_feet([sole("LH", twist=(34, 9)), doubtful], PROFILES)
    (finding,) = feet[0].findings
    assert finding.code == "twist" and not finding.text.startswith("Look at the photo first")
    assert feet[0].trim.veterinarian


def test_what_is_missing_is_said() -> None:
    feet, _ = assess_feet([side("LH")], PROFILES)
    assert any("one claw against the other" in reason for reason in feet[0].urgency.reasons)


def test_where_to_look_follows_limb_and_claw() -> None:
    places = {}
    for foot, outer, inner in (("LH", 150, 115), ("LH", 105, 130), ("LF", 150, 115), ("LF", 105, 130)):
        feet, _ = assess_feet([sole(foot, outer, inner, widths=(45, 45))], PROFILES)
        (finding,) = feet[0].findings
        places[foot, finding.claw] = finding.where
    assert len(set(places.values())) == 4
    assert "where heel and sole meet" in places["LH", "outer"]
