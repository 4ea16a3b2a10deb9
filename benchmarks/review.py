"""How long does the review page wait for a frame?

    python benchmarks/review.py [--frames N] [--gop N] [--asked N]

An invented 1280 × 720 take in H.264 is searched into a night, and the review's own server is
asked for its frames by HTTP as the page asks: step by step forwards, then back over what was
just seen, with a step of ten, and from event to event.  Every way begins with one frame that
is not counted, so that the take is open.  Printed are medians and 95 % points by the clock, the
processor time of this process per frame, and the median in units of a frame of plain decoding
in the same run.  The goal is below 100 ms a frame by the clock for steps on an idle machine.
"""

from __future__ import annotations

import argparse
import http.client
import secrets
import statistics
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import av
import cv2
import numpy as np

import flashpan
from flashpan.night.ingest import ingest
from flashpan.review.server import listening, prepared
from flashpan.settings import Settings

ROWS, COLS = 720, 1280
GOAL = 0.1
Get = tuple[http.client.HTTPConnection, str]


class Waited(NamedTuple):
    """What asking took, s per frame."""

    name: str
    walls: list[float]
    processor: float


def pictures(n_frames: int, flashes: Sequence[int]) -> Iterator[np.ndarray]:
    """Invented: a textured scene with fresh noise, and a bright disc now and then."""
    draw = np.random.default_rng(0)
    small = draw.integers(40, 160, (ROWS // 8, COLS // 8), dtype=np.uint8)
    scene = cv2.resize(small, (COLS, ROWS), interpolation=cv2.INTER_CUBIC).astype(np.float32)
    noises = draw.normal(0, 3, (8, ROWS, COLS)).astype(np.float32)
    for index in range(n_frames):
        picture = scene + noises[index % len(noises)]
        since = [index - flash for flash in flashes if 0 <= index - flash < 12]
        if since:
            cv2.circle(picture, (400, 300), 20 + 6 * since[0], 250.0, -1)
        yield np.clip(picture, 0, 255).astype(np.uint8)


def make(path: Path, n_frames: int, gop: int, flashes: Sequence[int]) -> None:
    """Write the take."""
    options = {"g": str(gop), "crf": "20", "preset": "veryfast"}
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=25, options=options)
        stream.width, stream.height, stream.pix_fmt = COLS, ROWS, "yuv420p"
        for picture in pictures(n_frames, flashes):
            frame = av.VideoFrame.from_ndarray(picture, format="gray").reformat(format="yuv420p")
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


@contextmanager
def served(night: Path) -> Iterator[Get]:
    """The review's server, and how to ask it."""
    listener = listening("127.0.0.1", 0)
    port, token = listener.getsockname()[1], secrets.token_urlsafe(16)
    server, _ = prepared(night, host="127.0.0.1", port=port, token=token)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=600)
    try:
        while not server.started:
            time.sleep(0.01)
        yield connection, f"flashpan_{port}={token}"
    finally:
        connection.close()
        server.should_exit = True
        thread.join(30)
        listener.close()


def ask(get: Get, frame: int, event: int | None) -> None:
    """One frame, as the page asks for it."""
    connection, cookie = get
    query = "" if event is None else f"?event={event}"
    connection.request("GET", f"/api/takes/1/frames/{frame}{query}", headers={"Cookie": cookie})
    answer = connection.getresponse()
    body = answer.read()
    if answer.status != 200:
        raise RuntimeError(body.decode(errors="replace"))


def wait(get: Get, name: str, frames: Sequence[int], event: int | None = None) -> Waited:
    """Ask for frames one by one; the first is not counted."""
    ask(get, frames[0], event)
    walls, before = [], time.process_time()
    for frame in frames[1:]:
        began = time.perf_counter()
        ask(get, frame, event)
        walls.append(time.perf_counter() - began)
    return Waited(name, walls, (time.process_time() - before) / len(walls))


def decoding(path: Path) -> float:
    """Seconds per frame of plain decoding."""
    began, n = time.perf_counter(), 0
    with flashpan.open_take(path) as reader:
        for _ in reader:
            n += 1
    return (time.perf_counter() - began) / n


def table(rows: Sequence[Waited], decode: float) -> str:
    """Markdown."""
    lines = [
        "| way | frames | median, ms | 95 %, ms | processor, ms | in frames decoded | |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        median = statistics.median(row.walls)
        most = float(np.quantile(row.walls, 0.95))
        said = "met" if median < GOAL else "missed"
        lines.append(
            f"| {row.name} | {len(row.walls)} | {1e3 * median:.0f} | {1e3 * most:.0f} "
            f"| {1e3 * row.processor:.0f} | {median / decode:.1f} | {said} |"
        )
    return "\n".join(lines)


def measure(folder: Path, n_frames: int, gop: int, asked: int) -> str:
    """The table of one take."""
    flashes = [n_frames // 4, n_frames // 2, 3 * n_frames // 4]
    take = folder / "card" / "invented.mp4"
    take.parent.mkdir()
    make(take, n_frames, gop, flashes)
    settings = Settings.from_mapping({"capture_rate": 1000})
    ingest(take.parent, folder / "night", settings, engine="inline")
    decode = decoding(take)
    with served(folder / "night") as get:
        most = min(asked, n_frames - 1)
        rows = [
            wait(get, "step", range(most + 1)),
            wait(get, "step, tones of an event", range(n_frames - most - 1, n_frames), 0),
            wait(get, "back", range(n_frames - 1, n_frames - most - 2, -1)),
            wait(get, "ten frames", range(5, n_frames, 10)),
            wait(get, "event to event", [flash + lag for lag in (1, 3, 5) for flash in flashes]),
        ]
    return table(rows, decode)


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=600)
    parser.add_argument("--gop", type=int, default=250)
    parser.add_argument("--asked", type=int, default=120)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        print(measure(Path(folder), given.frames, given.gop, given.asked))


if __name__ == "__main__":
    main()
