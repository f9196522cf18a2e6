"""Fits the confidence of learned outlines on photos with known truth, and tells how well it is calibrated.

Two steps, so that photos need to be run only once::

    python -m tests.benchmarks.confidence collect TRUTH_FOLDER PHOTO_FOLDER ROWS.jsonl
    python -m tests.benchmarks.confidence fit ROWS.jsonl [--limit 0.005] [--plot RELIABILITY.svg]

``collect`` runs the whole chain on every photo of a folder, laid out as ``tests/truth`` and ``sample_images`` are,
with the packaged network, and writes a row for each claw: its traits of doubt and by how much its measures differ from
those that the true outline gives at the same scale. ``fit`` prints the coefficients for
``clawvision/outline/learned/confidence.py``, reliability tables (by cross-validation over scenes, and of the weights in
the package), and the lowest gate at which gross errors that nobody is told of are rarer than the limit.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from shutil import copy
from typing import Any

import cv2
import numpy as np
from scipy.optimize import minimize
from scipy.stats import beta

from clawvision.outline.learned.confidence import TRAITS, Doubt, confidence_of
from clawvision.outline.learned.network import packaged_network
from clawvision.outline.learned.segmenter import Draft, LearnedSegmenter
from clawvision.outline.naming import sole_name
from clawvision.pipeline import run_photo
from clawvision.types import FloatArray, Photo, Scale, Settings, View
from tests.benchmarks.accuracy import GROSS_DEG, GROSS_MM, Miss, misses, with_true_outline
from tests.truth import TruePhoto, true_photos

_RIDGE = 5.0
_FOLDS = 10


class Recording(LearnedSegmenter):
    """The learned segmenter, keeping what there was to doubt."""

    drafts: tuple[Draft, ...] = ()

    def draft(self, photo: Photo, scale: Scale, view: View) -> tuple[list[Draft], bool]:
        drafts, separated = super().draft(photo, scale, view)
        self.drafts = tuple(drafts)
        return drafts, separated


@dataclass(frozen=True, slots=True)
class Row:
    """A claw of a photo: traits in the order of `TRAITS`, largest errors, and whether another reason asks for a look.

    ``worst`` is the largest error in units of what counts as gross, over the claw's and the foot's measures.
    """

    photo: str
    scene: int
    claw: str
    doubt: dict[str, float]
    worst: float
    reviewed: bool
    bad: bool

    @property
    def gross(self) -> bool:
        return self.worst > 1.0


def worst_error(rows: list[Miss]) -> float:
    """Return the largest error in units of what counts as gross."""
    limits = {"mm": GROSS_MM, "deg": GROSS_DEG}
    return max(
        (abs(row.error) / limits[row.unit] for row in rows if row.unit in limits and row.measure != "helical_twist"),
        default=np.inf,
    )


def seen_wrong(error: float, with_truth: float | None) -> float:
    """Return the part of an error that the outline is to blame for.

    No more than the whole error: a true outline ends where something hides the horn, and may be the worse one.
    """
    return error if with_truth is None else float(min(error, error - with_truth, key=abs))


def collect(photos: tuple[TruePhoto, ...], segmenter: Recording) -> Iterator[Row]:
    """Run the chain on photos, without any outline file, and yield a row for each claw that was outlined."""
    for photo in photos:
        segmenter.drafts = ()
        with tempfile.TemporaryDirectory() as folder:
            request = replace(photo.request(), path=Path(copy(photo.folder / photo.name, folder)))
            result, _ = run_photo(request, Settings(min_confidence=0.0), segmenter=segmenter)
        aided = {(row.claw, row.measure): row.error for row in with_true_outline(photo)}
        found = [
            replace(row, error=seen_wrong(row.error, aided.get((row.claw, row.measure))))
            for row in misses(photo, dict(result.claws), dict(result.foot_measures), result.status)
        ]
        for draft in segmenter.drafts:
            side = draft.claw.side
            claw = str(photo.claws[0]) if side is None else sole_name(side, result.request.foot)
            own = [row for row in found if row.claw in (claw, "foot")]
            yield Row(
                photo.name,
                int(photo.scene["seed"]),
                claw,
                {name: float(value) for name, value in asdict(draft.doubt).items()},
                float(min(worst_error(own), 99.0)),
                any(why.effect != "note" for why in result.reasons),
                bool(photo.shown["bad"] or photo.shown["must_refuse"]),
            )


def fit(traits: FloatArray, good: FloatArray) -> FloatArray:
    """Return bias and weights of the logistic function, each trait lowering the odds or leaving them.

    Parameters
    ----------
    traits : float64 (N, T)
        Each rising with the doubt.
    good : float64 (N,)
        1 where there is no gross error.

    Returns
    -------
    float64 (1 + T,)
        Maximum likelihood with a ridge, in units of each trait's spread, that keeps idle traits small.
    """
    spread = np.maximum(traits.std(axis=0), 1e-6)
    scaled = traits / spread

    def loss(values: FloatArray) -> tuple[float, FloatArray]:
        odds = values[0] - scaled @ values[1:]
        missed = 1.0 / (1.0 + np.exp(-np.clip(odds, -40, 40))) - good
        total = np.logaddexp(0.0, odds) - good * odds
        slope = np.concatenate(([missed.mean()], -(scaled * missed[:, None]).mean(axis=0)))
        ridge = _RIDGE / len(good)
        slope[1:] += ridge * values[1:]
        return float(total.mean() + 0.5 * ridge * (values[1:] ** 2).sum()), slope

    start = np.zeros(traits.shape[1] + 1)
    bounds = [(None, None), *[(0.0, None)] * traits.shape[1]]
    found = minimize(loss, start, jac=True, bounds=bounds, method="L-BFGS-B")
    return np.concatenate(([found.x[0]], found.x[1:] / spread))


def predicted(values: FloatArray, traits: FloatArray) -> FloatArray:
    """Return the probability of no gross error, (N,)."""
    chance: FloatArray = 1.0 / (1.0 + np.exp(-np.clip(values[0] - traits @ values[1:], -30, 30)))
    return chance


def cross_validated(traits: FloatArray, good: FloatArray, scenes: FloatArray) -> FloatArray:
    """Return each row's probability by weights that never saw its scene, (N,)."""
    out = np.zeros(len(good))
    names = np.unique(scenes)
    for fold in range(min(_FOLDS, len(names))):
        held = np.isin(scenes, names[fold::_FOLDS])
        out[held] = predicted(fit(traits[~held], good[~held]), traits[held])
    return out


