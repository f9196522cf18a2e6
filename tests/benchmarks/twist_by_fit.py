"""Which reads the helical twist better: the network's head, a fit of the parametric claw, or both together.

Three steps, so that photos and fits need to be run only once::

    python -m tests.benchmarks.twist_by_fit collect SCENES ROWS.jsonl [--photos FOLDER] [--part 0 2]
    python -m tests.benchmarks.twist_by_fit fit SCENES ROWS.jsonl FITS.jsonl [--part 0 2]
    python -m tests.benchmarks.twist_by_fit report ROWS.jsonl FITS.jsonl [--split 1150]

SCENES is a folder that ``python -m clawvision.scenes.write`` has written. ``collect`` runs the packaged network on all
good photos. ``fit`` takes claws of which a side and a sole photo are good: once with their true outlines, which is the
best case for the fit, once with the network's, and once with these and the network's twist as a prior. ``report``
calibrates each reading on scenes before the split and prints errors and coverage after it, and of all. Needs torch.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.optimize import minimize

from clawvision.measure.twist import calibrated
from clawvision.types import FloatArray, Twist
from tests.benchmarks.twist_rows import SeenClaw, TwistRow, read_rows, write_rows

_SQUARE = np.array([0.0, 0.0, np.inf])
_EDGE_MM, _MARK_MM = 1.0, 1.0
"""Added to what the network states of its outlines and landmarks: the model's own misfit, hair."""
_TRUE_MM = 0.6
"""Standard error given to true outlines: the unevenness of horn, which the fit has no numbers for."""
_SIDE_SHARE, _ALIKE, _FIT_SHARE = 0.3, 0.3, 0.25
"""Weight of the side view against the sole's, correlation of their errors, weight of the fit against the head."""
FITTED_MM = 3.0
"""Where the outlines lie off the fitted claw by more, root mean square, at least one of them is no claw's."""
_FITS = {
    "best": "(b) fit to the true outlines",
    "seen": "(b) fit to the network's outlines",
    "both": "(c) fit with the head's word as prior",
}
_BULB_OVER_TIP_MM = 33.0
"""B lies about so much higher than the toe tip; where to begin."""


def true_sights(scene: dict[str, Any], claw: str) -> list[Any]:
    """Return both views of a claw by its true silhouettes."""
    from tests.benchmarks.twist_fit import Sight

    side = scene["side"][claw]
    abaxial = np.array([1.0, 1.0 if claw == "outer" else -1.0])
    marks = {name: np.array([*side["landmarks_mm"][name], _TRUE_MM]) for name in "CB"}
    below = np.array(scene["sole"][claw]["outline_mm"]) * abaxial
    return [
        Sight("side", np.array(side["outline_mm"]), marks, _SQUARE, _TRUE_MM, (6.0, 0.2, 6.0), 1.0, False),
        Sight("sole", below, {}, _SQUARE, _TRUE_MM, (6.0, 0.2, 8.0), 1.0, False),
    ]


