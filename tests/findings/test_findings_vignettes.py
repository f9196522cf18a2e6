"""Feet as they come in practice, each with the ground on which its expected outcome stands."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import pytest

from clawvision.findings.book import ObservedRow, Question, Step, TextRow, packaged_rules
from clawvision.types import FootResult
from tests.findings.vignettes import After, Vignette
from tests.findings.vignettes_all import COUNT, VIGNETTES, assessed, foot_of, strings

BOOK = packaged_rules()
_MANNERS = ("first", "usual", "unsure", "keep", "careful")


def manner_of(foot: FootResult) -> str:
    """Which rows of steps a foot got: of each manner those without a field to fill in, all of them or none."""
    found = []
    for manner in _MANNERS:
        plain = [row.text for row in BOOK.step if row.when == manner and row.kind == "step" and "{" not in row.text]
        assert plain
        there = [text in foot.trim.steps for text in plain]
        assert all(there) or not any(there), manner
        found += [manner] if all(there) else []
    return " ".join(found) or "none"


def problems(vignette: Vignette) -> list[str]:
    """In what the program's answer differs from the vignette."""
    foot, animals = foot_of(vignette.name), assessed(vignette.name)[1]
    (animal,) = animals
    said: dict[str, tuple[object, object]] = {
        "codes": ({f"{each.code}:{each.claw}" for each in foot.findings}, vignette.codes),
        "level": ((foot.urgency.level, foot.urgency.at_least), (vignette.level, vignette.at_least)),
        "veterinarian": (foot.trim.veterinarian, vignette.veterinarian),
        "manner": (manner_of(foot), vignette.manner),
        "animal": ({each.code for each in animal.findings}, vignette.animal),
        "open": (
            {f"{e.rule}:{e.claw}" for e in foot.checked if e.state == "cannot tell" and "is not clearly" in e.why}
            & vignette.open,
            vignette.open,
        ),
        "weak": (
            {f"{e.code}:{e.claw}" for e in foot.findings if e.text.startswith(BOOK.say["look_first"])},
            vignette.weak,
        ),
        "questions": (tuple(e.code for e in foot.urgency.questions[: len(vignette.questions)]), vignette.questions),
        "asks": ({e.code for e in foot.urgency.questions} & vignette.asks, vignette.asks),
        "after": (foot.after_trim is None, vignette.after is None),
    }
    if vignette.pattern is not None:
        said["pattern"] = (animal.pattern, vignette.pattern)
    if vignette.animal_level is not None:
        said["animal_level"] = (animal.urgency.level, vignette.animal_level)
    found = [f"{key}: {got!r}, expected {wanted!r}" for key, (got, wanted) in said.items() if got != wanted]
    reasons = " ".join(foot.urgency.reasons)
    found += [f"no note '{note}' in: {reasons}" for note in vignette.notes if note not in reasons]
    return found + _spare_problems(vignette, foot) + _after_problems(vignette, foot)


def _spare_problems(vignette: Vignette, foot: FootResult) -> list[str]:
    found = [f"no spare of the {claw} claw" for claw in vignette.spare if claw not in foot.trim.spare]
    for claw, spare in foot.trim.spare.items():
        wanted = vignette.spare.get(claw)
        if wanted is None:
            if spare.least is not None or spare.most is not None or not spare.reason:
                found.append(f"spare of the {claw} claw is {spare.least} to {spare.most}, expected none and why")
        elif (spare.least, spare.most) != pytest.approx(wanted, abs=0.05):  # the vignettes give one or two decimals
            found.append(f"spare of the {claw} claw is {spare.least} to {spare.most} ({spare.reason}), not {wanted}")
        elif spare.reason is not None:
            found.append(f"spare of the {claw} claw has a range and a reason")
    return found


def _after_problems(vignette: Vignette, foot: FootResult) -> list[str]:
    said, wanted = foot.after_trim, vignette.after
    if said is None or wanted is None:
        return []
    found = []
    for key in ("achieved", "open", "harm"):
        texts, starts = list(getattr(said, key)), list(getattr(wanted, key))
        matched = [[text for text in texts if text.startswith(start)] for start in starts]
        if len(texts) != len(starts) or not all(len(each) == 1 for each in matched):
            found.append(f"after, {key}: {texts}, expected {starts}")
    if (said.next_look, said.compared_with) != (wanted.next_look, wanted.compared_with):
        found.append(f"after: look on {said.next_look}, against {said.compared_with}")
    return found


