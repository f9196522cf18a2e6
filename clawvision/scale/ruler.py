"""A ruler, found by its periodic ticks.

Beside long straight edges the picture is searched for a regular pattern of many fine lines. From a seed where
it is strong the ticks are counted outwards, each at sub-pixel accuracy, under a projective model of one
dimension. It is a ruler only where every fifth tick is longer: that tells ticks from slats, bricks and straw, and
single ticks from a coarser row of them, which would make every length wrong by five.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from clawvision.scale.along import Line, body_px
from clawvision.scale.edges import halvings, sample_profiles, straight_segments
from clawvision.scale.seeds import Seed, seeds_of
from clawvision.types import ByteArray, FloatArray, Reference, frozen_array

MIN_TICKS = 25
MAX_RESIDUAL_PX = 0.3
"""Largest root mean square distance of ticks from the projective model, pixels of the searched picture; in an enlarged
one it is ``_MAX_RESIDUAL_SHARE`` of their spacing, if that is more."""
U_RULER_REL = 0.001
"""Relative standard uncertainty of a ruler's own length (common practice: a plastic ruler, 0.2 mm in 150)."""
SIGMA_TICK_PX = 0.15

_WORK_SIDE = 2200
_ENLARGED_BELOW = 1100
"""Long side of pictures that are searched once more at twice their size: millimetres of two to three pixels are too
fine to be told from noise by sampling at whole pixels."""
_MAX_RESIDUAL_SHARE = 0.09
_MIN_TICKS_ENLARGED, _MIN_SEEN_ENLARGED = 60, 0.8
"""So many, of all between the first and the last, must be seen there: of ticks finer than two pixels every second one
looks like a ruler of its own here and there."""
_MAX_SEEDS = 8
_STEP = 0.25  # pixels between samples along the ticks
_MAX_POINTS = 75  # of each row; more would only cost time


@dataclass(frozen=True, slots=True, eq=False)
class _Ticks:
    numbers: FloatArray  # (N,) whole numbers
    places: FloatArray  # (N,) px along the line
    model: FloatArray  # (3,): place = (a n + b) / (c n + 1)
    rms: float


def _place(model: FloatArray, numbers: FloatArray) -> FloatArray:
    a, b, c = model
    return np.asarray((a * numbers + b) / (c * numbers + 1.0))


def _fit(numbers: FloatArray, places: FloatArray, curved: bool) -> FloatArray:
    """Fit the projective model by least squares, leaving out what lies far off."""
    kept = np.ones(len(numbers), dtype=bool)
    model = np.zeros(3)
    for _ in range(4):
        n, x = numbers[kept], places[kept]
        columns = [n, np.ones(len(n))] + ([-n * x] if curved else [])
        solution = np.linalg.lstsq(np.column_stack(columns), x, rcond=None)[0]
        model = np.append(solution, [] if curved else [0.0])
        off = np.abs(_place(model, numbers) - places)
        again = off < max(3.0 * 1.4826 * float(np.median(off)), 0.15)
        if np.array_equal(again, kept) or int(again.sum()) < 8:
            break
        kept = again
    return model


def _line(seed: Seed) -> Line:
    return Line(seed.origin, seed.along, seed.across, 0.0)


class _Row:
    """The brightness along one line beside the edge."""

    def __init__(self, grey: ByteArray, seed: Seed, depth: float, thickness: int = 3) -> None:
        self.low, self.high = _line(seed).inside(grey, depth)
        count = round((self.high - self.low) / _STEP) + 1
        base = seed.origin + depth * seed.across
        shifts = (np.arange(thickness) - (thickness - 1) / 2.0)[:, None] * seed.across
        starts = base + self.low * seed.along + shifts
        self.values = sample_profiles(grey, starts, starts + (count - 1) * _STEP * seed.along, count).mean(axis=0)

    def ticks(self, places: FloatArray, period: float) -> tuple[FloatArray, FloatArray]:
        """Return the dark line nearest to each place, px along, and its depth in grey values.

        The phase of the local pattern, over one period to either side, tells the place: it averages over the
        whole dip and needs no sharp minimum.
        """
        half = round(period / _STEP)
        index = np.round((places - self.low) / _STEP).astype(int)
        inside = (index >= half) & (index < len(self.values) - half)
        index = np.where(inside, index, half)
        steps = np.arange(-half, half + 1)
        around = self.values[np.clip(index[:, None] + steps, 0, len(self.values) - 1)]
        weight = np.hanning(2 * half + 3)[1:-1]
        centred = around - (around * weight).sum(axis=1, keepdims=True) / weight.sum()
        wave = np.exp(-2j * np.pi * steps * _STEP / period)
        # Removing the mean under the window leaves the wave's own part of it, too: take it out of the basis.
        wave = wave - (wave * weight).sum() / weight.sum()
        amplitude = (centred * weight * wave).sum(axis=1) / (weight * np.abs(wave) ** 2).sum()
        # Dark at the tick: the wave is at its trough there.
        shift = -np.angle(-amplitude) / (2 * np.pi) * period
        found = self.low + index * _STEP + shift
        return np.where(inside, found, np.nan), np.where(inside, 2.0 * np.abs(amplitude), 0.0)