def seen_sights(side: SeenClaw, sole: SeenClaw, partner: SeenClaw) -> list[Any]:
    """Return both views of a claw by what the network found in the photos; ``partner`` is the sole's other claw."""
    from tests.benchmarks.twist_fit import Sight

    line = np.array(side.outline_mm)
    marks = {name: np.array(mark) for name, mark in side.marks_mm.items()}
    bulb, coronet = marks["B"][:2], marks["C"][:2]
    toe = line[int(np.hypot(*(line - bulb).T).argmax())]
    reach = float(np.hypot(*(toe - bulb)))
    ahead = (toe - bulb) / reach
    up = np.array([-ahead[1], ahead[0]])
    up = up if (coronet - bulb) @ up > 0 else -up
    dip = np.arcsin(min(_BULB_OVER_TIP_MM / reach, 0.7))
    axes = np.stack([np.cos(dip) * ahead + np.sin(dip) * up, np.cos(dip) * up - np.sin(dip) * ahead])
    placed = {name: np.array([*(axes @ (marks[name][:2] - bulb)), np.hypot(marks[name][2], _MARK_MM)]) for name in "CB"}
    depth = float(np.hypot(side.u_offset_mm, 4.0))
    doubt = float(np.hypot(side.sigma_mm, _EDGE_MM))
    centre = _centre(side, axes, bulb)
    first = Sight("side", (line - bulb) @ axes.T, placed, centre, doubt, (4.0, 15.0, 3.0), depth, True)
    line = np.array(sole.outline_mm)
    heel, tip = np.array(sole.marks_mm["heel"][:2]), np.array(sole.marks_mm["T"][:2])
    ahead = (tip - heel) / np.hypot(*(tip - heel))
    away = np.array([-ahead[1], ahead[0]])
    away = away if (line.mean(axis=0) - np.array(partner.outline_mm).mean(axis=0)) @ away > 0 else -away
    axes = np.stack([ahead, away])
    depth = float(np.hypot(sole.u_offset_mm, 3.0))
    doubt = float(np.hypot(sole.sigma_mm, _EDGE_MM))
    centre = _centre(sole, axes, heel)
    second = Sight("sole", (line - heel) @ axes.T, {}, centre, doubt, (4.0, 2.5, 15.0), depth, False)
    return [first, second]


def _centre(seen: SeenClaw, axes: FloatArray, origin: FloatArray) -> FloatArray:
    centre = np.array(seen.centre_mm)
    return np.array([*(axes @ (centre[:2] - origin)), seen.offset_mm - centre[2]])


def pairs(rows: Iterable[TwistRow]) -> list[tuple[TwistRow, TwistRow, TwistRow]]:
    """Return the side and the sole row of claws that have both, and the row of the sole's other claw, with scales."""
    scaled = [row for row in rows if row.seen is not None]
    soles = {(row.scene, row.claw): row for row in scaled if row.view == "sole"}
    found = []
    for row in scaled:
        other = "inner" if row.claw == "outer" else "outer"
        if row.view == "side" and (row.scene, row.claw) in soles and (row.scene, other) in soles:
            found.append((row, soles[row.scene, row.claw], soles[row.scene, other]))
    return sorted(found, key=lambda pair: pair[0].scene)


def together(twists: list[Twist]) -> Twist:
    """Return the mean by inverse variance."""
    weight = np.array([1.0 / twist.sigma_deg**2 for twist in twists])
    value = float(weight @ [twist.value_deg for twist in twists] / weight.sum())
    return Twist(value, float(1.0 / np.sqrt(weight.sum())))


def by_view(side: Twist, sole: Twist) -> Twist:
    """Return the mean by fixed weights, which no value can pull to its own side: a head that sees no twist is surer."""
    share = _SIDE_SHARE
    value = share * side.value_deg + (1.0 - share) * sole.value_deg
    own, other = share * side.sigma_deg, (1.0 - share) * sole.sigma_deg
    return Twist(value, float(np.sqrt(own**2 + other**2 + 2.0 * _ALIKE * own * other)))


def head(row: TwistRow) -> Twist:
    """Return what the head says, calibrated as the product does it."""
    return calibrated(Twist(row.said_deg, row.said_sigma_deg))


def fit_pair(scene: dict[str, Any], side: TwistRow, sole: TwistRow, partner: TwistRow) -> dict[str, Any]:
    """Return the fits of a claw: by its true outlines, by those seen, and by these with the head's twist as a prior.

    Of each: twist, standard error, root mean square distance of the outlines, seconds of computing.
    """
    from tests.benchmarks.twist_fit import fit_claw

    assert side.seen is not None and sole.seen is not None and partner.seen is not None
    found: dict[str, Any] = {"scene": side.scene, "claw": side.claw, "true_deg": side.true_deg}

    def keep(name: str, sights: list[Any], **options: Any) -> None:
        begun = time.process_time()
        fit = fit_claw(sights, **options)
        found[name] = [fit.twist_deg, fit.sigma_deg, fit.rms_mm, time.process_time() - begun]

    keep("best", true_sights(scene, side.claw), tie_sd=0.3)
    sights = seen_sights(side.seen, sole.seen, partner.seen)
    said = together([head(side), head(sole)])
    keep("seen", sights, tie_sd=3.0)
    keep("both", sights, tie_sd=3.0, told=(said.value_deg, said.sigma_deg))
    return found


