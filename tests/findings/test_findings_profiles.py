"""Profiles: the packaged ones against published figures, a herd's own, and refusals that name what to mend."""

from __future__ import annotations

from pathlib import Path
from string import Formatter

import pytest

from clawvision.errors import UsageError
from clawvision.findings import DEFAULT_PROFILE, assess_feet, choose_profile, load_profiles
from clawvision.findings.book import Condition, packaged_rules, rule_problem
from clawvision.findings.profiles import LIMBS, MAX_PROFILE_BYTES
from clawvision.findings.quantities import DERIVED
from clawvision.findings.values import NEEDED_WITH, PROFILE_VALUES
from tests.findings.photos import side

ROW = 'value = 84\nsource = "our own claws"\nstatus = "J"\n'
HEAD = 'name = "ours"\ntitle = "Ours"\nlandmark = "hairline"\n'


def write(folder: Path, text: str, name: str = "ours.toml") -> Path:
    (folder / name).write_text(text, encoding="utf-8")
    return folder


def test_the_packaged_profiles_are_there_and_every_value_has_its_source() -> None:
    profiles = load_profiles()
    assert {DEFAULT_PROFILE, "holstein-parity-1", "simmental", "jersey", "beef-cow", "bull"} < set(profiles)
    for profile in profiles.values():
        assert profile.title
        assert profile.landmark or not profile.judged
        for limb in LIMBS:
            for value in profile.values[limb].values():
                assert value.source and value.status in "PMTCJ"
                assert value.unit == PROFILE_VALUES[value.name].unit


def test_healthy_ratios_are_those_of_the_published_table() -> None:
    """Nuss & Paulus 2006, Vet J 172:284-292: sole length 120.1 and 112.7 mm, width 52.0 and 42.5 mm."""
    profile = choose_profile(None, load_profiles())
    length, width = profile.value("hind", "outer_longer_high"), profile.value("hind", "width_difference_expected")
    assert length is not None and width is not None
    assert 1.0 + length.value / 100.0 == pytest.approx(120.1 / 112.7, abs=5e-5)
    assert (round(120.1 / 112.7, 4), round(52.0 / 42.5, 4)) == (1.0657, 1.2235)
    assert width.value == pytest.approx(100.0 * (52.0 - 42.5) / (0.5 * (52.0 + 42.5)), abs=0.01)


def test_young_animals_are_not_judged_by_adult_numbers() -> None:
    calf = load_profiles()["calf-yearling"]
    assert not calf.judged and not any(calf.values[limb] for limb in LIMBS)
    feet, animals = assess_feet([side("LH", toe_length=140, profile="calf-yearling")], load_profiles())
    assert not feet[0].findings and not animals[0].findings
    assert any("Calf or yearling" in reason for reason in feet[0].urgency.reasons)


def test_a_herd_builds_on_a_packaged_profile(tmp_path: Path) -> None:
    folder = write(
        tmp_path,
        f'name = "ours"\nextends = "jersey"\ntitle = "Ours"\n[hind.toe_length_flag]\n{ROW}'.replace("84", "93"),
    )
    ours = load_profiles([folder])["ours"]
    flag, watch = ours.value("hind", "toe_length_flag"), ours.value("hind", "toe_length_watch")
    assert flag is not None and (flag.value, flag.source) == (93.0, "our own claws")
    assert watch is not None and watch.value == 88.0


def test_a_herd_replaces_a_packaged_profile_by_name(tmp_path: Path) -> None:
    text = f'name = "{DEFAULT_PROFILE}"\nextends = "{DEFAULT_PROFILE}"\n[hind.toe_length_minimum]\n{ROW}'
    value = load_profiles([write(tmp_path, text)])[DEFAULT_PROFILE].value("hind", "toe_length_minimum")
    assert value is not None and value.value == 84.0


def test_profiles_of_one_folder_may_extend_each_other_in_any_order(tmp_path: Path) -> None:
    write(tmp_path, 'name = "aa"\nextends = "zz"\n', "aa.toml")
    write(tmp_path, 'name = "zz"\nextends = "bull"\n', "zz.toml")
    assert load_profiles([tmp_path])["aa"].title == "Adult bull"


