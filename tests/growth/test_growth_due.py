"""The due list: worst first, nothing lost, unknown last and not fine."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from clawvision.growth import Forecast, claw_rate, due_kind, due_list, forecast, group_by_animal
from clawvision.types import Foot, State
from tests.growth.made import day, line, series


def _row(
    animal: str,
    foot: Foot = "LH",
    early: int | None = None,
    late: int | None = None,
    beyond: State = "not shown",
    surplus: float = -10.0,
    reason: str | None = None,
) -> Forecast:
    first = None if early is None else day(early)
    last = None if late is None else day(late)
    return Forecast(
        (animal, foot, "outer"), 100.0, day(0), 90.0, 1.0, None, beyond, first, first, last, surplus, reason
    )


def test_worst_first() -> None:
    rows = [
        _row("unknown", reason="No toe length is on file."),
        _row("never"),
        _row("soon", early=40, late=90),
        _row("sooner", early=20, late=400),
        _row("far beyond", early=0, late=0, beyond="shown", surplus=8.0),
        _row("beyond", early=0, late=0, beyond="shown", surplus=1.0),
        _row("maybe beyond", early=0, late=80, beyond="cannot tell", surplus=-2.0),
        _row("soon, surely", early=40, late=60),
    ]
    names = [row.key[0] for row in due_list(rows)]
    assert names == ["far beyond", "beyond", "maybe beyond", "sooner", "soon, surely", "soon", "never", "unknown"]
    kinds = [due_kind(row) for row in due_list(rows)]
    assert kinds == ["already"] * 2 + ["dated"] * 4 + ["not within five years", "unknown"]


def test_real_forecasts_find_their_places() -> None:
    made = {
        "long": line(3.0, start=110),
        "fast": line(5.0, start=60),
        "slow": line(2.0, start=60),
        "worn": line(-3.0, u=0.3, start=70),
        "trimmed": series([(0, 80, 1), (60, 88, 1)], [90]),
    }
    rows = []
    for name, each in made.items():
        renamed = series(
            [((r.day - day(0)).days, r.length_mm, r.u_mm) for r in each.readings],
            [(t - day(0)).days for t in each.trims],
            animal=name,
        )
        rows.append(forecast(claw_rate(renamed), 100))
    assert [row.key[0] for row in due_list(rows[::-1])] == ["long", "fast", "slow", "worn", "trimmed"]


def test_feet_and_animals_stand_where_their_worst_claw_does() -> None:
    rows = due_list(
        [
            _row("A", "LH", early=30),
            _row("A", "RH", early=10),
            _row("B", "LF", early=20),
            _row("B", "LH", early=0, beyond="shown", surplus=1.0),
            _row("C", "LH", reason="No toe length is on file."),
        ]
    )
    grouped = group_by_animal(rows)
    assert [animal.animal for animal in grouped] == ["B", "A", "C"]
    assert [foot.foot for foot in grouped[1].feet] == ["RH", "LH"]
    assert sum(len(foot.claws) for animal in grouped for foot in animal.feet) == len(rows)


_rows = st.builds(
    _row,
    animal=st.sampled_from("ABCD"),
    foot=st.sampled_from(("LF", "RF", "LH", "RH")),
    early=st.one_of(st.none(), st.integers(0, 1500)),
    late=st.one_of(st.none(), st.integers(1500, 1800)),
    beyond=st.sampled_from(("shown", "not shown", "cannot tell")),
    surplus=st.floats(-30, 30),
    reason=st.one_of(st.none(), st.just("No toe length is on file.")),
)


@given(st.lists(_rows, max_size=30), st.randoms())
def test_no_claw_is_lost_and_the_order_given_does_not_matter(rows: list[Forecast], random: object) -> None:
    ordered = due_list(rows)
    assert sorted(map(id, ordered)) == sorted(map(id, rows))
    shuffled = list(rows)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert [due_kind(row) for row in due_list(shuffled)] == [due_kind(row) for row in ordered]
    dates = [row.early for row in ordered if due_kind(row) == "dated"]
    assert dates == sorted(each for each in dates if each is not None)
