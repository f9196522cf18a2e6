"""What must hold of the findings for any feet whatever, as checks of one random animal each."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np

from clawvision.findings import RuleBook, assess_feet, choose_profile
from clawvision.findings.book import FORBIDDEN, packaged_rules
from clawvision.findings.evidence import PARTNER
from clawvision.findings.profiles import Limb, Profile
from clawvision.findings.urgency import LEVELS
from clawvision.types import AnimalResult, ClawName, Finding, FootResult, Level, Measure, PhotoFacts, Spare
from tests.findings.random_feet import PROFILES, SIGNS, asked, random_animal, with_uncertainty

Judged = tuple[tuple[FootResult, ...], tuple[AnimalResult, ...]]
MIRROR = {"LF": "RF", "RF": "LF", "LH": "RH", "RH": "LH", None: None}
WELL = re.compile(r"\b(sound|healthy|fine|well|nothing wrong|no lameness|not lame)\b", re.IGNORECASE)
NOT_SEEN = ("gait is not known", "does not show pain", "do not tell how soon")
"""One of these stands beside every word on a foot that nothing is seen on."""


@dataclass
class Case:
    """One random animal, judged by a rule book."""

    seed: int
    number: int
    book: RuleBook

    @cached_property
    def facts(self) -> list[PhotoFacts]:
        return random_animal(np.random.default_rng([self.seed, self.number]))

    @cached_property
    def judged(self) -> Judged:
        return self.judge(self.facts)

    @cached_property
    def quiet(self) -> Case:
        """The same photos of an animal with no signs and little to hear of its gait, so that the photos decide."""
        gait = (None, 1, 2)[int(self.rng(0).integers(3))]
        quiet = Case(self.seed, self.number, self.book)
        quiet.facts = asked(self.facts, locomotion=gait, signs=())
        return quiet

    def judge(self, facts: Sequence[PhotoFacts]) -> Judged:
        return assess_feet(facts, PROFILES, self.book)

    def rng(self, what: int) -> np.random.Generator:
        return np.random.default_rng([self.seed, self.number, what])


@dataclass(frozen=True)
class Property:
    """A check returns None where the case does not bear on it, else what is wrong, nothing being right."""

    name: str
    says: str
    check: Callable[[Case], list[str] | None]


@dataclass(frozen=True)
class Count:
    """How many cases were tried, on how many the property had anything to say, and what was broken."""

    tried: int
    bore: int
    broken: tuple[str, ...]


def count(properties: Sequence[Property], seed: int, numbers: range, book: RuleBook | None = None) -> dict[str, Count]:
    """Check properties on the cases with these numbers; one animal is drawn and judged once for all of them."""
    book = book or packaged_rules()
    bore = dict.fromkeys((each.name for each in properties), 0)
    broken: dict[str, list[str]] = {each.name: [] for each in properties}
    for number in numbers:
        case = Case(seed, number, book)
        for each in properties:
            found = each.check(case)
            if found is not None:
                bore[each.name] += 1
                broken[each.name] += [f"seed {seed}, case {number}: {what}" for what in found]
    return {name: Count(len(numbers), bore[name], tuple(broken[name])) for name in bore}


# --- what all of them need


def rank(level: Level) -> int:
    """Return how urgent a level is; not knowing is no more urgent than seeing nothing."""
    return max(LEVELS.index(level), LEVELS.index("unknown"))


def _lower(before: Judged, after: Judged, which: str = "") -> list[str]:
    """Return where urgency fell, by foot and animal; of the foot whose first photo is ``which`` only, if named."""
    feet = [
        f"{old.foot} {old.stage}: {old.urgency.level} became {new.urgency.level}"
        for old, new in zip(before[0], after[0], strict=True)
        if rank(new.urgency.level) < rank(old.urgency.level) and which in ("", old.photos[0])
    ]
    return feet + [
        f"animal: {old.urgency.level} became {new.urgency.level}"
        for old, new in zip(before[1], after[1], strict=True)
        if rank(new.urgency.level) < rank(old.urgency.level)
    ]


def _kinds(findings: Sequence[Finding], book: RuleBook) -> set[tuple[str, str | None]]:
    families = {rule.id: {rule.family, *rule.covers} for rule in book.rule}
    return {(family, each.claw) for each in findings for family in families[each.rule]}


def _changed(facts: Sequence[PhotoFacts], names: Sequence[str], claw: str | None, measure: str, by: float) -> list[Any]:
    def moved(measures: Mapping[str, Measure]) -> dict[str, Measure]:
        old = measures[measure]
        assert old.value is not None  # random measures have values, or are not there
        return {**measures, measure: replace(old, value=old.value + by)}

    result = []
    for each in facts:
        if each.request.name in names:
            if claw is None and measure in each.foot_measures:
                each = replace(each, foot_measures=moved(each.foot_measures))
            elif claw is not None and measure in each.claws.get(claw, {}):
                each = replace(each, claws={**each.claws, claw: moved(each.claws[claw])})
        result.append(each)
    return result


def _values(facts: Sequence[PhotoFacts], claw: str | None, measure: str) -> list[float]:
    of = [each.foot_measures if claw is None else each.claws.get(claw, {}) for each in facts]
    return [value for each in of if measure in each and (value := each[measure].value) is not None]


def limbs(foot: str | None) -> tuple[Limb, ...]:
    """Return the limb of a foot, or both."""
    return ("fore", "hind") if foot is None else ("hind",) if foot.endswith("H") else ("fore",)


def _limits(profile: Profile, foot: str | None, name: str) -> list[float]:
    return [value.value for limb in limbs(foot) if (value := profile.value(limb, name)) is not None]


def _last_feet(case: Case) -> list[FootResult]:
    """Return each foot as last photographed; earlier photos of it lie in other results."""
    last: dict[Any, FootResult] = {}
    for foot in case.judged[0]:
        last[foot.foot or foot.photos] = foot
    return list(last.values())


def _photos(case: Case, foot: FootResult) -> list[PhotoFacts]:
    return [each for each in case.facts if each.request.name in foot.photos]


# --- 1. worse never counts less


@dataclass(frozen=True)
class _Worse:
    """A way from the healthy band: the measure, which way, and where that way begins."""

    measure: str
    way: float
    from_limit: str | None = None
    """Only values beyond this one are moved: within the band, or across it, is not away from it."""
    more_than_partner: bool = False
    """Only the claw that is ahead of its partner: else the pair becomes more even, which is better."""


_WAYS = (
    _Worse("toe_length", 1.0, "toe_length_watch", more_than_partner=True),
    _Worse("toe_length", -1.0, "toe_length_floor", more_than_partner=True),
    _Worse("toe_angle", -1.0, "toe_angle_usual_low"),
    _Worse("heel_height", -1.0, "heel_height_minimum"),
    _Worse("dorsal_concavity", 1.0),
    _Worse("toe_lift", 1.0),
    _Worse("helical_twist", 1.0),
    _Worse("axial_twist", 1.0, "axial_twist_high"),
    _Worse("roll", 1.0),
    _Worse("sole_tilt", 1.0, "sole_tilt_high"),
    _Worse("sole_tilt", -1.0, "sole_tilt_low"),
    _Worse("splay", 1.0),
    _Worse("toe_overlap", 1.0),
    _Worse("length_difference", 1.0, "outer_longer_high"),
    _Worse("length_difference", -1.0, "outer_longer_low"),
)
_FOOT_MEASURES = ("splay", "toe_overlap", "length_difference")


def _worse_measure(case: Case, alone: bool) -> list[str] | None:
    """Move a measure the wrong way in all photos of a foot alike, or in one of them alone."""
    rng, case = case.rng(1 if alone else 2), case.quiet
    options = list(_ways(case, alone))
    if not options:
        return None
    # Rather what a finding rests on, which has something to lose.
    telling = [each for each in options if _label(each[1], each[2]) in _measures_of(each[0])]
    options = telling if telling and rng.random() < 0.7 else options
    foot, claw, way, names = options[int(rng.integers(len(options)))]
    by = way.way * float(np.exp(rng.uniform(np.log(0.05), np.log(40.0))))
    after = case.judge(_changed(case.facts, names, claw, way.measure, by))
    lower = _lower(case.judged, after, foot.photos[0])
    return [f"{claw or 'foot'} {way.measure} {by:+.2f} in {', '.join(names)}: {each}" for each in lower]


def _label(claw: str | None, way: _Worse) -> str:
    return way.measure if claw is None else f"{claw} {way.measure}"


def _measures_of(foot: FootResult) -> set[str]:
    return {str(row["measure"]) for finding in foot.findings for row in finding.chain}


def _ways(case: Case, alone: bool) -> Iterator[tuple[FootResult, ClawName | None, _Worse, Sequence[str]]]:
    for foot in _last_feet(case):
        photos = _photos(case, foot)
        claws = dict.fromkeys(claw for each in photos for claw in each.claws)
        for way in _WAYS:
            for claw in (None,) if way.measure in _FOOT_MEASURES else claws:
                holding = [each for each in photos if _values([each], claw, way.measure)]
                if not holding or (alone and len(holding) < 2):
                    continue
                groups = [[each] for each in holding] if alone else [holding]
                for group in groups:
                    if _away(foot, photos, group, claw, way):
                        yield foot, claw, way, [each.request.name for each in group]  # type: ignore[misc]


def _away(
    foot: FootResult, photos: Sequence[PhotoFacts], group: Sequence[PhotoFacts], claw: str | None, way: _Worse
) -> bool:
    profile = choose_profile(foot.profile, PROFILES)
    starts = _limits(profile, foot.foot, way.from_limit) if way.from_limit else [-math.inf * way.way]
    if not starts:
        return False
    if way.measure == "length_difference":
        inner = _values(photos, "inner", "sole_length")
        starts = [share / 100.0 * length for share in starts for length in inner]
    if way.more_than_partner and claw is not None:
        starts += _values(photos, PARTNER[claw], way.measure)  # type: ignore[index]
    return all(
        way.way * value >= way.way * start for value, start in product(_values(group, claw, way.measure), starts)
    )


def _worse_everywhere(case: Case) -> list[str] | None:
    return _worse_measure(case, alone=False)


def _worse_in_one_photo(case: Case) -> list[str] | None:
    return _worse_measure(case, alone=True)


def _worse_seen(case: Case) -> list[str]:
    """Score the gait worse, and add a sign."""
    rng = case.rng(3)
    known = case.facts[0].request.locomotion
    gait = int(rng.integers(known or 1, 6))
    sign = SIGNS[int(rng.integers(len(SIGNS)))]
    broken = []
    for what, changes in (
        (f"gait {known} to {gait}", {"locomotion": gait}),
        (f"sign {sign}", {"signs": (*case.facts[0].request.signs, sign)}),
    ):
        after = case.judge(asked(case.facts, **changes))
        broken += [f"{what}: {each}" for each in _lower(case.judged, after)]
        if any(
            old.trim.veterinarian > new.trim.veterinarian for old, new in zip(case.judged[0], after[0], strict=True)
        ):
            broken.append(f"{what}: the veterinarian is not named any more")
    return broken


# --- 2. to know less is not to say more


def _wider(case: Case) -> list[str]:
    factor = float(np.exp(case.rng(4).uniform(0.0, np.log(5.0))))
    after = case.judge([with_uncertainty(each, factor) for each in case.facts])
    broken = []
    settled = False
    for old, new in zip(case.judged[0], after[0], strict=True):
        more = _kinds(new.findings, case.book) - _kinds(old.findings, case.book)
        broken += [f"{old.foot} gains {each}" for each in more]
        # Photos that contradicted one another agree once they claim less, and are not known less surely for it.
        if _disputes(old) - _disputes(new):
            settled = True
            continue
        broken += [
            f"{old.foot} {claw} gets a range where it was: {each.reason}"
            for claw, each in old.trim.spare.items()
            if each.reason is not None and new.trim.spare[claw].reason is None
        ]
    if not settled:
        gained = {each.code for each in after[1][0].findings} - {each.code for each in case.judged[1][0].findings}
        broken += [f"animal gains {each}" for each in sorted(gained)]
    broken += _lower(after, case.judged)
    return [f"uncertainties times {factor:.2f}: {each}" for each in broken]


def _disputes(foot: FootResult) -> set[str]:
    return {each for each in foot.urgency.reasons if "disagree" in each}


# --- 3. what may have changed inside gets no figure


def _changed_claws(case: Case) -> list[str] | None:
    broken, bore = [], False
    for foot in _last_feet(case):
        profile = choose_profile(foot.profile, PROFILES)
        for claw, spare in foot.trim.spare.items():
            why = list(_changed_inside(_photos(case, foot), foot.foot, claw, profile))
            bore = bore or bool(why)
            ordinary = any(text.startswith("An ordinary claw") and f"{claw} claw" in text for text in foot.trim.text)
            if why and (spare.reason is None or ordinary):
                broken.append(f"{foot.foot} {claw}: {_range(spare)} although {'; '.join(why)}")
        no_line = {each.id for each in case.book.rule if "no_line" in each.trim}
        for marked in {each.claw for each in foot.findings if each.rule in no_line}:
            bore = True
            if not any(
                each.startswith("No length and no line") and f"{marked} claw" in each for each in foot.trim.text
            ):
                broken.append(f"{foot.foot} {marked}: nobody is told that there is no line")
        broken += [f"{foot.foot}: {text}" for text in foot.trim.text if " mm" in text]
    return broken if bore else None


def _changed_inside(photos: Sequence[PhotoFacts], foot: str | None, claw: ClawName, profile: Profile) -> Iterator[str]:
    """Say what a photo shows of a claw by the definitions alone, each from a photo that counts."""
    if foot is None or not profile.judged:
        return
    limb = limbs(foot)[0]
    for name, limit in (
        ("helical_twist", "helical_twist_high"),
        ("axial_twist", "axial_twist_high"),
        ("roll", "roll_high"),
        ("dorsal_concavity", "dorsal_concavity_limit"),
        ("toe_length", "toe_length_gross"),
    ):
        bound = profile.value(limb, limit)
        for photo in _counting(photos, claw, name):
            measure = photo.claws[claw][name]
            if bound is not None and _low(measure) > bound.value:
                yield f"{name} {measure.value:.1f} ± {measure.uncertainty:.1f} in {photo.request.name}"
    flag = profile.value(limb, "length_difference_flag")
    share = profile.value(limb, "outer_longer_high" if claw == "outer" else "outer_longer_low")
    if flag is not None and share is not None and claw in ("outer", "inner"):
        for photo in _counting(photos, "inner", "sole_length"):
            if "length_difference" in photo.foot_measures and _excess(photo, claw, share.value) > flag.value:
                yield f"closed difference in {photo.request.name}"
    if flag is not None:
        for one in _counting(photos, claw, "toe_length"):
            for other in _counting(photos, PARTNER[claw], "toe_length"):
                own, partner = one.claws[claw]["toe_length"], other.claws[PARTNER[claw]]["toe_length"]
                if one is not other and _difference_low(own, partner) > flag.value:
                    yield f"toe over partner in {one.request.name} and {other.request.name}"


def _counting(photos: Sequence[PhotoFacts], claw: ClawName | str, name: str) -> list[PhotoFacts]:
    """Return the photos that tell a measure: those that need no look if there are any."""
    holding = [each for each in photos if name in each.claws.get(claw, {})]
    return [each for each in holding if each.status == "measured"] or holding


def _low(measure: Measure) -> float:
    assert measure.value is not None and measure.uncertainty is not None
    return measure.value - measure.uncertainty


def _difference_low(one: Measure, other: Measure) -> float:
    assert one.value is not None and other.value is not None
    assert one.uncertainty is not None and other.uncertainty is not None
    return one.value - other.value - math.hypot(one.uncertainty, other.uncertainty)


def _excess(photo: PhotoFacts, claw: ClawName, share: float) -> float:
    """Return the least that the closed difference lies beyond the healthy one, all errors taken as the worst."""
    difference, inner = photo.foot_measures["length_difference"], photo.claws["inner"]["sole_length"]
    assert difference.value is not None and inner.value is not None
    assert difference.uncertainty is not None and inner.uncertainty is not None
    excess = difference.value - share / 100.0 * inner.value
    worst = difference.uncertainty + abs(share) / 100.0 * inner.uncertainty
    return (excess if claw == "outer" else -excess) - worst


def _range(spare: Spare) -> str:
    return f"range {spare.least} to {spare.most}"


# --- 4. left and right, and the order of photos


def _mirrored(case: Case) -> list[str]:
    swapped = [replace(each, request=replace(each.request, foot=MIRROR[each.request.foot])) for each in case.facts]  # type: ignore[arg-type]
    feet, animals = case.judge(swapped)
    straight = sorted((foot.foot or "", foot.date or "", foot.stage, foot.photos) for foot in case.judged[0])
    turned = {(MIRROR[foot.foot] or "", foot.date or "", foot.stage, foot.photos): foot for foot in feet}
    originals = {(foot.foot or "", foot.date or "", foot.stage, foot.photos): foot for foot in case.judged[0]}
    if set(straight) != set(turned):
        return ["the feet are others"]
    broken = [
        f"{old.foot} differs"
        for key, old in originals.items()
        if replace(turned[key], foot=old.foot) != old  # all else is compared, every text and every chain
    ]
    one, other = _animal_of(case.judged[1][0], mirror=False), _animal_of(animals[0], mirror=True)
    return broken + [f"animal, {key}: {one[key]} and {other[key]}" for key in one if one[key] != other[key]]


def _animal_of(animal: AnimalResult, mirror: bool) -> dict[str, Any]:
    """Return all that is said of an animal, but in no order where the feet's names give it."""

    def named(text: str) -> str:
        return (
            "".join(MIRROR.get(part, part) or "" for part in re.split(r"\b(LF|RF|LH|RH)\b", text)) if mirror else text
        )

    return {
        "pattern": animal.pattern,
        "findings": [replace(each, chain=()) for each in animal.findings],
        "chains": [sorted(repr(sorted(row.items(), key=str)) for row in each.chain) for each in animal.findings],
        "level": (animal.urgency.level, animal.urgency.at_least, animal.urgency.text),
        "reasons": sorted(named(each) for each in animal.urgency.reasons),
        "questions": sorted(animal.urgency.questions, key=lambda each: each.code),
        "checked": animal.checked,
    }


