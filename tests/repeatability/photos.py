"""Repeated photos of an invented herd: assessments as ``clawvision assess`` leaves them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from clawvision.output.models import RunInfo
from clawvision.output.record import assessment_record, dumps, photo_record
from clawvision.types import Exif, Measure, PhotoRequest, PhotoResult, frozen_mapping
from tests.output import made

DAY = "2031-04-02"


def photo(
    animal: str,
    number: int,
    value: float,
    *,
    expanded: float = 2.0,
    measure: str = "toe_length",
    foot: Any = "LH",
    claw: Any = "outer",
    taken: str | None = DAY,
    stage: Any = "check",
    status: Any = "measured",
    camera: str | None = "Gantry 5",
    picture: str | None = None,
) -> PhotoResult:
    """The invented side photo of tests/output with one value; ``picture`` tells equal files from others."""
    name = f"{animal}_{claw}_{taken}_{number}.jpg"
    usual = made.side_result()
    shown = replace(usual.claws["outer"], name=claw, measures=frozen_mapping({measure: Measure(value, expanded, "mm")}))
    return replace(
        usual,
        request=PhotoRequest(Path(name), name, animal=animal, foot=foot, view="side", claw=claw, stage=stage),
        sha256=hashlib.sha256((picture or f"{name} {stage} {camera} {measure}").encode()).hexdigest(),
        exif=None if camera is None else Exif(make="Invented", model=camera),
        taken=taken,
        status=status,
        claws=frozen_mapping({claw: shown}),
        reasons=(),
    )


def herd(claws: int = 12, photos: int = 3, sd: float = 1.0, seed: int = 5, **more: Any) -> list[PhotoResult]:
    """Side photos of one claw each of so many animals: claws differ by 4 mm, photos of a claw by ``sd``."""
    generator = np.random.default_rng(seed)
    return [
        photo(f"Invented {claw}", number, length + sd * generator.normal(), **more)
        for claw, length in enumerate(generator.normal(88.0, 4.0, claws))
        for number in range(photos)
    ]


def record(photos: Sequence[PhotoResult]) -> Any:
    run = RunInfo(version="0", started="x", finished="y", command=(), parameters={})
    return assessment_record(run, [photo_record(each) for each in photos], [], [])


def write(folder: Path, photos: Sequence[PhotoResult]) -> Path:
    """An output folder of a run."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "assessment.json").write_bytes(dumps(record(photos)))
    return folder
