"""A herd's own percentiles: against another library, on simulated herds, and what they may never do."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm
from scipy.stats.mstats import mquantiles

from clawvision.findings import Profile, assess_feet
from clawvision.findings.herd import (
    ENOUGH_ANIMALS,
    ENOUGH_CLAWS,
    RECIPES,
    Filed,
    HerdValue,
    LeftOut,
    gather,
    herd_toml,
    herd_values,
)
from clawvision.findings.profiles import LIMBS, Limb, read_profile
from clawvision.types import PhotoFacts
from tests.findings.photos import PROFILES, photo

BASE = PROFILES["holstein-parity-2plus"]
JUDGED = [profile for profile in PROFILES.values() if profile.judged]
FEET = {"hind": ("LH", "RH"), "fore": ("LF", "RF")}


def claws_of(
    lengths: Sequence[float], limb: Limb = "hind", angles: Sequence[float] | None = None, **more: Any
) -> list[PhotoFacts]:
    """Side photos, four claws an animal: outer and inner of the left foot, then of the right one."""
    photos = []
    for number, length in enumerate(lengths):
        foot, claw = FEET[limb][number // 2 % 2], ("outer", "inner")[number % 2]
        values: dict[str, float | None] = {"toe_length": float(length)}
        if angles is not None:
            values["toe_angle"] = float(angles[number])
        animal = f"Invented {number // 4}"
        photos.append(photo(f"{animal}_{foot}_{claw}.jpg", foot, claws={claw: values}, animal=animal, **more))
    return photos


def of(photos: Iterable[PhotoFacts], base: Profile = BASE) -> dict[tuple[str, str], HerdValue]:
    values = herd_values(gather([Filed(tuple(photos))], (base.name, "ours")), base)
    return {(each.limb, each.recipe.name): each for each in values}


def own(values: dict[tuple[str, str], HerdValue], name: str, limb: str = "hind") -> float:
    value = values[limb, name].own
    assert value is not None
    return value.value


def load(values: dict[tuple[str, str], HerdValue], base: Profile = BASE) -> Profile:
    return read_profile("ours.toml", herd_toml("ours", base, list(values.values())), PROFILES)


def spread(count: int, low: float = 84.0, high: float = 99.0) -> list[float]:
    """Lengths that fill a range, in no order."""
    return list(np.random.default_rng(3).permutation(np.linspace(low, high, count)))


@pytest.mark.parametrize("limb", LIMBS)
def test_percentiles_are_those_of_another_library(limb: Limb) -> None:
    """scipy's mquantiles, with alphap = betap = 1, lies on the straight line between sorted values too."""
    chance = np.random.default_rng(11)
    lengths, angles = chance.normal(92.0, 4.0, 72), chance.normal(49.0, 1.5, 72)
    values = of(claws_of(lengths, limb, angles))
    expected = {
        "toe_length_usual_high": mquantiles(lengths, 0.90, 1, 1),
        "toe_length_watch": mquantiles(lengths, 0.95, 1, 1),
        "toe_angle_usual_low": mquantiles(angles, 0.10, 1, 1),
        "toe_angle_usual_high": mquantiles(angles, 0.90, 1, 1),
    }
    if limb == "hind":
        expected["toe_length_usual_low"] = mquantiles(lengths, 0.10, 1, 1)
    for name, (percentile,) in expected.items():
        assert own(values, name, limb) == pytest.approx(percentile, abs=0.05 + 1e-9)  # rounded to 0.1
    other = "fore" if limb == "hind" else "hind"
    assert all(each.own is None for (which, _), each in values.items() if which == other)


def test_a_large_herd_gives_back_the_distribution_it_was_drawn_from() -> None:
    count, mean, sigma = 4000, 93.0, 5.0
    values = of(claws_of(np.random.default_rng(5).normal(mean, sigma, count)))
    for name, share in (("toe_length_usual_low", 0.1), ("toe_length_usual_high", 0.9), ("toe_length_watch", 0.95)):
        # Standard error of a quantile: sqrt(p (1 - p) / n) over the density there. Five of them, and the rounding.
        error = np.sqrt(share * (1 - share) / count) * sigma / norm.pdf(norm.ppf(share))
        assert own(values, name) == pytest.approx(norm.ppf(share, mean, sigma), abs=5 * error + 0.05)


