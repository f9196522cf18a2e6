from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from clawvision.scenes.claw import SOLE_POINTS  # noqa: E402
from clawvision.scenes.shape import (  # noqa: E402
    HELD_OUT_FAMILIES,
    TRAINED_FAMILIES,
    ClawShape,
    FootShape,
    claw_vector,
    sample_foot,
)
from tests.scenes.claws import plain_claw, surface_of  # noqa: E402

FAMILIES = (*TRAINED_FAMILIES, *HELD_OUT_FAMILIES)


def tip_and_marks(shape: ClawShape) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return T, farthest from B in the profile plane, C and B."""
    surface = surface_of(shape)
    points = surface.points[0].reshape(-1, 3).numpy()
    coronet, bulb = surface.coronet[0].numpy(), surface.bulb[0].numpy()
    return points[np.hypot(*(points - bulb)[:, [0, 2]].T).argmax()], coronet, bulb


def ring_at(surface, x: float) -> np.ndarray:
    """Return the ring of a claw's points (R, 3) that lies nearest to ``x``."""
    rings = surface.points[0].numpy()
    return rings[np.abs(rings[:, 0, 0] - x).argmin()]


def sole_turn_deg(surface) -> np.ndarray:
    """Return by how much the sole turns to the cleft (negative y) between neighbouring rings, from its normals."""
    sole = surface.points[0, :, :SOLE_POINTS].double().numpy()
    along = sole[1:, 1:] - sole[:-1, 1:]
    across = sole[1:, 1:] - sole[1:, :-1]
    outward = np.cross(across, along)  # downwards where the sole is flat
    assert (outward[: len(outward) // 3, :, 2] < 0).all()
    return np.degrees(np.arctan2(-outward[..., 1], -outward[..., 2]))


@pytest.mark.parametrize("toe_length", [70.0, 80.0, 120.0, 200.0])
def test_coronet_and_tip_lie_a_toe_length_apart(toe_length: float) -> None:
    tip, coronet, _ = tip_and_marks(plain_claw(toe_length=toe_length))
    # the worn tip, 2 mm thick, ends halfway up: at most 1 mm is missing, and the rings cut the coronet's corner
    assert np.hypot(*(tip - coronet)[[0, 2]]) == pytest.approx(toe_length, abs=1.3)


def test_the_coronets_ends_lie_where_the_numbers_say() -> None:
    tip, coronet, bulb = tip_and_marks(plain_claw())
    run = np.sqrt(80.0**2 - 62.0**2)
    assert coronet[[0, 2]] == pytest.approx([66.0, 62.0], abs=0.6)
    assert bulb[[0, 2]] == pytest.approx([-4.0, 36.0], abs=0.3)
    assert tip[[0, 2]] == pytest.approx([66.0 + run, 1.0], abs=0.8)


def test_profile_heights_follow_the_borders() -> None:
    surface = surface_of(plain_claw(toe_length=100.0))
    run = np.sqrt(100.0**2 - 62.0**2)
    for share in (0.25, 0.5, 0.75):
        ring = ring_at(surface, 66.0 + share * run)
        at = (ring[0, 0] - 66.0) / run
        assert ring[:, 2].max() == pytest.approx(62.0 * (1 - at) + 2.0 * at, abs=0.05)
        assert ring[:, 2].min() == pytest.approx(0.0, abs=1e-4)
    middle = ring_at(surface, 31.0)
    at = (middle[0, 0] + 4.0) / 70.0
    assert middle[:, 2].max() == pytest.approx(36.0 + 26.0 * at + 2.5 * at * (1 - at), abs=0.05)


def test_hollow_and_lift_bend_the_borders() -> None:
    straight, hollow = surface_of(plain_claw(toe_length=100.0)), surface_of(plain_claw(toe_length=100.0, hollow=6.0))
    slope = np.array([np.sqrt(100.0**2 - 62.0**2), -62.0]) / 100.0
    top = [surface.points[0, ..., 2].amax(dim=1).numpy() for surface in (straight, hollow)]
    fallen = (top[0] - top[1]) * slope[0]  # at right angles to the wall
    assert fallen.max() == pytest.approx(6.0, abs=0.05)
    lifted = surface_of(plain_claw(toe_length=120.0, toe_lift=20.0))
    heights = lifted.points[0, ..., 2].amin(dim=1).numpy()
    tip_x = 66.0 + np.sqrt(120.0**2 - 42.0**2)
    x = lifted.points[0, :, 0, 0].numpy()
    assert heights[(x > 5.0) & (x < 0.6 * tip_x)] == pytest.approx(0.0, abs=1e-4)
    assert np.interp(0.8 * tip_x, x, heights) == pytest.approx(20.0 * 0.25, abs=0.1)
    tip, _, _ = tip_and_marks(plain_claw(toe_length=120.0, toe_lift=20.0))
    assert tip[2] == pytest.approx(21.0, abs=1.0)


def test_widths_follow_the_numbers() -> None:
    surface = surface_of(plain_claw())
    rings = surface.points[0].numpy()
    spread = np.ptp(rings[..., 1], axis=1)
    x = rings[:, 0, 0]
    before_taper = (x > -12.0 + 24.0) & (x < -12.0 + 0.35 * (116.6 + 12.0))
    assert before_taper.any()
    assert spread[before_taper] == pytest.approx(54.0, abs=1e-3)
    share = (x + 12.0) / (66.0 + np.sqrt(80.0**2 - 62.0**2) + 12.0)
    late = (share > 0.5) & (x < 104.0)
    assert spread[late] == pytest.approx(54.0 * (1 - 0.65 * ((share[late] - 0.35) / 0.65) ** 2), abs=0.05)
    assert spread[-1] < 8.0


def test_undercut_and_slope_draw_the_wall_in() -> None:
    section = ring_at(surface_of(plain_claw(undercut=0.1)), 25.0)
    assert np.ptp(section[:SOLE_POINTS, 1]) == pytest.approx(54.0 * 0.9, abs=1e-3)
    assert np.ptp(section[:, 1]) > 52.0
    plain, leaning = (ring_at(surface_of(plain_claw(slope_abaxial=slope)), 25.0) for slope in (0.0, 0.3))
    assert leaning[:, 1].max() <= plain[:, 1].max() + 1e-4
    up = np.argmin(np.abs(plain[:, 2] - 20.0) + 1e3 * (plain[:, 1] < 10.0))
    assert leaning[up, 1] < plain[up, 1] - 3.0
    axial = plain[:, 1] < -1.0
    assert leaning[axial] == pytest.approx(plain[axial], abs=1e-4)


@pytest.mark.parametrize("turn", [0.0, 10.0, 25.0, 45.0, 60.0])
@pytest.mark.parametrize("toe_length", [80.0, 150.0])
def test_the_sole_turns_by_the_helical_twist(turn: float, toe_length: float) -> None:
    shape = plain_claw(helical_twist=turn, toe_length=toe_length, turn_in=12.0, axial_sweep=6.0)
    surface = surface_of(shape)
    turned = sole_turn_deg(surface)
    along = surface.attr[0, 1:, 0, 2].numpy()
    before = surface.attr[0, :-1, 0, 2].numpy()
    heel = turned[along < 1 / 3]
    last_fifth = turned[before > 0.8]
    assert heel == pytest.approx(0.0, abs=1e-3)
    assert np.median(last_fifth) - np.median(heel) == pytest.approx(turn, abs=0.1)
    assert np.diff(np.median(turned, axis=1)).min() > -0.05  # ever further, never back
    assert surface.points[..., 2].min() == pytest.approx(0.0, abs=1e-4)


def test_twist_rolls_the_abaxial_edge_under() -> None:
    ring = ring_at(surface_of(plain_claw(helical_twist=40.0, toe_length=120.0)), 140.0)
    axial, abaxial = ring[0], ring[SOLE_POINTS - 1]
    assert abaxial[1] > axial[1]
    assert abaxial[2] < axial[2] - 5.0


def test_turn_in_moves_the_toe_to_the_cleft() -> None:
    tips = [tip_and_marks(plain_claw(turn_in=turn_in, toe_length=110.0))[0] for turn_in in (0.0, 15.0, 30.0)]
    assert tips[0][1] - tips[1][1] == pytest.approx(15.0, abs=1.0)
    assert tips[0][1] - tips[2][1] == pytest.approx(30.0, abs=2.0)
    heel = [ring_at(surface_of(plain_claw(turn_in=turn_in, toe_length=110.0)), 10.0) for turn_in in (0.0, 30.0)]
    assert heel[0] == pytest.approx(heel[1], abs=1e-4)


def test_attributes_tell_where_on_the_horn() -> None:
    surface = surface_of(plain_claw(toe_length=110.0))
    below, sole, along, rim = surface.attr[0].unbind(dim=-1)
    assert (sole[:, :SOLE_POINTS] == 1).all()
    assert (sole[:, SOLE_POINTS:] == 0).all()
    assert along[0].max() < 0.01
    assert along[-1].min() > 0.99
    assert rim[:, [0, SOLE_POINTS - 1]] == pytest.approx(1.0)
    assert float(rim[:, SOLE_POINTS // 2].max()) < 0.01
    # distance from the line from B to C, whose normal (-26, 70) / 74.7 points up
    place = surface.local[0, 60, 20].numpy()
    expected = -((place[0] + 4.0) * -26.0 + (place[2] - 36.0) * 70.0) / np.hypot(26.0, 70.0)
    assert float(below[60, 20]) == pytest.approx(expected, abs=1e-3)


def every_foot() -> list[FootShape]:
    return [
        sample_foot(np.random.default_rng(seed), held_out=seed % 3 == 0, lifted=seed % 2 == 0) for seed in range(100)
    ]


def test_all_claws_of_all_families_are_sound_surfaces() -> None:
    feet = every_foot()
    assert {foot.family for foot in feet} == set(FAMILIES)
    surface = surface_of(*(claw for foot in feet for claw in (foot.outer, foot.inner)))
    for values in (surface.points, surface.local, surface.attr, surface.coronet, surface.bulb):
        assert torch.isfinite(values).all()
    assert (surface.points[:, 1:, 0, 0] > surface.points[:, :-1, 0, 0]).all()
    size = (surface.points.amax(dim=(1, 2)) - surface.points.amin(dim=(1, 2))).numpy()
    assert (size > [80.0, 30.0, 40.0]).all()
    assert (size < [330.0, 130.0, 160.0]).all()
    assert (surface.coronet[:, 2] > surface.bulb[:, 2]).all()
    assert (surface.coronet[:, 0] > surface.bulb[:, 0] + 30.0).all()


def test_no_dorsal_wall_is_steeper_than_65_degrees() -> None:
    for seed in range(400):
        foot = sample_foot(np.random.default_rng([seed, 1]), held_out=seed % 3 == 0, lifted=False)
        for claw in (foot.outer, foot.inner):
            assert (claw.coronet_z - claw.toe_lift) / claw.toe_length < np.sin(np.radians(65.5))
            assert claw.bulb_z <= claw.coronet_z - 8.0


def test_drawn_lengths_cover_the_range_that_is_asked_for() -> None:
    feet = [sample_foot(np.random.default_rng([seed, 3]), held_out=False, lifted=False) for seed in range(400)]
    claws = [claw for foot in feet for claw in (foot.outer, foot.inner)]
    lengths, twists = (np.array([getattr(claw, name) for claw in claws]) for name in ("toe_length", "helical_twist"))
    assert lengths.min() < 65.0
    assert lengths.max() > 205.0
    assert twists.min() == 0.0
    assert 50.0 < twists.max() < 75.0


def test_held_out_feet_are_overgrown_as_often_as_trained_ones() -> None:
    """Which builds are kept for judging says nothing about how long their toes have grown."""
    shares = []
    for held_out in (False, True):
        feet = [sample_foot(np.random.default_rng([seed, 4]), held_out=held_out, lifted=False) for seed in range(500)]
        longer = np.array([max(foot.outer.toe_length, foot.inner.toe_length) for foot in feet])
        shares.append(float((longer > 115.0).mean()))
    assert shares[1] == pytest.approx(shares[0], abs=0.1)
    assert 0.3 < shares[1] < 0.7


def test_a_claws_vector_holds_its_numbers_in_order() -> None:
    claw = plain_claw(rough_seed=3.5)
    vector = claw_vector(claw)
    assert vector[0] == claw.toe_length
    assert vector[-1] == 3.5
    assert replace(claw, width=1.0) != claw
