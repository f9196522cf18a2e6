"""The fit behind the trial of the helical twist finds a claw that it can draw, from silhouettes made another way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from clawvision.scenes.claw import claw_surface  # noqa: E402
from clawvision.scenes.shape import claw_vector, sample_foot  # noqa: E402
from clawvision.scenes.truth import silhouette  # noqa: E402
from tests.benchmarks.twist_fit import Sight, fit_claw  # noqa: E402


def test_a_twisted_claw_is_told_from_a_straight_one_by_its_two_silhouettes() -> None:
    square = np.array([0.0, 0.0, np.inf])
    found = []
    for twist in (0.0, 35.0):
        claw = replace(
            sample_foot(np.random.default_rng(3), held_out=False, lifted=False).outer, helical_twist=twist, rough=0.0
        )
        surface = claw_surface(torch.tensor(claw_vector(claw)[None]))
        points = surface.points[0].numpy().astype(np.float64)
        marks = {
            name: np.array([*place[0, [0, 2]].tolist(), 0.6])
            for name, place in (("C", surface.coronet), ("B", surface.bulb))
        }
        side, sole = silhouette(points[..., [0, 2]]), silhouette(points[..., :2])
        sights = [
            Sight("side", side, marks, square, 0.6, (6.0, 0.2, 6.0), 1.0, False),
            Sight("sole", sole, {}, square, 0.6, (6.0, 0.2, 8.0), 1.0, False),
        ]
        fit = fit_claw(sights, tie_sd=0.3, starts=(15.0,))
        assert fit.rms_mm < 0.5
        found.append(fit.twist_deg)
    assert abs(found[0]) < 8.0
    assert abs(found[1] - 35.0) < 10.0