@dataclass(frozen=True, slots=True)
class Reading:
    """What one way says of one claw, against the truth; degrees."""

    scene: int
    said: Twist
    true_deg: float

    @property
    def error(self) -> float:
        return self.said.value_deg - self.true_deg

    @property
    def in_sigmas(self) -> float:
        return abs(self.error) / self.said.sigma_deg


def line_of(name: str, readings: list[Reading], split: int, *, stated: bool) -> str:
    """Return a row of the table. Unless what it states is used as it is (``stated``), the standard error is scaled on
    scenes before the split so that twice it holds 95 % there; what is held is counted from the split on.
    """
    if not readings:
        return f"{name:44} none"
    size = np.abs([each.error for each in readings])
    first = [each.in_sigmas for each in readings if each.scene < split]
    factor = 1.0 if stated or not first else float(np.quantile(first, 0.95)) / 2.0
    later = np.array([each.in_sigmas for each in readings if each.scene >= split])
    held = f"{100 * np.mean(later <= 2.0 * factor):5.0f} % of {len(later)}" if len(later) else ""
    wide = 2.0 * factor * float(np.median([each.said.sigma_deg for each in readings]))
    bias = float(np.mean([each.error for each in readings]))
    return (
        f"{name:44} {len(readings):4d} {np.median(size):7.1f} {np.quantile(size, 0.95):7.1f} {bias:+6.1f}"
        f" {wide:7.1f} {factor:7.2f} {held}"
    )


HEADING = f"{'':44} {'n':>4} {'median':>7} {'95 %':>7} {'bias':>6} {'U (k=2)':>7} {'factor':>7} held"


def calibrate(rows: list[TwistRow], split: int) -> str:
    """Return the constants for ``clawvision/measure/twist.py``, fitted on scenes before the split: the likeliest, then
    both scaled so that twice the standard error holds 95 %.
    """
    early = [row for row in rows if row.scene < split]
    sigma = np.array([row.said_sigma_deg for row in early])
    error = np.array([head(row).value_deg - row.true_deg for row in early])

    def unlikely(logs: FloatArray) -> float:
        wide = np.hypot(np.exp(logs[0]), np.exp(logs[1]) * sigma)
        return float(np.mean(np.log(wide) + 0.5 * (error / wide) ** 2))

    floor, factor = np.exp(minimize(unlikely, np.array([1.0, 0.0]), method="Nelder-Mead").x)
    stretch = float(np.quantile(np.abs(error) / np.hypot(floor, factor * sigma), 0.95)) / 2.0
    return f"{len(early)} claws: _FLOOR_DEG, _FACTOR = {stretch * floor:.2f}, {stretch * factor:.2f}"


def head_table(rows: list[TwistRow], split: int) -> list[str]:
    """Return how the head does on all photos, as it says it and calibrated."""
    lines = [HEADING]
    for view in ("side", "sole"):
        for name, raw in (("as said", True), ("calibrated", False)):
            readings = [
                Reading(row.scene, Twist(row.said_deg, row.said_sigma_deg) if raw else head(row), row.true_deg)
                for row in rows
                if row.view == view
            ]
            lines.append(line_of(f"head, {view}, {name}", readings, split, stated=True))
    every = [Reading(row.scene, head(row), row.true_deg) for row in rows]
    lines.append(line_of("head, calibrated, all", every, split, stated=True))
    for low, high in ((0.0, 0.01), (0.01, 8.0), (8.0, 20.0), (20.0, 35.0), (35.0, 90.0)):
        group = [each for each in every if low <= each.true_deg < high]
        lines.append(line_of(f"  truly {low:g} to {high:g}", group, split, stated=True))
    return lines


