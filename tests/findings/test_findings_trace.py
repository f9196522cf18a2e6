"""Every number that is said leads back to a photo's measure, to a limit with its source, or to a person's word."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from clawvision.findings.book import packaged_rules
from clawvision.findings.evidence import FootEvidence, group_feet
from clawvision.findings.profiles import Profile, choose_profile
from clawvision.findings.quantities import DERIVED, Context, limbs_of
from clawvision.findings.wording import number, with_unit
from clawvision.types import AnimalResult, FootResult
from tests.findings.photos import PROFILES
from tests.findings.vignettes_all import VIGNETTES, assessed, every_vignette, foot_of

_NUMBER = r"−?\d+(?:\.\d+)?"
_PHRASE = re.compile(rf"{_NUMBER}(?: ± {_NUMBER})?(?: mm a month| mm²| mm|°| %| months?| days?)?")
Row = Mapping[str, Any]


def phrases(text: str) -> set[str]:
    """The numbers of a text, each with its uncertainty and unit."""
    return set(_PHRASE.findall(text))


def leads_back(row: Row) -> bool:
    """Whether a row names a photo's measure, a limit with source and status, or how it was computed from such."""
    if row["value"] is None and row["limit"] is None:
        return False
    measured = bool(row["measure"] and row["photo"])
    computed = (row["source"], row["status"]) == ("computed", "C") and bool(row.get("formula"))
    limit = len(row["source"]) > 2 and row["status"] in tuple("PMTCJ")
    return (row["value"] is None or measured or computed) and (row["limit"] is None or limit)


def _told(row: Row) -> set[str]:
    """The ways in which a text may print what a row holds."""
    told = set()
    if row["value"] is not None:
        value = row["value"]
        # What a trim changed is told as so much shorter, lower, flatter: the size alone.
        values = (value, abs(value)) if row.get("formula") == "now − before" else (value,)
        told |= {with_unit(each, row["uncertainty"], row["unit"]) for each in values}
        if row["unit"] == "months":
            # A range of months names its unit once, at its upper end: "3 to 8 months".
            told.add(number(round(value)) if value >= 2 else number(round(value, 1)))
    if row["limit"] is not None:
        told.add(with_unit(row["limit"], None, row["unit"]))
    return told


def unaccounted(texts: Iterable[str], chain: Iterable[Row]) -> set[str]:
    """The numbers of texts that no row of the chain that leads back accounts for."""
    rows = [row for row in chain if leads_back(row)]
    # A made value needs what it was made of beside it, but for a time, which is made of two days.
    measured = any(row["photo"] for row in rows)
    usable = [r for r in rows if measured or r["limit"] is not None or str(r["measure"]).startswith("months_")]
    accounted = set().union(*[_told(row) for row in usable]) if usable else set()
    return {phrase for text in texts for phrase in phrases(text)} - accounted


def finding_problems(result: FootResult | AnimalResult) -> list[str]:
    found = []
    for each in result.findings:
        texts = (each.title, each.text, each.exact, each.also_explained_by, each.look_for, each.where)
        found += [f"{each.code}: {phrase}" for phrase in unaccounted(texts, each.chain)]
        found += [f"{each.code}: row {row}" for row in each.chain if not leads_back(row)]
        compared = [row for row in each.chain if "rule" in row]
        if not compared or not all(row["limit"] is not None and row["photo"] for row in compared):
            found.append(f"{each.code}: no comparison of a photo's measure with a limit")
    return found


def trim_problems(foot: FootResult) -> list[str]:
    trim = foot.trim
    texts = [*trim.text, *trim.cautions, *trim.steps, *trim.slow_down, *trim.feel_for]
    found = [*unaccounted(texts, trim.chain), *[str(row) for row in trim.chain if not leads_back(row)]]
    for claw, spare in trim.spare.items():
        found += phrases(spare.reason or "")
        if spare.most is not None and (spare.least, spare.most, spare.minimum) != pytest.approx(
            _range(spare.chain, claw)
        ):
            found.append(f"spare of the {claw} claw does not follow from its chain")
    return found


def _range(chain: Iterable[Row], claw: str) -> tuple[float, float, float]:
    """The range of spare toe, worked out anew from the rows of its chain alone; not a number where one is missing."""
    rows = [row for row in chain if leads_back(row)]
    length = [row for row in rows if row["photo"] and row["measure"] == f"{claw} toe_length"]
    limits = {row["limit_name"]: row["limit"] for row in rows if row["limit"] is not None}
    if len(length) != 1 or set(limits) != {"toe_length_minimum", "toe_length_minimum_spread"}:
        return (math.nan, math.nan, math.nan)
    value = length[0]["value"] - limits["toe_length_minimum"]
    spread = math.sqrt(length[0]["uncertainty"] ** 2 + limits["toe_length_minimum_spread"] ** 2)
    return (max(value - spread, 0.0), value + spread, limits["toe_length_minimum"])


