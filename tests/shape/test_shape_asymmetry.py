"""Directional and fluctuating asymmetry."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from clawvision.errors import UsageError
from clawvision.shape import ShapePair, align, asymmetry, pair_up, semilandmarks, standard_frame
from tests.shape.claws import moved, sole_claw

BASE = np.array([[0.0, 60.0], [-25.0, 10.0], [-20.0, -45.0], [20.0, -45.0], [25.0, 5.0], [10.0, 40.0]])
SIDES = np.array([[0.0, 6.0], [0.0, 0.0], [0.0, 0.0], [0.0, 0.0], [4.0, 0.0], [0.0, 0.0]])


def made(
    count: int, repeats: int, seed: int, directional: float = 0.0, own: float = 0.0, error: float = 1.0
) -> list[ShapePair]:
    """Return pairs with a given directional part, a fluctuating part of ``own`` mm and an error of ``error`` mm."""
    rng = np.random.default_rng(seed)
    pairs = []
    for index in range(count):
        animal = BASE + rng.normal(size=BASE.shape) * 2.0
        fluctuating = rng.normal(size=BASE.shape) * own
        sides = [animal + sign * (directional * SIDES + fluctuating) / 2.0 for sign in (1.0, -1.0)]
        one, other = (tuple(side + rng.normal(size=BASE.shape) * error for _ in range(repeats)) for side in sides)
        pairs.append(ShapePair(f"Cow {index}", one, other))
    return pairs


def test_squares_agree_with_sums_over_cells_and_add_up() -> None:
    pairs = made(5, 3, seed=0, directional=1.0, own=1.0)
    found = asymmetry(pairs, "form", permutations=99)
    aligned = align([points for pair in pairs for points in (*pair.one, *pair.other)], "form").points
    grand = aligned.mean(axis=0)
    y = {(i, s, r): aligned[i * 6 + s * 3 + r] for i, s, r in product(range(5), range(2), range(3))}

    def mean(**at: int) -> np.ndarray:
        keys = [k for k in y if all(k["isr".index(name)] == value for name, value in at.items())]
        return np.mean([y[k] for k in keys], axis=0)

    wanted = {"individual": 0.0, "side": 0.0, "individual x side": 0.0, "error": 0.0}
    for i, s, _ in y:
        wanted["individual"] += ((mean(i=i) - grand) ** 2).sum()
        wanted["side"] += ((mean(s=s) - grand) ** 2).sum()
        wanted["individual x side"] += ((mean(i=i, s=s) - mean(i=i) - mean(s=s) + grand) ** 2).sum()
    wanted["error"] = sum(((y[i, s, r] - mean(i=i, s=s)) ** 2).sum() for i, s, r in y)
    for name, squares in wanted.items():
        assert found.rows[name].squares == pytest.approx(squares, rel=1e-9)
    assert sum(row.squares for row in found.rows.values()) == pytest.approx(((aligned - grand) ** 2).sum())
    # 12 coordinates less place and rotation
    assert [row.degrees for row in found.rows.values()] == [4 * 9, 9, 4 * 9, 20 * 9]
    rows = found.rows
    assert rows["side"].f == pytest.approx(rows["side"].mean / rows["individual x side"].mean)
    assert rows["individual x side"].f == pytest.approx(rows["individual x side"].mean / rows["error"].mean)
    # the squared differences of the sides are the common one and what each has of its own
    assert (found.distances**2).sum() == pytest.approx(5 * found.directional**2 + (found.fluctuating**2).sum())
    assert found.directional == pytest.approx(np.linalg.norm(found.difference))


def test_all_ways_of_flipping_are_gone_through_where_they_are_few() -> None:
    pairs = made(4, 1, seed=3, directional=0.4)
    found = asymmetry(pairs, "form")
    aligned = align([points for pair in pairs for points in (*pair.one, *pair.other)], "form").points
    differences = aligned[0::2] - aligned[1::2]
    reached = [
        np.linalg.norm(np.tensordot(signs, differences, axes=1)) >= np.linalg.norm(differences.sum(axis=0)) * (1 - 1e-9)
        for signs in product((1, -1), repeat=4)
    ]
    assert found.directional_p == pytest.approx(np.mean(reached))
    assert found.directional_p is not None and found.directional_p >= 2 / 16
    assert "cannot come below 0.12" in found.reasons["directional"]


def test_what_all_pairs_have_in_common_is_found() -> None:
    found = asymmetry(made(14, 2, seed=1, directional=1.0), "form", permutations=999)
    assert found.directional_p is not None and found.directional_p <= 0.01
    # the difference is that which was put in, outer minus inner, but for the turn that fits the pair together
    free = SIDES - SIDES.mean(axis=0)
    assert np.sum(found.difference * free) / np.sum(free * free) == pytest.approx(1.0, abs=0.25)
    assert found.fluctuating_p is not None and found.fluctuating_p > 0.05


def test_what_each_pair_has_of_its_own_is_found() -> None:
    found = asymmetry(made(14, 2, seed=2, own=3.0), "shape", permutations=999)
    assert found.fluctuating_p == pytest.approx(0.001)
    assert found.directional_p is not None and found.directional_p > 0.05


@pytest.mark.parametrize("which", ["directional_p", "fluctuating_p"])
def test_without_asymmetry_p_is_small_no_more_often_than_it_says(which: str) -> None:
    """Of 200 samples at the 10 % level 20 are expected; 35 or more come by chance less than once in 2000 (binomial)."""
    small = sum(
        getattr(asymmetry(made(8, 2, seed=seed), "form", permutations=199, seed=seed), which) <= 0.1
        for seed in range(200)
    )
    assert 6 <= small < 35


def test_the_same_seed_gives_the_same_answer() -> None:
    pairs = made(16, 2, seed=5, own=0.6)
    one, two, other = (asymmetry(pairs, permutations=299, seed=seed) for seed in (1, 1, 2))
    assert (one.directional_p, one.fluctuating_p) == (two.directional_p, two.fluctuating_p)
    assert (one.directional_p, one.fluctuating_p) != (other.directional_p, other.fluctuating_p)


def test_without_repeats_or_with_one_pair_it_cannot_tell() -> None:
    once = asymmetry(made(9, 1, seed=0), permutations=99)
    assert once.fluctuating_p is None
    assert "without repeated photos" in once.reasons["fluctuating"]
    assert "error" not in once.rows
    assert once.rows["individual x side"].f is None
    single = asymmetry(made(1, 2, seed=0), permutations=99)
    assert single.directional_p is None and single.fluctuating_p is None
    assert len(single.distances) == 1
    copies = [replace(pair, one=pair.one * 2, other=pair.other * 2) for pair in made(4, 1, seed=0)]
    assert "copies" in asymmetry(copies, permutations=99).reasons["fluctuating"]


@pytest.mark.parametrize("sides", ["outer and inner", "left and right feet"])
def test_mirror_images_are_no_asymmetry(sides: str) -> None:
    feet = [("outer", "LH"), ("inner", "LH"), ("outer", "RH"), ("inner", "RH")]
    shapes = [
        standard_frame(moved(replace(sole_claw(claw, foot, bend=bend), animal=f"Cow {bend:g}"), 40.0 * i, (30, 9 * i)))
        for bend in (2.0, 5.0, 9.0)
        for i, (claw, foot) in enumerate(feet)
    ]
    pairs = pair_up(shapes, sides)  # type: ignore[arg-type]
    assert len(pairs.pairs) == 6 and not pairs.alone
    found = asymmetry(pairs.pairs, "form", permutations=99)
    assert found.distances == pytest.approx(0.0, abs=1e-5)
    assert found.rows["individual"].squares > 100.0


def test_a_larger_outer_claw_is_a_difference_of_form_not_of_shape() -> None:
    shapes = []
    for index in range(6):
        outer, inner = sole_claw("outer", "LH", bend=3.0 + index), sole_claw("inner", "LH", bend=3.0 + index)
        shapes += [
            standard_frame(replace(moved(c, scale=s), animal=f"Cow {index}")) for c, s in ((outer, 1.05), (inner, 1.0))
        ]
    pairs = pair_up(shapes, "outer and inner").pairs
    form, shape = asymmetry(pairs, "form"), asymmetry(pairs, "shape")
    assert shape.distances == pytest.approx(0.0, abs=1e-9)
    own = semilandmarks(shapes[1])
    assert form.distances[0] == pytest.approx(0.05 * np.linalg.norm(own - own.mean(axis=0)), rel=1e-6)
    assert form.directional_p == pytest.approx(2 / 64)


def test_claws_without_a_partner_are_named_and_days_are_not_mixed() -> None:
    outer, inner = sole_claw("outer", "LH"), sole_claw("inner", "LH")
    found = pair_up([standard_frame(c) for c in (outer, inner, sole_claw("outer", "RH"))], "outer and inner")
    assert [pair.individual for pair in found.pairs] == ["Pebble LH"]
    assert found.alone == ("Pebble RH",)
    with pytest.raises(UsageError, match="several days"):
        pair_up([standard_frame(replace(outer, day=0.0)), standard_frame(replace(inner, day=30.0))], "outer and inner")
    with pytest.raises(UsageError, match="not known"):
        pair_up([standard_frame(sole_claw("left", None))], "outer and inner")


def test_unequal_repeats_and_doubled_names_are_told() -> None:
    pairs = made(3, 2, seed=0)
    with pytest.raises(UsageError, match="unlike numbers of repeated photos"):
        asymmetry([*pairs[:2], replace(pairs[2], one=pairs[2].one[:1])])
    with pytest.raises(UsageError, match="comes twice"):
        asymmetry([*pairs, pairs[0]])
