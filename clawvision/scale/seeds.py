"""Where along straight edges a fine regular pattern runs: the seeds from which a ruler's ticks are counted."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from clawvision.scale.edges import sample_profiles
from clawvision.types import ByteArray, FloatArray

MIN_STRENGTH = 0.45
"""Share of the pattern in all that varies; a ruler's ticks have 0.8 and more."""
WINDOW_PX = 200
_MAX_SEGMENTS = 120
_MIN_SEGMENT_PX = 80.0
_MIN_AMPLITUDE = 1.0  # grey values
_HALF = WINDOW_PX // 2
_PERIODS_PX = (2.6, 10.0)
_OFFSETS = np.arange(-16.0, 17.0, 4.0)
# From a long edge the ticks may lie across the whole body, where their own edge hardly shows.
_LONG_SEGMENT_PX = 160.0
_MAX_FAR = 30
_FAR_OFFSETS = np.concatenate((-np.arange(24.0, 100.0, 6.0), np.arange(24.0, 100.0, 6.0)))
_ALL_OFFSETS = np.concatenate((_OFFSETS, _FAR_OFFSETS))
# Whole grey values add a twelfth to what varies, which is 1.1 at least where the weakest pattern has its share.
_QUICK_STRENGTH = 0.9 * MIN_STRENGTH
_AT_ONCE = 512  # rows that fit into a cache


@dataclass(frozen=True, slots=True, eq=False)
class Seed:
    """A place where a fine regular pattern runs along an edge."""

    origin: FloatArray  # (2,) px
    along: FloatArray  # (2,) unit
    across: FloatArray  # (2,) unit, away from the edge into the pattern
    depth: float  # px from the edge
    middle: float  # px along
    period: float  # px
    strength: float


