"""Feet as they come in practice, each with the ground on which its expected outcome stands."""

from __future__ import annotations

import pytest

from clawvision.findings.book import packaged_rules
from clawvision.types import FootResult
from tests.findings.vignettes import Vignette
from tests.findings.vignettes_all import VIGNETTES, assessed, foot_of

BOOK = packaged_rules()
_MANNERS = ("first", "usual", "keep", "careful")


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
