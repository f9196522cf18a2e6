"""A ruler's rows of ticks as a whole, where single millimetres are too fine or too faint to be counted.

Along the edge of what looks like a ruler lie three combs: ticks every millimetre, longer ones every five and longer
ones still every ten. Each parallel of the edge shows one of them or more. The coarse two, far from the limit of the
pixels, are found first, under a projective map of one dimension. Then there must be a comb with ten ticks to a ten, in
step with them, and none with any other number: that tells a ruler in millimetres from one in inches, from bricks and
from mesh.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from clawvision.scale.along import STEP, Line, rows_beside, sides_of
from clawvision.scale.tens import Blocks, Followed, Tens, blocks_of, follow, refit
from clawvision.types import ByteArray, FloatArray

_DEPTHS = np.arange(-3.0, 46.0)
"""Pixels beside an edge: the ticks of millimetres of up to seven pixels end within."""
_GROUP = 3
_ROWS = np.arange(-(_GROUP // 2), _GROUP // 2 + 1, dtype=np.float64)
_FIVES_PX = (8.5, 38.0)
_BENDS = np.arange(-0.28, 0.281, 0.04)
"""How much the scale changes along a line by perspective, tried one after the other: c of `Tens` times the length."""
_PADDED = 2048
_LEVEL_BINS = 121
_MOST_GUESSES = 2
_LEAST_GUESS = (5.0, 3.0)
"""Power of the combs of five and ten over that of their neighbours from which a guess is looked at."""
_ENOUGH_TEN = 5.0
_LEAST_SPAN = 7.5  # tens
_LEAST_FIVE, _LEAST_TEN = 25.0, 15.0
"""The same once followed, over the noise beside them; rulers on rendered photos have some hundreds (status J)."""
_IN_STEP = 0.95
"""Ten's ticks lie on every other one of five's: the phases agree to so many radians."""
_LEAST_ONE, _OVER_RIVALS = 13.0, 2.0
"""Power of the comb of ones over the noise beside it, and over that of any comb with another number of ticks to a ten.

Noise has as much at one place with a chance of e to the minus thirteen, and some hundred places are tried (status J).
"""
_LEAST_ONE_PX = 1.95
"""Two pixels to a tick are the least that a picture shows; finer ones look like coarser ones."""
_FINEST = 0.5
"""Waves to a pixel; finer ones are lost, or look like coarser ones."""
_PER_TEN, _FINE_PER_TEN = 16, 64  # samples
_REACH_TENS = 0.55
"""Single ticks stand within so many tens of the rows that show the fives best."""
_LEANS, _HEIGHTS = np.linspace(-0.2, 0.2, 5), (3, 5, 8)
"""How far ticks lean, px along for each px across, and how many rows show them."""
_ALIKE = 0.15
"""Share of the power of fives below which a row is one of ticks that are all alike."""
_WIDE, _WIDE_SHORT, _SHORT = 4.0, 3.0, 14.0
_MAX_OFF_PX = 0.3
_CARRY_ON, _AT_A_TIME = 4, 0.35
_TOWARDS = 0.6
"""How far on the way to the horizon a comb is followed."""
_OFF_OUTSIDE, _PURE_OUTSIDE = 0.05, 0.5
_HALF, _TRACE = 5.0, 100.0
"""Five to a ten: there the ten would be half a ten. Up to so much of it is a trace of the longer ticks."""
_RIVALS = np.concatenate(((_HALF,), np.arange(8.0, 10.0, 0.5), np.arange(10.5, 16.1, 0.5), (18.0, 20.0)))
"""Other numbers of ticks to a ten, and numbers between them. Near seven a picture's compression, in blocks of eight
pixels, adds waves of its own to ticks of two pixels."""


@dataclass(frozen=True, slots=True, eq=False)
class Combs:
    """A ruler's combs found along a line.

    ``tens`` counts from the line's origin; ``depth`` is the parallel on which ``blocks`` were seen, px; ``rms`` is how
    far they are off, px.
    """

    line: Line
    tens: Tens
    depth: float
    blocks: Blocks
    rms: float


@dataclass(frozen=True, slots=True, eq=False)
class _Coarse:
    """The combs of five and ten that were followed: the group of rows that shows the fives best."""

    followed: Followed
    span: float
    row: int
    five: float
    ten: float
    out_of_step: float

    @property
    def holds(self) -> bool:
        """Tell whether these may be a ruler's."""
        strong = self.five > _LEAST_FIVE and self.ten > _LEAST_TEN
        return strong and self.span > _LEAST_SPAN and self.out_of_step < _IN_STEP


