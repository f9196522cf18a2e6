"""What the whole chain reaches on a held-out set of rendered scenes, measured against what it is meant to reach.

Run with ``python -m tests.benchmarks.heldout FOLDER [--worst 10 PICTURES]``. FOLDER is one that ``python -m
clawvision.scenes.write`` has written: photos, masks and truth together; ``--photos`` names another folder for the
photos, as the samples have it. No outline file is used. Each photo's row is kept in ``FOLDER/heldout.jsonl`` (or
``--rows``) and used again as long as the photo, the model and the measuring code stay the same; weights of the
confidence and gate may change in between. ``--every 3`` runs a third of the scenes, ``--toes 0 100`` those without a
long toe.

Two groups are judged: all good photos, that is, neither spoilt nor without a reference, whatever status they got, and
those of them that are ``measured`` without a person's look.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Callable, Iterable
from itertools import chain
from pathlib import Path

import numpy as np
from scipy.stats import beta

from clawvision.findings.evidence import Observed, joined
from clawvision.pool import Crashed, run_tasks
from clawvision.types import Settings, View
from tests.benchmarks.accuracy import Miss
from tests.benchmarks.heldout_rows import Row, Task, from_json, made_by, picture, tasks_of, work

JOBS = 2
TARGETS = {
    "toe_length": (1.2, 4.0),
    "toe_angle": (1.2, 4.0),
    "axial_twist": (2.0, 6.0),
    "helical_twist": (5.0, 15.0),
    "length_difference_percent": (2.0, 6.0),
    "width_difference_percent": (2.0, 6.0),
    "area_difference_percent": (2.0, 6.0),
}
"""Median and 95th percentile that the error is meant to stay below, in the measure's unit."""
IOU_TARGETS = (0.95, 0.88)
"""Median and 5th percentile."""
MARK_TARGET_MM = 1.5
VIEW_TARGET, YIELD_TARGET, CAUGHT_TARGET = 0.99, 0.85, 0.95
SILENT_TARGET = 1 / 200
COVERAGE_TARGET = (0.92, 0.98)


def upper_bound(count: int, of: int, level: float = 0.95) -> float:
    """Return the one-sided upper confidence bound of a share (Clopper & Pearson 1934, Biometrika 26:404-413)."""
    return 1.0 if count >= of else float(beta.ppf(level, count + 1, of - count))


def _mark(fine: bool) -> str:
    return "ok " if fine else "MISSED"


def _share(label: str, count: int, of: int, target: float) -> str:
    if not of:
        return f"{label:44} none"
    found = f"{label:44} {count:4d} of {of:4d} = {100 * count / of:5.1f} %"
    return f"{found}  at least {100 * target:g} % {_mark(count >= target * of)}"


def iou_table(rows: list[Row], gate: float) -> list[str]:
    """Return how well the horn's masks agree, by view; claws that were looked for and not found count as 0."""
    lines = [f"{'horn, IoU':44} {'n':>5} {'median':>8} {'5 %':>8}   meant: {IOU_TARGETS[0]}, {IOU_TARGETS[1]}"]
    for name, group in _groups(rows, gate):
        for view in ("side", "sole"):
            values = np.array([claw.iou for row in group if row.view == view and row.looked_at for claw in row.claws])
            if len(values):
                found = (float(np.median(values)), float(np.quantile(values, 0.05)))
                fine = found[0] >= IOU_TARGETS[0] and found[1] >= IOU_TARGETS[1]
                lines.append(
                    f"  {name + ', ' + view:42} {len(values):5d} {found[0]:8.3f} {found[1]:8.3f}   {_mark(fine)}"
                )
    return lines


def mark_table(rows: list[Row], gate: float) -> list[str]:
    """Return the distance of landmarks from the true ones."""
    lines = [f"{'landmarks, mm':44} {'n':>5} {'median':>8} {'95 %':>8}   meant: {MARK_TARGET_MM}"]
    for name, group in _groups(rows, gate):
        marks: dict[str, list[float]] = {}
        for row in group:
            for claw in row.claws:
                for mark, error in claw.marks_mm.items():
                    marks.setdefault(f"{row.view} {mark}", []).append(error)
        for mark, errors in [*sorted(marks.items()), ("all", list(chain(*marks.values())))]:
            if errors:
                middle = float(np.median(errors))
                high = float(np.quantile(errors, 0.95))
                fine = _mark(middle <= MARK_TARGET_MM)
                lines.append(f"  {name + ', ' + mark:42} {len(errors):5d} {middle:8.2f} {high:8.2f}   {fine}")
    return lines


