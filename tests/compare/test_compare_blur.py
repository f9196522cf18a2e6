"""Photos shown beside a drawing are blurred where their assessment was asked to be."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from clawvision.cli import main
from tests.compare.synthetic import cut, side_photo, side_shape, write


def _detail(folder: Path, name: str) -> float:
    """Return the detail of the column of photos, root mean square of what a pixel differs from its neighbours."""
    (path,) = (folder / name).glob("*.png")
    with Image.open(path) as picture:
        column = np.asarray(picture.convert("L"), dtype=np.float32)[:, 1140:1590]
    return float(np.sqrt(np.mean((column - cv2.blur(column, (9, 9))) ** 2)))


def test_the_comparison_follows_the_assessment(tmp_path: Path) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    results = []
    for each in (side_photo("b.jpg", "before", side_shape()), side_photo("a.jpg", "after", cut(side_shape(), 90.0))):
        noise = np.random.default_rng(len(results)).integers(0, 256, (1200, 1600, 3), np.uint8)
        Image.fromarray(noise).save(photos / each.request.name, "JPEG", quality=90)
        digest = hashlib.sha256((photos / each.request.name).read_bytes()).hexdigest()
        results.append(replace(each, sha256=digest))
    out = write(tmp_path / "out", results)
    record = json.loads((out / "assessment.json").read_bytes())
    for blur in (False, True):
        record["run"]["parameters"]["blur_background"] = blur
        (out / "assessment.json").write_text(json.dumps(record), encoding="utf-8")
        words = ["compare", str(out), "--to", str(tmp_path / f"to-{blur}"), "--photos", str(photos)]
        assert CliRunner().invoke(main, words).exit_code == 0
    sharp, blurred = (_detail(tmp_path, f"to-{blur}") for blur in (False, True))
    assert sharp > 20.0
    # The claws themselves and the letters stay.
    assert blurred == pytest.approx(0.75 * sharp, rel=0.25)
