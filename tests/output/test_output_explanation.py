"""The explanation of one animal: all that the records hold and nothing else, in plain text."""

from __future__ import annotations

import itertools
import json
import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.findings import assess_feet, load_profiles
from clawvision.findings.book import FORBIDDEN
from clawvision.output.chain_words import amount, chain_words, estimate
from clawvision.output.explanation import explanation, feet_of, one_animal_json
from clawvision.output.models import AnimalRecord, AssessmentRecord, FindingRecord, FootRecord
from clawvision.output.record import assessment_record
from clawvision.plain import WIDTH
from clawvision.types import FootResult
from tests.findings.photos import side, sole
from tests.output import made_feet

GOLDEN = Path(__file__).parent / "golden" / "explain.txt"
RECORD = made_feet.assessment()
COW = RECORD.animals[0]


def whole() -> str:
    """All that can be said of the invented cow."""
    return explanation(RECORD, COW, feet_of(RECORD, COW.animal), checked=True)


def told(record: AssessmentRecord = RECORD, **options: Any) -> str:
    """The explanation as one line, so that a sentence is found however it is wrapped."""
    animal = record.animals[0]
    return " ".join(explanation(record, animal, feet_of(record, animal.animal), **options).split())


def one_line(text: str) -> str:
    return " ".join(text.split())


# --- numbers: each one printed is in the records, or a number of the records rounded

_NUMBER = re.compile(r"\d+(?:\.\d+)?")


def known_numbers(value: Any) -> set[str]:
    """Every number that stands in a text of JSON values, and every value of it with as many decimals as are used."""
    if isinstance(value, dict):
        return set().union(*map(known_numbers, itertools.chain(value, value.values())), set())
    if isinstance(value, list):
        return set().union(*map(known_numbers, value), set())
    if isinstance(value, str):
        return set(_NUMBER.findall(value))
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        size = abs(value)
        # Rounded to the nearest, an uncertainty up and the most that could be spare down, all to the same decimals.
        steps = [(digits, 10.0**-digits) for digits in (0, 1, 2)]
        near = {f"{size + part:.{digits}f}" for digits, step in steps for part in (0.0, 0.499 * step, -0.499 * step)}
        return near | {f"{size:g}", f"{round(size, 3):g}"}
    return set()


def numbers_of(text: str) -> set[str]:
    """The numbers of an explanation, without those that only count the lines of a list."""
    return set(_NUMBER.findall(re.sub(r"^ +\d+\. ", "", text, flags=re.MULTILINE)))


def test_the_golden_text() -> None:
    assert whole() + "\n" == GOLDEN.read_text(encoding="utf-8"), "run: python -m tests.output.golden.renew, and read it"


def test_no_line_is_wider_than_a_hundred_columns() -> None:
    assert max(len(line) for line in whole().splitlines()) <= WIDTH == 100


@pytest.mark.parametrize("exact", [False, True])
def test_every_number_is_one_of_the_records(exact: bool) -> None:
    feet = feet_of(RECORD, COW.animal, all_dates=True)
    text = explanation(RECORD, COW, feet, exact=exact, checked=True)
    stored = known_numbers(json.loads(one_animal_json(COW, feet)))
    assert numbers_of(text) - stored == set()
    assert {"118.5", "7.1", "39.50", "0.42", "44.1", "110", "3"} <= numbers_of(text)


def test_the_check_of_numbers_finds_a_number_that_is_not_there() -> None:
    stored = known_numbers(json.loads(one_animal_json(COW, feet_of(RECORD, COW.animal))))
    assert numbers_of("  1. 118.5 and 77.7 mm") - stored == {"77.7"}


def test_nothing_is_said_that_no_text_may_say() -> None:
    assert not FORBIDDEN.search(one_line(whole()))


def test_plain_words_and_exact_ones_are_of_the_same_finding() -> None:
    for foot in feet_of(RECORD, COW.animal):
        for finding in foot.findings:
            assert finding.text in told() and finding.exact not in told()
            assert finding.exact in told(exact=True) and finding.text not in told(exact=True)
    # All else is the same.
    plain, exact = (set(told(exact=each).split()) for each in (False, True))
    assert {"byre/side.jpg", "toe_length_flag", "invented"} <= plain & exact


def test_a_finding_of_an_older_record_has_no_exact_words_nor_a_rule() -> None:
    old = made_feet.long_claw(exact="", title="", rule="", basis="", chain=())
    foot = replace(made_feet.long_foot(), findings=(old,), checked=())
    record = assessment_record(made_feet.RUN, (), (foot,), (made_feet.animal(),))
    assert "* Outer claw: overgrown The toe is overgrown" in told(record, exact=True)
    assert "rule overgrown Strength" in told(record, exact=True).replace("- ", "")


