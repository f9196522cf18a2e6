"""What the review page sends."""

from __future__ import annotations

import asyncio
import hashlib
import json
import random
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

from clawvision.types import Settings
from tests.fuzz import mutate
from tests.fuzz.reader import Reader
from tests.hostile import raw


@cache
def _app(place: Path) -> Any:
    from clawvision.output.models import AssessmentRecord
    from clawvision.pipeline import _Known, _result
    from clawvision.review.app import make_app
    from clawvision.review.folder import review_photos
    from clawvision.review.workbench import Workbench
    from tests.history import made

    (place / "a.jpg").write_bytes(raw.saved(raw.scene(), "JPEG"))
    sha256 = hashlib.sha256((place / "a.jpg").read_bytes()).hexdigest()
    photo = made.refused("a.jpg", sha256).model_copy(update={"width": raw.SIZE[0], "height": raw.SIZE[1]})
    record = made.assessment([photo], judged=False)
    assert isinstance(record, AssessmentRecord)

    class Bench(Workbench):
        """Reads and checks as the real one; only the measuring, which takes a second, is left out."""

        def measure(self, index: int, sidecar: Any) -> Any:
            from clawvision.outline.sidecar import check_inside

            photo, _ = self.photo(index)
            if sidecar is not None:
                check_inside(sidecar, photo.width, photo.height)
            return _result(_Known(self.photos[index].request, photo))

    bench = Bench(review_photos(record, place), Settings())
    return make_app(bench, "token", frozenset({"here:1"}))


def _review(data: bytes, place: Path) -> None:
    """Send the input to the page's server: a word for what is asked, then the body."""
    app = _app(place)
    head, _, body = data.partition(b"\n")
    action = {b"g": "segment", b"n": "snap", b"s": "save"}.get(head[:1], "measure")
    answers: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: dict[str, Any]) -> None:
        answers.append(message)

    scope = {
        **{"type": "http", "method": "POST", "path": f"/api/photos/0/{action}", "query_string": b"", "root_path": ""},
        **{"http_version": "1.1", "scheme": "http", "server": ("here", 1), "client": ("x", 1), "asgi": {}},
        "headers": [
            (b"host", b"here:1"),
            (b"content-type", b"application/json"),
            (b"cookie", app.cookie.encode() + b"=token"),
        ],
    }
    _loop().run_until_complete(app(scope, receive, send))
    status = next(each["status"] for each in answers if each["type"] == "http.response.start")
    assert status < 500, f"status {status}"
    json.loads(b"".join(each.get("body", b"") for each in answers))
    names = {path.name for path in place.iterdir()}
    assert names <= {"a.jpg", "a.jpg.outline.json"}, f"files in the photos' folder: {names}"


@cache
def _loop() -> asyncio.AbstractEventLoop:
    return asyncio.new_event_loop()


def _review_seeds() -> Sequence[bytes]:
    ring = [[60, 60], [110, 52], [160, 60], [170, 110], [150, 150], [110, 160], [70, 150], [55, 105], [54, 90]]
    drawing = {"view": "side", "claws": {"outer": {"outline_px": ring, "landmarks_px": {"T": [150, 150]}}}}
    bodies: tuple[tuple[bytes, Any], ...] = (
        (b"m", drawing),
        (b"s", {"drawing": drawing, "by": "Ann"}),
        (b"m", {"outer": {"landmarks_px": {"T": [1, 2]}}, "points": [1, 2, 30, 40, 10], "foot": "LF"}),
        (b"s", {"drawing": {"left": {"outline_px": ring}, "leg_axis_px": [[1, 2], [100, 2]]}, "by": "<b>"}),
        (b"n", {"outline": ring, "first": 1, "last": 4, "reach": 8}),
        (b"g", {"horn": [[100, 100]], "other": [[10, 10]], "outline": ring, "neighbours": [ring[:4]], "anew": True}),
        (b"g", {"horn": [[100, 100]], "other": [], "outline": None}),
    )
    return [head + b"\n" + json.dumps(body).encode() for head, body in bodies]


def _review_change(data: bytes, chance: random.Random) -> bytes:
    head, _, body = data.partition(b"\n")
    return head + b"\n" + mutate.json_text(body, chance)


READERS: dict[str, Reader] = {
    "review": Reader(_review, _review_seeds, _review_change),
}