def _count(row: _Row, seed: Seed) -> _Ticks | None:
    """Count ticks outwards from the seed as long as they go on."""
    model = np.array([seed.period, seed.middle, 0.0])
    first, last = -12, 12
    typical = 0.0
    for turn in range(40):
        numbers = np.arange(first, last + 1, dtype=np.float64)
        predicted = _place(model, numbers)
        period = float(np.abs(np.diff(predicted)).mean())
        if not np.isfinite(period) or period < 2.0:
            return None
        places, depths = row.ticks(predicted, period)
        if turn == 0:
            if int(np.isfinite(places).sum()) < 12:
                return None
            # The seed knows the period, not the phase: take the phase that most ticks share.
            shifts = (places - predicted) / period
            shift = float(np.angle(np.nanmean(np.exp(2j * np.pi * shifts)))) / (2 * np.pi)
            model[1] += shift * period
            predicted = _place(model, numbers)
            places, depths = row.ticks(predicted, period)
            typical = float(np.median(depths))
        near = np.isfinite(places) & (np.abs(places - predicted) < 0.3 * period) & (depths > 0.3 * typical)
        if int(near.sum()) < 12:
            return None
        model = _fit(numbers[near], places[near], curved=last - first >= 40)
        typical = float(np.median(depths[near]))
        # Grow by a sixth at each end that is alive: of its outer ticks most must be there.
        step = max((last - first) // 6, 6)
        grown = False
        if near[-step:].mean() > 0.6:
            last, grown = last + step, True
        if near[:step].mean() > 0.6:
            first, grown = first - step, True
        if not grown:
            break
        if last - first > 1200:
            return None
    numbers = np.arange(first, last + 1, dtype=np.float64)
    predicted = _place(model, numbers)
    spacing = np.abs(np.gradient(predicted))
    places, depths = row.ticks(predicted, float(spacing.mean()))
    good = np.isfinite(places) & (np.abs(places - predicted) < 0.25 * spacing) & (depths > 0.35 * typical)
    # A tick alone among missing ones is chance.
    company = np.convolve(good.astype(float), np.ones(5), mode="same")
    good &= company >= 4
    if int(good.sum()) < MIN_TICKS:
        return None
    model = _fit(numbers[good], places[good], curved=True)
    off = places[good] - _place(model, numbers[good])
    rms = float(np.sqrt((off**2).mean()))
    return _Ticks(numbers[good], places[good], model, rms)


def _longer_every_fifth(grey: ByteArray, seed: Seed, ticks: _Ticks) -> bool:
    """Tell whether, farther from the edge, one tick in five goes on and the others have ended."""
    period = abs(float(np.gradient(_place(ticks.model, ticks.numbers)).mean()))
    modulo = np.mod(ticks.numbers, 5).astype(int)
    for sign in (1.0, -1.0):
        for further in np.arange(1.0, 5.5, 0.5) * period:
            row = _Row(grey, seed, seed.depth + sign * further, thickness=1)
            side = round(0.5 * period / _STEP)
            # Under perspective ticks lean a little along the edge.
            leaning = ticks.places + np.arange(-0.2, 0.21, 0.05)[:, None] * further
            indices = np.round((leaning - row.low) / _STEP).astype(int)
            indices = indices[(indices.min(axis=1) >= side) & (indices.max(axis=1) < len(row.values) - side)]
            darks = 0.5 * (row.values[indices - side] + row.values[indices + side]) - row.values[indices]
            every = np.stack([np.median(darks[:, modulo == r], axis=1) for r in range(5)], axis=1)
            for dark, means in zip(darks, every, strict=True):
                order = np.argsort(means, kind="stable")
                longest, second = means[order[-1]], means[order[-2]]
                # The cheapest of the conditions below; nearly all rows end here.
                if longest <= 6.0 or abs(second) >= 0.4 * longest:
                    continue
                rest = dark[modulo != order[-1]]
                spread = 1.4826 * float(np.median(np.abs(rest - np.median(rest)))) + 0.5
                own = dark[modulo == order[-1]]
                enough = int((own > np.median(rest) + 2.0 * spread).sum()) >= 0.8 * len(own)
                if longest - second > 3.0 * spread and longest > 6.0 and abs(second) < 0.4 * longest and enough:
                    return True
    return False


def _second_row(grey: ByteArray, seed: Seed, ticks: _Ticks) -> tuple[FloatArray, FloatArray, float] | None:
    """Measure the same ticks along a second line: how they lean and converge tells the turn about the ruler's axis.

    Returns
    -------
    numbers : float64 (N,)
        Numbers of the ticks measured.
    pixels : float64 (N, 2)
        Their places on the second line.
    apart : float
        Distance of the two lines in tick spacings, signed: positive in the direction of y.
    None
        Where the ticks are too short for a second line.
    """
    middle = float(np.median(ticks.numbers))
    period = abs(float(np.diff(_place(ticks.model, np.array([middle - 0.5, middle + 0.5])))[0]))
    strength = {}
    for steps in range(-8, 9):
        depth = seed.depth + 0.5 * steps * period
        _, depths = _Row(grey, seed, depth, thickness=1).ticks(ticks.places, period)
        strength[steps] = float(np.median(depths))
    # The run of lines about the seed on which ticks are as dark as there.
    last = first = 0
    while last < 8 and strength[last + 1] > 0.7 * strength[0]:
        last += 1
    while first > -8 and strength[first - 1] > 0.7 * strength[0]:
        first -= 1
    steps = last if last >= -first else first
    if abs(steps) < 2:
        return None
    apart = 0.5 * steps * period
    # Lines that are parallel on the ruler keep the vanishing point of the ticks' row: the distance shrinks as the
    # projective model's denominator says.
    a, _, c = (float(v) for v in ticks.model)
    low, high = float(ticks.places.min()), float(ticks.places.max())
    middle_place = float(_place(ticks.model, np.array([middle]))[0])

    def depth_at(place: float) -> float:
        return seed.depth + apart * (a - c * place) / (a - c * middle_place)

    start = seed.origin + low * seed.along + depth_at(low) * seed.across
    end = seed.origin + high * seed.along + depth_at(high) * seed.across
    along = (end - start) / float(np.linalg.norm(end - start))
    other = Seed(start, along, np.array([-along[1], along[0]]), 0.0, 0.0, period, seed.strength)
    row = _Row(grey, other, 0.0, thickness=1)
    predicted = (ticks.places - low) * float(np.linalg.norm(end - start)) / (high - low)
    places, _ = row.ticks(predicted, period)
    central = np.abs(ticks.numbers - middle) <= 0.15 * np.ptp(ticks.numbers)
    shift = float(np.angle(np.nanmean(np.exp(2j * np.pi * (places - predicted)[central] / period)))) / (2 * np.pi)
    predicted = predicted + shift * period
    for _ in range(2):
        places, _ = row.ticks(predicted, period)
        near = np.isfinite(places) & (np.abs(places - predicted) < 0.4 * period)
        if int(near.sum()) < MIN_TICKS:
            return None
        model = _fit(ticks.numbers[near], places[near], curved=True)
        predicted = _place(model, ticks.numbers)
    near = np.isfinite(places) & (np.abs(places - predicted) < 0.25 * period)
    off = (places - predicted)[near]
    if int(near.sum()) < MIN_TICKS or float(np.sqrt((off**2).mean())) > MAX_RESIDUAL_PX:
        return None
    # y lies clockwise of x as seen; x runs with the numbers.
    forward = seed.along * np.sign(a)
    clockwise = np.array([-forward[1], forward[0]])
    sign = float(np.sign(seed.across @ clockwise))
    return ticks.numbers[near], start + places[near, None] * along, sign * apart / period


def _outline(grey: ByteArray, seed: Seed, ticks: _Ticks) -> FloatArray:
    """Return the ruler's body as four corners: past the last ticks, from the edge to where its level ends."""
    period = abs(float(np.gradient(_place(ticks.model, ticks.numbers)).mean()))
    ends = np.sort(_place(ticks.model, np.array([ticks.numbers.min(), ticks.numbers.max()])))
    return body_px(grey, _line(seed), float(ends[0]), float(ends[1]), period)


def find_ruler(
    grey: ByteArray, tick_mm: float, found_segments: tuple[FloatArray, float] | None = None
) -> Reference | None:
    """Find a ruler by its ticks.

    Parameters
    ----------
    grey : uint8 (H, W)
        The upright photo.
    tick_mm
        Spacing of its finest ticks, mm.
    found_segments
        What `straight_segments` gave for the photo, where it is at hand.

    Returns
    -------
    Reference or None
        Kind ``ruler``: ticks along one line, at y = 0 and x = whole multiples of ``tick_mm`` from the first seen
        one, then where they are long enough the same ticks along a second line whose y is only roughly known.
        None where there is no row of at least ``MIN_TICKS`` regular ticks of which every fifth is longer.
    """
    segments, factor = (
        straight_segments(np.asarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB), dtype=np.uint8))
        if found_segments is None
        else found_segments
    )
    sides = (segments + 0.5) * factor - 0.5
    picture, reduction = halvings(grey, _WORK_SIDE, _WORK_SIDE)[0]
    found = _find_in(picture, reduction, sides, tick_mm)
    if found is None and max(picture.shape) < _ENLARGED_BELOW:
        twice = cv2.resize(picture, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
        found = _find_in(np.asarray(twice, dtype=np.uint8), 0.5 * reduction, sides, tick_mm)
    return found


def _find_in(picture: ByteArray, reduction: float, segments: FloatArray, tick_mm: float) -> Reference | None:
    """Find the ruler in a picture that is smaller than the photo by ``reduction``; segments in pixels of the photo."""
    scaled = (segments + 0.5) / reduction - 0.5
    enlarged = reduction < 1.0
    for seed in seeds_of(picture, scaled)[:_MAX_SEEDS]:
        ticks = _count(_Row(picture, seed, seed.depth), seed)
        if ticks is None or not _longer_every_fifth(picture, seed, ticks):
            continue
        if ticks.rms > (max(MAX_RESIDUAL_PX, _MAX_RESIDUAL_SHARE * seed.period) if enlarged else MAX_RESIDUAL_PX):
            continue
        if enlarged and len(ticks.numbers) < max(_MIN_TICKS_ENLARGED, _MIN_SEEN_ENLARGED * np.ptp(ticks.numbers)):
            continue
        pixels = seed.origin + seed.depth * seed.across + ticks.places[:, None] * seed.along
        stride = -(-len(pixels) // _MAX_POINTS)
        first = float(ticks.numbers.min())
        x = (ticks.numbers - first)[::stride]
        rows_px, rows_mm = [pixels[::stride]], [np.column_stack((x, np.zeros(len(x)))) * tick_mm]
        second = _second_row(picture, seed, ticks)
        if second is not None:
            numbers, places, apart = second
            x = (numbers - first)[::stride]
            rows_px.append(places[::stride])
            rows_mm.append(np.column_stack((x, np.full(len(x), apart))) * tick_mm)
        return Reference(
            kind="ruler",
            points_px=frozen_array((np.concatenate(rows_px) + 0.5) * reduction - 0.5),
            points_mm=frozen_array(np.concatenate(rows_mm)),
            sigma_px=max(SIGMA_TICK_PX, ticks.rms) * reduction,
            outline_px=frozen_array((_outline(picture, seed, ticks) + 0.5) * reduction - 0.5),
            u_size_rel=U_RULER_REL,
        )
    return None
