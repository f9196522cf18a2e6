"""Published worked examples, to the printed digits."""

from __future__ import annotations

import math

import numpy as np
import pytest

from clawvision.repeatability.agreement import concordance, limits_of_agreement
from clawvision.repeatability.icc import one_way, two_way
from clawvision.repeatability.iso5725 import precision
from clawvision.repeatability.models import Estimate, Icc
from clawvision.repeatability.variance import standard_deviation, within
from clawvision.types import FloatArray

# Shrout & Fleiss 1979, Psychol Bull 86:420: six targets by four judges.
SHROUT_FLEISS = np.array(
    [(9, 2, 5, 8), (6, 1, 3, 2), (8, 4, 6, 8), (7, 1, 2, 6), (10, 5, 6, 9), (6, 2, 4, 7)], dtype=np.float64
)

# Bland & Altman 1986, Lancet i:307: peak flow, l/min, 17 subjects, two readings of each of two meters.
WRIGHT = np.array(
    [
        (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427),
        (490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421),
    ],
    dtype=np.float64,
).T
MINI = np.array(
    [
        (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451),
        (525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443),
    ],
    dtype=np.float64,
).T
# Invented: eight lengths by three raters who differ.
LENGTHS = np.array(
    [
        (99.2, 105.7, 99.5),
        (76.8, 78.4, 75.4),
        (90.8, 93.1, 91.7),
        (86.9, 89.8, 85.9),
        (87.8, 91.1, 87.4),
        (88.3, 90.2, 88.6),
        (82.2, 81.1, 78.6),
        (90.0, 89.3, 87.5),
    ]
)


def all_six(table: FloatArray) -> list[Estimate]:
    designs: tuple[Icc, ...] = (one_way(list(table)), *two_way(table))
    return [*(each.single for each in designs), *(each.average for each in designs)]


def test_shrout_and_fleiss() -> None:
    printed = (0.17, 0.29, 0.71, 0.44, 0.62, 0.91)
    for figure, value in zip(all_six(SHROUT_FLEISS), printed, strict=True):
        assert figure.value is not None
        assert round(figure.value, 2) == value


# Values of pingouin 0.7.0 (intraclass_corr, unrounded), an independent library: estimate, lower and upper bound of
# ICC(1,1), (2,1), (3,1), (1,k), (2,k), (3,k). It brings half a gigabyte, so that it is not installed for the tests.
PINGOUIN = {
    "shrout-fleiss": (
        SHROUT_FLEISS,
        (
            (0.16574177, -0.13293232, 0.72256006),
            (0.28976378, 0.01878651, 0.76108437),
            (0.71484071, 0.34246477, 0.94585826),
            (0.44279713, -0.88444216, 0.91241542),
            (0.62005055, 0.07113682, 0.92723204),
            (0.90931554, 0.67567471, 0.98589168),
        ),
    ),
    "peak flow": (
        np.column_stack([WRIGHT[:, 0], MINI[:, 0]]),
        (
            (0.94601473, 0.86079017, 0.97993922),
            (0.94592841, 0.85741117, 0.98007866),
            (0.94291307, 0.84990839, 0.97894313),
            (0.97225855, 0.92518779, 0.98986798),
            (0.97221296, 0.92323249, 0.98993912),
            (0.97061787, 0.91886538, 0.98935954),
        ),
    ),
    "lengths": (
        LENGTHS,
        (
            (0.93052588, 0.79718163, 0.98413372),
            (0.93140061, 0.66103074, 0.98626922),
            (0.96796266, 0.89695388, 0.99291098),
            (0.97571728, 0.92182345, 0.99465470),
            (0.97603767, 0.85402227, 0.99538079),
            (0.98908782, 0.96311757, 0.99762577),
        ),
    ),
}