def test_the_width_difference_is_the_median_of_feet() -> None:
    widths = spread(41, 8.0, 30.0)
    photos = [
        photo(
            f"{n}.jpg", ("LH", "RH")[n % 2], foot_measures={"width_difference_percent": width}, animal=f"Cow {n // 2}"
        )
        for n, width in enumerate(widths)
    ]
    value = of(photos)["hind", "width_difference_expected"]
    assert value.own is not None and value.on_file == "41 feet of 21 animals"
    assert value.own.value == pytest.approx(sorted(widths)[20], abs=0.05)
    assert value.own.source.startswith(
        "median (linear) of this herd's own hind feet: 41 feet of 21 animals, 2031-04-02"
    )


@pytest.mark.parametrize(
    ("claws", "animals", "enough"),
    [
        (ENOUGH_CLAWS, ENOUGH_ANIMALS, True),
        (ENOUGH_CLAWS - 1, ENOUGH_ANIMALS, False),
        (ENOUGH_CLAWS, ENOUGH_ANIMALS - 1, False),
        (56, 14, False),
    ],
)
def test_too_few_claws_or_animals_leave_the_packaged_value(claws: int, animals: int, enough: bool) -> None:
    places = [
        (f"Invented {n}", foot, claw) for foot in ("LH", "RH") for claw in ("outer", "inner") for n in range(animals)
    ]
    photos = [
        photo(f"{number}.jpg", foot, claws={claw: {"toe_length": length}}, animal=animal)
        for number, ((animal, foot, claw), length) in enumerate(zip(places, spread(claws), strict=False))
    ]
    value = of(photos)["hind", "toe_length_watch"]
    assert (value.claws, value.animals, value.own is not None) == (claws, animals, enough)
    if not enough:
        kept = load(of(photos)).value("hind", "toe_length_watch")
        assert kept == BASE.value("hind", "toe_length_watch")


def test_an_overdue_herd_cannot_make_long_claws_usual() -> None:
    values = of(claws_of(spread(80, 108.0, 140.0)))
    profile = load(values)
    flag = profile.value("hind", "toe_length_flag")
    assert flag == BASE.value("hind", "toe_length_flag") and flag is not None
    for name in ("toe_length_usual_high", "toe_length_watch"):
        value = profile.value("hind", name)
        assert value is not None and value.value == flag.value
        assert "held at 110, not above toe_length_flag of holstein-parity-2plus" in value.source
        assert values["hind", name].held in value.source
    feet, _ = assess_feet(
        claws_of([125.0], profile="ours"),
        {**PROFILES, "ours": profile},
    )
    assert [finding.code for finding in feet[0].findings] == ["overgrown"]


def test_a_herd_trimmed_short_cannot_make_the_minimum_long() -> None:
    profile = load(of(claws_of(spread(80, 60.0, 80.0))))
    minimum = profile.value("hind", "toe_length_minimum")
    assert minimum == BASE.value("hind", "toe_length_minimum") and minimum is not None
    for name in ("toe_length_usual_high", "toe_length_watch"):
        value = profile.value("hind", name)
        assert value is not None and value.value == minimum.value
        assert "not below toe_length_minimum" in value.source


@settings(deadline=None, max_examples=60)
@given(
    kind=st.sampled_from([profile.name for profile in JUDGED]),
    limb=st.sampled_from(LIMBS),
    middle=st.floats(62.0, 160.0),
    width=st.floats(0.0, 30.0),
    angle=st.floats(20.0, 80.0),
    difference=st.floats(-90.0, 90.0),
)
def test_whatever_the_herd_its_profile_loads_and_protects(
    kind: str, limb: Limb, middle: float, width: float, angle: float, difference: float
) -> None:
    base = PROFILES[kind]
    around = np.linspace(-1.0, 1.0, 64)
    photos = [
        replace(
            each, foot_measures=photo("x", None, foot_measures={"width_difference_percent": difference}).foot_measures
        )
        for each in claws_of(middle + width * around, limb, angle + 0.3 * width * around)
    ]
    values = of(photos, base)
    assert all(each.own is not None for (which, _), each in values.items() if which == limb)
    profile = load(values, base)  # the order of its values is checked on loading
    replaced = {recipe.name for recipe in RECIPES}
    for each in LIMBS:
        assert set(profile.values[each]) == set(base.values[each])
        for name, known in base.values[each].items():
            if each != limb or name not in replaced:
                assert profile.value(each, name) == known
            else:
                changed = profile.value(each, name)
                assert changed is not None and (changed.status == "C" or changed == known)


