"""From photos to figures: assess, store, rates of growth, a plot of them, and the mean shape of claws with its spread.

    python docs/examples/from_photos_to_figures.py figures/ --photos sample_images

The sample photos show each foot once, so that they tell a shape and no rate. For rates the script makes a small herd
over 14 months: INVENTED, drawn from a seed, with names that say so, and written as assessments through the record's own
models, as if photos of it had been assessed. With photos of your own over months, give --no-herd.

Needs: pip install 'clawvision[history,plots]'. docs/research.md tells what each step does.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from clawvision import assess_folder
from clawvision.errors import UsageError
from clawvision.findings import assess_feet, load_profiles
from clawvision.findings.quantities import DAYS_PER_MONTH
from clawvision.growth import ClawKey
from clawvision.history.due import read_herd
from clawvision.history.growth import HerdHistory, foot_growth
from clawvision.history.pictures import foot_picture
from clawvision.history.store import add, open_store
from clawvision.output.models import AskedRecord, AssessmentRecord, ClawRecord, MeasureRecord, PhotoRecord, RunInfo
from clawvision.output.record import assessment_record, dumps, photo_facts
from clawvision.output.table import text_cell
from clawvision.shape import (
    ClawShape,
    Components,
    align,
    components,
    components_picture,
    semilandmarks,
    standard_frame,
)

SEED = 5
START = date(2031, 1, 7)
VISITS = (0, 70, 140, 210, 280, 350, 420)
TRIMS = (150, 300)
U_MM = 3.0
"""Expanded uncertainty (k = 2) of an invented toe length."""
FEET = ("LH", "RH")
CLAWS = ("outer", "inner")
FAST: ClawKey = ("Invented 1", "LH", "outer")
"""Grows 3 mm a month faster than the others."""
FEWEST_SHAPES = 3


@dataclass(frozen=True, slots=True)
class Figures:
    """What came of it: the files, the rates, the components of shape, and claws that gave no shape, with the reason."""

    files: tuple[Path, ...]
    herd: HerdHistory
    shapes: Components | None
    left_out: tuple[str, ...]


def main(words: Sequence[str] | None = None) -> int:
    """Make the figures, and say what they are."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path, help="folder for the figures")
    parser.add_argument("--photos", type=Path, help="folder with photos and photos.csv")
    parser.add_argument("--no-herd", action="store_true", help="leave out the invented herd")
    asked = parser.parse_args(words)
    if asked.no_herd and asked.photos is None:
        parser.error("with --no-herd there must be --photos")
    # Real photos and an invented herd never share a store or a figure.
    assessments = {}
    if asked.photos is not None:
        assessments["photos"] = assess_folder(asked.photos, asked.out / "photos" / "assessment")
    if not asked.no_herd:
        assessments["invented"] = invented_herd()[0]
        (asked.out / "invented").mkdir(parents=True, exist_ok=True)
        (asked.out / "invented" / "assessment.json").write_bytes(dumps(assessments["invented"]))
    for name, assessment in assessments.items():
        made = figures(assessment, asked.out / name)
        for file in made.files:
            print(file)
        for why in made.left_out:
            print(f"{name}, left out: {why}", file=sys.stderr)
    return 0


def figures(assessment: AssessmentRecord, out: Path) -> Figures:
    """Store an assessment, and write rates, a growth figure and a shape figure."""
    # 1. Keep it. Adding the same photos again changes nothing; those of other days join them.
    with open_store(str(out / "history.sqlite"), "create") as store:
        add(store, assessment)
        # 2. How fast every claw grows longer, by itself and with the herd.
        herd = read_herd(store, load_profiles())
    files = [out / "rates.csv"]
    write_rates(herd, files[0])
    # 3. The foot whose claw grows fastest by its own photos: its lengths over time.
    left_out: list[str] = []
    ranked = [claw for claw in herd.claws if claw.own_rank is not None]
    if not ranked:
        left_out.append("growth: no claw has photos of two days without a trim between them")
    else:
        animal, foot, _ = min(ranked, key=lambda claw: claw.own_rank or 0).key
        picture = foot_picture(foot_growth(herd, animal, foot)[0])
        for suffix, data in (("svg", picture.svg), ("png", picture.png)):
            files.append(out / f"growth.{suffix}")
            files[-1].write_bytes(data)
    # 4. The mean outline of side views in mm, and how outlines differ: mean ± 2 SD along each component.
    shapes, why = side_shapes(assessment)
    left_out += why
    found = None
    if len(shapes) < FEWEST_SHAPES:
        left_out.append(f"shapes: {len(shapes)} outlines are too few")
    else:
        found = components(align([semilandmarks(standard_frame(shape)) for shape in shapes], "form")).value
    if found is not None:
        files.append(out / "shapes.svg")
        files[-1].write_bytes(components_picture(found, 2))
    return Figures(tuple(files), herd, found, tuple(left_out))


def write_rates(herd: HerdHistory, file: Path) -> None:
    """Write one row a claw: rates in mm a month with standard uncertainty and interval of 95 %."""
    with file.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(("animal", "foot", "claw", "photos", "own_rate", "own_u", "rate", "low", "high", "own_rank"))
        for readings, claw in zip(herd.readings, herd.claws, strict=True):
            own = claw.own.estimate
            of_own = ("", "") if own is None else (f"{own.value:.3f}", f"{own.u:.3f}")
            rate = claw.estimate
            told = ("", "", "") if rate is None else tuple(f"{each:.3f}" for each in (rate.value, rate.low, rate.high))
            photos = len(readings.series.readings)
            animal, foot, name = claw.key
            writer.writerow((text_cell(animal), foot, name, photos, *of_own, *told, claw.own_rank or ""))


