"""What the page asks for, and what it gets.

No part of a request is ever a path: takes, events, ranges and frames are numbers, looked up in the
catalog, and assets are those that were read when the server began.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from flashpan.errors import FlashpanError, TakeError, UsageError
from flashpan.eventlog import EXTENSION
from flashpan.jsontext import loads
from flashpan.model import ScoreTrace
from flashpan.night.edits import DrawnRegion
from flashpan.night.places import inside_night
from flashpan.night.reviewbook import ReviewBook, UnknownRow
from flashpan.night.rows import TakeRow
from flashpan.review.nightview import log_of, night_to_dict, strips_of
from flashpan.review.projector import Projector
from flashpan.review.recut import recut
from flashpan.review.rerun import rerun, row_of
from flashpan.review.workshop import Workshop
from flashpan.scores import SUFFIX, read_scores
from flashpan.sheet.looks import frames_of
from flashpan.thin import in_columns

_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
_MOST_COLUMNS = 4000
_MOST_REGIONS = 50

Answer = Callable[[Request, Any], Response]


@dataclass(slots=True)
class Review:
    """A night that is being reviewed.

    Parameters
    ----------
    dest : Path
        The night.
    """

    dest: Path
    projector: Projector = field(init=False)
    workshop: Workshop = field(init=False)
    _traces: dict[tuple[int, int], ScoreTrace] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.projector = Projector(self.dest)
        self.workshop = Workshop()

    def night(self) -> dict[str, Any]:
        """All that the page is told of the night."""
        with ReviewBook.open(self.dest) as book:
            return night_to_dict(book)

    def trace(self, row: TakeRow) -> ScoreTrace:
        """Scores of a take.

        Raises
        ------
        TakeError
            They were not kept.
        """
        stem = row.log_name.removesuffix(EXTENSION)
        path = inside_night(self.dest, self.dest / row.folder / f"{stem}{SUFFIX}")
        if not path.exists():
            raise TakeError(f"{row.name}: its scores were not kept; search it again")
        key = (row.id, path.stat().st_mtime_ns)
        if key not in self._traces:
            self._traces.clear()  # one take is looked at; a long one's scores are large
            self._traces[key] = read_scores(path)
        return self._traces[key]


def make_app(dest: Path) -> Starlette:
    """The application, before `flashpan.review.guard.Guard` stands in front of it."""
    review = Review(dest)
    reads: dict[str, Callable[[Review, Request], Response]] = {
        "/api/night": _night,
        "/api/tasks": _tasks,
        "/api/takes/{take:int}/scores": _scores,
        "/api/takes/{take:int}/frames/{frame:int}": _frame,
        "/api/takes/{take:int}/events/{event:int}/strip/{place:int}": _strip_picture,
    }
    writes: dict[str, Callable[[Review, Request, Any], Any]] = {
        "/api/takes/{take:int}/events/{event:int}/mark": _mark,
        "/api/takes/{take:int}/events/{event:int}/note": _note,
        "/api/takes/{take:int}/ranges/{number:int}": _range,
        "/api/takes/{take:int}/ranges/{number:int}/cut": _cut,
        "/api/takes/{take:int}/regions": _regions,
        "/api/takes/{take:int}/search": _search,
        "/api/undo": _undo,
        "/api/redo": _redo,
    }
    routes = [_asset_route(name, data) for name, data in _assets().items()]
    routes += [Route(path, _reading(review, work)) for path, work in reads.items()]
    routes += [
        Route(path, _writing(review, work), methods=["POST"]) for path, work in writes.items()
    ]
    app = Starlette(routes=routes, exception_handlers={404: _not_found, 405: _not_found})
    app.state.review = review
    return app


def _assets() -> dict[str, bytes]:
    """Files of the page, by the path they are asked for at."""
    folder = files("flashpan.review") / "assets"
    found = {f"/{one.name}": one.read_bytes() for one in folder.iterdir() if one.is_file()}
    return {("/" if path == "/index.html" else path): data for path, data in found.items()}


def _asset_route(path: str, data: bytes) -> Route:
    suffix = ".html" if path == "/" else Path(path).suffix

    def answer(request: Request) -> Response:
        return Response(data, headers={"content-type": _TYPES[suffix]})

    return Route(path, answer)


def _not_found(request: Request, error: Exception) -> Response:
    return PlainTextResponse("There is no such thing here.", 404)


def _reading(review: Review, work: Callable[[Review, Request], Response]) -> Any:
    def answer(request: Request) -> Response:
        return _told(partial(work, review, request))

    return answer


def _writing(review: Review, work: Callable[[Review, Request, Any], Any]) -> Any:
    """A change: done, and the night as it is then."""

    async def answer(request: Request) -> Response:
        try:
            body = loads(await request.body() or b"{}")
        except ValueError:
            return PlainTextResponse("That is no JSON.", 400)
        if not isinstance(body, dict):
            return PlainTextResponse("Changes are JSON objects.", 400)

        def change() -> Response:
            return JSONResponse({"result": work(review, request, body), "night": review.night()})

        return await run_in_threadpool(_told, change)

    return answer


def _told(work: Callable[[], Response]) -> Response:
    """An answer, or in a line why there is none."""
    try:
        return work()
    except UnknownRow as error:
        return PlainTextResponse(str(error), 404)
    except OverflowError:  # no catalog has such numbers
        return PlainTextResponse("There is no such number here.", 404)
    except UsageError as error:
        return PlainTextResponse(str(error), 400)
    except TakeError as error:
        return PlainTextResponse(str(error), 404)
    except FlashpanError as error:
        return PlainTextResponse(str(error), 503)


def _night(review: Review, request: Request) -> Response:
    return JSONResponse(review.night())


def _tasks(review: Review, request: Request) -> Response:
    return JSONResponse(review.workshop.tasks())


def _scores(review: Review, request: Request) -> Response:
    with ReviewBook.open(review.dest) as book:
        row = row_of(book, request.path_params["take"])
    trace = review.trace(row)
    first, last = _query_int(request, "first", 0), _query_int(request, "last", 1 << 40)
    most = min(max(_query_int(request, "columns", 1000), 1), _MOST_COLUMNS)
    there = slice(*np.searchsorted(trace.frames, (first, last + 1)))
    frames = trace.frames[there]
    scores = in_columns(frames, trace.scores[:, there], most)
    limits = in_columns(frames, trace.thresholds[:, there], most)
    return JSONResponse(
        {
            "detectors": list(trace.detectors),
            "first": scores.first.tolist(),
            "last": scores.last.tolist(),
            "low": [_plain(row) for row in scores.low],
            "high": [_plain(row) for row in scores.high],
            "threshold": [_plain(row) for row in limits.high],
        }
    )


def _plain(values: Any) -> list[float | None]:
    """Numbers as JSON has them."""
    return [round(value, 3) if math.isfinite(value) else None for value in values.tolist()]


def _frame(review: Review, request: Request) -> Response:
    with ReviewBook.open(review.dest) as book:
        row = row_of(book, request.path_params["take"])
        clips = list(book.clips(row.id))
    log, frame = log_of(review.dest, row), request.path_params["frame"]
    if log is None:
        raise TakeError(f"{row.name}: has no event log that can be read")
    start, stop = frames_of(log)
    if not start <= frame < stop:
        raise UnknownRow(f"{row.name}: has no frame {frame}; give {start} to {stop - 1}")
    event = _query_int(request, "event", -1)
    shown = review.projector.show(
        row,
        clips,
        frame,
        event=None if event < 0 else event,
        lossless=request.query_params.get("lossless") == "1",
    )
    return Response(
        shown.data,
        headers={
            "content-type": shown.media_type,
            "x-tone": shown.tone,
            "cache-control": "private, max-age=600",
        },
    )


def _strip_picture(review: Review, request: Request) -> Response:
    params = request.path_params
    with ReviewBook.open(review.dest) as book:
        row = row_of(book, params["take"])
    strips = strips_of(review.dest, row)
    strip = strips.of(params["event"]) if strips is not None else None
    if strips is None or strip is None or params["place"] >= len(strip.frames):
        raise UnknownRow("there is no such picture")
    small = strip.frames[params["place"]]
    wants_close = request.query_params.get("close") == "1" and small.close_file
    file = small.close_file if wants_close else small.file
    path = inside_night(review.dest, strips.folder / file)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise TakeError(f"{path}: cannot be read ({error.strerror})") from error
    return Response(
        data, headers={"content-type": "image/jpeg", "cache-control": "private, max-age=600"}
    )


def _mark(review: Review, request: Request, body: Any) -> None:
    mark = body.get("mark")
    if not (mark is None or isinstance(mark, str)):
        raise UsageError("mark is text or null")
    with ReviewBook.open(review.dest) as book:
        book.mark(request.path_params["take"], request.path_params["event"], mark)


def _note(review: Review, request: Request, body: Any) -> None:
    note = body.get("note")
    if not isinstance(note, str):
        raise UsageError("note is text")
    with ReviewBook.open(review.dest) as book:
        book.note(request.path_params["take"], request.path_params["event"], note)


def _range(review: Review, request: Request, body: Any) -> None:
    first, last = (_whole(body, name) for name in ("first", "last"))
    with ReviewBook.open(review.dest) as book:
        book.set_range(request.path_params["take"], request.path_params["number"], first, last)


def _regions(review: Review, request: Request, body: Any) -> None:
    listed = body.get("regions")
    if not isinstance(listed, list) or len(listed) > _MOST_REGIONS:
        raise UsageError(f"regions is a list of {_MOST_REGIONS} at most")
    with ReviewBook.open(review.dest) as book:
        row = row_of(book, request.path_params["take"])
        log = log_of(review.dest, row)
        if log is None:
            raise TakeError(f"{row.name}: has no event log that can be read")
        regions = [_region(one, log.take.shape) for one in listed]
        book.set_regions(row.id, regions)


def _region(data: Any, shape: tuple[int, int]) -> DrawnRegion:
    """A region of a picture; what reaches outside is refused."""
    if not isinstance(data, dict) or not isinstance(data.get("role"), str):
        raise UsageError("a region has role, x, y, width and height")
    sides = {name: _whole(data, name) for name in ("x", "y", "width", "height")}
    if sides["x"] + sides["width"] > shape[1] or sides["y"] + sides["height"] > shape[0]:
        raise UsageError(f"a region lies in the picture of {shape[1]}x{shape[0]} pixels")
    return DrawnRegion(role=data["role"], **sides)


def _cut(review: Review, request: Request, body: Any) -> dict[str, Any]:
    take, number = request.path_params["take"], request.path_params["number"]
    with ReviewBook.open(review.dest) as book:
        row = row_of(book, take)
        if number not in {kept.number for kept in book.ranges(row.id)}:
            raise UnknownRow(f"{row.name}: has no range {number}")
    work = partial(recut, review.dest, take, number)
    return review.workshop.order(work, "cut", take, number).to_dict()


def _search(review: Review, request: Request, body: Any) -> dict[str, Any]:
    take = request.path_params["take"]
    with ReviewBook.open(review.dest) as book:
        row_of(book, take)
    return review.workshop.order(partial(rerun, review.dest, take), "search", take, None).to_dict()


def _undo(review: Review, request: Request, body: Any) -> bool:
    with ReviewBook.open(review.dest) as book:
        return book.undo() is not None


def _redo(review: Review, request: Request, body: Any) -> bool:
    with ReviewBook.open(review.dest) as book:
        return book.redo() is not None


def _whole(data: Any, name: str) -> int:
    value = data.get(name)
    if not isinstance(value, int) or isinstance(value, bool) or abs(value) > 1 << 40:
        raise UsageError(f"{name} is a whole number")
    return value


def _query_int(request: Request, name: str, default: int) -> int:
    text = request.query_params.get(name)
    if text is None:
        return default
    if not (text.isascii() and text.isdigit() and len(text) < 13):
        raise UsageError(f"{name} is a whole number, not {text[:20]!r}")
    return int(text)
