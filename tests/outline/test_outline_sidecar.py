"""Sidecar files: what is taken, what is refused, and that nothing else than a refusal is ever raised."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.errors import PhotoRefused
from clawvision.outline.sidecar import LANDMARKS, MAX_BYTES, check_inside, parse_sidecar, read_sidecar

_ANGLES = 2 * np.pi * np.arange(40) / 40


def ring(x: float = 300.0, y: float = 200.0, a: float = 90.0, b: float = 40.0) -> list[list[float]]:
    """Return an ellipse as a list of points."""
    return [[float(x + a * np.cos(t)), float(y + b * np.sin(t))] for t in _ANGLES]


def parse(data: Any) -> Any:
    return parse_sidecar(json.dumps(data).encode(), "cow.outline.json")


def detail(content: bytes) -> str:
    with pytest.raises(PhotoRefused) as caught:
        parse_sidecar(content, "cow.outline.json")
    reason = caught.value.reason
    assert reason.code == "sidecar_invalid"
    assert reason.effect == "refused"
    assert "cow.outline.json" in reason.message
    return reason.message


def test_the_full_form() -> None:
    given_ = {
        "schema": "clawvision/outline/1",
        "view": "sole",
        "claws": {
            "outer": {"outline_px": ring(), "landmarks_px": {"T": [210, 200], "K": [360.5, 200]}},
            "inner": {"landmarks_px": {"T": [200, 320]}},
        },
        "drawn_by": "an unknown member is left alone",
    }
    sidecar = parse(given_)
    assert sidecar.view == "sole"
    assert set(sidecar.claws) == {"outer", "inner"}
    np.testing.assert_array_equal(sidecar.claws["outer"].outline_px, ring())
    assert not sidecar.claws["outer"].outline_px.flags.writeable
    assert sidecar.claws["outer"].landmarks_px == {"T": (210.0, 200.0), "K": (360.5, 200.0)}
    assert sidecar.claws["inner"].outline_px is None


def test_short_forms() -> None:
    top_level = parse({"left": {"outline": ring()}, "right": {"landmarks": {"K": [1, 2]}}})
    assert set(top_level.claws) == {"left", "right"}
    bare = parse({"outline_px": ring(), "landmarks_px": {"C": [300, 160]}})
    assert set(bare.claws) == {None}
    assert bare.view is None
    only_landmarks = parse({"landmarks": {"C": [300, 160], "T": [210, 200]}})
    assert only_landmarks.claws[None].outline_px is None


def test_a_repeated_first_point_is_dropped() -> None:
    points = ring()
    assert len(parse({"outline_px": [*points, points[0]]}).claws[None].outline_px) == len(points)


def test_a_speck_where_the_outline_touches_itself_is_mended() -> None:
    points = ring()
    # A loop of one pixel's size at one point.
    x, y = points[10]
    points[10:11] = [[x, y], [x + 1.0, y + 1.0], [x, y + 1.0], [x + 1.0, y - 0.2]]
    outline = parse({"outline_px": points}).claws[None].outline_px
    shoelace = 0.5 * abs(
        np.dot(outline[:, 0], np.roll(outline[:, 1], 1)) - np.dot(outline[:, 1], np.roll(outline[:, 0], 1))
    )
    assert shoelace == pytest.approx(np.pi * 90 * 40, rel=0.02)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "not JSON"),
        (b"{", "not JSON"),
        (b"\xff\xfe\x00", "not UTF-8"),
        (b"[1, 2]", "one JSON object"),
        (b"null", "one JSON object"),
        (b"{}", "no claw"),
        (b'{"claws": {}}', "no claw"),
        (b'{"claws": []}', "claws must be an object"),
        (b'{"claws": {"middle": {}}}', "'middle'"),
        (b'{"outer": 3}', "the outer claw must be an object"),
        (b'{"outer": {}}', "neither"),
        (b'{"schema": "other/1", "outer": {}}', "schema"),
        (b'{"view": "top", "outer": {}}', "view"),
        (b'{"view": {"a": 1}, "outer": {}}', "view"),
        (b'{"landmarks_px": {"X": [1, 2]}}', "'X'"),
        (b'{"landmarks_px": {"T": [1]}}', "two numbers"),
        (b'{"landmarks_px": {"T": [true, 2]}}', "two numbers"),
        (b'{"landmarks_px": {"T": [NaN, 2]}}', "NaN"),
        (b'{"landmarks_px": {"T": [1e999, 2]}}', "out of range"),
        (b'{"landmarks_px": {"T": [1' + b"0" * 400 + b", 2]}}", "out of range"),
        (b'{"landmarks_px": {"T": [1' + b"0" * 5000 + b", 2]}}", "too long"),
        (b'{"landmarks_px": [1, 2]}', "must be an object"),
        (b'{"outline_px": "M0 0"}', "list of points"),
        (b'{"outline_px": [[0,0],[9,0],[9,9]]}', "at least 8"),
        (b'{"outline_px": [], "landmarks_px": {"T": [1, 2]}}', "at least 8"),
        (b'{"outline_px": [[1,2]], "outline": [[1,2]]}', "both outline_px and outline"),
        (b'{"outer": {"landmarks": {"T": [1, 2]}}, "outline": []}', "outside of them"),
        (b'{"outer": {"landmarks": {"T": [1, 2]}}, "left": {"landmarks": {"T": [1, 2]}}}', "left or right"),
        (b'{"outer": {}, "outer": {}}', "twice"),
        (b'{"a":' + b"[" * 100_000, "nested too deeply"),
    ],
)
def test_what_is_wrong_is_said(content: bytes, says: str) -> None:
    assert says in detail(content)


def test_a_crossing_or_tiny_outline_is_refused() -> None:
    eight = [
        [float(x), float(y)] for x, y in ((0, 0), (50, 0), (100, 90), (150, 90), (150, 0), (100, 0), (50, 90), (0, 90))
    ]
    assert "crosses itself" in detail(json.dumps({"outline_px": eight}).encode())
    assert "too small" in detail(json.dumps({"outline_px": ring(a=5.0, b=4.0)}).encode())
    flat = [[float(i), 0.0] for i in range(20)]
    assert detail(json.dumps({"outline_px": flat}).encode())


def test_coordinates_of_absurd_fineness_are_refused_like_any_crossing() -> None:
    tiny = [[-1, 0], [0, 1], [3.9e-209, 1.3e-90], [-1, 1], [0, 0], [9.5e-208, 1], [-1, 1], [6.0e-37, 0]]
    assert detail(json.dumps({"outline_px": tiny}).encode())


def test_points_must_lie_in_the_picture_or_little_beyond_it() -> None:
    sidecar = parse({"outer": {"outline_px": ring(x=60.0)}})  # reaches to x = -30
    check_inside(sidecar, 800, 600)
    with pytest.raises(PhotoRefused, match="outside the picture of 300 × 200"):
        check_inside(sidecar, 300, 200)
    with pytest.raises(PhotoRefused, match="outside"):
        check_inside(parse({"landmarks_px": {"T": [900, 10]}}), 800, 600)
    given = parse({"outline_px": ring(), "points": [10, 10, 900, 10, 100]})
    check_inside(given, 1000, 600)
    with pytest.raises(PhotoRefused, match=r"the known distance has a point \(900, 10\) outside"):
        check_inside(given, 800, 600)


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(
                ["claws", "outer", "inner", "left", "outline_px", "landmarks_px", "view", "T", "C", "schema"]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(_JSON)
@settings(deadline=None, max_examples=200)
def test_any_json_is_parsed_or_refused(data: Any) -> None:
    try:
        sidecar = parse_sidecar(json.dumps(data).encode(), "x.outline.json")
    except PhotoRefused as refused:
        assert refused.reason.code == "sidecar_invalid"
    else:
        assert sidecar.claws
        assert all(set(claw.landmarks_px) <= set(LANDMARKS) for claw in sidecar.claws.values())


@given(st.binary(max_size=200))
@settings(deadline=None, max_examples=100)
def test_any_bytes_are_parsed_or_refused(content: bytes) -> None:
    with pytest.raises(PhotoRefused):
        parse_sidecar(content, "x.outline.json")


@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=8, max_size=14))
@settings(deadline=None, max_examples=100)
def test_an_outline_that_is_taken_is_a_simple_polygon(points: list[tuple[float, float]]) -> None:
    import shapely

    try:
        outline = parse_sidecar(json.dumps({"outline_px": points}).encode(), "x").claws[None].outline_px
    except PhotoRefused:
        return
    assert outline is not None
    polygon = shapely.Polygon(outline)
    assert polygon.is_valid
    assert polygon.area >= 200.0


def test_reading_beside_the_photo(tmp_path: Path) -> None:
    photo = tmp_path / "cow 7.jpg"
    assert read_sidecar(photo) is None
    (tmp_path / "cow 7.outline.json").write_text(json.dumps({"outline_px": ring()}), encoding="utf-8")
    found = read_sidecar(photo)
    assert found is not None and found.file == "cow 7.outline.json"
    # The name with the photo's suffix is the closer one. A byte order mark is no harm.
    (tmp_path / "cow 7.jpg.outline.json").write_text("\ufeff" + json.dumps({"inner": {"outline": ring()}}), "utf-8")
    found = read_sidecar(photo)
    assert found is not None and set(found.claws) == {"inner"}


def test_a_large_file_or_a_folder_is_refused(tmp_path: Path) -> None:
    photo = tmp_path / "cow.jpg"
    path = tmp_path / "cow.outline.json"
    with path.open("wb") as stream:
        stream.truncate(MAX_BYTES + 1)
    with pytest.raises(PhotoRefused, match="larger than 5 MB"):
        read_sidecar(photo)
    path.unlink()
    path.mkdir()
    with pytest.raises(PhotoRefused, match="not a file"):
        read_sidecar(photo)