def side_shapes(assessment: AssessmentRecord) -> tuple[list[ClawShape], list[str]]:
    """Return the outlines in mm of measured side views, one a claw (the first), and why others were left out."""
    shapes: dict[ClawKey, ClawShape] = {}
    left_out = []
    for photo in assessment.photos:
        if photo.view != "side" or photo.foot is None:
            continue
        for name, claw in photo.claws.items():
            key = (photo.animal, photo.foot, name)
            if photo.status != "measured" or claw.outline_mm is None:
                left_out.append(f"{photo.photo}: {photo.status}")
            elif key not in shapes:
                marks = {mark: np.array(place) for mark, place in claw.landmarks_mm.items() if mark in "CTBH"}
                outline = np.array(claw.outline_mm)
                try:
                    shape = ClawShape(outline, "side", name, photo.foot, marks, photo.animal)
                    standard_frame(shape)
                except UsageError as error:
                    left_out.append(f"{photo.photo}: {error}")
                else:
                    shapes[key] = shape
    return list(shapes.values()), left_out


def invented_herd(cows: int = 6, seed: int = SEED) -> tuple[AssessmentRecord, dict[ClawKey, float]]:
    """Return an INVENTED herd over time as an assessment, and the rates in mm a month that it was made with."""
    random = np.random.default_rng(seed)
    photos: list[PhotoRecord] = []
    rates: dict[ClawKey, float] = {}
    for cow in range(1, cows + 1):
        of_cow = random.normal(4.5, 0.6)
        for foot in FEET:
            for claw in CLAWS:
                key: ClawKey = (f"Invented {cow}", foot, claw)
                rates[key] = of_cow + random.normal(0.0, 0.5) + (3.0 if key == FAST else 0.0)
                photos += _grown(key, rates[key], random)
    facts = [photo_facts(photo) for photo in photos]
    feet, animals = assess_feet(facts, load_profiles())
    stamp = f"{START.isoformat()}T12:00:00+00:00"
    run = RunInfo(version="invented", started=stamp, finished=stamp, command=("invented",), parameters={"seed": seed})
    return assessment_record(run, photos, feet, animals), rates


def _grown(key: ClawKey, rate: float, random: np.random.Generator) -> Iterator[PhotoRecord]:
    """Give a claw's photos: it grows in a straight line, and each trim takes it back."""
    angle, heel = random.normal(50.0, 2.0), random.normal(38.0, 2.0)
    length, today, trimmed = random.normal(82.0, 2.0), 0, None
    for day in sorted({*VISITS, *TRIMS}):
        length += rate * (day - today) / DAYS_PER_MONTH
        today = day
        if day in TRIMS:
            length, trimmed = random.normal(82.0, 2.0), START + timedelta(days=day)
        else:
            seen = length + random.normal(0.0, U_MM / 2)
            yield _photo(key, START + timedelta(days=day), trimmed, seen, _side_outline(length, angle, heel))


def _side_outline(length: float, angle_deg: float, heel: float) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Return an invented claw from the side, mm, x right, y down: straight but for the bulb."""
    angle = np.radians(angle_deg)
    at = {
        "T": np.array([95.0, 0.0]),
        "C": np.array([95.0 - length * np.cos(angle), -length * np.sin(angle)]),
        "B": np.array([-3.0, -heel]),
        "H": np.array([4.0, 0.0]),
    }
    bulb = np.array([[-8.0, -0.75 * heel], [-8.0, -0.4 * heel], [-3.0, -0.12 * heel]])
    corners = np.vstack((at["T"], at["C"], at["B"], bulb, at["H"]))
    share = np.linspace(0.0, 1.0, 12, endpoint=False)[:, None]
    edges = [one + share * (two - one) for one, two in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    return np.vstack(edges), at


def _photo(
    key: ClawKey, day: date, trimmed: date | None, length: float, outline: tuple[np.ndarray, dict[str, np.ndarray]]
) -> PhotoRecord:
    animal, foot, claw = key
    name = f"invented/{day}_{animal.replace(' ', '-')}_{foot}_{claw}.jpg"
    points, marks = outline
    record = ClawRecord(
        outline_px=None,
        landmarks_px={},
        confidence=1.0,
        source="sidecar",
        measures={"toe_length": MeasureRecord(value=round(length, 3), uncertainty=U_MM, unit="mm")},
        outline_mm=tuple((x, y) for x, y in points.round(3).tolist()),
        landmarks_mm={mark: tuple(place.round(3).tolist()) for mark, place in marks.items()},
    )
    return PhotoRecord(
        photo=name,
        sha256=hashlib.sha256(name.encode()).hexdigest(),
        width=None,
        height=None,
        animal=animal,
        foot=foot,
        view="side",
        view_inferred=False,
        claw=claw,
        stage="check",
        taken=f"{day}T08:00:00",
        status="measured",
        reasons=(),
        scale=None,
        claws={claw: record},
        foot_measures={},
        foot_guides_px={},
        exif=None,
        asked=AskedRecord(foot=foot, view="side", claw=claw, trimmed=trimmed),
    )


if __name__ == "__main__":
    sys.exit(main())
