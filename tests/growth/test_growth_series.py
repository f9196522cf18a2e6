"""A trim breaks a series, also one that nobody noted."""

from __future__ import annotations

import pytest

from clawvision.errors import UsageError
from clawvision.growth import split
from clawvision.growth.series import ToeReading, average_by_day
from tests.growth.made import Row, day, series

MOST = -7.0


def _parts(rows: list[Row], trims: tuple[int, ...] = (), most: float | None = MOST) -> list[list[int]]:
    cut = split(series(rows, trims), most)
    return [[(each.day - day(0)).days for each in part] for part in cut.parts]


def test_readings_without_a_trim_are_one_segment() -> None:
    assert _parts([(0, 80, 1), (60, 84, 1), (120, 88, 1)]) == [[0, 60, 120]]


def test_a_noted_trim_between_two_readings_breaks() -> None:
    cut = split(series([(0, 80, 1), (60, 84, 1), (120, 88, 1)], [90]), MOST)
    assert [len(part) for part in cut.parts] == [2, 1]
    assert [(each.last, each.next, each.kind) for each in cut.breaks] == [(day(60), day(120), "trim noted")]


def test_photos_from_before_and_after_break_between_them() -> None:
    rows: list[Row] = [(0, 80, 1, "after"), (60, 88, 1, "before"), (60, 80, 1, "after"), (120, 88, 1)]
    assert _parts(rows) == [[0, 60], [60, 120]]
    assert _parts(rows, (60,)) == [[0, 60], [60, 120]]


def test_a_before_photo_closes_and_an_after_photo_opens_also_alone() -> None:
    # A herd with photos from before each trim only must not come out as one that does not grow.
    assert _parts([(0, 90, 1, "before"), (150, 90, 1, "before")]) == [[0], [150]]
    assert _parts([(0, 80, 1, "after"), (150, 80, 1, "after")]) == [[0], [150]]
    assert _parts([(0, 80, 1), (60, 84, 1), (90, 78, 1, "after"), (120, 80, 1)]) == [[0, 60], [90, 120]]


def test_a_check_photo_of_the_trims_day_may_be_either_and_stands_alone() -> None:
    assert _parts([(0, 80, 1), (60, 84, 1), (120, 84, 1)], (60,)) == [[0], [60], [120]]


def test_a_large_drop_breaks_and_says_so() -> None:
    # 95 to 80 within one month, uncertainty of the difference 2.8 (k = 2): at least 12 mm a month.
    cut = split(series([(0, 90, 1), (60, 95, 1), (90, 80, 1), (150, 85, 1)]), MOST)
    assert [len(part) for part in cut.parts] == [2, 2]
    assert [each.kind for each in cut.breaks] == ["trim not noted?"]


def test_a_drop_within_the_uncertainty_does_not_break() -> None:
    assert _parts([(0, 95, 4), (30, 84, 4)]) == [[0, 30]]  # 11 mm ± 11.3 (k = 2)


def test_a_drop_that_wear_may_explain_is_told_and_not_broken() -> None:
    cut = split(series([(0, 95, 1), (120, 85, 1)]), MOST)
    assert len(cut.parts) == 1
    assert cut.shortened == ((day(0), day(120)),)


def test_without_the_profiles_value_only_known_trims_break() -> None:
    cut = split(series([(0, 95, 1), (30, 75, 1)]), None)
    assert len(cut.parts) == 1
    assert cut.shortened == ((day(0), day(30)),)


@pytest.mark.parametrize(
    ("rows", "trims", "ended"),
    [
        ([(0, 80, 1), (60, 84, 1)], (90,), True),
        ([(0, 80, 1), (60, 84, 1)], (60,), True),
        ([(0, 80, 1), (60, 84, 1, "before")], (), True),
        ([(0, 80, 1), (60, 84, 1, "after")], (60,), False),
        ([(0, 80, 1), (60, 84, 1)], (30,), False),
    ],
)
def test_a_trim_after_the_last_photo_ends_what_is_known(rows: list[Row], trims: tuple[int, ...], ended: bool) -> None:
    assert (split(series(rows, trims), MOST).ended is not None) is ended


def test_readings_of_one_day_are_averaged_by_weight() -> None:
    (mean,) = average_by_day(series([(0, 80, 1), (0, 86, 2)]).readings)
    assert mean.length_mm == pytest.approx((80 + 86 / 4) / 1.25)
    assert mean.u_mm == pytest.approx(1.25**-0.5)


@pytest.mark.parametrize(("length", "u"), [(0, 1), (float("nan"), 1), (80, 0), (80, float("inf")), (80, -1)])
def test_a_reading_that_cannot_be_is_refused(length: float, u: float) -> None:
    with pytest.raises(UsageError, match=r"cow\.jpg"):
        ToeReading(day(0), length, u, "check", "cow.jpg")
