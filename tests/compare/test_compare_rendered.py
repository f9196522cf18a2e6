"""A rendered foot before and after a trim, through the whole program: what came off is what was taken off."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

pytest.importorskip("torch")

from clawvision.cli import main
from clawvision.compare.models import ComparisonRecord
from clawvision.compare.overlay import lay_over
from clawvision.compare.register import Seen, register_side
from tests.compare import rendered

_MEASURES = ("toe_length", "toe_angle", "heel_height", "sole_length", "sole_width", "sole_area")


def true_horn(truth: dict, claw: str) -> float:
    """Return the area between the two true profiles, laid over one another by their true C and B, mm²."""
    two = []
    for stage in ("before", "after"):
        side = truth[stage]["side"][claw]
        marks = {name: np.array(place) * (1.0, -1.0) for name, place in side["landmarks_mm"].items()}
        two.append(Seen(np.array(side["outline_mm"]) * (1.0, -1.0), marks, {"C": 0.01, "B": 0.01}, 0.5))
    return lay_over(*two, register_side(*two), "side").net_mm2


def test_what_came_off_is_found_within_its_uncertainty(tmp_path: Path) -> None:
    photos = tmp_path / "photos"
    truth = json.loads(json.dumps(rendered.write(photos, 7, claws=("outer",))))
    runner = CliRunner()
    assessed = runner.invoke(main, ["assess", str(photos), "--out", str(tmp_path / "out"), "-q", "-j", "1"])
    assert assessed.exit_code in (0, 3), assessed.output
    result = runner.invoke(
        main, ["compare", str(tmp_path / "out"), "--to", str(tmp_path / "to"), "--photos", str(photos)]
    )
    assert result.exit_code in (0, 3), result.output
    (foot,) = ComparisonRecord.model_validate_json((tmp_path / "to/compare.json").read_bytes()).feet
    told = []
    for pair in foot.pairs:
        if pair.claw is None:
            continue
        assert pair.fit is not None and pair.fit.overlaid
        true = {stage: truth[stage][pair.view][pair.claw]["measures"] for stage in ("before", "after")}
        for each in pair.changes:
            if each.measure in _MEASURES:
                off = true["after"][each.measure] - true["before"][each.measure]
                told.append((each.measure, pair.claw, each.change.value, off, each.change.uncertainty))
        if pair.view == "side" and pair.horn is not None:
            off = true_horn(truth, pair.claw)
            told.append(("horn", pair.claw, pair.horn.net.value, off, pair.horn.net.uncertainty))
    assert len(told) == 3 + 1 + 2 * 3
    # One in twenty may lie outside; one scene of ten values has none, or the claim would not hold here.
    assert [row for row in told if abs(row[2] - row[3]) > row[4]] == []
    length = next(row for row in told if row[0] == "toe_length")
    assert length[2] < -length[4]  # and it is told as a change