def test_only_what_says_usual_is_replaced() -> None:
    assert {recipe.name for recipe in RECIPES} == {
        "toe_length_usual_low",
        "toe_length_usual_high",
        "toe_length_watch",
        "toe_angle_usual_low",
        "toe_angle_usual_high",
        "width_difference_expected",
    }
    for profile in JUDGED:
        for limb in LIMBS:  # what may be replaced has its cap
            assert profile.value(limb, "toe_length_watch") and profile.value(limb, "toe_length_flag")


def test_the_order_of_photos_and_assessments_bears_on_nothing() -> None:
    older = claws_of(spread(80), taken="2031-02-01")
    # Photos of the same names and days, of like uncertainty, and of another day.
    same = [replace(each, claws=claws_of([90.0 + n % 3])[0].claws) for n, each in enumerate(older[:20:2])]
    newer = claws_of(spread(80, 88.0, 96.0), taken="2031-06-01")[20:]
    parts = [Filed(tuple(each)) for each in (older, same, newer)]
    expected = gather(parts, (BASE.name,))
    for shuffled in (parts[::-1], [parts[1], parts[0], parts[2]], [*parts, parts[0]]):
        turned = [Filed(part.photos[::-1]) for part in shuffled]
        assert gather(turned, (BASE.name,)) == expected


def test_of_a_claw_the_surest_value_of_its_latest_day_counts() -> None:
    def one(value: float, u: float, name: str, taken: str | None, **more: Any) -> PhotoFacts:
        return photo(name, "LH", claws={"outer": {"toe_length": value}}, u=u, taken=taken, **more)

    photos = [
        one(80.0, 0.5, "a", "2031-01-01"),
        one(90.0, 2.0, "b", "2031-05-01"),
        one(91.0, 1.0, "c", "2031-05-01", stage="before"),
        one(70.0, 0.2, "d", "2031-05-02", stage="after"),
        one(60.0, 0.2, "e", "2031-05-03", status="review"),
        one(61.0, 0.2, "f", "2031-05-03", status="refused"),
        one(62.0, 0.2, "g", None),
    ]
    claws = gather([Filed(tuple(photos))], (BASE.name,))
    (kept,) = claws.values["hind", "toe_length"]
    assert (kept.animal, kept.value, kept.day) == ("Alma 12", 91.0, date(2031, 5, 1))
    assert claws.left_out == LeftOut(photos_unsure=2, photos_after_trim=1)


Change = Callable[[PhotoFacts], PhotoFacts]


def asked(**changes: Any) -> Change:
    return lambda each: replace(each, request=replace(each.request, **changes))


@pytest.mark.parametrize(
    ("change", "left_out"),
    [
        (asked(locomotion=2), {"animals_lame": 1}),
        (asked(signs=("heat",)), {"animals_lame": 1}),
        (asked(profile="jersey"), {"feet_of_other_kind": 2}),
        (asked(profile="calf-yearling"), {"feet_of_other_kind": 2}),
        (asked(foot=None), {"feet_unnamed": 1}),
        (lambda each: replace(each, status="review"), {"photos_unsure": 1}),
    ],
)
def test_what_is_no_reference_is_left_out_and_counted(change: Change, left_out: dict[str, int]) -> None:
    """One photo of the first animal's four is changed; all claws of that animal are far longer than the others'."""
    photos = claws_of([*[109.0] * 4, *spread(60)])
    changed = [change(photos[0]), *photos[1:]]
    claws = gather([Filed(tuple(changed))], (BASE.name, "ours"))
    assert claws.left_out == LeftOut(**left_out)
    lost = 1 if left_out.keys() & {"feet_unnamed", "photos_unsure"} else 4
    kept = claws.values["hind", "toe_length"]
    assert len(kept) == 64 - lost
    assert max(each.value for each in kept) == (109.0 if lost == 1 else 99.0)
    assert claws.left_out.words()