@pytest.mark.parametrize(
    ("text", "key"),
    [
        (HEAD + f"[hind.toe_lenght_flag]\n{ROW}", "hind.toe_lenght_flag"),
        (HEAD + f"[rear.toe_length_flag]\n{ROW}", "rear"),
        (HEAD + 'colour = "red"\n', "colour"),
        (HEAD + '[hind.heel_height_minimum]\nvalue = 38\nstatus = "J"\n', "hind.heel_height_minimum.source"),
        (HEAD + '[hind.heel_height_minimum]\nvalue = 38\nsource = "book"\n', "hind.heel_height_minimum.status"),
        (
            HEAD + '[hind.heel_height_minimum]\nvalue = 38\nsource = "book"\nstatus = "X"\n',
            "heel_height_minimum.status",
        ),
        (HEAD + f"[hind.heel_height_minimum]\n{ROW}".replace("84", '"38"'), "hind.heel_height_minimum.value"),
        (HEAD + f"[hind.heel_height_minimum]\n{ROW}".replace("84", "true"), "hind.heel_height_minimum.value"),
        (HEAD + f"[hind.heel_height_minimum]\n{ROW}".replace("84", "nan"), "hind.heel_height_minimum"),
        (HEAD + f"[hind.heel_height_minimum]\n{ROW}".replace("84", "3800"), "hind.heel_height_minimum"),
        (
            HEAD + f"[hind.growth_low]\n{ROW}[hind.growth_high]\n{ROW}".replace("84", "6", 1).replace("84", "4"),
            "hind.growth_low",
        ),
        (HEAD + f"[hind.toe_length_watch]\n{ROW}", "hind.toe_length_watch"),
        ('name = "ours"\nlandmark = "hairline"\n', "title"),
        ('name = "ours"\ntitle = "Ours"\n', "landmark"),
        ('title = "Ours"\nlandmark = "hairline"\n', "name"),
        (HEAD.replace('"ours"', '"Our Cows"'), "name"),
        (HEAD + 'extends = "nobody"\n', "extends"),
        (HEAD + "judged = 1\n", "judged"),
        (HEAD + f"judged = false\n[hind.heel_height_minimum]\n{ROW}".replace("84", "38"), "judged"),
    ],
)
def test_a_wrong_profile_is_refused_by_file_and_key(tmp_path: Path, text: str, key: str) -> None:
    with pytest.raises(UsageError) as caught:
        load_profiles([write(tmp_path, text)])
    assert "ours.toml" in caught.value.message and key in caught.value.message
    assert caught.value.remedy


@pytest.mark.parametrize("content", [b"name = ", b"\xff\xfe", b"#" * (MAX_PROFILE_BYTES + 1), b"a=" + b"[" * 5000])
def test_a_file_that_is_no_profile_is_refused_by_name(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "ours.toml").write_bytes(content)
    with pytest.raises(UsageError, match=r"ours\.toml"):
        load_profiles([tmp_path])


def test_a_circle_a_double_and_a_missing_folder_are_refused(tmp_path: Path) -> None:
    write(tmp_path, 'name = "aa"\nextends = "bb"\n', "aa.toml")
    write(tmp_path, 'name = "bb"\nextends = "aa"\n', "bb.toml")
    with pytest.raises(UsageError, match="circle"):
        load_profiles([tmp_path])
    write(tmp_path, 'name = "aa"\nextends = "bull"\n', "bb.toml")
    with pytest.raises(UsageError, match="same"):
        load_profiles([tmp_path])
    with pytest.raises(UsageError, match="does not exist"):
        load_profiles([tmp_path / "none"])


def test_an_unknown_profile_is_refused_with_those_that_are_known() -> None:
    with pytest.raises(UsageError, match=r"no profile 'yak'.*jersey"):
        assess_feet([side("LH", profile="yak")], load_profiles())


def test_a_profile_holds_whatever_its_rules_texts_quote() -> None:
    """A rule that fires may never lack a value that its own text asks for."""
    quoted_by_quantity = {
        "overgrowth": {"toe_length_usual_high"},
        "overgrowth_months_least": {"toe_length_usual_high", "growth_high"},
        "overgrowth_months_most": {"toe_length_usual_high", "growth_low"},
    }
    for rule in packaged_rules().rule:
        when = [each for each in rule.when if isinstance(each, Condition)]
        there = {each.limit for each in when}
        # A derived quantity in a condition has to have been computed, with all that it needs.
        there |= {"toe_length_after_trim", "growth_high"} if rule.id == "fast-growth" else set()
        there |= {needed for name in there for needed in NEEDED_WITH.get(name, ())}
        compared = {each.quantity for each in when} | {"months_since_trim", "unexplained_months_least", "months_apart"}
        for template in (rule.text, rule.exact, rule.also_explained_by, rule.look_for, rule.where):
            for _, name, spec, _ in Formatter().parse(template):
                if name == "profile":
                    assert spec in there, (rule.id, spec)
                elif name is not None and name not in ("claw", "fact") and name not in compared:
                    assert quoted_by_quantity[name] <= there, (rule.id, name)


def test_rules_name_only_what_exists() -> None:
    families: dict[str, str] = {}
    for rule in packaged_rules().rule:
        assert rule_problem(rule, packaged_rules().fact) is None, rule.id
        assert families.setdefault(rule.code, rule.family) == rule.family
    assert len({rule.id for rule in packaged_rules().rule}) == len(packaged_rules().rule)
    assert {name for names in NEEDED_WITH.values() for name in names} <= set(PROFILE_VALUES)
    assert all(name == each.name for name, each in DERIVED.items())
