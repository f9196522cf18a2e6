"""Findings on rates never fire inside their uncertainty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from clawvision.findings import DEFAULT_PROFILE, load_profiles
from clawvision.growth import (
    Comparison,
    Estimate,
    HerdGrowth,
    claw_rate,
    compare_partners,
    compare_with_profile,
    difference,
    herd_growth,
)
from clawvision.growth.rate import Z
from tests.growth.made import rate_of, series

_PROFILE = load_profiles()[DEFAULT_PROFILE]
_KEY = ("Invented 1", "LH", "outer")
_PARTNER = ("Invented 1", "LH", "inner")


def _rate(value: float, u: float) -> Estimate:
    return Estimate(value, u, value - Z * u, value + Z * u)


def _by_code(rate: Estimate | None, profile: str = DEFAULT_PROFILE) -> dict[str, Comparison]:
    return {each.code: each for each in compare_with_profile(_KEY, rate, load_profiles()[profile])}  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("value", "u", "above", "below"),
    [
        (9.0, 0.5, "shown", "not shown"),  # 8.0 to 10.0; the profile's walls grow 4 to 7
        (7.5, 0.5, "cannot tell", "not shown"),
        (5.5, 0.5, "not shown", "not shown"),
        (3.5, 0.5, "not shown", "cannot tell"),
        (2.0, 0.5, "not shown", "shown"),
        (5.5, 5.0, "cannot tell", "cannot tell"),
    ],
)
def test_growth_against_the_profile(value: float, u: float, above: str, below: str) -> None:
    found = _by_code(_rate(value, u))
    assert found["growth_above_high"].state == above
    assert found["growth_below_low"].state == below
    assert found["growth_above_high"].limit == 7
    assert found["growth_above_high"].status == "T"


def test_slow_growth_may_be_wear_and_fast_growth_an_error() -> None:
    assert "wear" in _by_code(_rate(1.0, 0.3))["growth_below_low"].also_explained_by
    beyond = _by_code(_rate(12.0, 0.5))["growth_beyond_belief"]
    assert beyond.state == "shown"
    assert "error" in beyond.also_explained_by


def test_no_rate_or_no_limit_cannot_tell() -> None:
    assert {each.state for each in _by_code(None).values()} == {"cannot tell"}
    assert {each.state for each in _by_code(_rate(9, 0.1), "calf-yearling").values()} == {"cannot tell"}


def _herd(outer: float, inner: float, u: float = 0.3) -> HerdGrowth:
    rng = np.random.default_rng(3)
    rates = [rate_of(outer, u, *_KEY), rate_of(inner, u, *_PARTNER)]  # type: ignore[arg-type]
    for cow in range(2, 8):
        effect = rng.normal(0, 1.0)
        rates += [
            rate_of(3 + effect + rng.normal(0, 0.5), u, f"Invented {cow}", "LH", claw) for claw in ("outer", "inner")
        ]
    return herd_growth(rates)


def test_a_claw_that_outgrows_its_partner_is_shown() -> None:
    found = compare_partners(_herd(5.0, 2.5), _KEY, _PARTNER, _PROFILE)  # type: ignore[arg-type]
    assert found.state == "shown"
    assert found.text.startswith("The outer claw")
    turned = compare_partners(_herd(2.5, 5.0), _KEY, _PARTNER, _PROFILE)  # type: ignore[arg-type]
    assert turned.text.startswith("The inner claw")


def test_alike_partners_are_not_shown_only_where_that_is_known() -> None:
    assert compare_partners(_herd(3.0, 3.05, 0.2), _KEY, _PARTNER, _PROFILE).state == "not shown"  # type: ignore[arg-type]
    assert compare_partners(_herd(3.0, 3.4, 2.0), _KEY, _PARTNER, _PROFILE).state == "cannot tell"  # type: ignore[arg-type]


def test_what_partners_share_cancels() -> None:
    herd = _herd(4.0, 3.0, 0.8)
    claws = {claw.key: claw.estimate for claw in herd.claws}
    one, two = claws[_KEY], claws[_PARTNER]  # type: ignore[index]
    assert one is not None and two is not None
    covariance = herd.covariance(_KEY, _PARTNER)  # type: ignore[arg-type]
    assert covariance > 0
    assert difference(one, two, covariance).u < difference(one, two).u
    assert difference(one, two).u == pytest.approx(np.hypot(one.u, two.u))


def test_a_partner_without_a_rate_cannot_tell() -> None:
    herd = herd_growth([rate_of(4.0, 0.3, *_KEY), claw_rate(series([(0, 80, 1)], claw="inner"))])  # type: ignore[arg-type]
    assert compare_partners(herd, _KEY, _PARTNER, _PROFILE).state == "cannot tell"  # type: ignore[arg-type]
    bare = replace(_PROFILE, values={"fore": {}, "hind": {}})
    assert compare_partners(_herd(3.0, 3.05), _KEY, _PARTNER, bare).state == "cannot tell"  # type: ignore[arg-type]


def test_a_difference_is_seldom_shown_where_there_is_none() -> None:
    rng = np.random.default_rng(6)
    shown = count = 0
    for _ in range(10):
        rates = []
        for cow in range(12):
            effect = rng.normal(0, 0.6)
            for foot in ("LF", "RF", "LH", "RH"):
                true = 3 + effect + rng.normal(0, 0.5)
                rates += [
                    rate_of(true + rng.normal(0, 0.6), 0.6, f"Invented {cow:02d}", foot, claw)  # type: ignore[arg-type]
                    for claw in ("outer", "inner")
                ]
        herd = herd_growth(rates)
        for rate in rates[::2]:
            animal, foot, _ = rate.key
            found = compare_partners(herd, rate.key, (animal, foot, "inner"), _PROFILE)
            shown += found.state == "shown"
            count += 1
    assert shown / count <= 0.05