def _groups(rows: FloatArray) -> FloatArray:
    """Return means of ``_GROUP`` neighbouring rows."""
    total = np.cumsum(np.vstack((np.zeros((1, rows.shape[1])), rows)), axis=0)
    return np.asarray((total[_GROUP:] - total[:-_GROUP]) / _GROUP)


def _at(rows: NDArray[np.floating], indices: FloatArray) -> NDArray[np.floating]:
    """Return the values between samples, in all rows at once."""
    left = np.clip(indices.astype(int), 0, rows.shape[1] - 2)
    share = np.clip(indices - left, 0.0, 1.0).astype(rows.dtype)
    return np.asarray(rows[:, left] * (1 - share) + rows[:, left + 1] * share)


def _guesses(groups: FloatArray) -> list[Tens]:
    """Return the likeliest combs of fives and tens by waves alone, their beginning unknown."""
    count = groups.shape[1] // 2
    pixels = (0.5 * (groups[::2, 0 : 2 * count : 2] + groups[::2, 1 : 2 * count : 2])).astype(np.float32)
    padded = _PADDED if count > 500 else _PADDED // 2
    window = np.hanning(count).astype(np.float32)
    level_bins = _LEVEL_BINS * padded // _PADDED | 1
    places = np.arange(count, dtype=np.float64)
    ten = np.arange(int(np.ceil(padded / (2 * _FIVES_PX[1]))), int(padded / (2 * _FIVES_PX[0])) + 1)
    scores = np.zeros((len(_BENDS), len(ten)))
    for which, bend in enumerate(_BENDS):
        # Even steps of the number of tens, from the first pixel to the last.
        even = places / (1.0 + bend * (1.0 - places / count))
        wave = np.fft.rfft(_at(pixels, even) * window, padded, axis=1)
        power = wave.real**2 + wave.imag**2
        level = cv2.blur(power, (level_bins, 1), borderType=cv2.BORDER_REFLECT)
        best = (power / np.maximum(level, 1e-6)).max(axis=0)
        near = np.maximum(best, np.maximum(np.append(best[1:], 0.0), np.insert(best[:-1], 0, 0.0)))
        five_here, ten_here = near[2 * ten], near[ten]
        clear = (five_here > _LEAST_GUESS[0]) & (ten_here > _LEAST_GUESS[1])
        # Something single and broad, a finger, has waves of a ten as well: they count so far and no further.
        scores[which] = clear * five_here * np.minimum(ten_here, _ENOUGH_TEN)
    found: list[Tens] = []
    while len(found) < _MOST_GUESSES and float(scores.max()) > 0.0:
        highest, index = divmod(int(np.argmax(scores)), len(ten))
        bend = float(_BENDS[highest])
        found.append(Tens((1.0 + bend) * float(ten[index]) / padded, 0.0, bend / count))
        scores[:, max(index - 3, 0) : index + 4] = 0.0
    return found