def _shuffled(case: Case) -> list[str]:
    order = case.rng(5).permutation(len(case.facts))
    return [] if case.judge([case.facts[index] for index in order]) == case.judged else ["the order of photos matters"]


# --- 5. a photo never says that a foot is well


def _never_well(case: Case) -> list[str]:
    broken = []
    unknown = case.judge(asked(case.facts, locomotion=None))
    for judged in (unknown, case.judged):
        results: list[FootResult | AnimalResult] = [*judged[0], *judged[1]]
        for each in results:
            urgency, who = each.urgency, each.foot if isinstance(each, FootResult) else "animal"
            if judged is unknown and not (urgency.at_least or urgency.level == "today"):
                broken.append(f"{who}: {urgency.level} without 'at least' though the gait is not known")
            if urgency.level in LEVELS[:2] and not any(
                words in urgency.text for words in (*NOT_SEEN, "could be judged")
            ):
                broken.append(f"{who}: {urgency.text}")
            if found := WELL.search(urgency.text):
                broken.append(f"{who} is called {found.group()}")
            texts = [text for finding in each.findings for text in (finding.text, finding.exact, finding.look_for)]
            texts += [*each.trim.text, *each.trim.cautions, *each.trim.steps] if isinstance(each, FootResult) else []
            broken += [f"{who}: {text}" for text in (*texts, urgency.text) if FORBIDDEN.search(text)]
    return broken


