from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

torch = pytest.importorskip("torch")

from clawvision.manifest import read_manifest  # noqa: E402
from clawvision.photo.exif import focal_px, read_exif  # noqa: E402
from clawvision.scenes import render as visible  # noqa: E402
from clawvision.scenes import write  # noqa: E402
from clawvision.scenes.pictures import Pictures, Wanted, draw_scene, render  # noqa: E402
from clawvision.scenes.references import sample_reference  # noqa: E402
from clawvision.scenes.truth import TrueSole  # noqa: E402
from tests.truth import TruePhoto, true_photos  # noqa: E402

NUMBER = 40
CHANCE = np.random.default_rng(1)
SIZE = (160, 120)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with one written scene."""
    path = tmp_path_factory.mktemp("scenes") / "set"
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(visible, "_SHADOW_SIZE", 160)
        arguments = ["--scenes", "1", "--first", str(NUMBER), "--seed", "5", "--finer", "1"]
        write.main([str(path), *arguments, "--width", str(SIZE[0]), "--height", str(SIZE[1])])
    return path


@pytest.fixture
def photos(folder: Path) -> tuple[TruePhoto, ...]:
    return true_photos(folder, folder)


def test_all_files_are_there(folder: Path) -> None:
    names = [f"{NUMBER}.json", "photos.csv"]
    names += [f"{NUMBER}_{view}{suffix}" for view in ("side", "sole") for suffix in (".jpg", "_mask.png")]
    assert sorted(file.name for file in folder.iterdir()) == sorted(names)
    for view in ("side", "sole"):
        for suffix in (".jpg", "_mask.png"):
            with Image.open(folder / f"{NUMBER}_{view}{suffix}") as picture:
                assert picture.size == SIZE


def test_the_manifest_is_one_that_the_program_reads(folder: Path, photos: tuple[TruePhoto, ...]) -> None:
    side, sole = read_manifest(folder / "photos.csv")
    assert (side.view, sole.view) == ("side", "sole")
    for row, photo, within in ((side, photos[0], 12.0), (sole, photos[1], 8.0)):
        true = photo.shown["offset_true_mm"]
        assert true is not None and row.offset_mm is not None
        assert 0.0 < abs(row.offset_mm - true) < within  # what a careful user states, not the truth itself
    assert side.claw in ("outer", "inner")
    assert sole.claw is None
    for row, photo in zip((side, sole), photos, strict=True):
        assert replace(photo.request(), path=row.path) == row
        assert row.path.exists()


def test_truth_tells_all_that_a_benchmark_asks_for(photos: tuple[TruePhoto, ...]) -> None:
    assert [photo.view for photo in photos] == ["side", "sole"]
    for photo in photos:
        for claw in ("outer", "inner"):
            measures = photo.measures(claw)
            assert measures
            assert np.isfinite(list(measures.values())).all()
        for claw in photo.claws:
            assert "T" in photo.landmarks_px(claw)
            if (photo.mask == photo.scene["mask_ids"][claw]).any():
                assert len(photo.outline(claw).outline_px) > 2
        assert (photo.tilt_deg is None) == (photo.shown["reference"] == "none")
        camera = photo.shown["camera"]
        assert [camera["cx"], camera["cy"]] == [79.5, 59.5]
        assert camera["fx"] == camera["fy"]
    side, sole = photos
    assert {"toe_length", "toe_angle", "heel_height", "toe_lift"} <= set(side.measures("outer"))
    assert {"sole_length", "sole_width", "axial_twist"} <= set(sole.measures("inner"))
    assert {"splay", "length_difference_percent"} <= set(sole.foot_measures)
    assert side.scene["side"]["outer"]["helical_twist_deg"] >= 0.0


def test_json_holds_no_nan(folder: Path) -> None:
    def refuse(name: str) -> float:
        raise AssertionError(f"{name} is no JSON")

    json.loads((folder / f"{NUMBER}.json").read_text(), parse_constant=refuse)


def test_masks_hold_the_claws_by_name(photos: tuple[TruePhoto, ...]) -> None:
    for photo in photos:
        assert set(np.unique(photo.mask)) <= set(photo.scene["mask_ids"].values())
        height, width = photo.mask.shape
        for claw in photo.claws:
            x, y = photo.landmarks_px(claw)["T"]
            if 3 < x < width - 4 and 3 < y < height - 4 and not photo.shown["bad"]:
                near = photo.mask[round(y) - 3 : round(y) + 4, round(x) - 3 : round(x) + 4]
                assert (near == photo.scene["mask_ids"][claw]).any()


def test_exif_gives_the_cameras_focal_length(folder: Path, photos: tuple[TruePhoto, ...]) -> None:
    for photo in photos:
        with Image.open(folder / photo.name) as picture:
            exif = read_exif(picture)
        assert exif.flags == ()
        assert exif.focal_35mm is not None
        assert focal_px(exif.focal_35mm, *SIZE) == pytest.approx(photo.shown["camera"]["fx"], rel=1e-4)


def test_reference_corners_lie_about_the_reference(photos: tuple[TruePhoto, ...]) -> None:
    found = 0
    for photo in photos:
        if photo.shown["reference_seen"] > 0.5:
            found += 1
            corners = np.array(photo.shown["reference_px"]["corners_3d"])
            rows, columns = np.nonzero(photo.mask == photo.scene["mask_ids"]["reference"])
            assert columns.min() >= corners[:, 0].min() - 1.5
            assert columns.max() <= corners[:, 0].max() + 1.5
            assert rows.min() >= corners[:, 1].min() - 1.5
            assert rows.max() <= corners[:, 1].max() + 1.5
    assert found


def rendered(*, bare: bool) -> Pictures:
    """Return one small side photo, with a reference in its stage or not."""
    reference = sample_reference(np.random.default_rng(2), "card")
    drawn = draw_scene((1, 2), "side", Wanted(plain=True, bare=float(bare)), reference)
    card = torch.from_numpy(reference.texture)[None].float() / 255.0
    return render([drawn], card, torch.device("cpu"), height=60, width=80)


def test_photos_without_a_scale_must_be_refused(photos: tuple[TruePhoto, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(visible, "_SHADOW_SIZE", 160)
    for photo in photos:
        if photo.shown["reference_seen"] > 0.7:
            assert photo.shown["must_refuse"] == (photo.shown["reference"] == "paper")
    pictures = rendered(bare=False)
    assert write.photo_truth(pictures, 0, "x", "paper", CHANCE)["must_refuse"]
    hidden = replace(pictures, labels=torch.zeros_like(pictures.labels))
    assert write.photo_truth(hidden, 0, "x", "card", CHANCE)["must_refuse"]
    assert write.photo_truth(hidden, 0, "x", "card", CHANCE)["reference_seen"] == 0.0
    assert write.photo_truth(rendered(bare=True), 0, "x", "card", CHANCE)["reference"] == "none"


def labels_with(claw: int, place: tuple[int, int], size: int = 20) -> np.ndarray:
    labels = np.zeros((120, 160), dtype=np.int64)
    x, y = place
    labels[y - size : y + size, x - size : x + size] = claw
    return labels


def marks_at(*places: tuple[float, float]) -> np.ndarray:
    marks = np.full((9, 2), np.nan)
    marks[: len(places)] = places
    return marks


def test_faults_name_what_makes_a_photo_unfit() -> None:
    good = marks_at((60, 40), (80, 60), (50, 45), (52, 60))
    labels = labels_with(1, (70, 60))
    assert write._faults("side", "none", labels, good) == []
    assert write._faults("side", "blur", labels, good) == ["blur"]
    assert write._faults("side", "none", labels, marks_at((60, 40), (80, 60), (2, 45), (52, 60))) == ["cut"]
    assert write._faults("side", "none", labels, marks_at((60, 40), (80, 60), (50, 45), (52, 118))) == ["cut"]
    assert write._faults("side", "none", labels_with(1, (40, 30)), good) == ["tip hidden"]
    assert write._faults("side", "none", labels_with(1, (80, 60), 3), good) == ["too small"]
    both = np.full((9, 2), np.nan)
    both[4:8] = [(50, 30), (90, 30), (50, 90), (90, 90)]
    assert write._faults("sole", "none", labels_with(1, (50, 40)), both) == ["tip hidden"]


def test_a_scene_that_cannot_be_measured_is_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def unmeasurable(claw: object, index: int, sole: TrueSole) -> None:
        return None

    monkeypatch.setattr(visible, "_SHADOW_SIZE", 160)
    monkeypatch.setattr(write, "_claw_truth", unmeasurable)
    write.write_scenes(tmp_path, 5, range(3, 4), held_out=True, device=torch.device("cpu"), size=(80, 60), finer=1)
    assert [file.name for file in tmp_path.iterdir()] == ["photos.csv"]


def test_a_photo_that_cannot_be_saved_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError("no space left")

    monkeypatch.setattr(visible, "_SHADOW_SIZE", 160)
    monkeypatch.setattr(write, "_save", full)
    with pytest.raises(OSError, match="no space"):
        write.write_scenes(tmp_path, 5, range(3, 4), held_out=False, device=torch.device("cpu"), size=(80, 60), finer=1)


SQUARE = np.array([[20.0, 20.0], [105.6, 20.0], [105.6, 73.98], [20.0, 73.98]])


def shown(hidden: tuple[int, int, int, int] | None = None) -> np.ndarray:
    """Return where a card at ``SQUARE`` shows; a box left, top, right, bottom hides some of it."""
    seen = np.zeros((100, 130), bool)
    seen[20:75, 20:106] = True
    if hidden is not None:
        seen[hidden[1] : hidden[3], hidden[0] : hidden[2]] = False
    return seen


@pytest.mark.parametrize(
    ("kind", "hidden", "width", "gives"),
    [
        ("id1", None, 85.6, True),
        ("id1", (20, 20, 30, 40), 85.6, True),  # a fingertip in a corner
        ("id1", (20, 20, 30, 60), 85.6, False),  # most of the left side
        ("card", (20, 20, 30, 60), 85.6, True),  # its markers tell
        ("ruler", None, 40.0, True),
        ("ruler", None, 60.0, False),  # 85.6 px for 60 mm: less than two a millimetre
        ("paper", None, 85.6, False),
    ],
)
def test_a_scale_can_be_had_from_what_shows(
    kind: str, hidden: tuple[int, int, int, int] | None, width: float, gives: bool
) -> None:
    card = np.array([[0.0, 0.0, 0.0], [width, 0.0, 0.0], [0.0, 54.0, 0.0]])
    truth = {"reference_seen": 0.8, "reference_px": {"corners_3d": SQUARE.tolist()}}
    assert write._gives_scale(kind, truth, shown(hidden), card) is gives


def test_a_sole_photos_toe_is_the_measures_own(photos: tuple[TruePhoto, ...]) -> None:
    """The place that the landmark has in the picture, by the camera of the truth, is where the outline ends."""
    sole = photos[1]
    for claw in ("outer", "inner"):
        region = np.argwhere(sole.mask == sole.scene["mask_ids"][claw])[:, ::-1]
        assert len(region) > 30
        toe, middle = sole.landmarks_px(claw)["T"], region.mean(axis=0)
        reach = np.hypot(*(region - middle).T)
        assert np.hypot(*(region - toe).T).min() < 3.0
        assert np.hypot(*(toe - middle)) > 0.7 * reach.max()  # at an end of the claw