def measure_table(group: list[Row]) -> list[str]:
    """Return errors and coverage by measure; those with a target first."""
    by_name: dict[str, list[Miss]] = {}
    for row in group:
        for miss in row.misses:
            by_name.setdefault(miss.measure, []).append(miss)
    twists = both_views(group)
    if twists:
        by_name["helical_twist, both views"] = twists
    head = f"{'':28} {'n':>5} {'median':>8} {'95 %':>8} {'bias':>8} {'U (k=2)':>8} {'held':>7}  meant"
    first = [name for name in TARGETS if name in by_name]
    lines = [head]
    for name in [*first, *(name for name in by_name if name not in first)]:
        errors = np.array([miss.error for miss in by_name[name]])
        stated = np.array([miss.uncertainty for miss in by_name[name]])
        middle, high = float(np.median(np.abs(errors))), float(np.quantile(np.abs(errors), 0.95))
        target = TARGETS.get(name.split(",")[0])
        meant = f"{target[0]:g}, {target[1]:g} {_mark(middle <= target[0] and high <= target[1])}" if target else ""
        held = float(np.mean(np.abs(errors) <= stated))
        lines.append(
            f"{name:28} {len(errors):5d} {middle:8.2f} {high:8.2f} {errors.mean():+8.2f} {np.median(stated):8.2f}"
            f" {100 * held:5.1f} %  {meant}"
        )
    every = [miss for group_of in by_name.values() for miss in group_of]
    if every:
        held = float(np.mean([abs(miss.error) <= miss.uncertainty for miss in every]))
        fine = _mark(COVERAGE_TARGET[0] <= held <= COVERAGE_TARGET[1])
        lines.append(f"{'all stated intervals':28} {len(every):5d} {'':35} {100 * held:5.1f} %  92 to 98 % {fine}")
    return lines


def both_views(group: Iterable[Row]) -> list[Miss]:
    """Return the helical twist of claws that both photos of a scene show, as the foot's result combines them."""
    seen: dict[tuple[int, str], list[Observed]] = {}
    for row in group:
        view: View = "side" if row.view == "side" else "sole"
        for miss in row.misses:
            if miss.measure == "helical_twist":
                # Errors are averaged as values are: the truth is the same in both photos.
                value = Observed(miss.error, miss.uncertainty, "deg", miss.photo, view=view)
                seen.setdefault((row.scene, miss.claw), []).append(value)
    found = []
    for (_, claw), values in seen.items():
        both = joined("helical_twist", values)
        if both is not None:
            found.append(Miss(both.photo, claw, "helical_twist", "deg", both.value, both.uncertainty, 0.0, ""))
    return found


def _groups(rows: list[Row], gate: float) -> list[tuple[str, list[Row]]]:
    good = [row for row in rows if row.good]
    return [("good", good), ("measured", [row for row in good if row.status(gate) == "measured"])]


def status_table(rows: list[Row], gate: float) -> list[str]:
    """Return view, yield, what was caught, and the gross errors that nobody is told of."""
    good, unfit = [row for row in rows if row.good], [row for row in rows if not row.good]
    told = [row for row in good if row.sole_odds is not None]
    right = [row for row in told if (row.sole_odds or 0.0) > 0 if row.view == "sole"]
    right += [row for row in told if (row.sole_odds or 0.0) <= 0 if row.view == "side"]
    lines = [_share("view told right, good photos", len(right), len(good), VIEW_TARGET)]
    careful = [row for row in good if row.careful]
    for name, group in (("good photos", good), ("good photos, reference held with care", careful)):
        measured = [row for row in group if row.status(gate) == "measured"]
        lines.append(_share(f"measured of {name}", len(measured), len(group), YIELD_TARGET))
    caught = [row for row in unfit if row.status(gate) != "measured"]
    lines.append(_share("bad photos caught", len(caught), len(unfit), CAUGHT_TARGET))
    for name, group in (("good", good), ("all", rows), ("careful", careful)):
        measured = [row for row in group if row.status(gate) == "measured"]
        gross = [row for row in measured if row.gross]
        bound = upper_bound(len(gross), len(measured)) if measured else 1.0
        share = len(gross) / max(len(measured), 1)
        label = f"silent gross errors, {name} photos"
        lines.append(
            f"{label:44} {len(gross):4d} of {len(measured):4d} = {100 * share:5.2f} %, at most {100 * bound:.2f} %"
            f" (95 %)  below {100 * SILENT_TARGET:g} % {_mark(share < SILENT_TARGET)}"
        )
        if name == "all":
            lines += [f"    {_worst_miss(row)}" for row in sorted(gross, key=lambda row: -row.worst)]
    asked = Counter(code for row in good if row.status(gate) != "measured" for code in _why(row, gate))
    lines.append("why good photos are not measured: " + ", ".join(f"{code} {n}" for code, n in asked.most_common()))
    missed = [f"{row.photo} ({row.flaw or row.reference})" for row in unfit if row.status(gate) == "measured"]
    lines.append("bad photos not caught: " + (", ".join(missed) or "none"))
    return lines


