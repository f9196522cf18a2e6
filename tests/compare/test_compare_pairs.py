"""Which photos are compared, and which are not and why."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from clawvision.compare.pairs import MOST_DAYS, pair_photos
from clawvision.output.models import MeasureRecord, PhotoRecord
from clawvision.output.record import photo_record
from clawvision.reasons import reason
from clawvision.types import frozen_mapping
from tests.compare.synthetic import cut, side_photo, side_shape

LONG = side_shape(112.0)
SHORT = cut(LONG, 90.0)


def photo(name: str, stage: str, taken: str | None = "2031-04-02", u: float | None = None, **more: Any) -> PhotoRecord:
    record = photo_record(side_photo(name, stage, LONG if stage == "before" else SHORT, taken=taken, **more))
    if u is None:
        return record
    claw = next(iter(record.claws))
    old = record.claws[claw]
    length = MeasureRecord(value=100.0, uncertainty=u, unit="mm")
    changed = old.model_copy(update={"measures": {**old.measures, "toe_length": length}})
    return record.model_copy(update={"claws": {claw: changed}})


def names(photos: list[PhotoRecord]) -> list[tuple[str, str]]:
    feet, _ = pair_photos(photos)
    return [(pair.before.photo.photo, pair.after.photo.photo) for foot in feet for pair in foot.pairs]


def why(photos: list[PhotoRecord]) -> dict[str, str]:
    return {each.photo: each.why for each in pair_photos(photos)[1]}


def test_photos_of_one_claw_are_a_pair() -> None:
    photos = [photo("b", "before"), photo("a", "after"), photo("bi", "before", claw="inner")]
    assert names(photos) == [("b", "a")]
    assert list(why(photos)) == ["bi"]
    assert "no photo of this side view of the inner claw from after the trim" in why(photos)["bi"]


@pytest.mark.parametrize(("days", "paired"), [(0, True), (MOST_DAYS, True), (MOST_DAYS + 1, False), (-1, False)])
def test_no_more_than_a_week_lies_between(days: int, paired: bool) -> None:
    photos = [photo("b", "before", "2031-04-10"), photo("a", "after", f"2031-04-{10 + days:02}")]
    assert names(photos) == ([("b", "a")] if paired else [])
    assert set(why(photos)) == (set() if paired else {"a", "b"})


def test_the_surest_is_taken_and_all_are_listed() -> None:
    photos = [
        photo("unsure", "before", u=6.0),
        photo("sure", "before", u=2.0),
        photo("sharper, but to be looked at", "before", u=1.0, status="review"),
        photo("a", "after"),
    ]
    (foot,), unpaired = pair_photos(photos)
    (pair,) = foot.pairs
    assert pair.before.photo.photo == "sure"
    assert pair.candidates_before == ("sharper, but to be looked at", "sure", "unsure")
    assert unpaired == ()


def test_two_trims_of_a_foot_stay_apart() -> None:
    spring = [photo("b1", "before", "2031-04-01"), photo("a1", "after", "2031-04-02")]
    # A day after the first trim was photographed, somebody lifts the foot again.
    again = [photo("b2", "before", "2031-04-03"), photo("a2", "after", "2031-04-03")]
    assert names(again + spring) == [("b1", "a1"), ("b2", "a2")]
    feet, _ = pair_photos(spring + again)
    assert len(feet) == 2


def test_other_animals_and_feet_are_never_mixed() -> None:
    assert names([photo("b", "before"), photo("a", "after", animal="Invented 32")]) == []
    assert names([photo("b", "before"), photo("a", "after", foot="LH")]) == []


def test_each_reason_is_told() -> None:
    refused = side_photo("refused", "after", SHORT)
    refused = replace(refused, status="refused", reasons=(reason("no_reference"),), claws=frozen_mapping(), scale=None)
    photos = [
        photo("check", "check"),
        photo_record(refused),
        photo("no foot", "before", foot=None),
        photo("no day", "before", taken=None),
        photo("odd day", "before", taken="spring"),
    ]
    told = why(photos)
    assert "stage check" in told["check"]
    assert told["refused"].startswith("refused: ") and len(told["refused"]) > 20
    assert "which foot" in told["no foot"]
    assert "which day" in told["no day"] and "which day" in told["odd day"]
