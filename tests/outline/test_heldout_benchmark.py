"""The held-out benchmark: what it counts, and that a row survives being kept."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

from clawvision.outline.learned.confidence import TRAITS
from tests.benchmarks.accuracy import Miss
from tests.benchmarks.heldout import both_views, report, rows_of, status_table, upper_bound
from tests.benchmarks.heldout_rows import Row, SeenClaw, from_json, made_by, tasks_of, to_json, visible_iou
from tests.truth import PHOTOS, TRUTH, true_photos


def miss(measure: str, error: float, unit: str = "mm", u: float = 2.0, claw: str = "outer") -> Miss:
    return Miss("1_sole.jpg", claw, measure, unit, error, u, 3.0, "measured")


def row(*misses: Miss, view: str = "sole", doubt: float = 0.0, **more: object) -> Row:
    claw = SeenClaw("outer", 0.96, {"T": 1.0}, dict.fromkeys(TRAITS, doubt))
    plain = Row(
        photo=f"1_{view}.jpg",
        scene=1,
        view=view,
        families=[],
        flaw=None,
        bad=False,
        must_refuse=False,
        reference="card",
        tilt_deg=4.0,
        offset_error_mm=1.0,
        refused=False,
        codes={},
        sole_odds=5.0 if view == "sole" else -5.0,
        claws=[claw],
        misses=list(misses),
    )
    return replace(plain, **more)  # type: ignore[arg-type]


def test_a_row_survives_being_kept() -> None:
    first = row(miss("sole_length", 1.5), codes={"blurred": "review"})
    assert from_json(to_json(first)) == first


def test_status_follows_from_reasons_confidence_and_gate() -> None:
    assert row().status(0.6) == "measured"
    assert row(codes={"foot_unknown": "note"}).status(0.6) == "measured"
    assert row(codes={"blurred": "review"}).status(0.6) == "review"
    assert row(doubt=1.0).status(0.6) == "review"
    assert row(doubt=1.0).status(0.0) == "measured"
    assert row(refused=True).status(0.0) == "refused"


def test_gross_errors_are_counted_photo_by_photo_and_the_corkscrew_apart() -> None:
    fine, off = row(miss("sole_length", 9.9), miss("splay", 7.9, "deg")), row(miss("sole_length", -10.1))
    assert not fine.gross and off.gross
    assert not row(miss("helical_twist", 30.0, "deg")).gross
    assert off.worst == pytest.approx(1.01)
    told = "\n".join(status_table([fine, off, row(miss("sole_length", 99.0), bad=True, flaw="dark")], 0.6))
    assert "silent gross errors, good photos" in told and "   1 of    2 = 50.00 %" in told
    assert "   2 of    3 = 66.67 %" in told
    assert "bad photos not caught: 1_sole.jpg (dark)" in told
    assert f"1_sole.jpg: confidence {off.confidence:.2f}" in told


def test_the_upper_bound_is_that_of_the_binomial_distribution() -> None:
    for count, of in ((0, 300), (3, 300), (17, 40)):
        bound = upper_bound(count, of)
        assert binom.cdf(count, of, bound) == pytest.approx(0.05, abs=1e-9)
    assert upper_bound(4, 4) == 1.0


def test_views_are_told_by_the_sign_of_the_odds() -> None:
    rows = [row(), row(view="side"), row(view="side", sole_odds=0.5), row(sole_odds=None)]
    assert "   2 of    4 =  50.0 %" in status_table(rows, 0.6)[0]


def test_the_twist_of_a_scene_is_joined_from_its_two_photos() -> None:
    sole = row(miss("helical_twist", 4.0, "deg", 6.0), miss("helical_twist", 9.0, "deg", 6.0, "inner"))
    side = row(miss("helical_twist", -2.0, "deg", 6.0), view="side")
    (both,) = both_views([sole, side])
    assert (both.claw, both.error) == ("outer", pytest.approx(1.0))
    assert both.uncertainty < 6.0
    assert not both_views([sole, replace(side, scene=2)])


def test_what_lies_behind_a_hand_counts_neither_way() -> None:
    photo = next(photo for photo in true_photos() if photo.name == "104_sole.jpg")
    name = photo.claws[0]
    true = np.asarray(photo.outline(name).outline_px)
    assert visible_iou(true, photo, name) > 0.97
    covered = photo.mask.copy()
    rows, _ = np.nonzero(photo.mask == photo.scene["mask_ids"][name])
    covered[: int(np.median(rows))][photo.mask[: int(np.median(rows))] == photo.scene["mask_ids"][name]] = photo.scene[
        "mask_ids"
    ]["occluder"]
    assert visible_iou(true, replace(photo, mask=covered), name) > 0.97
    assert visible_iou(true + 40.0, photo, name) < 0.9


def test_kept_rows_are_used_again_and_the_tables_are_made(tmp_path: Path) -> None:
    tasks = tasks_of(TRUTH, PHOTOS, every=7)
    assert [task.scene_file.stem for task in tasks] == ["100", "100", "107", "107"]
    kept, said = tmp_path / "rows.jsonl", []
    rows = rows_of(tasks[2:], kept, 1, said.append)  # without a reference: refused before anything is outlined
    assert [each.refused for each in rows] == [True, True] and said == ["running 2 of 2 photos"]
    again = rows_of(tasks[2:], kept, 1, lambda text: pytest.fail(text))
    assert again == rows
    assert "3 photos, gate 0.6" in report([*rows, row(miss("sole_length", 1.0))], 0.6)
    assert len(made_by()) == 16