def head_of_both(rows: list[TwistRow], split: int) -> str:
    """Return how the head does on all claws that both photos show, whether they have scales or not."""
    soles = {(row.scene, row.claw): row for row in rows if row.view == "sole"}
    seen = [(row, soles[row.scene, row.claw]) for row in rows if row.view == "side" and (row.scene, row.claw) in soles]
    lines = [HEADING]
    for name, way in (("by inverse variance", lambda *twists: together(list(twists))), ("by fixed weights", by_view)):
        readings = [Reading(side.scene, way(head(side), head(sole)), side.true_deg) for side, sole in seen]
        lines.append(line_of(f"head, both, {name}, all claws", readings, split, stated=True))
    return "\n".join(lines)


def fit_table(rows: list[TwistRow], fits: list[dict[str, Any]], split: int) -> list[str]:
    """Return how head and fits do on the same claws: all, then those whose outlines could be fitted."""
    by_claw = {(side.scene, side.claw): (side, sole) for side, sole, _ in pairs(rows)}
    groups = (
        ("claws with a side and a sole photo", fits),
        (f"  their outlines fitted within {FITTED_MM:g} mm", [fit for fit in fits if fit["seen"][2] < FITTED_MM]),
    )
    lines = []
    for title, group in groups:
        lines += ["", title, HEADING]
        ways: dict[str, list[Reading]] = defaultdict(list)
        for fit in group:
            side, sole = by_claw[fit["scene"], fit["claw"]]
            said = {"(a) head, side": head(side), "(a) head, sole": head(sole)}
            both = by_view(*said.values())
            said["(a) head, both, by inverse variance"] = together(list(said.values()))
            said["(a) head, both, by fixed weights"] = both
            said |= {label: Twist(*fit[key][:2]) for key, label in _FITS.items()}
            value = _FIT_SHARE * fit["seen"][0] + (1.0 - _FIT_SHARE) * both.value_deg
            sigma = float(np.hypot(_FIT_SHARE * fit["seen"][1], (1.0 - _FIT_SHARE) * both.sigma_deg))
            said[f"(c) head by fixed weights, {_FIT_SHARE:g} of the fit"] = Twist(value, sigma)
            for label, twist in said.items():
                ways[label].append(Reading(fit["scene"], twist, fit["true_deg"]))
        lines += [line_of(label, each, split, stated=label.startswith("(a)")) for label, each in ways.items()]
    seconds = {key: float(np.median([fit[key][3] for fit in fits])) for key in _FITS}
    lines += ["", head_of_both(rows, split)]
    return [*lines, "", "seconds a claw: " + ", ".join(f"{key} {seconds[key]:.1f}" for key in _FITS)]


def main() -> None:
    """Collect, fit or report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    steps = parser.add_subparsers(dest="step", required=True)
    gather, fitting, telling = (steps.add_parser(name) for name in ("collect", "fit", "report"))
    for step in (gather, fitting):
        step.add_argument("scenes", type=Path)
    for step in (gather, fitting, telling):
        step.add_argument("rows", type=Path)
    for step in (fitting, telling):
        step.add_argument("fits", type=Path)
    gather.add_argument("--photos", type=Path)
    for step in (gather, fitting):
        step.add_argument("--part", type=int, nargs=2, default=(0, 1), metavar=("K", "N"))
    telling.add_argument("--split", type=int, default=1150)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    if options.step == "report":
        rows = read_rows(options.rows)
        fits = [json.loads(line) for line in options.fits.read_text("utf-8").splitlines()]
        lines = [calibrate(rows, options.split), "", *head_table(rows, options.split)]
        print("\n".join([*lines, *fit_table(rows, fits, options.split)]))
        return
    part, parts = options.part
    files = sorted(options.scenes.glob("[0-9]*.json"))
    scenes = {int(scene["seed"]): scene for scene in (json.loads(file.read_text("utf-8")) for file in files)}
    if options.step == "collect":
        write_rows(list(scenes.values())[part::parts], options.scenes, options.photos or options.scenes, options.rows)
        return
    with options.fits.open("w", encoding="utf-8") as stream:
        for pair in pairs(read_rows(options.rows))[part::parts]:
            stream.write(json.dumps(fit_pair(scenes[pair[0].scene], *pair)) + "\n")
            stream.flush()


if __name__ == "__main__":
    main()