def test_a_chain_is_told_from_the_photo_to_the_rule() -> None:
    words = chain_words(
        (made_feet.LONG, made_feet.LENGTH, made_feet.OVER, made_feet.USUAL), {"byre/side.jpg": "review"}
    )
    assert words == (
        "outer toe_length = 118.5 ± 7.1 mm (photo byre/side.jpg, which a person has to look at first)",
        "toe_length_usual_high = 100 mm (usual untrimmed length, upper end; profile lindgard; source: the herd's own; "
        "status: computed from published values, plain geometry or the herd's own measures)",
        "overgrowth = 18.5 ± 7.1 mm, computed: toe_length − toe_length_usual_high",
        "outer toe_length = 118.5 ± 7.1 mm, compared with toe_length_flag = 110 mm (longer than this is clearly "
        "overgrown; profile lindgard, hind feet; source: an invented study of invented cows; status: read in the "
        "publication): the whole interval is above it",
    )


def test_what_a_rule_asks_beside_the_measures_is_told() -> None:
    assert "rule flat-while-lame, which asks: outer toe_angle below toe_angle_shallow and gait: lame" in told()
    assert "rule one-long-claw, which asks: one claw alone" in told()


def test_what_could_be_spare_is_the_most_of_it_and_no_length_to_take() -> None:
    most = "the most that could be spare, were it an ordinary claw: 44.1 mm. No length to take: the sole decides."
    assert f"outer claw: {most}" in told()
    assert "inner claw: not said. It is not known which foot this is." in told()
    assert "22.8" not in numbers_of(told())


def test_questions_keep_their_order_and_say_what_an_answer_could_change() -> None:
    assert (
        "1. How does she walk? (could become: today) 2. Which day? (would not make it sooner; decides 3 rules)"
        in told()
    )
    foot = told(one_foot=True)
    assert "Which day?" not in foot
    assert "2. A photo of the inner claw. (would not make it sooner; decides 1 rule)" in foot


STATES = {"shown": "overgrown", "cannot tell": "low-heel", "not shown": "too-short"}


def test_every_rule_is_listed_only_when_asked() -> None:
    assert "no heel_height from these photos" not in told()
    for foot in feet_of(RECORD, COW.animal):
        for row in foot.checked:
            assert f"{row.rule}, {row.claw} claw: {row.why}" in told(checked=True)
    own = told(checked=True).split("Every rule about this foot ")[-1]
    order = [own.index(f"{state}: - {rule}") for state, rule in STATES.items()]
    assert order == sorted(order)
    assert "Every rule about this foot: not on record" in told(checked=True)


def test_after_a_trim_all_of_its_outcome_is_told() -> None:
    (foot,) = (each for each in RECORD.feet if each.after_trim)
    after = foot.after_trim
    assert after is not None
    for text in (*after.achieved, *after.open, *after.harm, *after.expectation, after.next_look, *after.compared_with):
        assert text and text in told()
    assert "outer toe_length now − before = −21.3 ± 3.3 mm, computed: now − before" in told()


def test_a_foot_without_findings_is_not_called_well() -> None:
    assert "No finding in these photos. They tell nothing of pain, nor of what lies under the horn." in told()


# --- which feet


def seen(foot: str | None, taken: date | None, stage: str = "check", name: str = "") -> FootResult:
    day = taken.isoformat() if taken else None
    return replace(made_feet.long_foot(), foot=foot, date=day, stage=stage, photos=(name or "x.jpg",))  # type: ignore[arg-type]


def names(feet: tuple[FootRecord, ...]) -> list[tuple[str | None, str | None, str]]:
    return [(each.foot, each.date, each.stage) for each in feet]


def test_each_foot_is_told_as_last_seen_the_latest_first() -> None:
    june, july = date(2031, 6, 1), date(2031, 7, 1)
    results = [
        seen("RH", june),
        seen("RH", july, "before"),
        seen("RH", july, "after"),
        seen("LF", june),
        seen("LF", None),
        seen(None, june, name="a.jpg"),
        seen(None, june, name="b.jpg"),
        replace(seen("LH", july), animal="Another"),
    ]
    for order in (results, results[::-1]):
        record = assessment_record(made_feet.RUN, (), order, ())
        assert names(feet_of(record, made_feet.COW)) == [
            ("RH", "2031-07-01", "after"),
            ("LF", "2031-06-01", "check"),
            (None, "2031-06-01", "check"),
            (None, "2031-06-01", "check"),
        ]
        assert names(feet_of(record, made_feet.COW, "RH", all_dates=True)) == [
            ("RH", "2031-07-01", "after"),
            ("RH", "2031-07-01", "before"),
            ("RH", "2031-06-01", "check"),
        ]
        assert len(feet_of(record, made_feet.COW, all_dates=True)) == 7
        assert feet_of(record, made_feet.COW, "RF") == ()


def test_the_feet_are_those_that_the_animal_was_judged_by() -> None:
    """A foot of every day and stage: what is told of each is what the pattern over the feet looked at."""
    facts = [
        sole("LH", outer=150.0, taken="2031-04-01"),
        sole("LH", taken="2031-06-01"),
        sole("RH", taken="2031-05-01"),
    ]
    feet, animals = assess_feet(facts, load_profiles())
    record = assessment_record(made_feet.RUN, (), feet, animals)
    last = feet_of(record, animals[0].animal)
    assert [foot.date for foot in last] == ["2031-06-01", "2031-05-01"]
    assert {f"{foot.foot}: {foot.urgency.level}." for foot in last} == set(animals[0].urgency.reasons)


