"""The review page's server: who is answered, what is asked, and that it measures as the program does."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from starlette.testclient import TestClient

from clawvision.outline.sidecar import read_sidecar
from clawvision.output.record import photo_record
from clawvision.pipeline import run_photo
from clawvision.review.app import MAX_BODY_BYTES, make_app
from clawvision.review.folder import review_photos, settings_again
from clawvision.review.workbench import Workbench
from tests.review.conftest import Made

TOKEN = "a-token-of-this-test"
HOST = "127.0.0.1:8000"


def _client(made: Made, *, enter: bool = True, host: str = HOST) -> TestClient:
    bench = Workbench(review_photos(made.record, made.photos), settings_again(made.record))
    client = TestClient(make_app(bench, TOKEN, frozenset({HOST})), base_url=f"http://{host}", follow_redirects=False)
    if enter:
        assert client.get(f"/?token={TOKEN}").status_code == 303
    return client


def _index(client: TestClient, name: str) -> int:
    return next(photo["index"] for photo in client.get("/api/photos").json()["photos"] if photo["name"] == name)


@pytest.fixture(scope="module")
def client(assessed: Made) -> TestClient:
    return _client(assessed)


def _drawing(made: Made, name: str, shift: float = 0.0) -> dict[str, object]:
    """Return what the program found as a drawing, a little aside."""
    record = next(photo for photo in made.record.photos if photo.photo == name)
    claws = {
        claw: {"outline_px": [[x + shift, y] for x, y in drawn.outline_px or ()]}
        for claw, drawn in record.claws.items()
    }
    return {"view": record.view, "claws": claws}


# --- who is answered


@pytest.mark.parametrize("path", ["/", "/page/main.js", "/api/photos", "/api/photos/0", "/api/photos/0/picture"])
def test_nothing_is_answered_without_the_token(assessed: Made, path: str) -> None:
    stranger = _client(assessed, enter=False)
    assert stranger.get(path).status_code == 403
    assert stranger.get(f"{path}?token=wrong").status_code == 403
    stranger.cookies.set("clawvision-review", TOKEN)
    assert stranger.get(path).status_code == 403


def test_the_address_gives_a_cookie_that_scripts_and_other_sites_do_not_get(assessed: Made) -> None:
    stranger = _client(assessed, enter=False)
    answer = stranger.get(f"/?token={TOKEN}")
    cookie = answer.headers["set-cookie"].casefold()
    assert answer.status_code == 303 and answer.headers["location"] == "/"
    assert "httponly" in cookie and "samesite=strict" in cookie
    assert stranger.get("/").status_code == 200


def test_the_token_opens_nothing_but_the_page(assessed: Made) -> None:
    assert _client(assessed, enter=False).get(f"/api/photos?token={TOKEN}").status_code == 403


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8000", "127.0.0.1:8001", "localhost.evil.example:8000"])
def test_another_host_name_is_not_answered(client: TestClient, host: str) -> None:
    assert client.get("/api/photos", headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    "headers", [{"origin": "http://evil.example"}, {"origin": "null"}, {"sec-fetch-site": "cross-site"}]
)
def test_another_sites_page_changes_nothing(fresh: Made, headers: dict[str, str]) -> None:
    client = _client(fresh)
    index = _index(client, "101_side.jpg")
    asked = {"drawing": _drawing(fresh, "101_side.jpg"), "by": "Ash"}
    assert client.post(f"/api/photos/{index}/save", json=asked, headers=headers).status_code == 403
    assert not list(fresh.photos.glob("*.outline.json"))


def test_every_answer_carries_the_headers_and_no_permission_for_others(client: TestClient) -> None:
    for path in ("/", "/page/main.js", "/api/photos", "/nothing"):
        answer = client.get(path, headers={"origin": f"http://{HOST}"})
        assert answer.headers["content-security-policy"].startswith("default-src 'self'")
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert not any(name.startswith("access-control") for name in answer.headers)


# --- what is asked


@pytest.mark.parametrize(
    "path",
    [
        "/page/../app.py",
        "/page/..%2Fapp.py",
        "/page/%2e%2e/app.py",
        "/page//etc/passwd",
        "/page/app.py",
        "/api/photos/../../etc/passwd",
        "/api/photos/101_side.jpg/picture",
        "/api/photos/-1/picture",
        "/api/photos/99/picture",
        "/api/photos/1e1/picture",
    ],
)
def test_files_are_not_reached_by_paths(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 404


def test_a_photo_that_leads_out_of_its_folder_is_not_shown(assessed: Made, tmp_path: Path) -> None:
    inner = tmp_path / "inner"
    inner.mkdir()
    shutil.copy(assessed.photos / "101_side.jpg", tmp_path)
    shutil.copy(assessed.photos / "101_sole.jpg", inner)
    (inner / "101_side.jpg").symlink_to(tmp_path / "101_side.jpg")
    assert [photo.record.photo for photo in review_photos(assessed.record, inner)] == ["101_sole.jpg"]


@pytest.mark.parametrize("what", ["measure", "segment", "snap", "save"])
@pytest.mark.parametrize(
    ("content", "kind", "status"),
    [
        (b"{", "application/json", 400),
        (b"[]", "application/json", 400),
        (b'{"horn": NaN}', "application/json", 400),
        (b"[" * 100_000, "application/json", 400),
        (b"{}", "text/plain", 415),
        (b" " * (MAX_BODY_BYTES + 1), "application/json", 413),
    ],
)
def test_what_is_no_request_is_refused(client: TestClient, what: str, content: bytes, kind: str, status: int) -> None:
    answer = client.post(f"/api/photos/0/{what}", content=content, headers={"content-type": kind})
    assert answer.status_code == status
    assert answer.json()["error"]


def test_a_stream_without_a_stated_length_is_limited_too(client: TestClient) -> None:
    def parts() -> object:
        for _ in range(MAX_BODY_BYTES // 100_000 + 2):
            yield b" " * 100_000

    headers = {"content-type": "application/json"}
    assert client.post("/api/photos/0/measure", content=parts(), headers=headers).status_code == 413  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("what", "asked"),
    [
        ("segment", {"horn": [[1, 2, 3]]}),
        ("segment", {"horn": "x"}),
        ("segment", {"horn": []}),
        ("segment", {"horn": [[-900, 5]]}),
        ("segment", {"horn": [[5, 5]] * 201}),
        ("segment", {"horn": [[True, 5]]}),
        ("snap", {"outline": [[0, 0]] * 3, "first": 0, "last": 1, "reach": 5}),
        ("snap", {"outline": [[0, 0]] * 9, "first": 0, "last": 99, "reach": 5}),
        ("snap", {"outline": [[0, 0]] * 9, "first": 0, "last": 2, "reach": -1}),
        ("save", {"drawing": "x"}),
    ],
)
def test_requests_of_the_wrong_form_are_refused(client: TestClient, what: str, asked: dict[str, object]) -> None:
    assert client.post(f"/api/photos/0/{what}", json=asked).status_code == 400


def test_a_drawing_that_crosses_itself_is_told_and_not_saved(fresh: Made) -> None:
    client = _client(fresh)
    index = _index(client, "101_side.jpg")
    bow = [[100, 100], [300, 300], [320, 300], [340, 300], [340, 100], [300, 100], [100, 300], [100, 200]]
    drawing = {"view": "side", "claws": {"outer": {"outline_px": bow}}}
    for what, asked in (("measure", drawing), ("save", {"drawing": drawing, "by": "Ash"})):
        answer = client.post(f"/api/photos/{index}/{what}", json=asked)
        assert answer.status_code == 422
        assert "crosses itself" in answer.json()["error"]
    assert not list(fresh.photos.glob("*.outline.json"))


# --- what it does


def test_photos_that_need_a_person_come_first(client: TestClient) -> None:
    photos = client.get("/api/photos").json()["photos"]
    assert photos[0]["name"] == "107_side.jpg"
    assert [photo["rank"] for photo in photos] == sorted(photo["rank"] for photo in photos)


def test_the_picture_is_the_upright_photo_without_exif(client: TestClient) -> None:
    data = client.get("/api/photos/0/picture").content
    assert data.startswith(b"\xff\xd8")
    assert b"Exif" not in data


@pytest.mark.parametrize("name", ["101_side.jpg", "101_sole.jpg"])
def test_measuring_a_drawing_equals_the_program_with_that_outline_file(fresh: Made, name: str) -> None:
    client = _client(fresh)
    drawing = _drawing(fresh, name, shift=3.0)
    # Asked twice: what is kept between the answers must not change them.
    first, second = (client.post(f"/api/photos/{_index(client, name)}/measure", json=drawing).json() for _ in range(2))
    assert first == second
    request = next(each.request for each in review_photos(fresh.record, fresh.photos) if each.request.name == name)
    (fresh.photos / f"{name}.outline.json").write_text(json.dumps(drawing))
    record = photo_record(run_photo(request, settings_again(fresh.record))[0]).model_dump(mode="json")
    assert first["status"] == record["status"]
    assert first["reasons"] == record["reasons"]
    assert first["claws"].keys() == record["claws"].keys()
    for claw, told in first["claws"].items():
        assert told["outline_px"] == record["claws"][claw]["outline_px"]
        for measure, value in told["measures"].items():
            assert value["value"] == record["claws"][claw]["measures"][measure]["value"]
            assert value["uncertainty"] == record["claws"][claw]["measures"][measure]["uncertainty"]


def test_two_points_of_known_distance_make_a_photo_without_a_card_measurable(fresh: Made) -> None:
    client = _client(fresh)
    index = _index(client, "107_side.jpg")
    outline = [[400 + 150 * np.cos(t), 400 + 90 * np.sin(t)] for t in np.linspace(0, 2 * np.pi, 40, endpoint=False)]
    drawing: dict[str, object] = {"view": "side", "claws": {"outer": {"outline_px": outline}}}
    without = client.post(f"/api/photos/{index}/measure", json=drawing).json()
    assert without["status"] == "refused" and without["scale"] is None
    told = client.post(f"/api/photos/{index}/measure", json={**drawing, "points": [300, 600, 500, 600, 80.0]}).json()
    assert told["scale"]["reference"] == "points"
    assert told["scale"]["mm_per_px"] == pytest.approx(0.4, rel=0.01)  # 80 mm on 200 px


def test_what_is_saved_counts_when_the_photo_is_measured_again(fresh: Made) -> None:
    client = _client(fresh)
    index = _index(client, "101_side.jpg")
    drawing = {**_drawing(fresh, "101_side.jpg", shift=2.0), "foot": "LH"}
    told = client.post(f"/api/photos/{index}/save", json={"drawing": drawing, "by": "Ash of Lanternfield\x00"})
    assert told.status_code == 200, told.text
    path = fresh.photos / told.json()["file"]
    sidecar = read_sidecar(fresh.photos / "101_side.jpg")
    assert sidecar is not None and path.exists()
    assert sidecar.by == "Ash of Lanternfield"
    assert sidecar.at is not None and sidecar.foot == "LH"
    given = client.get(f"/api/photos/{index}").json()["given"]
    assert given["by"] == "Ash of Lanternfield" and given["foot"] == "LH"
    drawn = np.array(drawing["claws"]["outer"]["outline_px"])  # type: ignore[index]
    drawn = drawn[(drawn != np.roll(drawn, 1, axis=0)).any(axis=1)]  # a point twice in a row is kept once
    assert given["claws"]["outer"]["outline_px"] == pytest.approx(drawn, abs=0.01)


def test_a_file_of_another_program_keeps_its_own_members(fresh: Made) -> None:
    path = fresh.photos / "101_side.outline.json"
    path.write_text(json.dumps({**_drawing(fresh, "101_side.jpg"), "brush": {"size": 4}, "by": "Oak"}))
    client = _client(fresh)
    asked = {"drawing": _drawing(fresh, "101_side.jpg", shift=1.0), "by": "Ash"}
    assert client.post(f"/api/photos/{_index(client, '101_side.jpg')}/save", json=asked).status_code == 200
    kept = json.loads(path.read_text())
    assert kept["brush"] == {"size": 4} and kept["by"] == "Ash"
    assert [each.name for each in fresh.photos.glob("*.outline.json")] == [path.name]


def test_a_folder_that_cannot_be_written_to_is_told(fresh: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    client = _client(fresh)
    refuse: Callable[..., bool] = lambda path, mode: False  # noqa: E731
    monkeypatch.setattr("clawvision.review.drawing.os.access", refuse)
    asked = {"drawing": _drawing(fresh, "101_side.jpg"), "by": "Ash"}
    answer = client.post(f"/api/photos/{_index(client, '101_side.jpg')}/save", json=asked)
    assert answer.status_code == 409
    assert "read-only" in answer.json()["error"]
    assert str(fresh.photos) not in answer.json()["error"]
