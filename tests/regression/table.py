"""The kept table: measures with their uncertainty, status, reasons, findings and urgency; and what drifts from it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import cv2

import clawvision
from clawvision.output.models import AssessmentRecord, FindingRecord, MeasureRecord, PhotoRecord, UrgencyRecord

FOLDER = Path(__file__).parent
TABLE = FOLDER / "kept.json"
FOLDERS = {"samples": FOLDER.parents[1] / "sample_images", "rendered": FOLDER / "photos"}

TOLERANCE: Mapping[str, float] = {"mm": 0.05, "deg": 0.05, "percent": 0.1, "mm2": 15.0}
"""How far value and uncertainty may lie from the kept ones where the table was kept with the same OpenCV on the same
kind of processor. Nothing at all differs then on the machine that kept it; this is room for another compiler's
rounding. It is less than a twenty-fifth of the least uncertainty of a length; 0.05 mm are 0.1 % of a claw's width and
15 mm² along a sole's rim."""
ELSEWHERE = (0.25, 0.5)
"""How far value and uncertainty may lie off elsewhere, as a share of the kept uncertainty. OpenCV rounds otherwise in
each line of releases and with each set of instructions: tried with OpenCV 4.13, values of this set moved by up to 0.19
of their uncertainty and uncertainties by 0.39, and without AVX2 by 0.10 and 0.11. Status, reasons, findings and urgency
stayed the same everywhere, and are always compared exactly."""

Table = dict[str, Any]
Drift = tuple[str, str, str]


def assessed(out: Path) -> Table:
    """Assess every photo of the set into folders below ``out``, and return what there is to keep of it."""
    made = {name: kept(clawvision.assess_folder(photos, out / name, jobs=2)) for name, photos in FOLDERS.items()}
    return {"made_with": made_with(), **made}


def made_with() -> dict[str, Any]:
    """Return what bears on rounding: OpenCV's line, and whether it uses AVX2. Wider instructions change nothing."""
    features = cv2.getCPUFeaturesLine().split()  # one that is not there has a question mark
    return {"opencv": ".".join(cv2.__version__.split(".")[:2]), "avx2": "*AVX2" in features or "AVX2" in features}


def kept(record: AssessmentRecord) -> Table:
    """Return what is kept of an assessment, as it comes back from JSON."""
    table = {
        "photos": {photo.photo: _photo(photo) for photo in record.photos},
        "feet": {
            f"{foot.animal} {foot.foot} {foot.stage}": {
                "findings": [_finding(each) for each in foot.findings],
                "urgency": _urgency(foot.urgency),
                "veterinarian": foot.trim.veterinarian,
            }
            for foot in record.feet
        },
        "animals": {
            animal.animal: {
                "pattern": animal.pattern,
                "findings": [_finding(each) for each in animal.findings],
                "urgency": _urgency(animal.urgency),
            }
            for animal in record.animals
        },
    }
    loaded: Table = json.loads(json.dumps(table))
    return loaded


def drifts(before: Table, after: Table) -> list[Drift]:
    """Return place, kept and new value of everything that is no longer as it was kept."""
    same = before["made_with"] == after["made_with"]
    return [found for name in FOLDERS for found in _drifts(before[name], after[name], name, same)]


def _drifts(before: Any, after: Any, where: str, same: bool) -> Iterator[Drift]:
    if isinstance(before, dict) and isinstance(after, dict):
        if "unit" in before and before.get("unit") == after.get("unit"):
            yield from _measure_drifts(before, after, where, same)
            return
        for key in dict.fromkeys((*before, *after)):
            if key not in after:
                yield f"{where} {key}", _shown(before[key]), "gone"
            elif key not in before:
                yield f"{where} {key}", "not there", _shown(after[key])
            else:
                yield from _drifts(before[key], after[key], f"{where} {key}", same)
    elif before != after:
        yield where, _shown(before), _shown(after)


def listed(found: list[Drift]) -> str:
    """Return what drifts as a table to print."""
    wide = max((len(place) for place, _, _ in found), default=0)
    return "\n".join(f"{place:<{wide}}  {old} → {new}" for place, old, new in found)


def dumps(table: Table) -> str:
    """Return the table as it is stored: a measure a line, so that a difference shows what changed."""
    return _lines(table, "") + "\n"


def _lines(value: Any, indent: str) -> str:
    if isinstance(value, dict) and value and "unit" not in value:
        deeper = indent + " "
        parts = [f"{deeper}{_shown(key)}: {_lines(part, deeper)}" for key, part in value.items()]
        return "{\n" + ",\n".join(parts) + f"\n{indent}}}"
    return _shown(value)


def _measure_drifts(before: Table, after: Table, where: str, same: bool) -> Iterator[Drift]:
    for part, share in zip(("value", "uncertainty"), ELSEWHERE, strict=True):
        old, new = before[part], after[part]
        if old is None or new is None:
            if old is not new:
                yield f"{where} {part}", _shown(old), _shown(new)
            continue
        limit = TOLERANCE[before["unit"]] + (0.0 if same else share * before["uncertainty"])
        if abs(new - old) > limit:
            yield f"{where} {part}", _shown(old), f"{_shown(new)} {before['unit']} ({new - old:+.3f})"
    if before["flags"] != after["flags"]:
        yield f"{where} flags", _shown(before["flags"]), _shown(after["flags"])


def _photo(photo: PhotoRecord) -> Table:
    return {
        "status": photo.status,
        "reasons": [reason.code for reason in photo.reasons],
        "view": photo.view,
        "reference": None if photo.scale is None else photo.scale.reference,
        "claws": {
            name: {"source": claw.source, **{key: _measure(each) for key, each in claw.measures.items()}}
            for name, claw in photo.claws.items()
        },
        "foot": {key: _measure(each) for key, each in photo.foot_measures.items()},
    }


def _measure(measure: MeasureRecord) -> Table:
    return {
        "value": None if measure.value is None else round(measure.value, 3),
        "uncertainty": None if measure.uncertainty is None else round(measure.uncertainty, 3),
        "unit": measure.unit,
        "flags": list(measure.flags),
    }


def _finding(finding: FindingRecord) -> str:
    return " ".join((finding.code, finding.claw or "foot", finding.strength))


def _urgency(urgency: UrgencyRecord) -> str:
    return f"{'at least ' if urgency.at_least else ''}{urgency.level}"


def _shown(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)
