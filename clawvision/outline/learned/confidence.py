"""How far an outline that the network found can be trusted.

The confidence of a learned outline is the probability that it moves no measure of its photo by more than 10 mm or 8°
from what the true outline gives at the same scale: that the seeing makes no gross error. It is a logistic function of
traits that all speak of doubt.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from types import MappingProxyType

import numpy as np


@dataclass(frozen=True, slots=True)
class Doubt:
    """What there is to doubt about a claw; each 0 where there is nothing, rising with the doubt.

    ``poor_mask`` and ``unusable`` are the network's own logits of its failure, ``differs`` one minus the agreement of
    its looks, ``turned`` the angle (radians) by which the last picture's pose is not the usual one, ``disputed`` that
    by which its landmarks lie otherwise, ``faint`` the inverse of the mean logit inside. ``edge_mm`` and
    ``landmark_mm`` are standard errors, the latter the largest of the claw's landmarks, ``contradicts_mm`` how far a
    landmark lies off the outline where that is beyond its error. ``hidden_end`` is the probability that the tip is
    hidden, or the share of the heel's end that something covers, whichever is more; ``other_view`` a probability;
    ``cut`` and ``bridged`` are shares of the outline, ``odd_size`` and ``odd_pair`` logarithms of ratios. ``uneven_mm``
    is how far a dorsal border strays from a smooth line beyond what walls do.
    """

    poor_mask: float
    unusable: float
    differs: float
    turned: float
    disputed: float
    faint: float
    edge_mm: float
    landmark_mm: float
    contradicts_mm: float
    hidden_end: float
    other_view: float
    cut: float
    bridged: float
    odd_size: float
    odd_pair: float
    uneven_mm: float


TRAITS = tuple(Doubt.__dataclass_fields__)

BIAS = 7.78
WEIGHTS: Mapping[str, float] = MappingProxyType(
    {
        "poor_mask": 0.9,
        "unusable": 0.6,
        "differs": 10.8,
        "turned": 5.0,
        "disputed": 5.0,
        "faint": 10.8,
        "edge_mm": 0.7,
        "landmark_mm": 0.25,
        "contradicts_mm": 0.05,
        "hidden_end": 3.0,
        "other_view": 20.0,
        "cut": 5.0,
        "bridged": 4.0,
        "odd_size": 4.0,
        "odd_pair": 3.0,
        "uneven_mm": 4.0,
    }
)
"""Log odds that a unit of each trait takes away. They follow a fit on 517 claws of 300 scenes of families that training
never saw (``tests.benchmarks.confidence``); where too few of those claws showed a trait (``unusable``, ``disputed``,
``cut``, ``bridged``, ``uneven_mm``), its weight is judgement (status J), and the bias is refitted. Another 300 scenes
judge the result: docs/model.md."""


def confidence_of(doubt: Doubt) -> float:
    """Return the probability that there is no gross error."""
    odds = BIAS - sum(WEIGHTS[name] * value for name, value in asdict(doubt).items())
    return float(1.0 / (1.0 + np.exp(-np.clip(odds, -30.0, 30.0))))