@pytest.mark.parametrize("name", PINGOUIN)
def test_correlations_and_intervals_are_those_of_another_library(name: str) -> None:
    table, expected = PINGOUIN[name]
    for figure, known in zip(all_six(table), expected, strict=True):
        assert (figure.value, figure.low, figure.high) == pytest.approx(known, abs=6e-9)


def firsts(meter: FloatArray) -> list[FloatArray]:
    return [row[:1] for row in meter]


def test_bland_and_altman() -> None:
    """Mean difference -2.1, SD 38.8, limits -79.7 and 75.5: mean ± 2 SD, of the rounded figures."""
    limits = limits_of_agreement(firsts(WRIGHT), firsts(MINI), multiple=2.0)
    assert limits.difference.value is not None and limits.sd.value is not None
    mean, sd = round(limits.difference.value, 1), round(limits.sd.value, 1)
    assert (mean, sd) == (-2.1, 38.8)
    assert (round(mean - 2 * sd, 1), round(mean + 2 * sd, 1)) == (-79.7, 75.5)
    # What was not rounded before differs from the printed limits by the rounding of mean and SD, 0.05 + 2 × 0.05.
    assert (limits.lower.value, limits.upper.value) == pytest.approx((-79.7, 75.5), abs=0.15)


def test_the_repeated_readings_of_bland_and_altman() -> None:
    """Two readings each: the variance of the means' differences plus a quarter of each variance of differences.

    With two readings a quarter of the variance of their differences is half the variance within subjects, if the mean
    of the differences is taken as 0.
    """
    limits = limits_of_agreement(list(WRIGHT), list(MINI))
    means = WRIGHT.mean(axis=1) - MINI.mean(axis=1)
    quarters = [np.mean((meter[:, 0] - meter[:, 1]) ** 2) / 4.0 for meter in (WRIGHT, MINI)]
    assert limits.difference.value == pytest.approx(means.mean())
    assert limits.sd.value == pytest.approx(math.sqrt(np.var(means, ddof=1) + sum(quarters)))
    # More than the means alone would show.
    assert limits.sd.value is not None and limits.sd.value > np.std(means, ddof=1)


def test_the_technical_error_of_pairs_is_the_root_of_the_mean_half_square() -> None:
    """TEM = √(Σ d² / 2n), the definition for pairs."""
    sd = standard_deviation(within(list(WRIGHT))).value
    assert sd == pytest.approx(math.sqrt(np.sum((WRIGHT[:, 0] - WRIGHT[:, 1]) ** 2) / (2 * len(WRIGHT))))


def test_concordance_is_its_definition_and_below_the_correlation() -> None:
    x, y = WRIGHT[:, 0], MINI[:, 0]
    figure = concordance(x, y)
    moments = np.cov(x, y, ddof=0)
    expected = 2 * moments[0, 1] / (moments[0, 0] + moments[1, 1] + (x.mean() - y.mean()) ** 2)
    assert figure.value == pytest.approx(expected)
    assert figure.value is not None and figure.value < np.corrcoef(x, y)[0, 1]


def test_mean_squares_are_those_certified() -> None:
    """NIST StRD, one-way analysis of variance, SiRstv: five instruments, five readings each (file with scipy's tests).

    ISO 5725-2 makes s_r² of the mean square within and s_L² of the difference to the one between.
    """
    between, inner = 1.27865654e-02, 1.08318280e-02
    readings = [
        (196.3052, 196.1240, 196.1890, 196.2569, 196.3403),
        (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
        (196.1303, 196.2005, 196.2889, 196.0343, 196.1811),
        (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
        (196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
    ]
    found = precision([[np.array(each) for each in readings]])
    assert found.s_r.value == pytest.approx(math.sqrt(inner), rel=1e-9)
    assert found.s_between.value == pytest.approx(math.sqrt((between - inner) / 5), rel=1e-9)
    assert found.s_reproducibility.value == pytest.approx(math.sqrt(inner + (between - inner) / 5), rel=1e-9)
    assert found.r.value == pytest.approx(2.8 * math.sqrt(inner), rel=1e-9)