def gate(chance: FloatArray, good: FloatArray, limit: float) -> tuple[float, float, float]:
    """Return the lowest gate that keeps silent gross errors below a limit, its yield, and the share of them."""
    order = np.argsort(-chance)
    kept = np.arange(1, len(order) + 1)
    share = np.cumsum(1.0 - good[order]) / kept
    fine = np.flatnonzero(share <= limit)
    if not len(fine):
        return 1.0, 0.0, 0.0
    last = int(fine[-1])
    return float(chance[order[last]]), float(kept[last] / len(order)), float(share[last])


EDGES = (0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 0.98, 1.0 + 1e-9)


def reliability(chance: FloatArray, good: FloatArray) -> list[tuple[float, float, int, float, float]]:
    """Return for each range of confidence its limits, how many claws fall into it, what was said and what was true."""
    found = []
    for low, high in pairwise(EDGES):
        inside = (chance >= low) & (chance < high)
        if inside.any():
            found.append((low, high, int(inside.sum()), float(chance[inside].mean()), float(good[inside].mean())))
    return found


def reliability_lines(chance: FloatArray, good: FloatArray) -> list[str]:
    lines = [f"{'confidence':14} {'claws':>6} {'said':>7} {'true':>7}"]
    for low, high, count, said, true in reliability(chance, good):
        lines.append(f"{low:.2f} – {high:.2f}    {count:6d} {said:7.3f} {true:7.3f}")
    return lines


