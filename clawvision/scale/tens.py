"""How many tens lie up to a place along a ruler, and how a comb of ticks tells it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clawvision.scale.along import STEP
from clawvision.types import FloatArray

MOST_TENS = 80.0
"""Nothing longer is counted; a ruler has 30, a folding rule's arm 25."""
_LEAST_BLOCKS = 5
_HORIZON = 0.2
"""Where a line's denominator falls below this, it runs off towards the horizon."""
_TURNS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Tens:
    """Number of tens up to a place x along a line, px: (a x + b) / (1 + c x), as perspective has it."""

    a: float
    b: float
    c: float

    def at(self, places: FloatArray) -> FloatArray:
        """Return the number of tens at places along the line."""
        return np.asarray((self.a * places + self.b) / (1.0 + self.c * places))

    def place(self, tens: FloatArray) -> FloatArray:
        """Return where along the line so many tens are, px."""
        return np.asarray((tens - self.b) / (self.a - self.c * tens))

    def lasts(self, low: float, high: float) -> bool:
        """Tell whether the tens from one place to another are some that a picture can hold, far from any horizon."""
        nearest = 1.0 + min(self.c * low, self.c * high)
        if self.a <= 0.0 or nearest < _HORIZON:
            return False
        ends = self.at(np.array([low, high]))
        return bool(0.0 < ends[1] - ends[0] < MOST_TENS)

    def moved(self, low: float) -> Tens:
        """Return the same for a line whose origin lies ``low`` px further on."""
        k = 1.0 + self.c * low
        return Tens(self.a / k, (self.a * low + self.b) / k, self.c / k)

    def px(self, place: float) -> float:
        """Return how many pixels a ten has at a place."""
        ends = self.place(self.at(np.array([place])) + np.array([-0.5, 0.5]))
        return abs(float(ends[1] - ends[0]))


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """A comb as parts of its length show it.

    Their middles (px), what they correct (tens), how dark the ticks are, and their share in all that varies there.
    """

    places: FloatArray
    off: FloatArray
    amplitude: FloatArray
    purity: FloatArray

    def only(self, kept: NDArray[np.bool_]) -> Blocks:
        """Return some of them."""
        return Blocks(self.places[kept], self.off[kept], self.amplitude[kept], self.purity[kept])


def fitted(places: FloatArray, tens: FloatArray, weights: FloatArray) -> Tens:
    """Return the tens that lie at places along a line, by weighted least squares."""
    middle, reach = float(places.mean()), max(float(np.ptp(places)), 1.0)
    x, level = (places - middle) / reach, float(tens.mean())
    n, root = tens - level, np.sqrt(weights)
    columns = np.column_stack((x, np.ones(len(x)), -n * x)) * root[:, None]
    a, b, c = (float(v) for v in np.linalg.lstsq(columns, n * root, rcond=None)[0])
    # Back from x and n to px and tens.
    a, c = (a + level * c) / reach, c / reach
    k = 1.0 - c * middle
    return Tens(a / k, (b + level - a * middle) / k, c / k)


def blocks_of(row: FloatArray, tens: Tens, harmonic: float, wide: float) -> Blocks:
    """Return how far a comb of ``harmonic`` ticks to a ten is off, in parts of a row ``wide`` tens wide.

    Parameters
    ----------
    row : float64 (samples,)
        Grey values every ``STEP`` px.
    tens
        Where they are thought to be; the phase that all parts share is taken out.
    """
    if not tens.lasts(0.0, (len(row) - 1) * STEP):
        return Blocks(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0))
    at = tens.at(np.arange(len(row), dtype=np.float64) * STEP)
    low, high = float(at[0]), float(at[-1])
    centres = np.arange(low + wide / 2, high - wide / 2 + 1e-6, wide / 2)
    if len(centres) < _LEAST_BLOCKS:
        return Blocks(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0))
    apart = (at - centres[:, None]) / wide
    weight = np.where(np.abs(apart) < 0.5, 0.5 + 0.5 * np.cos(2 * np.pi * apart), 0.0)
    weight /= weight.sum(axis=1, keepdims=True)
    wave = weight @ (row * np.exp(-2j * np.pi * harmonic * at))
    common = np.angle((wave * np.abs(wave)).sum())
    off = np.angle(wave * np.exp(-1j * common)) / (2 * np.pi * harmonic)
    amplitude = 2.0 * np.abs(wave)
    return Blocks(tens.place(centres), off, amplitude, 0.5 * amplitude**2 / (weight @ row**2 + 1e-9))


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """The tens that follow a comb, the blocks that agree, and by how much they are off (rms, tens)."""

    tens: Tens
    blocks: Blocks
    rms: float
    share: float


def follow(row: FloatArray, tens: Tens, harmonic: float, wide: float) -> Followed | None:
    """Let the tens follow a comb along a row; None where it is too short.

    Parameters
    ----------
    row, tens, harmonic, wide
        As `blocks_of` takes them.
    """
    followed = None
    for _ in range(_TURNS):
        blocks = blocks_of(row, tens, harmonic, wide)
        if len(blocks.places) < _LEAST_BLOCKS:
            return None
        followed = refit(blocks, tens, harmonic)
        if not np.isfinite(followed.rms):
            return None
        tens = followed.tens
    return followed


def refit(blocks: Blocks, tens: Tens, harmonic: float) -> Followed:
    """Fit the tens to what blocks correct, leaving out those that are far off."""
    told = tens.at(blocks.places) + blocks.off
    weights = np.minimum(blocks.amplitude / max(float(np.median(blocks.amplitude)), 1e-9), 1.5) ** 2 + 1e-9
    kept = np.ones(len(told), dtype=bool)
    left = blocks.off
    new = tens
    for _ in range(3):
        new = fitted(blocks.places[kept], told[kept], weights[kept])
        left = told - new.at(blocks.places)
        again = np.abs(left) < 3.0 * (1.4826 * float(np.median(np.abs(left[kept]))) + 0.01 / harmonic)
        if int(again.sum()) < _LEAST_BLOCKS:
            break
        kept = again
    rms = float(np.sqrt((left[kept] ** 2).mean()))
    own = replace(blocks, off=left).only(kept)
    return Followed(new, own, rms, float(kept.mean()))
