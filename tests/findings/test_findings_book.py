"""A herd's own rows: what they may change, what they may not, and what is said of a row that cannot be used."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from clawvision.errors import UsageError
from clawvision.findings import assess_feet, load_rules
from clawvision.findings.book import MAX_RULES_BYTES, RuleBook, packaged_rules
from clawvision.types import FootResult, PhotoFacts
from tests.findings.photos import PROFILES, side, sole, whole

ROW: dict[str, Any] = {
    "id": "a-bit-long",
    "code": "a_bit_long",
    "title": "a bit long",
    "family": "overgrowth",
    "about": "the length of the toe",
    "claw": "each",
    "when": [{"quantity": "toe_length", "is": "above", "limit": "toe_length_usual_low"}],
    "text": "The toe of the {claw} claw is {toe_length} long, {profile:toe_length_usual_low} is usual at least.",
    "exact": "Dorsal wall length, {claw} claw: {toe_length}.",
    "also_explained_by": "An invented herd.",
    "look_for": "The other claw.",
    "where": "The toe.",
    "basis": "an invented herd's own judgement",
    "strength": "weak",
    "urgency": "this week",
}


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(each)}" for key, each in value.items()) + " }"
    return "[" + ", ".join(_toml(each) for each in value) + "]"


def rows(*changes: dict[str, Any], off: str = "") -> str:
    """A herd's file: the row above once for each dictionary of changes; None takes a key out."""
    text = off + "\n"
    for change in changes:
        row = {key: value for key, value in {**ROW, **change}.items() if value is not None}
        text += "[[rule]]\n" + "".join(f"{key} = {_toml(value)}\n" for key, value in row.items())
    return text


def packaged_row(name: str, **changes: Any) -> dict[str, Any]:
    """A packaged row as a herd would copy it, with changes."""
    (rule,) = [each for each in packaged_rules().rule if each.id == name]
    return {**{key: None for key in ROW}, **rule.model_dump(by_alias=True, exclude_none=True), **changes}


def load(tmp_path: Path, content: str | bytes) -> RuleBook:
    path = tmp_path / "herd.toml"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return load_rules(path)


def foot(book: RuleBook, *facts: PhotoFacts) -> FootResult:
    feet, _ = assess_feet(facts, PROFILES, rules=book)
    return feet[0]


def codes(result: FootResult) -> set[str]:
    return {f"{each.code}:{each.claw}" for each in result.findings}


# --- what a herd may do


def test_without_a_file_the_packaged_rows_hold() -> None:
    assert load_rules() is packaged_rules()


def test_an_empty_file_changes_nothing(tmp_path: Path) -> None:
    assert load(tmp_path, "").rule == packaged_rules().rule


def test_a_row_of_a_new_id_is_added_and_changes_an_assessment(tmp_path: Path) -> None:
    book = load(tmp_path, rows({}))
    assert len(book.rule) == len(packaged_rules().rule) + 1
    before, after = foot(packaged_rules(), side("LH")), foot(book, side("LH"))
    assert (codes(before), before.urgency.level) == (set(), "no sign in the photo")
    assert (codes(after), after.urgency.level) == ({"a_bit_long:outer"}, "this week")
    (finding,) = after.findings
    assert finding.text == "The toe of the outer claw is 92 ± 2 mm long, 80 mm is usual at least."
    assert finding.basis == "an invented herd's own judgement"
    assert ("a-bit-long", "shown") in {(each.rule, each.state) for each in after.checked}
    short = foot(book, side("LH", toe_length=81))  # 81 ± 2 is not clearly above 80
    assert "a_bit_long:outer" not in codes(short)


def test_an_added_row_is_the_one_reported_of_its_family(tmp_path: Path) -> None:
    assert codes(foot(load(tmp_path, rows({})), side("LH", toe_length=118))) == {"a_bit_long:outer"}


