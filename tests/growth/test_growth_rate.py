"""One claw's rate against a reference library, closed forms, and its own stated uncertainty."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st

from clawvision.findings import DEFAULT_PROFILE, load_profiles
from clawvision.growth import ToeSeries, claw_rate, split
from clawvision.growth.rate import Z
from tests.growth.made import line, months, series

_PROFILE = load_profiles()[DEFAULT_PROFILE]
_LEAST = _PROFILE.values["hind"]["shortening_most"].value


def _design(each: ToeSeries) -> np.ndarray:
    parts = split(each, None).parts
    design = np.zeros((len(each.readings), len(parts) + 1))
    design[:, -1] = months(each)
    row = 0
    for column, part in enumerate(parts):
        design[row : row + len(part), column] = 1
        row += len(part)
    return design


@st.composite
def any_series(draw: st.DrawFn) -> ToeSeries:
    """Two to twelve readings within three years, with some trims: nothing need lie on a line."""
    rows = draw(
        st.lists(
            st.tuples(st.integers(0, 1000), st.floats(60, 130), st.floats(0.5, 5)),
            min_size=2,
            max_size=12,
            unique_by=lambda row: row[0],
        )
    )
    trims = draw(st.lists(st.integers(0, 1000), max_size=3))
    return series(rows, trims)


@given(any_series())
def test_rate_and_levels_are_those_of_weighted_least_squares(each: ToeSeries) -> None:
    ours = claw_rate(each)
    design = _design(each)
    if ours.estimate is None:
        assert np.linalg.matrix_rank(design) < design.shape[1]
        return
    lengths = np.array([reading.length_mm for reading in each.readings])
    weights = np.array([reading.u_mm for reading in each.readings]) ** -2.0
    theirs = sm.WLS(lengths, design, weights=weights).fit(cov_type="fixed scale")
    # statsmodels solves by a pseudo-inverse of the whole design, which costs it digits where days lie close together.
    assert ours.estimate.value == pytest.approx(theirs.params[-1], rel=1e-6, abs=1e-6)
    assert ours.u_stated == pytest.approx(theirs.bse[-1], rel=1e-6)
    assert ours.chi_square == pytest.approx(float(weights @ theirs.resid**2), rel=1e-6, abs=1e-6)
    assert ours.degrees == theirs.df_resid
    last = each.readings[-1].day
    level = ours.levels[-1]
    assert level.last == last
    now = level.length_mm + ours.estimate.value * level.months_to_last
    at = design[-1]
    assert now == pytest.approx(float(at @ theirs.params), rel=1e-6)
    u_now = math.hypot(level.u_mm, level.months_to_last * ours.u_stated)
    assert u_now == pytest.approx(math.sqrt(at @ theirs.cov_params() @ at), rel=1e-5)


def test_an_exact_line_gives_its_rate_over_a_trim() -> None:
    before, after = line(4.0, start=80, days=(0, 60)), line(4.0, start=70, days=(100, 160))
    joined = replace(before, readings=before.readings + after.readings, trims=(series([], [80]).trims[0],))
    rate = claw_rate(joined, _LEAST)
    assert rate.estimate is not None
    assert rate.estimate.value == pytest.approx(4.0)
    assert rate.chi_square == pytest.approx(0.0, abs=1e-9)
    assert len(rate.levels) == 2


def test_two_readings_give_the_interval_of_their_difference() -> None:
    rate = claw_rate(series([(0, 80, 1.5), (61, 90, 2.0)]))
    apart = 61 / (365.25 / 12)
    assert rate.estimate is not None
    assert rate.estimate.value == pytest.approx(10 / apart)
    assert rate.estimate.u == pytest.approx(2.5 / apart)
    assert rate.estimate.high - rate.estimate.value == pytest.approx(1.959964 * 2.5 / apart, rel=1e-6)
    assert (rate.degrees, rate.p_value) == (0, None)


@pytest.mark.parametrize(
    ("each", "word"),
    [
        (series([]), "No toe length"),
        (series([(0, 80, 1)]), "No two days"),
        (series([(0, 80, 1), (0, 81, 1)]), "No two days"),
        (series([(0, 80, 1), (60, 84, 1)], [30]), "No two days"),
        (series([(0, 88, 1, "before"), (0, 80, 1, "after")]), "No two days"),
    ],
)
def test_no_rate_has_a_reason(each: ToeSeries, word: str) -> None:
    rate = claw_rate(each, _LEAST)
    assert rate.estimate is None
    assert rate.u_stated is None
    assert rate.reason is not None and word in rate.reason


def test_residuals_beyond_the_stated_uncertainty_enlarge_it_and_say_so() -> None:
    rows = [(0, 80.0, 0.5), (60, 90.0, 0.5), (120, 85.0, 0.5), (180, 97.0, 0.5), (240, 92.0, 0.5)]
    rate = claw_rate(series(rows))
    assert rate.inflated and rate.estimate is not None and rate.u_stated is not None
    assert rate.birge == pytest.approx(math.sqrt(rate.chi_square / 3))
    assert rate.estimate.u == pytest.approx(rate.u_stated * rate.birge)
    # Student's t, 3 degrees of freedom, 97.5 %: 3.182 in every table.
    assert rate.estimate.high - rate.estimate.value == pytest.approx(3.182446 * rate.estimate.u, rel=1e-6)
    assert any("scatter more" in note for note in rate.notes)


def test_small_residuals_never_make_it_surer() -> None:
    rate = claw_rate(line(3.0, u=2.0))
    assert rate.estimate is not None and not rate.inflated
    assert rate.estimate.u == rate.u_stated
    assert rate.estimate.u_normal == pytest.approx(rate.estimate.u)


def test_a_trim_that_was_not_noted_is_told() -> None:
    rate = claw_rate(series([(0, 90, 1), (60, 96, 1), (90, 80, 1), (150, 86, 1)]), _LEAST)
    assert any("trim not noted?" in note for note in rate.notes)
    assert rate.estimate is not None and rate.estimate.value == pytest.approx(6 * 365.25 / 12 / 60)


def test_stated_intervals_hold_the_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(11)
    days = (0, 50, 110, 160, 230)
    held, inflated, count = 0, 0, 2000
    for _ in range(count):
        u = rng.uniform(1.5, 4, len(days))
        lengths = 80 + 3 * np.array(days) / (365.25 / 12) + rng.normal(0, u)
        rate = claw_rate(series(list(zip(days, lengths.tolist(), u.tolist(), strict=True)), [135]))
        assert rate.estimate is not None
        held += rate.estimate.low <= 3 <= rate.estimate.high
        inflated += rate.inflated
    # Binomial: ± 3 standard deviations of 2000 at 0.95. Enlarging in one of twenty holds a little more than 95 %.
    assert 0.935 <= held / count <= 0.972
    assert 0.035 <= inflated / count <= 0.065


@given(any_series(), st.floats(-20, 20))
def test_a_shift_of_all_lengths_changes_no_rate(each: ToeSeries, shift: float) -> None:
    moved = replace(each, readings=tuple(replace(r, length_mm=r.length_mm + shift) for r in each.readings))
    one, two = claw_rate(each, _LEAST), claw_rate(moved, _LEAST)
    assert (one.estimate is None) == (two.estimate is None)
    if one.estimate and two.estimate:
        assert two.estimate.value == pytest.approx(one.estimate.value, abs=1e-6, rel=1e-9)
        assert two.u_stated == pytest.approx(one.u_stated)


@given(any_series(), st.floats(0.1, 10))
def test_another_unit_of_length_scales_rate_and_uncertainty(each: ToeSeries, scale: float) -> None:
    scaled = replace(
        each, readings=tuple(replace(r, length_mm=r.length_mm * scale, u_mm=r.u_mm * scale) for r in each.readings)
    )
    one, two = claw_rate(each), claw_rate(scaled)
    if one.estimate and two.estimate:
        assert two.estimate.value == pytest.approx(one.estimate.value * scale, abs=1e-6, rel=1e-9)
        assert two.u_stated == pytest.approx((one.u_stated or 0) * scale)
        assert two.chi_square == pytest.approx(one.chi_square, abs=1e-6)


@given(any_series(), st.randoms())
def test_the_order_of_readings_changes_nothing(each: ToeSeries, random: object) -> None:
    rows = list(each.readings)
    random.shuffle(rows)  # type: ignore[attr-defined]
    assert claw_rate(replace(each, readings=tuple(rows)), _LEAST) == claw_rate(each, _LEAST)


@given(st.integers(200, 2000), st.floats(0.5, 5))
def test_a_reading_far_ahead_makes_the_rate_surer(later: int, u: float) -> None:
    rows = [(0, 80.0, 2.0), (60, 84.0, 2.0), (120, 88.0, 2.0)]
    one, two = claw_rate(series(rows)), claw_rate(series([*rows, (later, 88.0 + 2 * (later - 120) / 30, u)]))
    assert one.u_stated is not None and two.u_stated is not None
    assert two.u_stated < one.u_stated


def test_the_normal_quantile_is_the_tables() -> None:
    assert pytest.approx(1.959964, abs=1e-6) == Z