def periodicity(parts: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the period (px) of each row's strongest fine pattern and its share in all that varies, (N,) each.

    Parameters
    ----------
    parts : float64 (N, WINDOW_PX)
        Grey values along N lines.
    """
    window = np.hanning(WINDOW_PX)
    frequency = np.fft.rfftfreq(WINDOW_PX, 1.0)
    power = np.abs(np.fft.rfft((parts - parts.mean(axis=1, keepdims=True)) * window, axis=1)) ** 2
    # A peak, not the foot of something coarser.
    inner = power[..., 1:-1]
    peaked = np.zeros_like(power)
    peaked[..., 1:-1] = np.where((inner >= power[..., :-2]) & (inner >= power[..., 2:]), inner, 0.0)
    peaked *= (frequency > 1.0 / _PERIODS_PX[1]) & (frequency < 1.0 / _PERIODS_PX[0])
    peak = np.argmax(peaked, axis=1)
    index = np.clip(peak[..., None] + np.arange(-2, 3), 0, len(frequency) - 1)
    near = np.take_along_axis(power, index, axis=1).sum(axis=1)
    share = near / np.maximum(power[..., frequency > 0.03].sum(axis=1), 1e-9)
    # Amplitude of the pattern in grey values, from its part of the windowed energy.
    amplitude = np.sqrt(near) / window.sum() * 2.0
    return 1.0 / frequency[np.maximum(peak, 1)], np.where((peak > 0) & (amplitude > _MIN_AMPLITUDE), share, 0.0)


def _may_repeat(parts: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Tell which rows may have a fine pattern as strong as ticks, (N,).

    Quicker than `periodicity`, and misses none that it sees.
    """
    window = np.hanning(WINDOW_PX).astype(np.float32)
    wave = np.fft.rfft((parts - parts.mean(axis=1, keepdims=True)) * window, axis=1)
    power = wave.real**2 + wave.imag**2
    frequency = np.fft.rfftfreq(WINDOW_PX, 1.0)
    fine = np.nonzero((frequency > 1.0 / _PERIODS_PX[1]) & (frequency < 1.0 / _PERIODS_PX[0]))[0]
    # Any five neighbours, peak or not: at least what `periodicity` takes for the pattern's own part.
    near = power[:, fine[0] - 2 : fine[-1] - 1].copy()
    for step in range(-1, 3):
        near += power[:, fine[0] + step : fine[-1] + step + 1]
    coarsest = int(np.argmax(frequency > 0.03))
    return np.asarray(near.max(axis=1) > _QUICK_STRENGTH * power[:, coarsest:].sum(axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """Lines beside a segment, along which a pattern is looked for."""

    origin: FloatArray  # (2,) px
    along: FloatArray  # (2,) unit
    normal: FloatArray  # (2,) unit
    reach: float  # px
    offsets: FloatArray  # (M,) px along the normal

    @property
    def count(self) -> int:
        """Return the number of samples along each line."""
        return round(self.reach) + 1

    @property
    def starts(self) -> FloatArray:
        """Return where the lines start, (M, 2)."""
        return np.asarray(self.origin + self.offsets[:, None] * self.normal)


def strips_of(segments: FloatArray) -> list[Strip]:
    """Return the lines beside the longest segments (N, 4), pixels."""
    lengths = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    far_left = _MAX_FAR
    strips = []
    for which in np.nonzero(lengths >= _MIN_SEGMENT_PX)[0][:_MAX_SEGMENTS]:
        along = (segments[which, 2:] - segments[which, :2]) / lengths[which]
        reach = max(float(lengths[which]), float(WINDOW_PX))
        origin = 0.5 * (segments[which, :2] + segments[which, 2:]) - 0.5 * reach * along
        far = lengths[which] >= _LONG_SEGMENT_PX and far_left > 0
        far_left -= int(far)
        offsets = _ALL_OFFSETS if far else _OFFSETS
        strips.append(Strip(origin, along, np.array([-along[1], along[0]]), reach, offsets))
    return strips


def at_a_glance(grey: ByteArray, strips: list[Strip]) -> list[Strip]:
    """Return the strips in which `seeds_of` may find a pattern; nearly all of a photo's have none.

    All are sampled at once, a hundredth of a pixel off here and there.
    """
    sizes = [len(strip.offsets) for strip in strips]
    starts = np.concatenate([strip.starts for strip in strips])
    steps = np.repeat([strip.reach / (strip.count - 1) * strip.along for strip in strips], sizes, axis=0)
    owners = np.repeat(np.arange(len(strips)), sizes)
    # Half a window on each time, as often as there is room.
    windows = np.repeat([(strip.count - WINDOW_PX) // _HALF + 1 for strip in strips], sizes)
    line = np.repeat(np.arange(len(starts)), windows)
    turn = np.arange(len(line)) - np.repeat(np.cumsum(windows) - windows, windows)
    first = (starts[line] + (turn * _HALF)[:, None] * steps[line]).astype(np.float32)
    step = steps[line].astype(np.float32)
    along = np.arange(WINDOW_PX, dtype=np.float32)
    likely = np.zeros(len(strips), dtype=bool)
    for low in range(0, len(line), _AT_ONCE):
        some = slice(low, low + _AT_ONCE)
        x = first[some, :1] + step[some, :1] * along
        y = first[some, 1:] + step[some, 1:] * along
        values = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        likely[owners[line[some]][_may_repeat(values.astype(np.float32))]] = True
    return [strip for strip, may in zip(strips, likely, strict=True) if may]


def seeds_of(grey: ByteArray, segments: FloatArray) -> list[Seed]:
    """Return where along the segments a fine periodic pattern is strong, strongest first."""
    strips = strips_of(segments)
    seeds = []
    for strip in at_a_glance(grey, strips) if strips else []:
        starts = strip.starts
        rows = sample_profiles(grey, starts, starts + strip.reach * strip.along, strip.count)
        # (windows, lines, WINDOW_PX): half a window on each time.
        parts = sliding_window_view(rows, WINDOW_PX, axis=1)[:, ::_HALF].swapaxes(0, 1)
        periods, shares = periodicity(parts.reshape(-1, WINDOW_PX))
        index = int(np.argmax(shares))
        if shares[index] <= MIN_STRENGTH:
            continue
        first, line = divmod(index, len(strip.offsets))
        offset = float(strip.offsets[line])
        seeds.append(
            Seed(
                origin=strip.origin,
                along=strip.along,
                across=strip.normal if offset >= 0 else -strip.normal,
                depth=abs(offset),
                middle=float((first + 1) * _HALF),
                period=float(periods[index]),
                strength=float(shares[index]),
            )
        )
    return sorted(seeds, key=lambda seed: -seed.strength)