def test_a_row_of_a_packaged_id_takes_its_place(tmp_path: Path) -> None:
    book = load(tmp_path, rows(packaged_row("low-heel", title="heel low in this herd", urgency="this week")))
    assert [each.id for each in book.rule] == [each.id for each in packaged_rules().rule]
    result = foot(book, side("LH", heel_height=30))
    assert (result.findings[0].title, result.urgency.level) == ("heel low in this herd", "this week")


def test_a_row_can_be_switched_off(tmp_path: Path) -> None:
    book = load(tmp_path, 'off = ["low-heel", "long"]')
    assert codes(foot(packaged_rules(), side("LH", heel_height=30, toe_length=105))) == {"low_heel:outer", "long:outer"}
    assert codes(foot(book, side("LH", heel_height=30, toe_length=105))) == set()


def test_a_row_may_ask_what_is_known_beside_the_measures(tmp_path: Path) -> None:
    lame = {"when": [*ROW["when"], {"context": "gait", "among": ["lame"]}]}
    book = load(tmp_path, rows(lame))
    assert codes(foot(book, side("LH", locomotion=3))) == {"a_bit_long:outer"}
    assert codes(foot(book, side("LH", locomotion=1))) == set()
    unknown = foot(book, side("LH"))
    assert codes(unknown) == set()
    (row,) = [each for each in unknown.checked if each.rule == "a-bit-long"]
    assert (row.state, row.why) == ("cannot tell", "the gait is not known")


@pytest.mark.parametrize(
    ("condition", "more", "fires"),
    [
        ({"context": "limb", "among": ["hind"]}, {}, True),
        ({"context": "limb", "among": ["fore"]}, {}, False),
        ({"context": "stage", "among": ["check"]}, {}, True),
        ({"context": "stage", "among": ["after"]}, {}, False),
        ({"context": "parity", "among": ["later"]}, {"profile": "holstein-parity-2plus"}, True),
        ({"context": "parity", "among": ["first"]}, {"profile": "holstein-parity-2plus"}, False),
        ({"context": "parity", "among": ["later"]}, {}, False),  # the profile was assumed
        ({"context": "parity", "among": ["later"]}, {"profile": "jersey"}, False),
        ({"context": "sign", "among": ["heat"]}, {"signs": ("heat",)}, True),
        ({"context": "sign", "among": ["heat"]}, {"signs": ("pain",)}, False),
        ({"context": "sign", "among": ["heat"]}, {}, False),
    ],
)
def test_each_context_decides(tmp_path: Path, condition: dict[str, Any], more: dict[str, Any], fires: bool) -> None:
    book = load(tmp_path, rows({"when": [*ROW["when"], condition]}))
    assert ("a_bit_long:outer" in codes(foot(book, side("LH", **more)))) is fires


def test_what_a_text_asks_for_and_was_not_measured_reads_not_known(tmp_path: Path) -> None:
    book = load(tmp_path, rows({"text": "Heel {heel_height}, least {profile:heel_height_minimum}; toe {toe_length}."}))
    result = foot(book, side("LH", heel_height=None))
    assert result.findings[0].text == "Heel not known, least 38 mm; toe 92 ± 2 mm."


# --- what protects stays


@pytest.mark.parametrize("rule", [each.id for each in packaged_rules().rule if each.trim or each.rule_out])
def test_a_row_that_protects_cannot_be_switched_off(tmp_path: Path, rule: str) -> None:
    with pytest.raises(UsageError, match=rf"herd\.toml, key 'off': '{rule}' keeps claws from being cut"):
        load(tmp_path, f'off = ["{rule}"]')