# --- 6. how much toe lies beyond the minimum

_RULED_OUT = (
    ("length_difference", None),
    ("axial_twist", "claw"),
    ("dorsal_concavity", "claw"),
    ("toe_length", "claw"),
)


def _spare(case: Case) -> list[str] | None:
    broken, bore = [], False
    for foot in case.judged[0]:
        profile = choose_profile(foot.profile, PROFILES)
        photos = _photos(case, foot)
        for claw, spare in foot.trim.spare.items():
            if spare.reason is not None:
                if (spare.least, spare.most) != (None, None):
                    broken.append(f"{foot.foot} {claw}: both a reason and a {_range(spare)}")
                continue
            bore = True
            broken += [
                f"{foot.foot} {claw}, {_range(spare)}: {each}" for each in _unfounded(foot, claw, photos, profile)
            ]
    return broken if bore else None


def _unfounded(foot: FootResult, claw: ClawName, photos: Sequence[PhotoFacts], profile: Profile) -> Iterator[str]:
    spare = foot.trim.spare[claw]
    if foot.foot not in ("LH", "RH"):
        yield "no hind foot by name"
    if not profile.judged:
        yield "a calf"
    if foot.stage == "after":
        yield "just trimmed"
    if spare.least is None or spare.most is None or not 0.0 <= spare.least <= spare.most:
        yield "not a range"
    sure = [each for each in photos if each.status == "measured"]
    for name, whose in _RULED_OUT:
        if not _values(sure, claw if whose else None, name):
            yield f"no {name} from a photo that needs no look"
    if not any(_values(sure, claw, name) for name in ("helical_twist",)):
        yield "no helical_twist from a photo that needs no look"
    minimum = profile.value("hind", "toe_length_minimum")
    lengths = [each.claws[claw]["toe_length"] for each in sure if "toe_length" in each.claws.get(claw, {})]
    surest = min(lengths, key=lambda each: each.uncertainty or 0.0, default=None)
    if minimum is None or surest is None or _low(surest) <= minimum.value:
        yield "not shown to be longer than the minimum"


# --- 7. the same again


def _again(case: Case) -> list[str]:
    return [] if case.judge(list(case.facts)) == case.judged else ["judged twice, two answers"]


PROPERTIES = (
    Property("worse measure", "a measure moved away from the healthy band lowers no urgency", _worse_everywhere),
    Property("worse in one photo", "the same where only one of several photos says so", _worse_in_one_photo),
    Property("worse gait or sign", "a worse gait or one more sign lowers no urgency", _worse_seen),
    Property("wider uncertainty", "less sure measures add no finding, no urgency and no range", _wider),
    Property("changed claws", "a twisted, concave, far disproportionate or gross claw gets no range", _changed_claws),
    Property("left and right", "swapping left and right changes nothing but names", _mirrored),
    Property("order of photos", "the order of photos does not matter", _shuffled),
    Property("never well", "no photo says that a foot is well", _never_well),
    Property("spare", "a range is given for ordinary hind claws beyond the minimum only", _spare),
    Property("again", "the same photos give the same answer", _again),
)