# --- what findings make of photos


def test_all_that_the_rules_find_is_told_down_to_photo_limit_source_and_rule() -> None:
    facts = [
        side("LH", toe_length=130.0, toe_angle=35.0, heel_height=30.0, dorsal_concavity=6.0, u=3.0),
        side("LH", "inner", toe_length=84.0),
        sole("LH", outer=160.0, inner=112.0, twist=(35.0, 9.0), helical=40.0, overlap=9.0),
        side("RH", toe_length=70.0),
        sole("RH", widths=(80.0, 42.5)),
    ]
    feet, animals = assess_feet(facts, load_profiles())
    record = assessment_record(made_feet.RUN, (), feet, animals)
    assert sum(len(foot.findings) for foot in feet) >= 8 and animals[0].findings
    text = told(record, checked=True)
    for owner in (*record.feet, *record.animals):
        for finding in owner.findings:
            assert_explained(finding.model_dump(mode="json"), text)
    stored = known_numbers(json.loads(one_animal_json(record.animals[0], record.feet)))
    feet_told = feet_of(record, record.animals[0].animal)
    assert numbers_of(explanation(record, record.animals[0], feet_told, checked=True)) - stored == set()


def assert_explained(finding: dict[str, Any], text: str, words: str = "text") -> None:
    """Look for everything that a finding holds in the part of the text that is about it."""
    head = f": {finding['title']} {finding[words]}"
    assert head in text, finding["rule"]
    part = re.split(r" \* | Trimming - | After the trim | -{10}", text[text.index(head) :])[0]
    for name in ("basis", "also_explained_by", "where", "look_for", "icar_term"):
        assert (finding[name] or "") in part, (finding["rule"], name)
    assert f"rule {finding['rule']}, which asks:" in part
    assert f"Strength: {finding['strength']}" in part
    assert finding["chain"]
    for row in finding["chain"]:
        for name in ("measure", "photo", "limit_name", "fact", "formula", "profile"):
            assert (row.get(name) or "") in part, (finding["rule"], name, row)
        if row["limit"] is not None:
            assert row["source"] and f"source: {row['source']}" in part
            assert amount(row["limit"], row["unit"]) in part
        if row["value"] is not None:
            assert f"{row['measure']} = {estimate(row['value'], row['uncertainty'], row['unit'])}" in part


def test_a_number_is_fine_enough_to_follow_a_comparison() -> None:
    assert estimate(118.04, 7.951, "mm") == "118.0 ± 8.0 mm"
    assert estimate(2.864, 0.831, "mm") == "2.86 ± 0.84 mm"
    assert estimate(-0.04, 0.0, "deg") == "0.0°"
    assert estimate(-69.6, 4.5, "mm") == "−69.6 ± 4.5 mm"
    assert estimate(2.557, None, "months") == "2.6 months"
    assert (amount(-6.57, "percent"), amount(110.0, "mm"), amount(7, "mm/month")) == (
        "−6.57 %",
        "110 mm",
        "7 mm a month",
    )
    assert len(estimate(1e300, 1e299, "parsec")) < 40


# --- records from anybody


ROW = (*made_feet.LONG, "formula", "fact")
HOSTILE = "\x1b[2J\x07a\nb\x9b31m\u202e\u200bc"


def spoilt(value: Any, texts: frozenset[str]) -> Any:
    """Put what would act on a terminal into every text that is free."""
    if isinstance(value, dict):
        free = {key for key, part in value.items() if key in texts and isinstance(part, str)}
        return {key: HOSTILE if key in free else spoilt(part, texts) for key, part in value.items()}
    if isinstance(value, list):
        return [HOSTILE if isinstance(part, str) else spoilt(part, texts) for part in value]
    return value


def test_nothing_in_a_record_acts_on_a_terminal() -> None:
    free = frozenset({*FindingRecord.model_fields, *ROW, "animal", "pattern", "why", "profile", "reason"})
    free -= {"claw", "strength", "unit"}
    animal = AnimalRecord.model_validate(spoilt(COW.model_dump(mode="json"), free))
    feet = [
        FootRecord.model_validate(spoilt(foot.model_dump(mode="json"), free)) for foot in feet_of(RECORD, COW.animal)
    ]
    for text in (explanation(RECORD, animal, feet, checked=True, exact=True), one_animal_json(animal, feet)):
        assert all(each.isprintable() or each == "\n" for each in text)
    assert json.loads(one_animal_json(animal, feet))["animal"]["animal"] == HOSTILE


any_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(), inner, max_size=2),
    max_leaves=4,
)


@given(st.lists(st.dictionaries(st.sampled_from(ROW), any_json | st.just(10**400)), max_size=4))
@settings(deadline=None, max_examples=200)
def test_a_chain_that_holds_anything_is_told_as_far_as_it_goes(rows: list[dict[str, Any]]) -> None:
    assert all(isinstance(each, str) and len(each) < 10_000 for each in chain_words(rows, {}))
