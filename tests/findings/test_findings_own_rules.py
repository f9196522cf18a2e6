"""A herd's own rows: what they can do, and what no row can take away."""

from __future__ import annotations

from pathlib import Path

import pytest

from clawvision.errors import UsageError
from clawvision.findings import assess_feet
from clawvision.findings.book import load_rules, packaged_rules
from tests.findings.photos import PROFILES, side

STEEP = """
[[rule]]
id = "our-steep-toe"
code = "our_steep_toe"
title = "steeper than is usual here"
family = "our angle"
about = "our own look at the toe angle"
claw = "each"
when = [
  { quantity = "toe_angle", is = "above", limit = "toe_angle_usual_high" },
  { context = "limb", among = ["hind"] },
]
text = "The toe of the {claw} claw stands at {toe_angle}; here {profile:toe_angle_usual_high} is much."
exact = "Toe angle, {claw} claw: {toe_angle}."
also_explained_by = "Ground that is not flat."
basis = "what the herd's trimmer has seen"
strength = "weak"
urgency = "at the next trim"
"""

FAR = """
[[rule]]
id = "outer-far-out-of-proportion"
code = "out_of_proportion"
title = "far longer than its partner"
family = "proportion"
about = "one claw against the other"
claw = "outer"
when = [{ quantity = "outer_excess", is = "above", limit = "length_difference_flag" }]
text = "The outer claw is {outer_excess} longer than it ought to be."
exact = "Outer claw longer by {outer_excess}."
also_explained_by = "A trim."
basis = "as packaged"
strength = "moderate"
urgency = "this week"
trim = ["no_line"]
rule_out = true
veterinarian = true
"""


def load(folder: Path, text: str) -> list[str]:
    """The ids of all rules with these rows laid over the packaged ones."""
    (folder / "rows.toml").write_text(text, "utf-8")
    return [rule.id for rule in load_rules(folder / "rows.toml").rule]


def test_a_row_is_added_and_fires_beyond_its_uncertainty_only(tmp_path: Path) -> None:
    ids = load(tmp_path, STEEP)
    assert ids == ["our-steep-toe", *(rule.id for rule in packaged_rules().rule)]
    book = load_rules(tmp_path / "rows.toml")
    for angle, foot, fires in ((56.0, "LH", True), (53.0, "LH", False), (57.5, "LF", False)):
        feet, _ = assess_feet([side(foot, toe_angle=angle)], PROFILES, book)
        found = [each for each in feet[0].findings if each.rule == "our-steep-toe"]
        assert bool(found) is fires, (angle, foot)
        for each in found:
            assert each.text == "The toe of the outer claw stands at 56 ± 2°; here 52° is much."


def test_a_row_is_switched_off_or_takes_a_packaged_ones_place(tmp_path: Path) -> None:
    assert "splayed-toes" not in load(tmp_path, 'off = ["splayed-toes"]')
    assert load(tmp_path, FAR) == [rule.id for rule in packaged_rules().rule]
    assert load_rules(tmp_path / "rows.toml").rule[0].title == "far longer than its partner"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('trim = ["no_line"]', ""), "keep a claw from being cut less"),
        (("rule_out = true", ""), "keep a claw from being cut less"),
        (("veterinarian = true", ""), "keep a claw from being cut less"),
        (("length_difference_flag", "toe_length_gross"), "what it asks"),
        (('" }]', '" }, { context = "parity", among = ["first"] }]'), "what it asks"),
        (('claw = "outer"', 'claw = "inner"'), "of which claw"),
        (('family = "proportion"', 'family = "ours"'), "its family"),
    ],
)
def test_a_row_that_keeps_claws_from_being_cut_is_not_weakened(
    tmp_path: Path, change: tuple[str, str], said: str
) -> None:
    with pytest.raises(UsageError, match=said):
        load(tmp_path, FAR.replace(*change))


@pytest.mark.parametrize("rule", [rule.id for rule in packaged_rules().rule if rule.trim or rule.rule_out])
def test_a_row_that_keeps_claws_from_being_cut_is_not_switched_off(tmp_path: Path, rule: str) -> None:
    with pytest.raises(UsageError, match="keeps claws from being cut and stays"):
        load(tmp_path, f'off = ["{rule}"]')


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("{toe_angle}.", "{toe_angle}, so cut back to it."), "no text may say"),
        (("{toe_angle}.", "52 degrees."), "a number of its own"),
        (('toe_angle_usual_high" }', 'our_limit" }'), "no value 'our_limit'"),
        (('quantity = "toe_angle"', 'quantity = "our_angle"'), "no quantity 'our_angle'"),
        (("basis = ", "# "), "basis"),
        (("[[rule]]", "[[step]]"), "step"),
        (("[[rule]]", "[[rule]"), "not valid TOML"),
    ],
)
def test_a_row_that_cannot_be_used_is_told(tmp_path: Path, change: tuple[str, str], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        load(tmp_path, STEEP.replace(*change))
