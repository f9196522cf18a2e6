"""Outlines laid over one another: known motions come back, and what is not the same claw is refused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.compare.overlay import lay_over, not_alike, polygon
from clawvision.compare.register import LIMIT_MM, Seen, kabsch, register_side, register_sole
from clawvision.types import FloatArray
from tests.compare.synthetic import cut, cut_sole, moved, noisy, side_shape, sole_shape

U_MARKS = {"C": 1.0, "B": 1.2}
ANGLES = st.floats(-180.0, 180.0)
SHIFTS = st.tuples(st.floats(-300.0, 300.0), st.floats(-300.0, 300.0))


def seen(shape: Mapping[str, FloatArray], partner: FloatArray | None = None, u_outline: float = 0.5) -> Seen:
    marks = {name: points for name, points in shape.items() if name != "outline"}
    return Seen(shape["outline"], marks, U_MARKS, u_outline, partner=partner)


def away(
    shape: Mapping[str, FloatArray], degrees: float, shift: Sequence[float], *, mirror: bool = False
) -> dict[str, FloatArray]:
    return {name: moved(points, degrees, shift, mirror=mirror) for name, points in shape.items()}


@given(ANGLES, SHIFTS)
@settings(deadline=None, max_examples=50)
def test_matched_points_give_their_motion_back(degrees: float, shift: tuple[float, float]) -> None:
    chance = np.random.default_rng(3)
    source, weights = chance.normal(0.0, 40.0, (9, 2)), chance.uniform(0.1, 3.0, 9)
    angle, by = kabsch(source, moved(source, degrees, shift), weights)
    about = weights @ source / weights.sum()
    a = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    assert (source - about) @ a.T + about + by == pytest.approx(moved(source, degrees, shift), abs=1e-9)


def test_kabsch_agrees_with_the_singular_value_decomposition() -> None:
    # Kabsch 1976 as scipy has it, points that no motion matches exactly.
    from scipy.spatial.transform import Rotation

    chance = np.random.default_rng(5)
    source, target = chance.normal(0.0, 30.0, (12, 2)), chance.normal(0.0, 30.0, (12, 2))
    weights = chance.uniform(0.1, 2.0, 12)
    flat = np.zeros((12, 1))
    one, other = (points - weights @ points / weights.sum() for points in (source, target))
    # A heavy weight along z keeps the turn in the plane.
    up = np.array([[0.0, 0.0, 1.0]])
    turn, _ = Rotation.align_vectors(
        np.vstack((np.hstack((other, flat)), 1e6 * up)),
        np.vstack((np.hstack((one, flat)), 1e6 * up)),
        weights=np.append(weights, 1.0),
    )
    assert np.degrees(kabsch(source, target, weights)[0]) == pytest.approx(turn.as_euler("zyx")[0] * 57.29578, abs=1e-3)


@given(ANGLES, SHIFTS)
@settings(deadline=None, max_examples=40)
def test_a_side_view_comes_back_from_any_motion_whatever_was_cut(degrees: float, shift: tuple[float, float]) -> None:
    before = side_shape(112.0)
    after = cut(before, 90.0)
    fit = register_side(seen(before), seen(away(after, degrees, shift)))
    assert fit.refusal is None
    # Both outlines are sampled every 0.6 mm, at other places.
    assert fit.rms_mm < 0.3
    assert fit.place(moved(after["outline"], degrees, shift)) == pytest.approx(after["outline"], abs=0.5)


@given(ANGLES, SHIFTS)
@settings(deadline=None, max_examples=40)
def test_a_sole_comes_back_from_any_motion_whatever_was_cut(degrees: float, shift: tuple[float, float]) -> None:
    before = sole_shape(150.0)
    after = cut_sole(before, 125.0)
    partner = np.array([60.0, 60.0])
    there = away(after, degrees, shift)
    fit = register_sole(seen(before, partner), seen(there, moved(partner[None], degrees, shift)[0]))
    assert fit.refusal is None
    assert fit.rms_mm < 0.3
    assert fit.place(there["outline"]) == pytest.approx(after["outline"], abs=0.7)


@pytest.mark.parametrize("seed", range(6))
def test_the_motion_of_noisy_outlines_is_as_sure_as_stated(seed: int) -> None:
    """Errors of C, B and both outlines drawn as stated: the toe's end is found within three standard errors."""
    chance = np.random.default_rng(seed)
    before, after = side_shape(112.0), cut(side_shape(112.0), 90.0)
    off = []
    for _ in range(25):
        two = []
        for shape in (before, after):
            rough = {**shape, "outline": noisy(shape["outline"], 0.5, chance)}
            for name, u in U_MARKS.items():
                rough[name] = shape[name] + chance.normal(0.0, u, 2) / np.sqrt(2.0)
            two.append(seen(rough))
        fit = register_side(*two)
        toe = after["T"]
        arm = toe - fit.about
        slopes = np.array([[-arm[1], 1.0, 0.0], [arm[0], 0.0, 1.0]])
        spread = slopes @ fit.covariance @ slopes.T
        error = fit.place(toe[None])[0] - toe
        off.append(float(error @ np.linalg.solve(spread, error)))
    # Two degrees of freedom: the mean of the squared normalised error is 2 where the covariance is right. C and B are
    # drawn with their stated error in both axes together, which the weights take for each axis: a cautious factor.
    assert np.mean(off) < 2.0 * 1.6


