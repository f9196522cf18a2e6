"""From the rows of a store to rates, comparisons, dates and the due list. Needs no database."""

from __future__ import annotations

from datetime import date

import pytest

from clawvision.findings.profiles import load_profiles
from clawvision.growth import Forecast, claw_rate, herd_growth
from clawvision.history.growth import claw_readings, due_feet, foot_growth, herd_history, limit_forecasts
from clawvision.history.rows import StoredAnimal, ToeLength
from tests.history.over_time import day, line, row, rows

PROFILES = load_profiles()
WATCH = 100.0
"""toe_length_watch of the default profile, docs/findings.md."""


def told(*given: ToeLength, limit: str = "watch") -> tuple[Forecast, ...]:
    herd = herd_history(claw_readings(given), PROFILES)
    return limit_forecasts(herd, limit)  # type: ignore[arg-type]


def test_stored_uncertainty_is_expanded() -> None:
    (claw,) = claw_readings([row(0, 80.0, uncertainty=3.0)])
    assert [(each.length_mm, each.u_mm) for each in claw.series.readings] == [(80.0, 1.5)]


def test_photos_to_be_looked_at_are_counted_and_left_out() -> None:
    given = [row(0, 80.0), row(30, 84.0, status="review"), row(60, 88.0), row(90, 90.0, uncertainty=0.0)]
    (claw,) = claw_readings(given)
    assert (len(claw.series.readings), claw.review, claw.unusable) == (2, 1, 1)


def test_a_trim_noted_only_on_a_photo_that_is_left_out_still_counts() -> None:
    given = [row(0, 90.0), row(60, 85.0, status="review", trimmed=day(30)), row(90, 88.0)]
    (claw,) = claw_readings(given)
    assert claw.series.trims == (day(30),)
    assert [each.kind for each in claw_rate(claw.series).breaks] == ["trim noted"]


def test_a_stage_on_one_claw_or_a_left_out_photo_trims_the_foot() -> None:
    outer = [row(0, 90.0), row(60, 80.0, stage="after", status="review"), row(90, 82.0)]
    inner = rows([(0, 90.0), (90, 82.0)], claw="inner")
    other = rows([(0, 90.0), (90, 94.0)], foot="RH")
    claws = {each.series.key[1:]: each for each in claw_readings([*inner, *outer, *other])}
    assert claws["LH", "outer"].series.trims == claws["LH", "inner"].series.trims == (day(60),)
    assert claws["RH", "outer"].series.trims == ()
    assert len(claw_rate(claws["LH", "inner"].series).breaks) == 1


def test_before_and_after_of_one_day_stay_apart() -> None:
    given = [row(0, 90.0), row(60, 98.0, stage="before"), row(60, 80.0, stage="after"), row(120, 88.0)]
    (claw,) = claw_readings(given)
    rate = claw_rate(claw.series, -7.0)
    assert [each.kind for each in rate.breaks] == ["before or after photo"]
    assert rate.estimate is not None and rate.estimate.value == pytest.approx(8.0 / (60 / 30.4375), rel=0.01)


def test_photos_after_the_day_do_not_count() -> None:
    (claw,) = claw_readings([row(0, 80.0), row(60, 90.0, trimmed=day(50)), row(90, 95.0)], until=day(60))
    assert [each.day for each in claw.series.readings] == [day(0), day(60)]
    assert claw_readings([row(0, 80.0)], until=date(2030, 1, 1)) == ()


def test_claws_of_one_profile_are_fitted_together_and_apart_from_others() -> None:
    cows = [each for n in range(4) for each in rows(line(5.0 + 0.1 * n), animal=f"Invented {n}")]
    bulls = [each for n in range(4, 8) for each in rows(line(2.0 + 0.1 * n), animal=f"Invented {n}", profile="bull")]
    herd = herd_history(claw_readings([*cows, *bulls]), PROFILES)
    assert set(herd.herds) == {"holstein-parity-2plus", "bull"}
    alone = herd_growth([claw_rate(each.series, -7.0) for each in claw_readings(cows)])
    assert [claw.estimate for claw in herd.claws[:4]] == [claw.estimate for claw in alone.claws]
    assert {claw.own_rank for claw in herd.claws[4:]} == {1, 2, 3, 4}


def test_the_latest_profile_counts() -> None:
    given = [row(0, 80.0, profile="holstein-parity-1"), row(90, 90.0, profile="simmental")]
    assert claw_readings(given)[0].profile_name == "simmental"


