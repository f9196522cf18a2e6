"""Properties of the findings over random feet, and proof that each can fail."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest

from clawvision.findings import RuleBook, assess, assess_feet, evidence, rules, trim
from clawvision.findings.book import Condition, packaged_rules
from clawvision.findings.urgency import LEVELS
from clawvision.types import PhotoFacts
from tests.findings.photos import photo, side, sole
from tests.findings.properties import PROPERTIES, Case, count, rank
from tests.findings.random_feet import PROFILES

SEED = 1
CASES = 250
"""2.5 % of what ``python -m tests.benchmarks.findings_properties`` runs, and the same cases."""
NAMED = {each.name: each for each in PROPERTIES}


def test_properties_over_random_feet() -> None:
    counts = count(PROPERTIES, SEED, range(CASES))
    assert [what for each in counts.values() for what in each.broken] == []
    # A property that never has anything to say would hold of anything.
    assert all(each.bore >= CASES / 20 for each in counts.values()), {name: each.bore for name, each in counts.items()}


# --- each property can fail: with this in place of what is there, some case breaks it


def _with_rule(rule_id: str, **changes: Any) -> RuleBook:
    book = packaged_rules()
    rows = [row.model_copy(update=changes) if row.id == rule_id else row for row in book.rule]
    return book.model_copy(update={"rule": rows})


def _with_observed(value: str, level: str) -> RuleBook:
    book = packaged_rules()
    rows = [row.model_copy(update={"urgency": level}) if value in row.values else row for row in book.observed]
    return book.model_copy(update={"observed": rows})


def _with_words(key: str, text: str) -> RuleBook:
    book = packaged_rules()
    return book.model_copy(update={"say": {**book.say, key: text}})


def _shown_where_possible(condition: Any, quantity: Any, limit: float) -> str:
    value = quantity.value + quantity.uncertainty if condition.is_ == "above" else quantity.value - quantity.uncertainty
    return "shown" if (value > limit) == (condition.is_ == "above") else "not shown"


def _left_is_fore(foot: Any) -> tuple[str, ...]:
    return ("fore",) if (foot.foot or "").startswith("L") else ("hind",)


def _first_photos_only(facts: Sequence[PhotoFacts]) -> Any:
    return evidence.group_feet(facts[: max(len(facts) - 1, 1)])


_BEST = evidence._best


def _silent_where_disputed(values: Sequence[Any]) -> Any:
    """Where photos contradict one another, nothing is said."""
    best = _BEST(values)
    return replace(best, uncertainty=1e6, rivals=()) if best.rivals else best


class _Forgetful:
    """Overlooks a photo every second time."""

    calls = 0

    def __call__(self, facts: Sequence[PhotoFacts]) -> Any:
        self.calls += 1
        return evidence.group_feet(facts[self.calls % 2 :])


def _patched(module: Any, name: str, by: Any) -> Callable[[pytest.MonkeyPatch], RuleBook]:
    def mutate(monkeypatch: pytest.MonkeyPatch) -> RuleBook:
        monkeypatch.setattr(module, name, by)
        return packaged_rules()

    return mutate


def _book(book: RuleBook) -> Callable[[pytest.MonkeyPatch], RuleBook]:
    return lambda monkeypatch: book


_LONG = [Condition.model_validate({"quantity": "toe_length", "is": "above", "limit": "toe_length_watch"})]
_NOT_OVERGROWN = [Condition.model_validate({"quantity": "toe_length", "is": "below", "limit": "toe_length_flag"})]

MUTATIONS: dict[str, list[Callable[[pytest.MonkeyPatch], RuleBook]]] = {
    # A long toe this week, an overgrown one at the next trim.
    "worse measure": [_book(_with_rule("long", when=[*_LONG, *_NOT_OVERGROWN], urgency="this week"))],
    "worse in one photo": [_patched(evidence, "_best", _silent_where_disputed)],
    "worse gait or sign": [_book(_with_observed("4", "at the next trim"))],
    "wider uncertainty": [
        _patched(rules, "_state", _shown_where_possible),
        _patched(trim, "_not_ruled_out", lambda outcome: False),
    ],
    "changed claws": [_book(_with_rule("rolled-under", trim=[], rule_out=False, veterinarian=False))],
    "left and right": [_patched(rules, "limbs_of", _left_is_fore)],
    "order of photos": [_patched(assess, "group_feet", _first_photos_only)],
    "never well": [
        _book(_with_words("no sign in the photo", "The foot is healthy.")),
        _book(_with_words("no_gait", "")),
    ],
    "spare": [_patched(trim, "_not_ruled_out", lambda outcome: False)],
    "again": [_patched(assess, "group_feet", _Forgetful())],
}


@pytest.mark.parametrize(
    ("name", "mutate"),
    [
        pytest.param(name, each, id=f"{name} {n}")
        for name, several in MUTATIONS.items()
        for n, each in enumerate(several)
    ],
)
def test_each_property_can_fail(
    name: str, mutate: Callable[[pytest.MonkeyPatch], RuleBook], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert set(MUTATIONS) == set(NAMED)
    book = mutate(monkeypatch)
    # Rare cases break it: only the first is looked for.
    assert any(NAMED[name].check(Case(SEED, number, book)) for number in range(CASES))


@pytest.mark.parametrize("rule", packaged_rules().rule, ids=lambda rule: rule.id)
def test_a_lame_cow_is_never_seen_to_later(rule: Any) -> None:
    assert LEVELS.index(rule.urgency_if_lame or rule.urgency) >= LEVELS.index(rule.urgency)


# --- what random feet broke once, as small as it gets


def test_a_claw_too_close_to_call_is_not_one_that_is_known_not_to_be_long() -> None:
    lengths = (("LH", "outer", 115.0, 2.0), ("LH", "inner", 90.0, 2.0), ("RH", "inner", 90.0, 2.0))
    facts = [side(foot, claw, toe_length=length, u=u) for foot, claw, length, u in lengths]
    _, (sure,) = assess_feet([*facts, side("RH", "outer", toe_length=115.0, u=2.0)], PROFILES)
    _, (open_,) = assess_feet([*facts, side("RH", "outer", toe_length=115.0, u=20.0)], PROFILES)
    _, (alone,) = assess_feet([*facts, side("RH", "outer", toe_length=92.0, u=2.0)], PROFILES)
    found = [{each.code for each in animal.findings} & {"one_claw_long"} for animal in (sure, open_, alone)]
    assert found == [set(), set(), {"one_claw_long"}]


def test_what_a_contradicting_photo_shows_is_not_dropped_for_a_milder_sure_finding() -> None:
    # By the surer photo the outer claw is 7 mm beyond the healthy range, by the other 31 mm: watch, and perhaps far.
    photos = [sole("LH", 127.0, 112.7, u=1.0), _named(sole("LH", 151.0, 112.7, u=3.0), "again.jpg")]
    (foot,), _ = assess_feet([*photos, side("LH", toe_length=105.0, u=2.0)], PROFILES)
    assert "out_of_proportion" in {each.code for each in foot.findings if each.claw == "outer"}
    assert foot.trim.spare["outer"].reason is not None


def test_no_range_rests_on_a_photo_that_has_to_be_looked_at() -> None:
    facts = [side("LH", toe_length=98.0, dorsal_concavity=-4.0, u=2.0)]
    for status, given in (("measured", True), ("review", False)):
        (foot,), _ = assess_feet([*facts, sole("LH", helical=0.0, u=2.0, status=status)], PROFILES)
        assert (foot.trim.spare["outer"].reason is None) == given, foot.trim.spare


def test_a_claw_that_may_be_far_longer_than_its_partner_gets_no_range() -> None:
    soles = sole("LH", helical=0.0, u=2.0)
    for partner, u, given in ((98.0, 2.0, True), (98.0, 12.0, False), (92.0, 4.0, False)):
        toes = [side("LH", toe_length=98.0, dorsal_concavity=-4.0, u=2.0), side("LH", "inner", toe_length=partner, u=u)]
        (foot,), _ = assess_feet([soles, *toes], PROFILES)
        assert (foot.trim.spare["outer"].reason is None) == given, (partner, u)


def test_closed_claws_are_even_though_two_side_photos_cannot_tell() -> None:
    # 5 mm on each toe is what side photos tell: their difference is never known to within the band of 5 mm.
    toes = [side(foot, claw, toe_length=117.0, u=5.0) for foot in ("LH", "RH") for claw in ("outer", "inner")]
    _, (animal,) = assess_feet([*toes, sole("LH"), sole("RH")], PROFILES)
    assert "overdue_trim" in {each.code for each in animal.findings}


def test_twists_of_which_the_other_foot_was_not_seen_are_all_traced() -> None:
    one = photo("a.jpg", "LF", claws={"outer": {"axial_twist": 30.0}})
    other = photo("b.jpg", "RF", claws={"inner": {"axial_twist": 30.0}})
    _, (animal,) = assess_feet([one, other], PROFILES)
    finding = next(each for each in animal.findings if each.code == "twist_other_foot")
    assert {row["photo"] for row in finding.chain if row["photo"]} == {"a.jpg", "b.jpg"}


def test_a_view_that_shows_more_twist_does_not_lower_urgency() -> None:
    levels = []
    for second in (31.0, 45.0):
        both = [_twisted(20.0, "side"), _twisted(second, "sole")]
        (foot,), _ = assess_feet(both, PROFILES)
        levels.append(LEVELS.index(foot.urgency.level))
    assert levels[1] >= levels[0]


def test_a_longer_toe_in_the_surest_photo_does_not_lower_urgency() -> None:
    levels = []
    for surest in (99.5, 103.0):
        lengths = ((surest, 4.0), (112.5, 12.0))
        both = [side("LH", toe_length=length, u=u, name=f"{u}.jpg", locomotion=1) for length, u in lengths]
        (foot,), _ = assess_feet(both, PROFILES)
        levels.append(rank(foot.urgency.level))
    assert levels[1] >= levels[0]


def test_a_twist_of_the_other_claw_too_unsure_to_call_gives_no_range() -> None:
    known = [_as_claw(side("LH", "inner", toe_length=98.0, dorsal_concavity=-4.0, u=2.0))]
    for u in (2.0, 12.0):
        other = photo("other.jpg", "LH", claws={"outer": {"helical_twist": 20.0}}, u=u)
        (foot,), _ = assess_feet([*known, sole("LH", u=2.0), other], PROFILES)
        assert foot.trim.spare["inner"].reason is not None, u


def _as_claw(facts: PhotoFacts) -> PhotoFacts:
    """The same photo, which shows that its claw is not twisted."""
    told = photo("told.jpg", None, claws={"inner": {"helical_twist": 0.0}}, u=2.0).claws["inner"]
    return replace(facts, claws={"inner": {**facts.claws["inner"], **told}})


def _twisted(value: float, view: Any) -> PhotoFacts:
    facts = photo(f"{view}.jpg", "LH", claws={"outer": {"helical_twist": value}}, u=8.0, locomotion=2)
    return replace(facts, view=view)


def _named(facts: PhotoFacts, name: str) -> PhotoFacts:
    return replace(facts, request=replace(facts.request, name=name))