def test_a_mirrored_side_view_is_refused() -> None:
    before = side_shape(112.0)
    fit = register_side(seen(before), seen(away(cut(before, 95.0), 20.0, (5.0, 5.0), mirror=True)))
    assert fit.mirrored and fit.refusal is not None and "mirrored" in fit.refusal


@pytest.mark.parametrize("with_partner", [True, False])
def test_a_mirrored_sole_is_refused(with_partner: bool) -> None:
    before = sole_shape(150.0)
    # Bent as no sound claw is: alone, a claw whose rear half is like its mirror image is not told from it.
    curved = {name: points + np.outer(np.atleast_2d(points)[:, 0] ** 2 / 300.0, (0.0, 1.0)).reshape(points.shape)
              for name, points in before.items()}  # fmt: skip
    partner = np.array([60.0, 60.0]) if with_partner else None
    there = None if partner is None else moved(partner[None], 33.0, (5.0, 5.0), mirror=True)[0]
    straight = register_sole(seen(curved, partner), seen(curved, partner))
    fit = register_sole(seen(curved, partner), seen(away(curved, 33.0, (5.0, 5.0), mirror=True), there))
    assert straight.refusal is None
    assert fit.mirrored and fit.refusal is not None and "mirrored" in fit.refusal


def test_another_claw_is_not_laid_over() -> None:
    before = side_shape(112.0)
    other = {name: points * 1.35 for name, points in side_shape(100.0).items()}
    fit = register_side(seen(before), seen(away(other, 10.0, (3.0, 4.0))))
    assert fit.rms_mm > LIMIT_MM
    assert fit.refusal is not None and f"{fit.rms_mm:.1f} mm; different claw or angle?" in fit.refusal


def test_a_claw_that_grew_in_the_trim_is_not_alike() -> None:
    short, long = side_shape(85.0), side_shape(125.0)
    # Laid on the same coronet: a claw with a longer toe is not the one from before.
    long = {name: points - long["C"] + short["C"] for name, points in long.items()}
    fit = register_side(seen(short), seen(long))
    assert not_alike(lay_over(seen(short), seen(long), fit, "side")) is not None
    there = lay_over(seen(long), seen(cut(long, 85.0)), register_side(seen(long), seen(cut(long, 85.0))), "side")
    assert not_alike(there) is None


@pytest.mark.parametrize(
    "outline",
    [np.zeros((0, 2)), np.zeros((50, 2)), np.full((50, 2), np.nan), np.random.default_rng(1).normal(0, 1e7, (50, 2))],
)
def test_what_is_no_outline_is_refused(outline: FloatArray) -> None:
    good = side_shape(100.0)
    fit = register_side(seen(good), seen({**good, "outline": outline}))
    assert fit.refusal == "an outline is not one of a claw"
    for marks in ({"B": good["C"]}, {"C": good["C"] + 400.0}):
        fit = register_side(seen(good), seen({**good, **marks}))
        assert fit.refusal == "the landmarks are not those of the outline"
    missing = {name: points for name, points in good.items() if name != "B"}
    assert register_side(seen(good), seen(missing)).refusal == "the landmark B is not known"


def test_the_area_is_that_of_the_cut() -> None:
    before = side_shape(112.0)
    after = cut(before, 90.0)
    there = seen(away(after, 71.0, (9.0, 9.0)))
    laid = lay_over(seen(before), there, register_side(seen(before), there), "side")
    true = polygon(before["outline"]).area - polygon(after["outline"]).area
    assert laid.net_mm2 == pytest.approx(true, rel=0.02)
    assert laid.off_mm2 - laid.new_mm2 == pytest.approx(laid.net_mm2)
    assert laid.new_mm2 < 0.01 * polygon(before["outline"]).area