@pytest.mark.parametrize(
    ("rule", "change", "key"),
    [
        ("turned-toe", {"trim": []}, "trim"),
        ("turned-toe", {"rule_out": False}, "rule_out"),
        ("turned-toe", {"veterinarian": False}, "veterinarian"),
        ("too-short", {"trim": []}, "trim"),
        ("too-short", {"claw": "outer"}, "claw"),
        ("too-short", {"unknown_foot": "both"}, "unknown_foot"),
        ("at-minimum", {"family": "elsewhere"}, "family"),
        ("concave-wall", {"code": "hollow"}, "code"),
        (
            "at-minimum",
            {"when": [{"quantity": "toe_length", "is": "at_most", "limit": "toe_length_even"}]},
            "when",
        ),
        (
            "rolled-under",
            {
                "when": [
                    {"quantity": "helical_twist", "is": "above", "limit": "helical_twist_high"},
                    {"context": "gait", "among": ["lame"]},
                ]
            },
            "when",
        ),
    ],
)
def test_a_row_that_protects_cannot_be_made_to_protect_less(
    tmp_path: Path, rule: str, change: dict[str, Any], key: str
) -> None:
    with pytest.raises(UsageError, match=rf"herd\.toml, rule '{rule}', key '{key}': (it|the packaged row) "):
        load(tmp_path, rows(packaged_row(rule, **change)))


def test_a_row_that_protects_may_say_it_in_other_words_and_sooner(tmp_path: Path) -> None:
    book = load(tmp_path, rows(packaged_row("concave-wall", text="Hollow by {dorsal_concavity}.", urgency="this week")))
    result = foot(book, side("LH", dorsal_concavity=7))
    assert (result.findings[0].text, result.urgency.level) == ("Hollow by 7 ± 2 mm.", "this week")
    assert result.trim.veterinarian


@pytest.mark.parametrize("covers", [[], ["proportion", "wall"]])
def test_a_row_before_one_that_protects_leaves_it_and_its_protection(tmp_path: Path, covers: list[str]) -> None:
    """A herd's row may speak of a turned toe in its own way; no line and no length all the same."""
    row = {
        "family": "twist",
        "about": "twist of the claw",
        "when": [{"quantity": "axial_twist", "is": "above", "limit": "axial_twist_low"}],
        "text": "The {claw} claw turns in by {axial_twist}.",
        "exact": "{axial_twist}",
        "covers": covers,
    }
    photos = whole("LH", twist=(34, 2))
    plain, own = foot(packaged_rules(), *photos), foot(load(tmp_path, rows(row)), *photos)
    assert codes(plain) == {"twist:outer"} and codes(own) == {"a_bit_long:outer", "twist:outer"}
    assert own.trim.veterinarian and own.trim.spare["outer"].most is None and own.trim.spare["inner"].most is None
    assert (own.trim.text, own.trim.steps) == (plain.trim.text, plain.trim.steps)


def test_a_row_that_covers_others_leaves_their_protection(tmp_path: Path) -> None:
    book = load(tmp_path, rows({"covers": ["twist", "proportion", "wall", "shortness"]}))
    result = foot(book, sole("LH", 150, 115, helical=41), side("LH", dorsal_concavity=7))
    assert codes(result) == {"a_bit_long:outer", "out_of_proportion:outer", "twist:outer", "concave_wall:outer"}
    assert result.trim.veterinarian and "No length and no line" in " ".join(result.trim.text)
    shorter = foot(book, side("LH", toe_length=84, u=0.5))
    assert codes(shorter) == {"a_bit_long:outer", "at_minimum:outer"}
    assert "do not shorten" in " ".join(shorter.trim.text)