def _spectrum(rows: FloatArray, tens: Tens, per_ten: int) -> tuple[FloatArray, NDArray[np.complex128], float]:
    """Return waves to a ten (M,), how much of each every row has (rows, M), and the rows' length in tens."""
    ends = tens.at(np.array([0.0, (rows.shape[1] - 1) * STEP]))
    even = np.arange(float(ends[0]), float(ends[1]), 1.0 / per_ten)
    values = _at(rows, tens.place(even) / STEP) * np.hanning(len(even))
    size = 1 << int(np.ceil(np.log2(4 * len(even))))
    waves = np.arange(size // 2 + 1) * per_ten / size
    turned = np.fft.rfft(values, size, axis=1) * np.exp(-2j * np.pi * waves * float(ends[0]))
    return waves, turned, float(ends[1] - ends[0])


def _width(span: float) -> float:
    """Return how wide a comb's peak is, waves to a ten."""
    return min(2.0 / span, 0.33)


def _over_noise(waves: FloatArray, power: FloatArray, at: float, width: float) -> FloatArray:
    """Return the power of one comb over the noise beside it, for each row."""
    around = (np.abs(waves - at) < 1.6) & (np.abs(waves - np.round(waves)) > width) & (waves > 0.3)
    near = np.abs(waves - at) <= 0.4 * width
    return np.asarray(power[:, near].max(axis=1) / (power[:, around].mean(axis=1) + 1e-9))


def _coarse(groups: FloatArray, tens: Tens) -> _Coarse | None:
    """Follow the comb of fives from a guess, and measure it and that of tens."""
    followed, row = None, 0
    bent = 2.0 * float(np.abs(_BENDS).max())
    for turn in range(3):
        if not tens.lasts(0.0, (groups.shape[1] - 1) * STEP):
            return None
        waves, found, span = _spectrum(groups, tens, _PER_TEN)
        if span < 0.8 * _LEAST_SPAN:
            return None
        power, width = np.abs(found) ** 2, _width(span)
        fives = _over_noise(waves, power, 2.0, width)
        if turn == 2:
            break
        row = int(np.argmax(fives))
        followed = follow(groups[row], tens, 2.0, _WIDE if span > _SHORT else _WIDE_SHORT)
        if followed is None or abs(followed.tens.c) * groups.shape[1] * STEP > bent:
            return None
        if not 0.7 * tens.a < followed.tens.a < 1.4 * tens.a:
            return None
        tens = followed.tens
    assert followed is not None
    each = _over_noise(waves, power, 1.0, width)
    ten_row = int(np.argmax(each))
    two, one = (int(np.argmin(np.abs(waves - at))) for at in (2.0, 1.0))
    # Of dark lines at every ten and every five the one wave squared is against the other.
    turned = float(np.angle(-(found[ten_row, one] ** 2) * np.conj(found[row, two])))
    return _Coarse(followed, span, row, float(fives[row]), float(each[ten_row]), abs(turned))


def _near(waves: FloatArray, at: float, width: float, ten_px: float) -> NDArray[np.bool_]:
    """Return the waves beside a comb's, without those of other combs and what is finer than the pixels."""
    grid = waves if width > 0.2 else 2.0 * waves
    apart = np.abs(grid - np.round(grid)) * (waves / grid)
    beside = (apart > (1.0 if width > 0.2 else 0.7) * width) & (np.abs(waves - at) < 1.8)
    return np.asarray(beside & (waves < _FINEST * ten_px))


def _ones(rows: FloatArray, tens: Tens) -> tuple[float, float]:
    """Return the power of the comb of ones over the noise, and over the strongest comb of another number.

    Ticks lean a little under perspective: rows are put together under several leans.
    """
    waves, found, span = _spectrum(rows, tens, _FINE_PER_TEN)
    width, ten_px = _width(span), tens.px(0.5 * rows.shape[1] * STEP)
    fives = found[:, [int(np.argmin(np.abs(waves - 2.0)))]]
    used = (waves > 1.0) & (waves < 22.5)
    waves, found = waves[used], found[:, used]
    places = np.concatenate(([10.0], _RIVALS))
    places = places[(places == 10.0) | (places < _FINEST * ten_px)]
    at = [np.abs(waves - place) < 0.3 * width for place in places]
    beside = np.stack([_near(waves, place, width, ten_px) for place in places], axis=1).astype(np.float64)
    beside /= np.maximum(beside.sum(axis=0), 1.0)
    over, five = [], []
    for lean in _LEANS:
        turned = found * np.exp(2j * np.pi * waves * lean / ten_px * np.arange(len(found))[:, None])
        for height in _HEIGHTS:
            power = _power_of(turned, height)
            over.append(np.stack([power[:, own].max(axis=1) for own in at], axis=1) / (power @ beside + 1e-9))
            five.append(_power_of(fives, height)[:, 0] / height**2)
    every, five_there = np.concatenate(over), np.concatenate(five)
    # Where the longer ticks stand alone they have waves of any number; single ones, all alike, have but their own.
    alike = every[five_there < _ALIKE * five_there.max()]
    if not len(alike):
        return 0.0, 0.0
    own, half, rivals = alike[:, 0], float(alike[:, 1].max()), alike[:, 2:]
    if half > max(float(own.max()), _TRACE):
        return 0.0, 0.0
    # Noise alone has a rival of four or so among so many.
    ratio = np.where(own > _LEAST_ONE, own / np.maximum(rivals.max(axis=1), 4.0), 0.0)
    best = int(np.argmax(ratio))
    # Where another comb stands out more, in whatever row, that is the one of single ticks.
    return float(own[best]), min(float(ratio[best]), _OVER_RIVALS * float(own[best]) / float(rivals.max()))


def _power_of(found: NDArray[np.complex128], height: int) -> FloatArray:
    """Return the power of the waves of so many neighbouring rows together."""
    if len(found) < height:
        return np.zeros((0, found.shape[1]))
    total = np.cumsum(np.vstack((np.zeros((1, found.shape[1])), found)), axis=0)
    return np.asarray(np.abs(total[height:] - total[:-height]) ** 2)


def _agreeing(blocks: Blocks, first: float, last: float, typical: float) -> NDArray[np.bool_]:
    """Tell which parts go on with a comb that was followed from ``first`` to ``last``, px, as pure as ``typical``."""
    own = (blocks.places > first) & (blocks.places < last)
    if not own.any():
        return own
    shared = float(np.median(blocks.off[own]))
    agrees = (np.abs(blocks.off - shared) < _OFF_OUTSIDE) & (blocks.purity > _PURE_OUTSIDE * typical)
    reach = _AT_A_TIME * (last - first)
    near = (blocks.places > first - reach) & (blocks.places < last + reach)
    # Outside, one that agrees alone is chance; of three in a row each counts.
    middle = np.convolve(agrees, np.ones(3), mode="same") >= 3
    return np.asarray(agrees & near & (own | (np.convolve(middle, np.ones(3), mode="same") > 0)))


def _carried_on(grey: ByteArray, line: Line, coarse: _Coarse) -> tuple[Line, Tens]:
    """Return the line as far as the comb of fives goes on, to either side of where it was found."""
    depth = float(_DEPTHS[coarse.row + _GROUP // 2])
    inside = line.inside(grey, depth)
    low, high = max(inside[0], -line.length), min(inside[1], 2.0 * line.length)
    bend = coarse.followed.tens.c
    low, high = max(low, -_TOWARDS / bend if bend > 0.0 else low), min(high, -_TOWARDS / bend if bend < 0.0 else high)
    whole, tens = line.part(low, high), coarse.followed.tens.moved(low)
    row = _groups(rows_beside(grey, whole, depth + _ROWS))[0]
    first, last = -low, -low + line.length
    typical = float(np.median(coarse.followed.blocks.purity))
    for _ in range(_CARRY_ON):
        blocks = blocks_of(row, tens, 2.0, _WIDE_SHORT)
        if len(blocks.places) < 5:
            break
        kept = _agreeing(blocks, first, last, typical)
        if int(kept.sum()) < 5:
            break
        half = 0.5 * _WIDE_SHORT / tens.a
        grown = (float(blocks.places[kept].min()) - half, float(blocks.places[kept].max()) + half)
        again = refit(blocks.only(kept), tens, 2.0).tens
        if not again.lasts(0.0, whole.length):
            break
        tens = again
        done = grown[0] > first - 1.0 and grown[1] < last + 1.0
        first, last = min(first, grown[0]), max(last, grown[1])
        if done:
            break
    first, last = max(first, 0.0), min(last, whole.length)
    return whole.part(first, last), tens.moved(first)


def _off_px(line: Line, coarse: _Coarse) -> float:
    return coarse.followed.rms * coarse.followed.tens.px(0.5 * line.length)


def _longest(grey: ByteArray, line: Line, coarse: _Coarse) -> tuple[Line, _Coarse]:
    """Return the combs as far as they go on, or as they are where they hold no longer."""
    longer, tens = _carried_on(grey, line, coarse)
    further = _coarse(_groups(rows_beside(grey, longer, _DEPTHS)), tens)
    if further is None or not further.holds or _off_px(longer, further) > _MAX_OFF_PX:
        return line, coarse
    return longer, further


def _proved(grey: ByteArray, line: Line, coarse: _Coarse) -> Combs | None:
    """Return the combs if single ticks show among them, ten to a ten."""
    tens = coarse.followed.tens
    ten_px, off_px = tens.px(0.5 * line.length), _off_px(line, coarse)
    if ten_px < 10.0 * _LEAST_ONE_PX or off_px > _MAX_OFF_PX:
        return None
    depth = float(_DEPTHS[coarse.row + _GROUP // 2])
    reach = float(np.ceil(_REACH_TENS * ten_px))
    deep = rows_beside(grey, line, np.arange(depth - reach, depth + reach + 1.0))
    strength, ratio = _ones(deep, tens)
    if strength < _LEAST_ONE or ratio < _OVER_RIVALS:
        return None
    return Combs(line, tens, depth, coarse.followed.blocks, off_px)


def find_combs(grey: ByteArray, rough_px: FloatArray) -> Combs | None:
    """Find a ruler's combs at a rough outline.

    Parameters
    ----------
    grey : uint8 (H, W)
        Picture in which a ruler's millimetre has two to seven pixels.
    rough_px : float64 (M, 2)
        A rough outline of what may be a ruler, pixels.
    """
    for line in sides_of(grey, rough_px):
        groups = _groups(rows_beside(grey, line, _DEPTHS))
        followed = (_coarse(groups, guess) for guess in _guesses(groups))
        coarse = next((each for each in followed if each is not None and each.holds), None)
        found = None if coarse is None else _proved(grey, *_longest(grey, line, coarse))
        if found is not None:
            return found
    return None