def after_problems(foot: FootResult) -> list[str]:
    after = foot.after_trim
    if after is None:
        return []
    texts = (*after.achieved, *after.open, *after.harm, *after.expectation)
    found = [*unaccounted(texts, after.chain), *[str(row) for row in after.chain if not leads_back(row)]]
    if after.next_look is not None and foot.date is not None:
        days = (date.fromisoformat(after.next_look) - date.fromisoformat(foot.date)).days
        if days not in [row["limit"] for row in after.chain if row["unit"] == "days" and leads_back(row)]:
            found.append(f"next look after {days} days")
    return found


def urgency_problems(result: FootResult | AnimalResult, name: str) -> list[str]:
    """Numbers in what is said on urgency: only the gait that somebody scored, and names that carry digits."""
    urgency = result.urgency
    found: list[str] = []
    for text in (urgency.text, *urgency.reasons, *[each.text for each in urgency.questions]):
        # Names that the user gave to photos are no numbers of the program.
        for photo in sorted((each.request.name for each in VIGNETTES[name].photos), key=len, reverse=True):
            text = text.replace(photo, "")
        # The name of a level; it stands for the time in Leach et al. 2012, Vet J 193:626, which the table cites.
        text = text.replace("within 48 hours", "")
        scored = {str(each.request.locomotion) for each in VIGNETTES[name].photos if each.request.locomotion}
        # Counted from what somebody wrote beside the photos, as the gait is.
        sore = {str(len({each.request.foot for each in VIGNETTES[name].photos if each.request.signs}))}
        given = scored if "gait was scored" in text else sore if "Signs were seen on" in text else set()
        found += phrases(text) - given
    return found


_WHY = re.compile(r"(\w+) ([^;]+?) (?:is|is not|is not clearly) (?:above|below|at most) (\w+), ([^;]+)")


def checked_problems(foot: FootResult, evidence: FootEvidence, profile: Profile) -> list[str]:
    """What was checked has no chain: its numbers are looked up in the photos' measures and the profile once more."""
    found = []
    for each in foot.checked:
        told = set()
        for quantity, value, limit, against in _WHY.findall(each.why):
            told |= phrases(value) | phrases(against)
            known = set()
            for limb in limbs_of(evidence):
                context = Context(evidence, profile, limb)
                at = context.limit(limit)
                for seen in (context, *(each for each, _ in context.alternatives())):
                    had = seen.quantity(each.claw, quantity)
                    if had is not None and at is not None:
                        pair = with_unit(had.value, had.uncertainty, had.unit), with_unit(at.value, None, at.unit)
                        known.add(pair)
            if (value, against) not in known:
                found.append(f"{each.rule}: {each.why}")
        if phrases(each.why) - told:
            found.append(f"{each.rule}: {each.why}")
    return found


@every_vignette
def test_every_number_leads_back(name: str) -> None:
    feet, animals = assessed(name)
    for result in (*feet, *animals):
        assert not finding_problems(result)
        assert not urgency_problems(result, name)
    for foot, evidence in zip(feet, group_feet(VIGNETTES[name].photos), strict=True):
        assert not trim_problems(foot)
        assert not after_problems(foot)
        assert not checked_problems(foot, evidence, choose_profile(evidence.profile, PROFILES))


def test_numbers_are_said_at_all() -> None:
    """Else the searches above would have nothing to find."""
    feet = [foot for name in VIGNETTES for foot in assessed(name)[0]]
    assert any(phrases(text) for foot in feet for text in foot.trim.steps)
    assert any(phrases(text) for foot in feet if foot.after_trim for text in foot.after_trim.achieved)
    assert any(phrases(text) for foot in feet if foot.after_trim for text in foot.after_trim.expectation)
    assert any(phrases(each.text) for name in VIGNETTES for animal in assessed(name)[1] for each in animal.findings)
    assert any(spare.most for foot in feet for spare in foot.trim.spare.values())
    units = {
        found for name in VIGNETTES for foot in assessed(name)[0] for f in foot.findings for found in phrases(f.text)
    }
    for ending in (" mm", "°", " %", " months", " mm a month"):
        assert any(each.endswith(ending) for each in units), ending


# --- each search finds what it is for


@pytest.mark.parametrize("key", ["title", "text", "exact", "also_explained_by", "look_for", "where"])
@pytest.mark.parametrize("bad", ["It is 93 mm long.", "Of 7 cows.", "By 22 ± 3 %.", "22 ± 4 mm", "3 to 9 months"])
def test_a_number_from_nowhere_is_found_in_a_finding(key: str, bad: str) -> None:
    good = foot_of("outer far too long")
    assert not finding_problems(good)
    assert finding_problems(replace(good, findings=(replace(good.findings[0], **{key: bad}),)))