# --- rows that cannot be used: file, row and key are named


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (
            {"when": [{"quantity": "toe_lenght", "is": "above", "limit": "toe_length_watch"}]},
            "key 'when': .*lenght",
        ),
        ({"when": [{"quantity": "toe_length", "is": "above", "limit": "toe_watch"}]}, "key 'when': .*'toe_watch'"),
        ({"when": [{"context": "gait", "among": ["lame"]}]}, "key 'when': none of its conditions is about a measure"),
        ({"when": [{"quantity": "toe_length", "is": "over", "limit": "toe_length_watch"}]}, r"key 'when\.0\..*is'"),
        ({"when": [{"context": "colour", "among": ["red"]}]}, r"key 'when\.0\."),
        ({"when": []}, "key 'when'"),
        ({"when": None}, "key 'when'"),
        ({"colour": "red"}, "key 'colour'"),
        ({"basis": None}, "key 'basis'"),
        ({"basis": "J"}, "key 'basis'"),
        ({"basis": "The diagnosis is sure."}, "key 'basis': no text may say 'diagnos'"),
        ({"urgency": "at once"}, "key 'urgency'"),
        ({"claw": "both"}, "key 'claw'"),
        ({"strength": "certain"}, "key 'strength'"),
        ({"trim": ["cut"]}, r"key 'trim\.0'"),
        ({"code": "Long!"}, "key 'code'"),
        ({"text": "It is 92 mm long."}, "key 'text': a text holds a number of its own"),
        ({"exact": "Above 100."}, "key 'exact': a text holds a number of its own"),
        ({"title": "over 9000"}, "key 'title': a text holds a number of its own"),
        ({"about": "the 2 toes"}, "key 'about': a text holds a number of its own"),
        ({"text": "Cut it to {profile:toe_length_minimum}."}, "key 'text': no text may say 'Cut it to'"),
        ({"look_for": "Remove the loose horn."}, "key 'look_for': no text may say 'Remove'"),
        ({"where": "The toe is sound."}, "key 'where': no text may say 'is sound'"),
        ({"also_explained_by": "Shorten the outer claw by {overgrowth}."}, "key 'also_explained_by': no text may say"),
        ({"text": "It is {girth} long."}, "key 'text': there is nothing called 'girth'"),
        ({"text": "{profile:toe_watch}"}, "key 'text': there is nothing called 'profile:toe_watch'"),
        ({"text": "{fact:moon}"}, "key 'text': there is nothing called 'fact:moon'"),
        ({"text": "{toe_length"}, "key 'text': the text cannot be filled in"),
        ({"claw": "foot", "text": "The {claw} claw."}, "key 'text': a row about the foot has no {claw}"),
    ],
)
def test_a_row_that_cannot_be_used_is_named(tmp_path: Path, change: dict[str, Any], told: str) -> None:
    with pytest.raises(UsageError, match=rf"herd\.toml, rule 'a-bit-long', {told}"):
        load(tmp_path, rows({"id": "fine-one"}, change))


@pytest.mark.parametrize("bad", [None, "Not An Id", 7])
def test_a_row_without_a_name_is_named_by_its_number(tmp_path: Path, bad: Any) -> None:
    text = rows({}, {"id": bad if isinstance(bad, str) else None})
    text += "" if bad is None or isinstance(bad, str) else "id = 7\n"
    with pytest.raises(UsageError, match=r"herd\.toml, rule (no\. 2|'Not An Id'), key 'id'"):
        load(tmp_path, text)


def test_one_id_twice_is_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"herd\.toml, rule 'a-bit-long', key 'id': it is there twice"):
        load(tmp_path, rows({"id": "fine-one"}, {}, {}))


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ('off = ["no-such-row"]', "key 'off': there is no rule 'no-such-row'"),
        ('off = "long"', "key 'off'"),
        ("off = [7]", r"key 'off\.0'"),
        ('of = ["long"]', "key 'of'"),
        ('rule = "long"', "key 'rule'"),
        ("rule = [7]", r"rule no\. 1"),
        (rows(packaged_row("long"), off='off = ["long"]'), "key 'off': 'long' is also given a row"),
        ("[[rule]\n", "are not valid TOML"),
        ("a = " + "[" * 5000, "are not valid TOML"),
        (b"title = '\xff\xfe'", "are not UTF-8 text"),
        ("# " + "x" * MAX_RULES_BYTES, "are larger than 256 KiB"),
    ],
)
def test_a_file_that_cannot_be_used_is_named(tmp_path: Path, content: str | bytes, told: str) -> None:
    with pytest.raises(UsageError, match=re.escape(str(tmp_path)) + r"/herd\.toml,? " + told) as caught:
        load(tmp_path, content)
    assert caught.value.remedy


@pytest.mark.parametrize("name", ["no-such-file.toml", "."])
def test_a_file_that_cannot_be_read_is_named(tmp_path: Path, name: str) -> None:
    with pytest.raises(UsageError, match=r"cannot be read"):
        load_rules(tmp_path / name)
