"""What findings are made with: calibrations, profiles, rules."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from tests.fuzz import mutate
from tests.fuzz.reader import ROOT, Reader, write


def _calibration(data: bytes, place: Path) -> None:
    from clawvision.scale.calibration import load_calibrations, match_calibration
    from clawvision.types import Exif

    write(place, "lens.json", data)
    (lens,) = load_calibrations([place])
    assert "/" not in lens.file_name
    assert lens.remarks
    exif = Exif(make=lens.make, model=lens.model, focal_mm=lens.focal_mm, focal_35mm=lens.focal_35mm)
    if match_calibration([lens], exif, 1600, 1200) is not None:
        for orientation in range(1, 9):
            lens.camera(1600, 1200, orientation)


def _calibration_seeds() -> Sequence[bytes]:
    lens = {
        "schema": "clawvision/lens/1",
        "make": "Anymaker",
        "model": "One",
        "focal_mm": 4.25,
        "focal_35mm": 26.0,
        "width": 4000,
        "height": 3000,
        "fx": 3000.0,
        "fy": 3001.5,
        "cx": 1999.5,
        "cy": 1499.5,
        "distortion": [0.01, -0.02, 0.0001, 0.0, 0.0],
        "rms_px": 0.4,
        "u_focal_rel": 0.003,
        "reach": 0.9,
        "photos": [{"photo": "a.jpg", "corners": 40, "rms_px": 0.4, "tilt_deg": 22.0}],
        "dropped": [{"photo": "b.jpg", "reason": "no corners"}],
        "date": "2030-05-31",
        "target": "charuco",
        "square_mm": 35.0,
    }
    return (json.dumps(lens).encode(),)


@cache
def profiles() -> Any:
    from clawvision.findings.profiles import load_profiles

    return load_profiles()


@cache
def _feet() -> Any:
    from tests.findings import photos

    return [*photos.whole("LH", toes=(105.0, 80.0)), *photos.whole("RH", locomotion=3), *photos.whole("LF")]


def _profile(data: bytes, place: Path) -> None:
    from clawvision.findings import assess_feet, load_rules
    from clawvision.findings.profiles import read_profile

    made = read_profile("herd.toml", data, profiles())
    feet = [replace(each, request=replace(each.request, profile=made.name)) for each in _feet()[:3]]
    assess_feet(feet, {**profiles(), made.name: made}, load_rules())


def _profile_seeds() -> Sequence[bytes]:
    folder = ROOT / "clawvision" / "findings" / "profiles"
    return [path.read_bytes() for path in sorted(folder.glob("*.toml"))]


def _rules(data: bytes, place: Path) -> None:
    from clawvision.findings import assess_feet, load_rules

    book = load_rules(write(place, "rules.toml", data))
    assess_feet(_feet(), profiles(), book)


def _rules_seeds() -> Sequence[bytes]:
    text = (ROOT / "clawvision" / "findings" / "rules.toml").read_text("utf-8")
    rows = ["[[rule]]" + part.split("\n[")[0] for part in text.split("[[rule]]")[1:]]
    own = [row.replace('id = "', 'id = "own-', 1) for row in rows]
    return [("\n".join(part)).encode() for part in (rows[:2], rows[5:7], own[:1], own[3:5], own[8:9], own[12:13])] + [
        b'off = ["x"]\n' + own[2].encode()
    ]


READERS: dict[str, Reader] = {
    "calibration": Reader(_calibration, _calibration_seeds, mutate.json_text),
    "profile": Reader(_profile, _profile_seeds, mutate.toml),
    "rules": Reader(_rules, _rules_seeds, mutate.toml),
}