def plot(chance: FloatArray, good: FloatArray) -> str:
    """Return the reliability as a drawing (SVG): what was said across, what was true upwards, with 95 % intervals."""
    size, edge = 420, 50
    place = partial(_placed, size=size, edge=edge)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size} {size}" font-family="sans-serif" font-size="12">',
        "<title>Confidence said against what was true</title>",
        f'<rect width="{size}" height="{size}" fill="white"/>',
        f'<path d="M{place(0, 0)} L{place(1, 1)}" stroke="#999" stroke-dasharray="4 4"/>',
        f'<path d="M{place(0, 1)} L{place(0, 0)} L{place(1, 0)}" stroke="black" fill="none"/>',
        f'<text x="{size / 2}" y="{size - 12}" text-anchor="middle">confidence said</text>',
        f'<text transform="translate(16 {size / 2}) rotate(-90)" text-anchor="middle">no gross error of seeing</text>',
    ]
    for tick in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0):
        x, y = place(tick, 0).split(",")[0], place(0, tick).split(",")[1]
        parts.append(f'<text x="{x}" y="{size - edge + 18}" text-anchor="middle">{tick:.1f}</text>')
        parts.append(f'<text x="{edge - 8}" y="{float(y) + 4}" text-anchor="end">{tick:.1f}</text>')
    for _, _, count, said, true in reliability(chance, good):
        hits = round(true * count)
        low = float(beta.ppf(0.025, hits, count - hits + 1)) if hits else 0.0
        high = float(beta.ppf(0.975, hits + 1, count - hits)) if hits < count else 1.0
        x, y = place(said, true).split(",")
        parts.append(f'<path d="M{place(said, low)} L{place(said, high)}" stroke="#0a5a9c" stroke-width="2"/>')
        parts.append(f'<circle cx="{x}" cy="{y}" r="4" fill="#0a5a9c"/>')
        parts.append(f'<text x="{float(x) - 7}" y="{float(y) - 7}" text-anchor="end" fill="#333">{count}</text>')
    return "\n".join([*parts, "</svg>", ""])


def _placed(x: float, y: float, *, size: int, edge: int) -> str:
    span = size - 2 * edge
    return f"{edge + x * span:.1f},{size - edge - y * span:.1f}"


def packaged_confidence(rows: list[Row]) -> FloatArray:
    """Return what the weights in the package say of each row, (N,)."""
    return np.array([confidence_of(Doubt(**row.doubt)) for row in rows])


def report(rows: list[Row], limit: float) -> str:
    """Return coefficients, reliability and gate."""
    traits = np.array([[row.doubt[name] for name in TRAITS] for row in rows])
    good = np.array([0.0 if row.gross else 1.0 for row in rows])
    values = fit(traits, good)
    lines = [f"{len(rows)} claws, {int((1 - good).sum())} with a gross error", "", f"BIAS = {values[0]:.3f}"]
    lines += [f'        "{name}": {weight:.3f},' for name, weight in zip(TRAITS, values[1:], strict=True)]
    chance = cross_validated(traits, good, np.array([row.scene for row in rows], dtype=np.float64))
    lines += ["", "cross-validated", *reliability_lines(chance, good)]
    lines += ["", "weights in the package", *reliability_lines(packaged_confidence(rows), good), ""]
    unseen = np.array([not row.reviewed for row in rows])
    for name, which in (("all claws", np.ones(len(rows), dtype=bool)), ("with no other reason to look", unseen)):
        if which.any():
            at, kept, share = gate(chance[which], good[which], limit)
            lines.append(f"{name}: gate {at:.3f} keeps {100 * kept:.1f} %, gross among them {100 * share:.2f} %")
    return "\n".join(lines)


def _read(file: Path) -> list[Row]:
    loaded: list[dict[str, Any]] = [json.loads(line) for line in file.read_text("utf-8").splitlines()]
    return [Row(**each) for each in loaded]


def main() -> None:
    """Collect rows, or fit them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    steps = parser.add_subparsers(dest="step", required=True)
    gather = steps.add_parser("collect")
    gather.add_argument("truth", type=Path)
    gather.add_argument("photos", type=Path)
    gather.add_argument("rows", type=Path)
    fitting = steps.add_parser("fit")
    fitting.add_argument("rows", type=Path)
    fitting.add_argument("--limit", type=float, default=1 / 200)
    fitting.add_argument("--plot", type=Path, help="file for a drawing of the packaged weights' reliability")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    if options.step == "fit":
        rows = _read(options.rows)
        print(report(rows, options.limit))
        if options.plot is not None:
            good = np.array([0.0 if row.gross else 1.0 for row in rows])
            options.plot.write_text(plot(packaged_confidence(rows), good), encoding="utf-8")
        return
    network = packaged_network()
    if network is None:
        parser.error("there is no model in the package that runs")
    with options.rows.open("w", encoding="utf-8") as stream:
        for row in collect(true_photos(options.truth, options.photos), Recording(network)):
            stream.write(json.dumps(asdict(row)) + "\n")
            stream.flush()


if __name__ == "__main__":
    main()