def test_a_sound_gait_and_the_own_profile_are_a_reference() -> None:
    photos = claws_of(spread(60), locomotion=1, profile="ours")
    claws = gather([Filed(tuple(photos))], (BASE.name, "ours"))
    assert len(claws.values["hind", "toe_length"]) == 60 and not claws.left_out.words()


def test_lameness_in_a_refused_photo_of_another_assessment_counts() -> None:
    lame = photo("y.jpg", None, animal="Invented 3", locomotion=3, status="refused", taken="2030-11-01")
    claws = gather([Filed(tuple(claws_of(spread(60)))), Filed((lame,))], (BASE.name,))
    assert claws.left_out.animals_lame == 1 and len(claws.values["hind", "toe_length"]) == 56


def test_claws_that_may_be_deformed_are_no_reference() -> None:
    both = {"width_difference_percent": 20.0}
    photos = [
        *claws_of(spread(60)),
        *(photo(f"{n}_sole", "LH", foot_measures=both, animal=f"Invented {n}") for n in range(3)),
    ]
    found: frozenset[Any] = frozenset(
        {
            ("Invented 0", "LH", "outer", "twist"),
            ("Invented 1", "LH", None, "concave_wall"),
            ("Invented 2", "RH", "inner", "out_of_proportion"),
            ("Invented 2", "LH", "inner", "overgrown"),  # long, and a reference all the same
            ("Nobody", "LH", "inner", "twist"),
        }
    )
    claws = gather([Filed(tuple(photos), found)], (BASE.name,))
    assert claws.left_out == LeftOut(claws_found=4)
    assert len(claws.values["hind", "toe_length"]) == 56
    assert [each.animal for each in claws.values["hind", "width_difference_percent"]] == ["Invented 2"]


def test_a_value_that_photos_dispute_is_no_reference() -> None:
    photos = claws_of(spread(60))
    rival = photo("z.jpg", "LH", claws={"outer": {"toe_length": 150.0}}, animal="Invented 0")
    claws = gather([Filed((*photos, rival))], (BASE.name,))
    assert claws.left_out == LeftOut(values_disputed=1) and len(claws.values["hind", "toe_length"]) == 59


def test_a_value_in_another_unit_says_nothing() -> None:
    photos = [
        replace(each, claws={claw: {"toe_length": replace(measures["toe_length"], unit="deg")}})
        for each in claws_of(spread(60))
        for claw, measures in each.claws.items()
    ]
    assert not gather([Filed(tuple(photos))], (BASE.name,)).values


def test_the_file_tells_where_its_values_come_from_and_names_no_animal() -> None:
    photos = [*claws_of(spread(40), taken="2031-02-01"), *claws_of(spread(80), taken="2031-04-02")[40:76]]
    photos += claws_of(spread(80), taken=None)[76:]
    values = of(photos)
    content = herd_toml("ours", BASE, list(values.values())).decode("utf-8")
    assert "Invented" not in content and ".jpg" not in content
    assert 'name = "ours"\nextends = "holstein-parity-2plus"\n' in content
    source = load(values).values["hind"]["toe_length_usual_low"].source
    assert source == (
        "10th percentile (linear) of this herd's own hind feet: 80 claws of 20 animals, 2031-02-01 to 2031-04-02, "
        "4 without a day"
    )
    for number in re.findall(r"^value = (.+)$", content, re.MULTILINE):
        assert round(float(number), 1) == float(number)


def test_the_error_that_the_page_tells_of() -> None:
    """docs/findings.md: a 90th percentile of 30 lengths that spread by 7 mm has a standard error of 2 mm."""
    draws = np.random.default_rng(1).normal(92.0, 7.0, (5000, ENOUGH_CLAWS))
    assert np.percentile(draws, 90, axis=1).std() == pytest.approx(2.0, abs=0.15)
