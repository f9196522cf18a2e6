"""Dates against simulation, closed forms and what may never be said."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from clawvision.errors import UsageError
from clawvision.findings import DEFAULT_PROFILE, load_profiles
from clawvision.findings.quantities import DAYS_PER_MONTH
from clawvision.growth import ToeSeries, claw_rate, forecast, forecasts, herd_growth, lengths_ahead, profile_limit
from clawvision.growth.forecast import NEVER, crossing_months
from clawvision.growth.rate import Z
from tests.growth.made import day, line, rate_of, series
from tests.growth.scores import score
from tests.growth.simulated import Plan


def _cross(mean: float, s: float, ahead: float, rate: float, u: float, limit: float) -> tuple[float, ...]:
    rows = (np.array([value]) for value in (mean, s, ahead, rate, u, limit))
    return tuple(float(each[0]) for each in crossing_months(*rows))


@pytest.mark.parametrize(
    ("mean", "s", "ahead", "rate", "u", "limit"),
    [
        (85, 1.0, 2.0, 4.0, 0.5, 100),
        (85, 2.5, 0.0, 3.0, 0.7, 100),
        (90, 1.5, 4.0, 2.5, 0.9, 110),
        (98, 1, 3, 5, 1, 120),
    ],
)
def test_dates_are_the_quantiles_of_simulated_lines(
    mean: float, s: float, ahead: float, rate: float, u: float, limit: float
) -> None:
    rng = np.random.default_rng(12)
    levels, rates = rng.normal(mean, s, 400_000), rng.normal(rate, u, 400_000)
    days = np.where(rates > 0, (limit - levels) / np.where(rates > 0, rates, 1.0), np.inf)
    months = np.where(levels + rates * ahead >= limit, 0.0, days - ahead)
    early, middle, late = np.quantile(months, [0.025, 0.5, 0.975], method="inverted_cdf")
    # 400 000 draws: the tails' quantiles are good to about half a percent of the range here.
    assert _cross(mean, s, ahead, rate, u, limit) == pytest.approx((early, middle, late), rel=0.012, abs=0.02)


def test_where_the_rate_may_be_nought_the_late_end_lies_nowhere() -> None:
    early, middle, late = _cross(85, 1.5, 2.0, 1.0, 0.8, 100)
    assert 0 < early < middle < late == np.inf
    assert _cross(85, 1.5, 2.0, -1.0, 0.8, 100)[1:] == (np.inf, np.inf)
    assert _cross(85, 1.5, 2.0, -3.0, 0.3, 100) == (np.inf, np.inf, np.inf)
    assert _cross(85, 1.5, 2.0, 0.0, 0.0, 100) == (np.inf, np.inf, np.inf)


_LENGTHS, _RATES = st.floats(60, 130), st.floats(-5, 12)


@given(_LENGTHS, st.floats(0.3, 5), st.floats(0, 12), _RATES, st.floats(0, 4), st.floats(70, 120))
@example(mean=100.0, s=1.0, ahead=0.0, rate=0.0, u=0.0, limit=100.0)
@example(mean=90.0, s=1.0, ahead=1.0, rate=1.0, u=0.510213, limit=100.0)
@example(mean=78.0, s=1.0, ahead=0.0, rate=-8.068431223051647e-308, u=0.0, limit=70.0)
@example(mean=74.0, s=1.0, ahead=0.0, rate=-8.068431223051647e-308, u=4.0, limit=70.0)
@example(mean=70.0, s=1.0, ahead=0.0, rate=8.068431223051647e-308, u=0.0, limit=78.0)
def test_dates_are_in_order_and_each_is_the_first_of_its_kind(
    mean: float, s: float, ahead: float, rate: float, u: float, limit: float
) -> None:
    found = _cross(mean, s, ahead, rate, u, limit)
    assert 0 <= found[0] <= found[1] <= found[2]
    # The probability of being beyond, on a grid: below its level at all earlier times, at it on the date.
    grid = ahead + np.linspace(0, 200, 4001)
    for months, z in zip(found, (1.959964, 0.0, -1.959964), strict=True):
        bound = mean + rate * grid - limit + z * np.hypot(s, grid * u)
        assert (bound[grid < ahead + months - 1e-6 * (1 + months)] < 1e-5).all()
        if 0 < months < np.inf:
            at = ahead + months
            assert mean + rate * at - limit + z * np.hypot(s, at * u) == pytest.approx(0, abs=1e-5 * (1 + at))


@given(_LENGTHS, st.floats(0.3, 5), st.floats(0, 6), st.floats(0.5, 8), st.floats(0.05, 2), st.floats(70, 120))
def test_a_farther_limit_is_not_reached_sooner(
    mean: float, s: float, ahead: float, rate: float, u: float, limit: float
) -> None:
    near, far = (_cross(mean, s, ahead, rate, u, each) for each in (limit, limit + 5))
    assume(all(np.isfinite(near)))
    assert all(two >= one - 1e-9 for one, two in zip(near, far, strict=True))


def test_a_straight_line_reaches_its_limit_on_the_day() -> None:
    rate = claw_rate(line(4.0, u=0.01, start=80))
    found = forecast(rate, 110)
    assert found.last == day(180)
    assert found.expected is not None and found.early is not None and found.late is not None
    assert abs((found.expected - day(round(7.5 * DAYS_PER_MONTH))).days) <= 1
    assert found.early <= found.expected <= found.late
    assert (found.late - found.early).days <= 6
    assert found.beyond == "not shown"
    assert found.level_mm == pytest.approx(80 + 4 * 180 / DAYS_PER_MONTH)


def test_a_claw_beyond_its_limit_is_so_already() -> None:
    found = forecast(claw_rate(line(4.0, u=1.0, start=95)), 100)
    assert found.beyond == "shown"
    assert (found.early, found.expected, found.late) == (day(180),) * 3
    assert found.text == "already 100 mm or more"
    assert found.surplus_mm is not None and found.surplus_mm > 0


def test_a_claw_that_may_be_beyond_is_not_said_to_be() -> None:
    found = forecast(claw_rate(line(4.0, u=2.0, start=75.5)), 100)
    assert found.beyond == "cannot tell"
    assert found.early == day(180)
    assert found.late is not None and found.late > day(180)
    assert "may already be there" in found.text


def test_a_claw_that_does_not_grow_is_not_foretold_a_date() -> None:
    found = forecast(claw_rate(line(-2.0, u=0.5)), 100)
    assert (found.early, found.expected, found.late) == (None, None, None)
    assert found.text == NEVER
    slow = forecast(claw_rate(line(0.2, u=0.5)), 100)
    assert slow.early is not None and slow.late is None
    assert NEVER in slow.text


@pytest.mark.parametrize(
    "each",
    [
        series([(0, 80, 1), (60, 88, 1)], [90]),
        series([(0, 80, 1), (60, 88, 1, "before")]),
        series([]),
    ],
)
def test_a_length_that_is_not_known_has_no_forecast(each: ToeSeries) -> None:
    found = forecast(claw_rate(each), 100)
    assert found.reason is not None and found.text == found.reason
    assert (found.early, found.expected, found.late, found.level_mm) == (None, None, None, None)
    assert found.beyond == "cannot tell"


def test_without_a_rate_only_the_present_can_be_told() -> None:
    long, maybe, short = (forecast(claw_rate(series([(0, mm, 2)])), 100) for mm in (110, 101, 85))
    assert long.beyond == "shown" and long.early == day(0)
    assert maybe.beyond == "cannot tell" and maybe.early == day(0) and maybe.late is None and maybe.reason
    assert short.beyond == "not shown" and short.early is None and short.reason


def test_a_claw_with_one_photo_is_foretold_by_the_herds_rate() -> None:
    rates = [rate_of(3 + 0.2 * cow, 0.3, f"Invented {cow}", "LH", "outer") for cow in range(6)]
    herd = herd_growth([*rates, claw_rate(series([(0, 85, 1)], animal="Invented 0", claw="inner"))])
    found = forecast(herd.claws[-1], 100)
    assert found.expected is not None and found.late is not None
    assert abs((found.expected - day(0)).days - 15 / 3.3 * DAYS_PER_MONTH) < 40


def test_the_level_is_not_surer_than_the_surest_photo() -> None:
    found = forecast(claw_rate(series([(each, 85, 2.0) for each in range(0, 20)])), 100)
    assert found.u_level_mm is not None and found.u_level_mm >= 2.0


def test_the_profiles_limits_are_found_by_limb() -> None:
    profiles = load_profiles()
    assert profile_limit(("Invented 1", "LH", "outer"), profiles[DEFAULT_PROFILE]) == 100
    assert profile_limit(("Invented 1", "LH", "outer"), profiles["holstein-parity-1"], "toe_length_flag") == 102
    missing = profile_limit(("Invented 1", "LH", "outer"), profiles["calf-yearling"])
    assert missing is None
    found = forecast(claw_rate(line(4.0)), missing)
    assert found.limit_mm is None and found.reason is not None and "profile" in found.reason


def test_many_at_once_are_as_one_by_one() -> None:
    rates = [claw_rate(line(rate, u=u, start=start)) for rate in (-1, 0.5, 4) for u in (0.5, 3) for start in (70, 99)]
    limits = [90.0 + place for place in range(len(rates))]
    assert forecasts(rates, limits) == tuple(forecast(*pair) for pair in zip(rates, limits, strict=True))


@pytest.mark.parametrize("limit", [0.0, -1.0, float("nan")])
def test_a_limit_that_is_no_length_is_refused(limit: float) -> None:
    with pytest.raises(UsageError, match="limit"):
        forecast(claw_rate(line(4.0)), limit)
    with pytest.raises(UsageError, match="limits"):
        forecasts([claw_rate(line(4.0))], [100.0, 100.0])


@pytest.mark.parametrize("shared", [0.0, 0.5])
def test_intervals_of_dates_hold_the_true_date(shared: float) -> None:
    # Never less than said; more where errors are independent, since the level is not let below one photo's doubt.
    found = score(Plan(shared=shared), 6, seed=7)
    assert found.dated > 500
    assert 0.93 <= found.dated_held <= 0.995


def test_no_date_lies_before_the_last_photo() -> None:
    for start in np.linspace(60, 120, 25):
        found = forecast(claw_rate(line(3.0, u=2.0, start=float(start))), 100)
        assert found.early is None or found.early >= day(180)
        if found.early is not None and found.late is not None:
            assert found.late - found.early >= timedelta(0)


def test_lengths_ahead_are_those_that_the_dates_rest_on() -> None:
    rate = claw_rate(series([(0, 80.0, 1.0), (60, 90.0, 1.0), (120, 97.0, 1.5)]))
    told = forecast(rate, 110.0)
    assert told.last is not None and told.expected is not None and told.early is not None and told.late is not None
    months = np.array([(each - told.last).days / DAYS_PER_MONTH for each in (told.early, told.expected, told.late)])
    mean, u = lengths_ahead(rate, months)
    # A day is 0.2 mm here, and dates are whole days, the early one rounded down and the late one up.
    assert mean + Z * u * [1, 0, -1] == pytest.approx([110.0] * 3, abs=0.25)
    now, u_now = lengths_ahead(rate, np.zeros(1))
    assert (now[0], u_now[0]) == pytest.approx((told.level_mm, told.u_level_mm))


def test_nothing_is_foretold_without_a_rate() -> None:
    with pytest.raises(UsageError):
        lengths_ahead(claw_rate(series([(0, 80.0, 1.0)])), np.zeros(1))


def test_words_for_dates_that_may_never_come() -> None:
    told = forecast(claw_rate(line(1.0, u=2.5, days=(0, 60, 120))), 100.0)
    assert told.expected is not None and told.late is None
    assert told.text == f"from {told.early}, most likely {told.expected}, perhaps {NEVER}"
    told = forecast(claw_rate(line(0.0, u=2.0, days=(0, 60, 120))), 100.0)
    assert told.early is not None and told.expected is None
    assert told.text == f"from {told.early}, most likely {NEVER}"
