"""Losses: lowest at the truth, blind to what is not to be trained, and the error law as in SciPy."""

from __future__ import annotations

import dataclasses

import pytest

torch = pytest.importorskip("torch")

import numpy as np  # noqa: E402
from scipy.stats import laplace as scipy_laplace  # noqa: E402

from clawvision.outline.learned.contract import (  # noqa: E402
    FACT_COUNT,
    FACT_DOWN,
    FACT_IOU,
    FACT_LANDMARK_LOG_SIGMA,
    FACT_LEAN,
    FACT_LEAN_LOG_SIGMA,
    FACT_TOE,
    FACT_TWIST,
    FACT_USABLE,
    LEAN_UNIT_DEG,
    TWIST_UNIT_DEG,
)
from clawvision.training.batch import Group  # noqa: E402
from clawvision.training.losses import WEIGHTS, direction_loss, laplace, losses  # noqa: E402
from clawvision.training.network import (  # noqa: E402
    Seen,
)
from clawvision.training.targets import heat, soft_masks  # noqa: E402
from tests.training.drawn import DrawnFeed  # noqa: E402


@pytest.fixture(scope="module")
def group() -> Group:
    return DrawnFeed(seed=1, device=torch.device("cpu"), fine=6, coarse=2, held_out=False).batch(0).fine


def true_answer(group: Group) -> Seen:
    """Return what a network that knows everything would answer."""
    soft = soft_masks(group.masks)
    height, width = group.picture.shape[2] // 4, group.picture.shape[3] // 4
    facts = torch.zeros(len(group), FACT_COUNT)
    facts[torch.arange(len(group)), group.view] = 12.0
    facts[:, FACT_TOE] = group.toe
    facts[:, FACT_DOWN] = group.down
    facts[:, FACT_IOU] = 9.0
    facts[:, FACT_LANDMARK_LOG_SIGMA] = -3.0
    facts[:, FACT_TWIST] = group.twist / TWIST_UNIT_DEG
    facts[:, FACT_LEAN] = group.lean / LEAN_UNIT_DEG
    facts[:, FACT_USABLE] = 9.0
    return Seen(20.0 * (soft - 0.5), torch.log(heat(group.landmarks, height, width) + 1e-9), facts)


def test_every_loss_counts_and_the_truth_costs_least(group: Group) -> None:
    truth = true_answer(group)
    at_truth = losses(truth, group)
    assert set(at_truth) == set(WEIGHTS) | {"total"}
    worse: dict[str, Seen] = {
        "mask": truth._replace(masks=truth.masks.roll(3, 3)),
        "dice": truth._replace(masks=truth.masks.roll(3, 3)),
        "heat": truth._replace(landmarks=truth.landmarks.roll(1, 3)),
        "place": truth._replace(landmarks=truth.landmarks.roll(1, 3)),
    }
    changes = {"iou": (FACT_IOU, -2.0), "usable": (slice(FACT_USABLE, FACT_USABLE + 1), -9.0)}
    changes |= {"place_sigma": (FACT_LANDMARK_LOG_SIGMA, 4.0), "twist": (FACT_TWIST, 2.5)}
    changes |= {"view": (slice(0, 5), 0.0), "hidden_tip": (slice(25, 27), 3.0), "twist_sigma": (slice(22, 24), 3.0)}
    changes |= {"lean": (FACT_LEAN, 2.5), "lean_sigma": (FACT_LEAN_LOG_SIGMA, 3.0)}
    changes |= {"toe": (FACT_TOE, -0.70710678), "down": (FACT_DOWN, -0.70710678)}
    for name, (part, value) in changes.items():
        facts = truth.facts.clone()
        facts[:, part] = value
        worse[name] = truth._replace(facts=facts)
    assert set(worse) == set(WEIGHTS)
    for name, seen in worse.items():
        got = losses(seen, group)
        assert got[name] > at_truth[name] + 0.05, name
        assert got["total"] > at_truth["total"], name


def test_untrained_values_do_not_matter(group: Group) -> None:
    seen = true_answer(group)
    other = dataclasses.replace(
        group,
        landmarks=torch.where(group.seen[..., None] > 0, group.landmarks, torch.tensor(-700.0)),
        down=torch.where(group.has_down[:, None] > 0, group.down, torch.tensor(5.0)),
        twist=torch.where(group.has_twist > 0, group.twist, torch.tensor(900.0)),
        lean=torch.where(group.has_lean > 0, group.lean, torch.tensor(900.0)),
    )
    before, after = losses(seen, group), losses(seen, other)
    for name, value in before.items():
        torch.testing.assert_close(after[name], value, msg=name)


def test_a_group_without_any_landmark_or_claw_is_finite(group: Group) -> None:
    weights = ("seen", "has_toe", "has_down", "has_twist", "has_lean")
    nothing = {name: torch.zeros_like(getattr(group, name)) for name in weights}
    bare = dataclasses.replace(
        group, **nothing, masks=torch.zeros_like(group.masks), has_claw=torch.zeros_like(group.has_claw)
    )
    leaf = [part.clone().requires_grad_() for part in true_answer(group)]
    total = losses(Seen(*leaf), bare)["total"]
    total.backward()
    assert torch.isfinite(total)
    assert all(torch.isfinite(part.grad).all() for part in leaf if part.grad is not None)


def test_the_error_law_is_that_of_scipy() -> None:
    error = np.array([-3.0, -0.2, 0.0, 0.7, 12.0], np.float32)
    sigma = np.array([0.5, 1.0, 2.0, 0.3, 9.0], np.float32)
    expected = -scipy_laplace.logpdf(error, scale=sigma / np.sqrt(2.0)) - np.log(2.0)
    got = laplace(torch.from_numpy(error), torch.log(torch.from_numpy(sigma)))
    np.testing.assert_allclose(got.numpy(), expected, rtol=1e-5, atol=1e-6)


def test_the_stated_error_leads_back_from_outside_its_range() -> None:
    for outside, sign in ((9.0, 1.0), (-9.0, -1.0)):
        stated = torch.tensor([outside], requires_grad=True)
        laplace(torch.tensor([1.0]), stated).sum().backward()
        assert stated.grad is not None
        assert stated.grad.item() * sign > 0


def test_small_angles_still_pull() -> None:
    """At 4° the chord's loss pulls more than ten times as hard as one minus the cosine would at its best."""
    angle = torch.tensor(np.radians(4.0), requires_grad=True)
    ours = torch.stack([torch.cos(angle), torch.sin(angle)])[None]
    direction_loss(ours, torch.tensor([[1.0, 0.0]])).sum().backward()
    assert angle.grad is not None
    assert angle.grad.item() > 9.0 * np.sin(np.radians(4.0))
