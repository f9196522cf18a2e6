"""Differences of two values: what errors share within one photo falls out; two photos are independent.

The formulas are those of JCGM 100:2008, 5.1.2 and 5.2.2; the numbers are worked out here, or by the package
uncertainties.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat

from clawvision.findings import assess_feet
from clawvision.findings.evidence import group_feet
from clawvision.findings.quantities import DAYS_PER_MONTH, Context, Quantity
from clawvision.types import PhotoFacts
from tests.findings.photos import PROFILES, photo, side, sole

HOLSTEIN = PROFILES["holstein-parity-2plus"]
Budget = dict[str, float]


def both(outer: float, inner: float, budgets: dict[str, Budget] | None = None, u: float = 2.0) -> PhotoFacts:
    """Both toes in one photo."""
    return photo(
        "both.jpg",
        "LH",
        claws={"outer": {"toe_length": outer}, "inner": {"toe_length": inner}},
        budgets={claw: {"toe_length": each} for claw, each in (budgets or {}).items()},
        u=u,
    )


def quantity(name: str, *photos: PhotoFacts, claw: str | None = "outer") -> Quantity | None:
    evidence = group_feet(photos)[-1]
    return Context(evidence, HOLSTEIN, "hind").quantity(claw, name)  # type: ignore[arg-type]


def over_partner(*photos: PhotoFacts) -> tuple[float, float]:
    found = quantity("toe_over_partner", *photos)
    assert found is not None
    return found.value, found.uncertainty


@pytest.mark.parametrize(
    ("outer", "inner", "expected"),
    [
        # One cause, alike: nothing of it is left.
        ({"scale": 1.5}, {"scale": 1.5}, 0.0),
        # One cause, of opposite signs: it adds.
        ({"tilt": 1.5}, {"tilt": -1.5}, 2 * 3.0),
        # One cause, of different size: what is not shared is left.
        ({"scale": 1.5}, {"scale": 1.0}, 2 * 0.5),
        # Two causes of their own: as independent.
        ({"a": 0.3}, {"b": 0.4}, 2 * 0.5),
        # Shared and own ones together.
        ({"scale": 1.5, "a": 0.3}, {"scale": 1.5, "b": 0.4}, 2 * 0.5),
        ({"scale": 1.5, "tilt": 0.6}, {"scale": 1.5, "tilt": -0.6}, 2 * 1.2),
    ],
)
def test_within_one_photo_signed_contributions_are_subtracted(outer: Budget, inner: Budget, expected: float) -> None:
    value, uncertainty = over_partner(both(98, 90, {"outer": outer, "inner": inner}))
    assert value == 8.0
    assert uncertainty == pytest.approx(expected, abs=1e-12)


def test_without_contributions_the_uncertainties_of_one_photo_add() -> None:
    assert over_partner(both(98, 90)) == (8.0, 4.0)
    assert over_partner(both(98, 90, {"outer": {"scale": 1.0}})) == (8.0, 4.0)


def test_two_photos_are_independent_whatever_their_causes_are_called() -> None:
    photos = [
        photo(f"{c}.jpg", "LH", claws={c: {"toe_length": x}}, budgets={c: {"toe_length": {"scale": 1.5}}})
        for c, x in (("outer", 98.0), ("inner", 90.0))
    ]
    assert over_partner(*photos) == (8.0, pytest.approx(math.sqrt(3.0**2 + 3.0**2)))


_CAUSES = st.dictionaries(st.sampled_from("abcd"), st.floats(-3.0, 3.0), min_size=1)


@settings(deadline=None, max_examples=60)
@given(_CAUSES, _CAUSES)
def test_it_is_what_linear_propagation_of_shared_causes_gives(outer: Budget, inner: Budget) -> None:
    causes = {name: ufloat(0.0, 1.0) for name in "abcd"}
    values = [x + sum(size * causes[name] for name, size in each.items()) for x, each in ((98, outer), (90, inner))]
    truth = values[0] - values[1]
    value, uncertainty = over_partner(both(98, 90, {"outer": outer, "inner": inner}))
    assert value == 8.0
    # Both are sums of squares of the same few numbers; only rounding differs.
    assert uncertainty == pytest.approx(2.0 * float(truth.std_dev), abs=1e-9)


def test_a_share_of_a_value_takes_its_share_of_the_error() -> None:
    """The excess of the outer claw over what is healthy: difference − 6.57 % of the inner length, of one photo."""
    found = quantity("outer_excess", sole("LH", 145, 115))
    assert found is not None
    assert found.value == pytest.approx(30 - 0.0657 * 115)
    assert found.uncertainty == pytest.approx(2.0 + 0.0657 * 2.0)
    inner = quantity("inner_excess", sole("LH", 106, 115))
    assert inner is not None and (inner.value, inner.uncertainty) == (9.0, 2.0)


@pytest.mark.parametrize(("apparent", "closed", "size"), [(19.0, 2.0, 17.0), (-19.0, -2.0, 17.0), (19.0, -2.0, 17.0)])
def test_what_only_looks_so_is_the_difference_of_sizes(apparent: float, closed: float, size: float) -> None:
    """Where the two have opposite signs the difference of their sizes is the sum of the values."""
    facts = photo(
        "s.jpg",
        "LH",
        claws={"outer": {"sole_length": 115 + closed}, "inner": {"sole_length": 115.0}},
        foot_measures={"apparent_length_difference": apparent, "length_difference": closed},
    )
    found = quantity("apparent_only", facts, claw=None)
    assert found is not None and (found.value, found.uncertainty) == (size, 4.0)


def test_lengthening_is_by_the_month_and_of_two_photos() -> None:
    found = quantity(
        "lengthening",
        side("LH", toe_length=92, taken="2031-01-01", name="then.jpg", u=3.0),
        side("LH", toe_length=119, name="now.jpg", u=4.0),
    )
    months = 91 / DAYS_PER_MONTH
    assert found is not None
    assert found.value == pytest.approx(27 / months) and found.uncertainty == pytest.approx(5.0 / months)


def test_a_difference_that_rests_on_a_doubtful_photo_is_doubtful() -> None:
    sure, doubtful = side("LH", toe_length=98), side("LH", "inner", toe_length=90, status="review")
    found = quantity("toe_over_partner", sure, doubtful)
    assert found is not None and found.doubtful
    feet, _ = assess_feet([side("LH", toe_length=108), doubtful], PROFILES)
    finding = next(each for each in feet[0].findings if each.code == "out_of_proportion")
    assert finding.strength == "weak" and not feet[0].trim.veterinarian