def _cases() -> list[object]:
    return [
        pytest.param(each, id=name, marks=[pytest.mark.xfail(strict=True, reason=each.wrong)] if each.wrong else [])
        for name, each in VIGNETTES.items()
    ]


@pytest.mark.parametrize("vignette", _cases())
def test_vignette(vignette: Vignette) -> None:
    assert vignette.basis
    assert not problems(vignette), "\n".join(problems(vignette))


def test_every_vignette_has_a_name_of_its_own() -> None:
    assert len(VIGNETTES) == COUNT


def test_a_vignette_that_expects_something_else_fails() -> None:
    right = VIGNETTES["inner in the watch band"]
    for changed in (
        {"codes": set()},
        {"level": "today"},
        {"at_least": False},
        {"veterinarian": True},
        {"manner": "usual"},
        {"open": {"outer-far-out-of-proportion:outer"}},
        {"animal": {"overdue_trim"}},
        {"pattern": "unknown"},
        {"animal_level": "today"},
        {"notes": ("no such note",)},
        {"questions": ("day",)},
        {"asks": {"look_at_photo"}},
        {"weak": right.codes},
        {"spare": {"outer": (0.0, 1.0)}},
        {"after": After()},
    ):
        assert problems(replace(right, **changed)), changed
    ordinary = VIGNETTES["mean healthy foot, all measured"]
    assert problems(replace(ordinary, spare={}))
    assert problems(replace(ordinary, spare={**ordinary.spare, "inner": (0.0, 15.4)}))
    trimmed = VIGNETTES["trimmed, no photos from before"]
    for after in (After(), After(harm=("Outer claw",), next_look="2031-07-31"), After(next_look="2031-07-30")):
        assert problems(replace(trimmed, after=after)), after


# --- the vignettes reach all rows and all texts


@cache
def _everything() -> str:
    return "\n".join(sorted({text for name in VIGNETTES for _, text in strings(assessed(name))}))


@pytest.mark.parametrize("rule", [rule.id for rule in BOOK.rule])
def test_every_rule_is_shown_once_and_once_left_open_by_its_uncertainty(rule: str) -> None:
    feet = [foot for name in VIGNETTES for foot in assessed(name)[0]]
    assert any(finding.rule == rule for foot in feet for finding in foot.findings)
    assert any(f.split(":")[0] == rule for each in VIGNETTES.values() for f in each.open)


@pytest.mark.parametrize("row", [row.id for row in BOOK.animal])
def test_every_row_about_the_feet_together_is_shown_once_and_once_not(row: str) -> None:
    animals = [animal for name in VIGNETTES for animal in assessed(name)[1]]
    assert any(finding.rule == row for animal in animals for finding in animal.findings)
    assert {"shown"} < {each.state for animal in animals for each in animal.checked if each.rule == row}


@pytest.mark.parametrize("question", [row.code for row in BOOK.question])
def test_every_question_is_asked_once_and_once_not(question: str) -> None:
    asked = {question in {each.code for each in foot_of(name).urgency.questions} for name in VIGNETTES}
    assert asked == {True, False}


def _templates() -> list[str]:
    texts = [
        text
        for row in BOOK.rule
        for text in (row.title, row.text, row.exact, row.also_explained_by, row.look_for, row.where)
    ]
    texts += [text for row in BOOK.animal for text in (row.title, row.text, row.exact, row.look_for, row.where)]
    texts += [text for seat in BOOK.seat for text in (seat.where, seat.look_for)]
    texts += [each.where for each in BOOK.seat_shape]
    rows: Sequence[TextRow | Step | Question | ObservedRow] = (
        *BOOK.trim,
        *BOOK.caution,
        *BOOK.step,
        *BOOK.question,
        *BOOK.observed,
    )
    return sorted({text for text in (*texts, *[row.text for row in rows], *BOOK.say.values()) if text})


@pytest.mark.parametrize("template", _templates())
def test_every_text_of_the_table_is_spoken_by_a_vignette(template: str) -> None:
    """So that what is tested about all texts of all vignettes is tested about all texts there are."""
    parts = re.split(r"\{[^}]*\}|<[a-z]+>", template)
    assert re.search("[^\n]+?".join(re.escape(part) for part in parts), _everything())