def _why(row: Row, gate: float) -> list[str]:
    codes = [code for code, effect in row.codes.items() if effect != "note"]
    return [*codes, *(["outline_doubtful"] if not row.refused and row.confidence < gate else [])]


def _worst_miss(row: Row) -> str:
    worst = [miss for miss in row.misses if miss.gross and miss.measure != "helical_twist"]
    told = ", ".join(f"{miss.claw} {miss.measure} {miss.error:+.1f} {miss.unit}" for miss in worst)
    offset = "" if row.offset_error_mm is None else f", offset {row.offset_error_mm:+.0f} mm"
    tilt = "" if row.tilt_deg is None else f", tilt {row.tilt_deg:.0f}°"
    return f"{row.photo}: confidence {row.confidence:.2f}{tilt}{offset}: {told}"


def report(rows: list[Row], gate: float) -> str:
    """Return all tables."""
    lines = [f"{len(rows)} photos, gate {gate:g}", "", *status_table(rows, gate), "", *iou_table(rows, gate), ""]
    lines += mark_table(rows, gate)
    for name, group in _groups(rows, gate):
        lines += ["", f"{name} photos", *measure_table(group)]
    return "\n".join(lines)


def rows_of(tasks: list[Task], kept: Path, jobs: int, say: Callable[[str], None]) -> list[Row]:
    """Return every photo's row, from the file where it holds a current one; new ones are added to the file."""
    known: dict[str, str] = {}
    if kept.exists():
        for line in kept.read_text("utf-8").splitlines():
            entry = json.loads(line)
            known[entry["key"]] = entry["row"]
    keys = [_key(task) for task in tasks]
    todo = [index for index, key in enumerate(keys) if key not in known]
    if todo:
        say(f"running {len(todo)} of {len(tasks)} photos")
    with kept.open("a", encoding="utf-8") as stream:
        for done, (index, row) in enumerate(run_tasks(work, [tasks[index] for index in todo], jobs), 1):
            task = todo[index]
            if isinstance(row, Crashed):
                say(f"{keys[task]}: {row.detail}")
                continue
            known[keys[task]] = row
            stream.write(json.dumps({"key": keys[task], "row": row}) + "\n")
            stream.flush()
            if done % 50 == 0:
                say(f"{done} of {len(todo)}")
    return [from_json(known[key]) for key in keys if key in known]


def _key(task: Task) -> str:
    """Return what a row depends on: the photo, the model and the code."""
    state = task.scene_file.stat()
    return f"{task.scene_file.stem}_{task.view}:{state.st_size}:{state.st_mtime_ns}:{made_by()}"


def write_worst(rows: list[Row], tasks: list[Task], count: int, folder: Path, gate: float) -> None:
    """Write the annotated pictures of the good photos with the largest errors, those measured before all others."""
    folder.mkdir(parents=True, exist_ok=True)
    by_name = {(int(task.scene_file.stem), task.view): task for task in tasks}
    judged = [row for row in rows if row.good and not row.refused]
    silent = [row for row in judged if row.status(gate) == "measured" and row.worst > 1.0]
    order = [*sorted(silent, key=lambda row: -row.worst), *sorted(judged, key=lambda row: -row.worst)]
    for rank, row in enumerate(list(dict.fromkeys(row.photo for row in order))[:count], 1):
        found = next(each for each in judged if each.photo == row)
        name = f"{rank:02d}_{found.status(gate)}_{Path(row).stem}.jpg"
        picture(by_name[found.scene, found.view], gate).save(folder / name, quality=88)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photos", type=Path, help="folder of the photos; FOLDER by default")
    parser.add_argument("--rows", type=Path, help="file that keeps the rows; FOLDER/heldout.jsonl by default")
    parser.add_argument(
        "--gate", type=float, default=Settings().min_confidence, help="confidence below which one looks"
    )
    parser.add_argument("--worst", nargs=2, metavar=("N", "PICTURES"), help="write the N worst photos' pictures")
    parser.add_argument("--jobs", type=int, default=JOBS)
    parser.add_argument("--every", type=int, default=1, metavar="N", help="only every Nth scene")
    parser.add_argument(
        "--toes",
        nargs=2,
        type=float,
        default=(0.0, 1000.0),
        metavar=("LEAST", "MOST"),
        help="only feet whose longer toe truly is so long, mm",
    )
    options = parser.parse_args()
    tasks = tasks_of(options.folder, options.photos or options.folder, options.every, tuple(options.toes))
    if not tasks:
        parser.error(f"{options.folder} holds no scene")
    rows = rows_of(
        tasks, options.rows or options.folder / "heldout.jsonl", options.jobs, lambda text: print(text, flush=True)
    )
    print(report(rows, options.gate))
    if options.worst:
        write_worst(rows, tasks, int(options.worst[0]), Path(options.worst[1]), options.gate)


if __name__ == "__main__":
    main()