def test_an_unknown_profile_gives_a_rate_and_no_date() -> None:
    given = rows(line(5.0), profile="our-cows")
    herd = herd_history(claw_readings(given), PROFILES)
    assert herd.claws[0].estimate is not None
    (forecast,) = limit_forecasts(herd)
    assert forecast.reason is not None and "our-cows" in forecast.reason and "--profiles" in forecast.reason
    (foot,) = foot_growth(herd, "Invented 1")
    assert foot.profile is None and foot.claws[0].comparisons == () and foot.partners is None


def test_a_date_is_where_the_line_meets_the_limit() -> None:
    (forecast,) = told(*rows(line(5.0, 80.0), uncertainty=0.2))
    # 20 mm at 5 mm a month are 4 months, 122 days, which were over on the last one.
    assert forecast.beyond == "shown" and forecast.expected == day(180)
    (later,) = told(*rows(line(2.0, 80.0), uncertainty=0.2))
    assert later.limit_mm == WATCH and later.expected is not None
    assert abs((later.expected - day(round(10 * 30.4375))).days) <= 1
    (flag,) = told(*rows(line(2.0, 80.0), uncertainty=0.2), limit="flag")
    assert flag.limit_mm == 110.0 and flag.expected is not None and flag.expected > later.expected


def test_comparisons_are_three_valued() -> None:
    fast = rows(line(12.5), uncertainty=1.0)
    slow = rows(line(4.0), claw="inner", uncertainty=1.0)
    herd = herd_history(claw_readings([*slow, *fast]), PROFILES)
    (foot,) = foot_growth(herd, "Invented 1")
    assert [claw.readings.series.claw for claw in foot.claws] == ["outer", "inner"]
    states = {each.code: each.state for each in foot.claws[0].comparisons}
    assert states == {"growth_above_high": "shown", "growth_below_low": "not shown", "growth_beyond_belief": "shown"}
    assert foot.claws[1].comparisons[1].state == "cannot tell"
    assert foot.partners is not None and foot.partners.state == "shown" and "outer claw grows" in foot.partners.text


def test_the_due_list_puts_what_is_long_already_first_and_the_unknown_last() -> None:
    given = [
        *rows(line(2.0, 78.0), animal="Invented later"),
        *rows(line(5.0, 104.0), animal="Invented long"),
        *rows(line(5.0, 112.0), animal="Invented longest"),
        *rows(line(5.0, 70.0), animal="Invented soon", foot="RH"),
        *rows([(0, 85.0), (60, 95.0)], animal="Invented trimmed"),
        *rows([(70, 80.0)], animal="Invented trimmed", status="review", trimmed=day(65)),
    ]
    seen = [
        StoredAnimal("Invented none", 2, 1, day(0), day(0)),
        StoredAnimal("Invented long", 9, 3, day(0), day(0)),
    ]
    due = due_feet(told(*given), day(185), seen)
    assert [each.animal for each in due.due] == ["Invented longest", "Invented long", "Invented soon"]
    assert [(each.animal, each.foot) for each in due.unknown] == [
        ("Invented long", None),
        ("Invented none", None),
        ("Invented trimmed", "LH"),
    ]
    assert "2 more feet" in due.unknown[0].reasons[0]
    assert "trimmed after the last photo" in due.unknown[2].reasons[0]
    assert due.later == 1
    assert [each.animal for each in due_feet(told(*given), day(600)).due][:2] == ["Invented longest", "Invented long"]
    assert due_feet(told(*given), day(600)).later == 0


def test_a_foot_stands_where_its_worst_claw_does_not_where_its_animal_does() -> None:
    given = [
        *rows(line(5.0, 115.0), animal="Invented a", foot="LH"),
        *rows(line(5.0, 102.0), animal="Invented a", foot="RH"),
        *rows(line(5.0, 108.0), animal="Invented b", foot="LH"),
    ]
    due = due_feet(told(*given), day(200))
    assert [(each.animal, each.foot) for each in due.due] == [
        ("Invented a", "LH"),
        ("Invented b", "LH"),
        ("Invented a", "RH"),
    ]


def test_nothing_stored() -> None:
    herd = herd_history((), PROFILES)
    assert foot_growth(herd, "Invented 1") == ()
    assert due_feet(limit_forecasts(herd), day(0)).due == ()
