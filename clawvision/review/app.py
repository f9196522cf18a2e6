"""The server of the review page. It answers one person on this machine, and nobody else.

A request is answered only with the token in its cookie, which the address told at the start sets, and only under the
server's own host name: a page of another site can neither read an answer nor cause one, even where it has a name of
its own point to this machine. Photos are asked for by number, never by a path. Nothing is fetched from elsewhere.
"""

from __future__ import annotations

import hmac
import json
from collections.abc import Awaitable, Callable, Mapping
from functools import partial
from importlib.resources import files
from typing import Any

import numpy as np
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from clawvision.errors import ClawvisionError, PhotoRefused
from clawvision.outline.learned.crop import Pyramid
from clawvision.output.paths import without_paths
from clawvision.output.record import photo_record
from clawvision.output.wording import CAUTION, LANDMARK_WORDS, MEASURE_WORDS, STATUS_WORDS, clean
from clawvision.review import drawing
from clawvision.review.edges import snapped
from clawvision.review.folder import ReviewPhoto
from clawvision.review.segment import MAX_SEEDS, Seeds, segment
from clawvision.review.workbench import Workbench, pixels_of
from clawvision.types import FloatArray, PhotoResult

MAX_BODY_BYTES = 5_000_000
COOKIE = "clawvision-review"
_MAX_OUTLINE = 20_000
_PAGES = {
    "index.html": "text/html; charset=utf-8",
    "style.css": "text/css; charset=utf-8",
    "icon.svg": "image/svg+xml",
    **{
        f"{name}.js": "text/javascript; charset=utf-8"
        for name in ("main", "server", "state", "geometry", "stage", "panel")
    },
}
_HEADERS = {
    "Content-Security-Policy": "default-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class _Bad(Exception):
    """A request that cannot be answered: the status, and what to tell."""

    def __init__(self, status: int, message: str) -> None:
        super().__init__(message)
        self.status = status
        self.message = message


def make_app(bench: Workbench, token: str, hosts: frozenset[str]) -> Guard:
    """Return the application.

    Parameters
    ----------
    bench
        The photos under review.
    token
        What the address must carry once, and the cookie from then on.
    hosts
        The values of ``Host`` that are answered, with port.
    """
    routes = [
        Route("/", _index),
        Route("/page/{name}", _page),
        Route("/api/photos", partial(_photos, bench)),
        Route("/api/photos/{index:int}", partial(_photo, bench)),
        Route("/api/photos/{index:int}/picture", partial(_picture, bench)),
        Route("/api/photos/{index:int}/measure", partial(_measure, bench), methods=["POST"]),
        Route("/api/photos/{index:int}/segment", partial(_segment, bench), methods=["POST"]),
        Route("/api/photos/{index:int}/snap", partial(_snap, bench), methods=["POST"]),
        Route("/api/photos/{index:int}/save", partial(_save, bench), methods=["POST"]),
    ]
    app = Starlette(
        routes=routes,
        exception_handlers={_Bad: _told_bad, PhotoRefused: _told_refused, ClawvisionError: _told_error},
    )
    return Guard(app, token, hosts)


Scope = Mapping[str, Any]
Receive = Callable[[], Awaitable[Any]]
Send = Callable[[Any], Awaitable[None]]


class Guard:
    """Lets through only requests that carry the token, come under a known host name, and are not another site's."""

    def __init__(self, app: Any, token: str, hosts: frozenset[str]) -> None:
        self._app = app
        self._token = token
        self._hosts = hosts
        # Cookies know no ports: the name keeps two servers on one machine apart.
        self.cookie = f"{COOKIE}-{token[:6].encode().hex()}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        request = Request(dict(scope))
        answer = self._refusal(request) or self._entry(request)
        if answer is not None:
            answer.headers.update(_HEADERS)
            await answer(dict(scope), receive, send)
            return

        async def send_with_headers(message: Any) -> None:
            if message["type"] == "http.response.start":
                present = {name.lower() for name, _ in message["headers"]}
                message["headers"] = [
                    *message["headers"],
                    *(
                        (name.lower().encode(), value.encode())
                        for name, value in _HEADERS.items()
                        if name.lower().encode() not in present
                    ),
                ]
            await send(message)

        await self._app(scope, receive, send_with_headers)

    def _refusal(self, request: Request) -> Response | None:
        host = request.headers.get("host", "")
        if host not in self._hosts:
            return _error(421, "This server is not known by that name.")
        origin = request.headers.get("origin")
        if origin is not None and origin not in {f"http://{name}" for name in self._hosts}:
            return _error(403, "A page of another site asked for this.")
        if request.headers.get("sec-fetch-site", "none") not in ("none", "same-origin") and request.method != "GET":
            return _error(403, "A page of another site asked for this.")
        if self._known(request.cookies.get(self.cookie, "")) or self._entering(request):
            return None
        return _error(403, "The address is not complete: open the one that the program printed.")

    def _entry(self, request: Request) -> Response | None:
        """Return the answer to the address that was printed: the cookie, and an address without the token."""
        if not self._entering(request):
            return None
        answer = RedirectResponse("/", status_code=303)
        answer.set_cookie(self.cookie, self._token, httponly=True, samesite="strict", path="/")
        return answer

    def _entering(self, request: Request) -> bool:
        return (
            request.method == "GET" and request.url.path == "/" and self._known(request.query_params.get("token", ""))
        )

    def _known(self, token: str) -> bool:
        return hmac.compare_digest(token.encode(), self._token.encode())


# --- pages


async def _index(request: Request) -> Response:
    return _file("index.html")


async def _page(request: Request) -> Response:
    return _file(request.path_params["name"])


def _file(name: str) -> Response:
    if name not in _PAGES:
        raise _Bad(404, "There is no such page.")
    content = files("clawvision.review").joinpath("page", name).read_bytes()
    return Response(content, headers={"Content-Type": _PAGES[name]})


# --- photos


async def _photos(bench: Workbench, request: Request) -> Response:
    listed = [_line(index, photo) for index, photo in enumerate(bench.photos)]
    words = {"measures": MEASURE_WORDS, "landmarks": LANDMARK_WORDS, "status": STATUS_WORDS, "caution": CAUTION}
    return JSONResponse({"photos": listed, "words": words})


def _line(index: int, photo: ReviewPhoto) -> dict[str, Any]:
    record = photo.record
    return {
        "index": index,
        "name": clean(record.photo, 200),
        "animal": clean(record.animal, 80),
        "foot": record.foot,
        "view": record.view,
        "status": record.status,
        "rank": photo.rank,
        "drawn": drawing.sidecar_path(photo.path).exists(),
        "reasons": [{"message": reason.message, "effect": reason.effect} for reason in record.reasons],
    }


async def _photo(bench: Workbench, request: Request) -> Response:
    photo, index = _asked(bench, request)
    pixels, _ = await run_in_threadpool(bench.photo, index)
    note = None
    try:
        given = drawing.present(photo.path)
    except PhotoRefused as refusal:
        given, note = None, refusal.reason.message
    asked = photo.request
    return JSONResponse(
        {
            **_line(index, photo),
            "width": pixels.width,
            "height": pixels.height,
            "asked": {"foot": asked.foot, "view": asked.view, "claw": asked.claw, "points": asked.points},
            "given": given,
            "note": note,
            "result": _shown(photo.record),
        }
    )


async def _picture(bench: Workbench, request: Request) -> Response:
    _, index = _asked(bench, request)
    return Response(await run_in_threadpool(bench.jpeg, index), media_type="image/jpeg")


async def _measure(bench: Workbench, request: Request) -> Response:
    photo, index = _asked(bench, request)
    data = await _json(request)
    result = await run_in_threadpool(_measured, bench, photo, index, data)
    return JSONResponse(_shown(photo_record(result)))


def _measured(bench: Workbench, photo: ReviewPhoto, index: int, data: dict[str, Any]) -> PhotoResult:
    return bench.measure(index, drawing.drawn(data, photo.path))


async def _segment(bench: Workbench, request: Request) -> Response:
    _, index = _asked(bench, request)
    data = await _json(request)
    horn, other = _points(data, "horn", 0, MAX_SEEDS), _points(data, "other", 0, MAX_SEEDS)
    outline = _points(data, "outline", 8, _MAX_OUTLINE) if data.get("outline") else None
    if outline is None and not len(horn):
        raise _Bad(400, "Click on the horn first.")
    neighbours = [_points({"n": each}, "n", 3, _MAX_OUTLINE) for each in _list(data.get("neighbours", []), 3)]
    photo, _ = await run_in_threadpool(bench.photo, index)
    for points in (horn, other, *([] if outline is None else [outline]), *neighbours):
        _check_near(points, photo.width, photo.height)
    anew = data.get("anew") is True
    prior = await run_in_threadpool(bench.prior, index) if outline is None or anew else None
    work = partial(segment, pixels_of(photo), Seeds(horn, other), outline, neighbours, anew=anew, prior=prior)
    found = await run_in_threadpool(work)
    if found is None:
        raise _Bad(422, "These clicks leave no horn. Click on the horn once more.")
    return JSONResponse({"outline": np.round(found, 2).tolist()})


async def _snap(bench: Workbench, request: Request) -> Response:
    _, index = _asked(bench, request)
    data = await _json(request)
    outline = _points(data, "outline", 8, _MAX_OUTLINE)
    first, last, reach = (_number(data, key) for key in ("first", "last", "reach"))
    if not (0 <= first < len(outline) and 0 <= last < len(outline) and 0 < reach <= 200):
        raise _Bad(400, "first and last must be points of the outline, reach 0 to 200 pixels.")
    photo, _ = await run_in_threadpool(bench.photo, index)
    _check_near(outline, photo.width, photo.height)
    pyramid = Pyramid(pixels_of(photo))
    moved = await run_in_threadpool(snapped, pyramid, outline, int(first), int(last), reach)
    return JSONResponse({"outline": np.round(moved, 2).tolist()})


async def _save(bench: Workbench, request: Request) -> Response:
    photo, index = _asked(bench, request)
    data = await _json(request)
    drawn = data.get("drawing")
    if not isinstance(drawn, dict):
        raise _Bad(400, "drawing must be an object.")
    by = data.get("by")
    result = await run_in_threadpool(_measured, bench, photo, index, drawn)
    path = await run_in_threadpool(drawing.save, drawn, photo.path, by=by if isinstance(by, str) else "")
    return JSONResponse({"file": clean(path.name, 200), "result": _shown(photo_record(result))})


def _shown(record: Any) -> dict[str, Any]:
    """Return what the page shows of a photo's record."""
    data: dict[str, Any] = record.model_dump(
        mode="json", include={"status", "view", "foot", "reasons", "claws", "foot_measures", "foot_guides_px", "scale"}
    )
    for claw in data["claws"].values():
        del claw["outline_mm"], claw["landmarks_mm"]
        for measure in claw["measures"].values():
            del measure["budget"]
    for measure in data["foot_measures"].values():
        del measure["budget"]
    return data


# --- reading requests


def _asked(bench: Workbench, request: Request) -> tuple[ReviewPhoto, int]:
    index = int(request.path_params["index"])
    if not 0 <= index < len(bench.photos):
        raise _Bad(404, "There is no such photo.")
    return bench.photos[index], index


async def _json(request: Request) -> dict[str, Any]:
    if request.headers.get("content-type", "").split(";")[0].strip() != "application/json":
        raise _Bad(415, "Send application/json.")
    length = request.headers.get("content-length", "0")
    if not length.isdecimal() or int(length) > MAX_BODY_BYTES:
        raise _Bad(413, f"The request is larger than {MAX_BODY_BYTES // 1_000_000} MB.")
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > MAX_BODY_BYTES:
            raise _Bad(413, f"The request is larger than {MAX_BODY_BYTES // 1_000_000} MB.")
    try:
        data = json.loads(body, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise _Bad(400, "The request is not JSON.") from error
    if not isinstance(data, dict):
        raise _Bad(400, "The request must be one JSON object.")
    return data


def _no_constant(text: str) -> float:
    raise ValueError(text)


def _list(value: Any, most: int) -> list[Any]:
    if not isinstance(value, list) or len(value) > most:
        raise _Bad(400, f"A list of at most {most} was expected.")
    return value


def _points(data: dict[str, Any], key: str, least: int, most: int) -> FloatArray:
    values = _list(data.get(key, []), most)
    if len(values) < least:
        raise _Bad(400, f"{key} needs at least {least} points.")
    for value in values:
        if not (isinstance(value, list) and len(value) == 2 and all(_is_number(part) for part in value)):
            raise _Bad(400, f"{key} must be points [x, y].")
    return np.array(values, dtype=np.float64).reshape(-1, 2)


def _number(data: dict[str, Any], key: str) -> float:
    if not _is_number(data.get(key)):
        raise _Bad(400, f"{key} must be a number.")
    return float(data[key])


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e6


def _check_near(points: FloatArray, width: int, height: int) -> None:
    """Refuse points far outside of the picture."""
    room = 0.06 * max(width, height)
    low, high = (points.min(axis=0), points.max(axis=0)) if len(points) else (np.zeros(2), np.zeros(2))
    if (low < -room).any() or (high > np.array([width, height]) + room).any():
        raise _Bad(400, "A point lies outside of the picture.")


# --- telling what went wrong


def _error(status: int, message: str) -> Response:
    return JSONResponse({"error": message}, status_code=status)


async def _told_bad(request: Request, error: Exception) -> Response:
    assert isinstance(error, _Bad)
    return _error(error.status, error.message)


async def _told_refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, PhotoRefused)
    return _error(422, f"{error.reason.message} {error.reason.advice}")


async def _told_error(request: Request, error: Exception) -> Response:
    return _error(409, without_paths(str(error)))