@pytest.mark.parametrize("gone", [{"photo": None}, {"value": None}, {"measure": None}])
def test_a_number_whose_photo_is_missing_is_found(gone: dict[str, None]) -> None:
    good = foot_of("overgrown").findings[0]
    chain = tuple({**row, **gone} if row["photo"] else row for row in good.chain)
    assert unaccounted([good.text], chain)


@pytest.mark.parametrize("gone", [{"source": ""}, {"status": ""}, {"status": "X"}, {"limit": None}])
def test_a_limit_without_source_and_status_is_found(gone: dict[str, Any]) -> None:
    good = foot_of("overgrown")
    finding = good.findings[0]
    chain = tuple({**row, **gone} if row["limit"] is not None else row for row in finding.chain)
    assert unaccounted([finding.text], chain)
    assert finding_problems(replace(good, findings=(replace(finding, chain=chain),)))


@pytest.mark.parametrize("key", ["text", "cautions", "steps", "slow_down", "feel_for"])
def test_a_number_from_nowhere_is_found_on_trimming(key: str) -> None:
    good = foot_of("mean healthy foot, all measured")
    assert not trim_problems(good)
    assert trim_problems(replace(good, trim=replace(good.trim, **{key: ("About 6 mm.",)})))


def test_a_range_that_does_not_follow_is_found() -> None:
    good = foot_of("mean healthy foot, all measured")
    spare = good.trim.spare["outer"]
    for bad in (
        replace(spare, most=15.3),
        replace(spare, least=0.1),
        replace(spare, minimum=84.0),
        replace(spare, chain=spare.chain[:-1]),
        replace(spare, chain=tuple(row for row in spare.chain if not row["photo"])),
        replace(spare, least=None, most=None, reason="Less than 5 mm."),
    ):
        assert trim_problems(replace(good, trim=replace(good.trim, spare={"outer": bad}))), bad


def test_a_number_from_nowhere_is_found_after_a_trim() -> None:
    good = foot_of("trimmed as it should be")
    after = good.after_trim
    assert after is not None and not after_problems(good)
    for bad in (
        replace(after, achieved=("Outer claw: the toe is 26 ± 3 mm shorter than before.",)),
        replace(after, open=("9 mm",)),
        replace(after, harm=("9 mm",)),
        replace(after, expectation=("Look at this foot again within 100 days.",)),
        replace(after, next_look="2031-08-01"),
        replace(after, chain=()),
    ):
        assert after_problems(replace(good, after_trim=bad)), bad


def test_a_number_from_nowhere_is_found_on_urgency() -> None:
    name = "lame, claws in order"
    good = foot_of(name)
    assert not urgency_problems(good, name)
    for bad in ("The gait was scored 4, clearly lame.", "Within 3 days.", "Score 3."):
        assert urgency_problems(replace(good, urgency=replace(good.urgency, reasons=(bad,))), name)
        assert urgency_problems(replace(good, urgency=replace(good.urgency, text=bad)), name)


def test_a_number_from_nowhere_is_found_in_what_was_checked() -> None:
    name = "long"
    good, (evidence,) = foot_of(name), group_feet(VIGNETTES[name].photos)
    profile = choose_profile(evidence.profile, PROFILES)
    (row,) = [each for each in good.checked if each.rule == "long"]
    assert not checked_problems(good, evidence, profile)
    for bad in (row.why.replace("105", "106"), row.why.replace("100", "99"), "12 mm", row.why + "; 12 mm"):
        assert checked_problems(replace(good, checked=(replace(row, why=bad),)), evidence, profile), bad


def test_computed_quantities_say_how() -> None:
    rows = [
        row
        for name in VIGNETTES
        for foot in assessed(name)[0]
        for finding in foot.findings
        for row in finding.chain
        if row["source"] == "computed"
    ]
    assert {row["measure"] for row in rows} >= set(DERIVED)
    assert all(row["formula"] == DERIVED[row["measure"]].formula for row in rows if row["measure"] in DERIVED)


def test_facts_that_texts_quote_have_a_source_each() -> None:
    quoted = {
        row["fact"]
        for name in VIGNETTES
        for each in (*assessed(name)[0], *assessed(name)[1])
        for chain in (
            *[finding.chain for finding in each.findings],
            *([each.trim.chain] if isinstance(each, FootResult) else []),
            *([each.after_trim.chain] if isinstance(each, FootResult) and each.after_trim else []),
        )
        for row in chain
        if "fact" in row
    }
    assert quoted == set(packaged_rules().fact)
