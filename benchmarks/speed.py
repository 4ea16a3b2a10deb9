"""How fast is a take looked through, beside the limits that nobody can pass?

    python benchmarks/speed.py [--forms mjpeg,h264] [--size 640x360] [--frames N] [--part N]
                               [--repeats N] [--scaling] [--csv FILE] [--markdown FILE]

For a take in each format and every way of looking at it: frames per second; its ratio to a loop
that only decodes with the same reader, by the clock and by processor time, to OpenCV's read loop,
to the ffmpeg command's scene filter and to reading the bytes; CPU seconds per million frames, peak
memory, the share of the file's bytes that was read, and the limit that it stands against with how
much of that it reaches.  On a machine that others use the processor time says more than the clock.

The ways: *decode* (the reader's frames, dropped), *measure* (every tile's statistics, dropped),
*find*, *shortest N* (``--shortest-event N``), *sample N* (what that has to fetch at least,
dropped), *OpenCV* (`cv2.VideoCapture`, read and dropped), *ffmpeg* (the command's scene filter),
*file* (the bytes, read and dropped) and, for 8-bit raw pixels, *absdiff* (OpenCV's absolute
difference of the same frames, in memory).  What *find* takes beyond *measure* is scoring, what that
takes beyond *decode* is measuring: a second table says so, as a profile.

Every run is a process of its own; the ways take turns, and medians of the repeats are shown.
Each process first looks at two frames, so that what it loads is not counted; the ``ffmpeg``
command is counted whole.  Ways that look at every frame are given the first ``--part`` of them, in
which their speed is that of the whole; the others have the whole take.  Nothing happens in it: what
is searched frame by frame around an event comes on top.  Takes are written to a temporary folder,
of few pictures or groups of pictures that are coded once and stored again and again in an order in
which no sample repeats the one before, and are read once before.

``--scaling`` shows instead how time grows with the number of frames (1, 4 and 16 times) and with
the size of the picture.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import numpy.typing as npt

PICTURES, LATELY = 64, 20
LONG_GOP, GOPS = 250, 6
FORMS = {
    "h264": (".mp4", "libx264", "yuv420p"),
    "hevc-10": (".mp4", "libx265", "yuv420p10le"),
    "mjpeg": (".mov", "mjpeg", "yuvj420p"),
    "prores": (".mov", "prores_ks", "yuv422p10le"),
    "ffv1": (".mkv", "ffv1", "gray"),
    "mono8": (".raw", "", ""),
    "mono16": (".raw", "", ""),
    "mono12p": (".raw", "", ""),
    "tiff": ("", "", ""),
    "png": ("", "", ""),
}
"""Formats: suffix, FFmpeg's encoder and pixel format."""
RAW = {"mono8": "Mono8", "mono16": "Mono16", "mono12p": "Mono12p"}
PREDICTED = ("h264", "hevc-10")
STILLS = ("tiff", "png")
OPTIONS = {
    "h264": {"preset": "veryfast", "x264-params": f"scenecut=0:min-keyint={LONG_GOP}"},
    "hevc-10": {
        "preset": "ultrafast",
        "x265-params": f"log-level=error:scenecut=0:open-gop=0:min-keyint={LONG_GOP}",
    },
    "mjpeg": {"qmin": "3", "qmax": "3"},
    "ffv1": {"g": "1"},
}
SHORTEST = (64, 512)
"""Lengths of the shortest event; the stride is half of that."""
NO_RATIO = "–"
COLUMNS = (
    "format",
    "way",
    "frames/s",
    "of decode",
    "by CPU",
    "of OpenCV",
    "of ffmpeg",
    "of file",
    "CPU s per million",
    "peak MiB",
    "bytes read",
    "limit",
    "of limit",
)


@dataclass(frozen=True, slots=True)
class Subject:
    """A take of one format and size."""

    form: str
    path: Path
    rows: int
    cols: int
    frames: int

    @property
    def raw(self) -> str | None:
        """Geometry of headerless pixels."""
        return f"{self.cols}x{self.rows}:{RAW[self.form]}" if self.form in RAW else None

    @property
    def n_bytes(self) -> int:
        """Bytes of the file or files."""
        files = self.path.iterdir() if self.path.is_dir() else [self.path]
        return sum(file.stat().st_size for file in files)


@dataclass(frozen=True, slots=True)
class Run:
    """What one process took."""

    seconds: float
    cpu: float
    peak_kib: int
    bytes_read: int


def pictures(rows: int, cols: int) -> list[npt.NDArray[np.uint8]]:
    """Noise over a slope: every frame differs from the one before, and nothing happens."""
    rng = np.random.default_rng(1)
    slope = np.linspace(40.0, 120.0, cols)[None, :] + np.zeros((rows, 1))
    return [
        np.clip(slope + rng.normal(0.0, 3.0, (rows, cols)), 0, 255).astype(np.uint8)
        for _ in range(PICTURES)
    ]


def order(n_frames: int) -> npt.NDArray[np.int64]:
    """Numbers of pictures by chance, none that of one of the last frames or of a stride before."""
    draw = np.random.default_rng(2)
    numbers = draw.integers(0, PICTURES, n_frames)
    before = [*range(1, LATELY + 1), *(n // 2 for n in SHORTEST)]
    for frame in range(n_frames):
        taken = {int(numbers[frame - lag]) for lag in before if lag <= frame}
        while int(numbers[frame]) in taken:
            numbers[frame] = draw.integers(0, PICTURES)
    return np.asarray(numbers)


def write(form: str, folder: Path, rows: int, cols: int, n_frames: int) -> Subject:
    """Write a take."""
    path = folder / f"take-{form}-{cols}x{rows}-{n_frames}{FORMS[form][0]}"
    if form in RAW:
        stored = [_as_raw(form, picture) for picture in pictures(rows, cols)]
        with path.open("wb") as file:
            for number in order(n_frames):
                file.write(stored[number])
    elif form in STILLS:
        _write_stills(path, form, pictures(rows, cols), order(n_frames))
    else:
        _write_video(path, form, rows, cols, n_frames)
    return Subject(form, path, rows, cols, n_frames)


def _as_raw(form: str, picture: npt.NDArray[np.uint8]) -> bytes:
    """Pixels as GenICam's PFNC stores them; Mono12p has the low bits of two pixels first."""
    if form == "mono8":
        return picture.tobytes()
    if form == "mono16":
        return (picture.astype("<u2") * 257).tobytes()
    twelve = picture.astype(np.uint16).reshape(-1, 2) * 16
    one, two = twelve[:, 0], twelve[:, 1]
    packed = np.stack([one & 255, one >> 8 | (two & 15) << 4, two >> 4], axis=1)
    return packed.astype(np.uint8).tobytes()


def _write_stills(
    path: Path, form: str, shown: list[npt.NDArray[np.uint8]], numbers: npt.NDArray[np.int64]
) -> None:
    """One file per picture, and names for every frame: hard links."""
    path.mkdir()
    names = [path.parent / f"{path.name}-{number}.{form}" for number in range(len(shown))]
    for name, picture in zip(names, shown, strict=True):
        cv2.imwrite(str(name), picture, [cv2.IMWRITE_TIFF_COMPRESSION, 1] * (form == "tiff"))
    for index, number in enumerate(numbers):
        os.link(names[number], path / f"f{index:07}.{form}")


def _write_video(path: Path, form: str, rows: int, cols: int, n_frames: int) -> None:
    """Pictures or closed groups of them, coded once, and stored as often as is needed."""
    _, encoder, pixels = FORMS[form]
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream(encoder, rate=25)
        stream.width, stream.height, stream.pix_fmt = cols, rows, pixels
        stream.codec_context.gop_size = LONG_GOP
        stream.options = OPTIONS.get(form, {})
        stream.codec_context.thread_count = 1
        predicted = form in PREDICTED
        group = LONG_GOP if predicted else 1
        groups = _coded(
            stream, pictures(rows, cols), pixels, group, GOPS if predicted else PICTURES
        )
        numbers = np.arange(-(-n_frames // group)) % GOPS if predicted else order(n_frames)
        for place, number in enumerate(numbers):
            for late, ahead, is_key, data in groups[number]:
                packet: Any = av.Packet(data)
                packet.stream, packet.time_base = stream, Fraction(1, 25)
                packet.pts, packet.dts = place * group + late, place * group + ahead
                packet.is_keyframe = is_key
                container.mux(packet)


Coded = list[list[tuple[int, int, bool, bytes]]]


def _coded(
    stream: Any, shown: list[npt.NDArray[np.uint8]], pixels: str, group: int, n_groups: int
) -> Coded:
    """Packets of every group: their time stamps within it, whether it is a keyframe, and bytes."""
    stream.codec_context.time_base = Fraction(1, 25)
    numbers = order(group * n_groups) if group > 1 else np.arange(n_groups)
    packets: list[Any] = []
    for index, number in enumerate(numbers):
        frame = av.VideoFrame.from_ndarray(shown[number], "gray").reformat(format=pixels)
        frame.pts, frame.time_base = index, Fraction(1, 25)
        packets += stream.encode(frame)
    packets += stream.encode(None)
    groups: Coded = [[] for _ in range(n_groups)]
    for packet in packets:
        tick = int(1 / (packet.time_base * 25)) if packet.time_base else 1
        late, ahead = packet.pts // tick, packet.dts // tick
        place = late // group
        entry = (late - place * group, ahead - place * group, packet.is_keyframe, bytes(packet))
        groups[place].append(entry)
    return groups


def look(way: str, subject: Subject, n_frames: int | None) -> int:
    """Look at a take, or at its first frames, in one way; return the bytes that were read."""
    if way == "file":
        return _read_file(subject, n_frames)
    if way == "OpenCV":
        return _read_capture(subject, n_frames)
    if way == "absdiff":
        return _differ(subject, n_frames)
    import flashpan  # what the others need not load

    last = None if n_frames is None else n_frames - 1
    if way in ("decode", "measure"):
        return _decode(flashpan.open_take(subject.path, raw=subject.raw), last, way == "measure")
    number = int(way.split()[1]) if " " in way else 1
    if way.startswith("sample"):
        return _sample(flashpan.open_take(subject.path, raw=subject.raw), n_frames, number // 2)
    settings = flashpan.Settings.from_mapping(
        {"raw": subject.raw, "shortest_event": number, "last": last}
    )
    log = flashpan.find(subject.path, settings)
    if number > 1 and log.warnings and n_frames is None:
        raise SystemExit(log.warnings[-1])
    return log.totals.bytes_read


def _decode(reader: Any, last: int | None, measures: bool) -> int:
    from flashpan.grid import lay_grid
    from flashpan.measure import Measurer

    with reader:
        measurer = Measurer(reader.info, lay_grid(reader.info.shape))
        for frame in reader.frames():
            if measures:
                measurer.measure(frame)
            if frame.index == last:
                break
        return int(reader.bytes_read)


def _sample(reader: Any, n_frames: int | None, stride: int) -> int:
    from flashpan.parts import parts_of

    with reader:
        parts = parts_of(reader)
        for _ in parts.samples(0, n_frames or parts.n_frames, stride).frames:
            pass
        parts.close()
        return int(reader.bytes_read)


def _read_file(subject: Subject, n_frames: int | None) -> int:
    files = sorted(subject.path.iterdir()) if subject.path.is_dir() else [subject.path]
    most = subject.n_bytes * (n_frames or subject.frames) // subject.frames
    total = 0
    for path in files:
        with path.open("rb", buffering=0) as file:
            while block := file.read(1 << 20):
                total += len(block)
                if total >= most:
                    return total
    return total


def _read_capture(subject: Subject, n_frames: int | None) -> int:
    name = subject.path
    if name.is_dir():
        name = name / f"f%07d.{subject.form}"
    capture = cv2.VideoCapture(str(name))
    n = 0
    while capture.read()[0]:
        n += 1
        if n == n_frames:
            break
    return subject.n_bytes


def _differ(subject: Subject, n_frames: int | None) -> int:
    frames = np.memmap(subject.path, np.uint8, "r").reshape(-1, subject.rows, subject.cols)
    target = np.empty(frames.shape[1:], np.uint8)
    for one, other in pairwise(frames[:n_frames]):
        cv2.absdiff(one, other, target)
    return subject.n_bytes


def measured(way: str, subject: Subject, n_frames: int | None) -> Run:
    """Run one way in a process of its own, on the first frames or on the whole take."""
    if way == "ffmpeg":
        return _by_command(subject, n_frames)
    asked = [subject.form, str(subject.path), subject.rows, subject.cols, subject.frames]
    command = [sys.executable, str(Path(__file__)), "--child", json.dumps([way, asked, n_frames])]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{way} failed on {subject.path.name}: {done.stderr.strip()}")
    return Run(**json.loads(done.stdout))


def _by_command(subject: Subject, n_frames: int | None) -> Run:
    name = subject.path
    if name.is_dir():
        name = name / f"f%07d.{subject.form}"
    command = ["ffmpeg", "-v", "error", "-nostdin"]
    command += [] if n_frames is None else ["-t", str(n_frames / 25)]
    command += ["-i", str(name), "-an", "-vf", "select='gt(scene,0.4)'", "-f", "null", "-"]
    began = time.perf_counter()
    process = subprocess.Popen(command)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = status
    if status:
        raise SystemExit(f"ffmpeg failed on {subject.path.name}")
    cpu = used.ru_utime + used.ru_stime
    return Run(time.perf_counter() - began, cpu, used.ru_maxrss, subject.n_bytes)


def here(way: str, subject: Subject, n_frames: int | None) -> Run:
    """Run one way in this process."""
    if way not in ("file", "absdiff") and not way.startswith("sample"):
        look(way, subject, 2)
    elif way.startswith("sample"):
        look("decode", subject, 2)
    began, cpu = time.perf_counter(), time.process_time()
    n_bytes = look(way, subject, n_frames)
    seconds, cpu = time.perf_counter() - began, time.process_time() - cpu
    return Run(seconds, cpu, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, n_bytes)


def ways_of(subject: Subject) -> list[str]:
    """Ways of looking that make sense for a format; those of longer events last."""
    ways = ["decode", "measure", "find", "file"]
    if subject.form == "mono8":
        ways.append("absdiff")
    if subject.form not in RAW:
        ways += ["OpenCV", "ffmpeg"]
    return [*ways, *(f"{way} {n}" for n in SHORTEST for way in ("sample", "shortest"))]


def is_whole(way: str) -> bool:
    """Whether a way is given the whole take."""
    return " " in way


def limit_of(way: str, form: str) -> str:
    """What a way cannot be faster than: the same frames had, and nothing done with them."""
    if way.startswith("shortest"):
        return way.replace("shortest", "sample")
    if way in ("measure", "find"):
        return "absdiff" if form == "mono8" else "decode"
    return "file" if way == "decode" and form in RAW else ""


@dataclass(frozen=True, slots=True)
class Table:
    """Medians of the runs on one take."""

    subject: Subject
    part: int
    runs: dict[str, list[Run]]

    def frames(self, way: str) -> int:
        """Frames that a way was given."""
        return self.subject.frames if is_whole(way) else min(self.part, self.subject.frames)

    def middle(self, of: Callable[[Run], float], way: str) -> float:
        """Median over the repeats."""
        return statistics.median(map(of, self.runs[way]))

    def speed(self, way: str) -> float:
        """Frames per second."""
        return self.frames(way) / self.middle(lambda run: run.seconds, way)

    def cpu(self, way: str) -> float:
        """Processor seconds per frame."""
        return max(1e-9, self.middle(lambda run: run.cpu, way) / self.frames(way))

    def ratio(self, way: str, other: str) -> str:
        """How many times as fast as another way."""
        if other not in self.runs or other == way:
            return NO_RATIO
        return f"{self.speed(way) / self.speed(other):.3g}"

    def rows(self) -> Iterator[dict[str, str]]:
        """Rows as they are shown."""
        for way in self.runs:
            n_frames, limit = self.frames(way), limit_of(way, self.subject.form)
            share = self.middle(lambda run: run.bytes_read, way) / self.subject.n_bytes
            share *= self.subject.frames / n_frames if way != "ffmpeg" and way != "OpenCV" else 1
            cells = (
                self.subject.form, way, f"{self.speed(way):.0f}",
                self.ratio(way, "decode"), f"{self.cpu('decode') / self.cpu(way):.3g}",
                *(self.ratio(way, other) for other in ("OpenCV", "ffmpeg", "file")),
                f"{1e6 * self.cpu(way):.0f}",
                f"{self.middle(lambda run: run.peak_kib, way) / 1024:.0f}",
                f"{100 * share:.1f} %", limit or NO_RATIO, self.ratio(way, limit),
            )  # fmt: skip
            yield dict(zip(COLUMNS, cells, strict=True))

    def profile(self) -> dict[str, str]:
        """Where the processor's time goes, milliseconds per frame that is looked at."""
        decode, measure, find = (1e3 * self.cpu(way) for way in ("decode", "measure", "find"))
        cells = {
            "format": self.subject.form,
            "decode": f"{decode:.3f}",
            "measure": f"{measure - decode:.3f}",
            "score and pick": f"{find - measure:.3f}",
        }
        for n in SHORTEST:
            sample, shortest = 1e3 * self.cpu(f"sample {n}"), 1e3 * self.cpu(f"shortest {n}")
            cells[f"stride {n // 2}: fetch a sample"] = f"{sample * n / 2:.2f}"
            cells["all else of it" + " " * (n > SHORTEST[0])] = f"{(shortest - sample) * n / 2:.2f}"
        return cells


def tabled(subject: Subject, part: int, repeats: int) -> Table:
    """Measure one take: interleaved repeats."""
    table = Table(subject, part, {way: [] for way in ways_of(subject)})
    measured("file", subject, None)
    for _ in range(repeats):
        for way, runs in table.runs.items():
            runs.append(measured(way, subject, None if is_whole(way) else table.frames(way)))
    return table


def scaling_rows(folder: Path, repeats: int) -> Iterator[dict[str, str]]:
    """Time of `find` by number of frames and by size of the picture, on raw pixels."""
    sizes = [(96, 128, n) for n in (1500, 6000, 24_000)]
    sizes += [(rows, cols, 600) for rows, cols in ((96, 128), (240, 320), (480, 640), (720, 1280))]
    for rows, cols, n_frames in sizes:
        subject = write("mono8", folder, rows, cols, n_frames)
        whole = statistics.median(measured("find", subject, None).cpu for _ in range(repeats))
        subject.path.unlink()
        yield {
            "size": f"{cols}x{rows}",
            "frames": str(n_frames),
            "CPU ms per frame": f"{1e3 * whole / n_frames:.3f}",
        }


def machine() -> str:
    """What the numbers were measured on."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        lines = info.read_text(encoding="utf-8").splitlines()
        model = next(
            (x.split(":", 1)[1].strip() for x in lines if x.startswith("model name")), model
        )
    load = os.getloadavg()[0]
    codecs = ".".join(map(str, av.library_versions["libavcodec"]))
    return (
        f"{len(os.sched_getaffinity(0))} cores ({model}), load {load:.1f} at the start; "
        f"Python {platform.python_version()}, NumPy {np.__version__}, OpenCV {cv2.__version__}, "
        f"PyAV {av.__version__}, libavcodec {codecs}"
    )


def in_markdown(rows: Sequence[dict[str, str]]) -> str:
    """Rows as a Markdown table."""
    lines = [list(rows[0]), ["---"] * len(rows[0]), *(list(row.values()) for row in rows)]
    return "".join("| " + " | ".join(cell.strip() for cell in line) + " |\n" for line in lines)


def arguments(words: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").splitlines()[0],
        epilog="example: python benchmarks/speed.py --forms mjpeg,mono8 --size 320x180",
    )
    parser.add_argument("--forms", default=",".join(FORMS), metavar="FORMATS")
    parser.add_argument("--size", default="640x360", metavar="WIDTHxHEIGHT")
    parser.add_argument("--frames", type=int, default=16_000, metavar="N", help="of each take")
    parser.add_argument("--part", type=int, default=400, metavar="N", help="for a full look")
    parser.add_argument("--repeats", type=int, default=3, metavar="N")
    parser.add_argument("--csv", type=Path, metavar="FILE", help="write the rows there too")
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="write all that is shown")
    parser.add_argument("--scaling", action="store_true", help="frames and sizes instead")
    parser.add_argument("--child", help=argparse.SUPPRESS)
    args = parser.parse_args(words)
    for form in args.forms.split(","):
        if form not in FORMS:
            parser.error(f"--forms {form}: choose from {', '.join(FORMS)}")
    return args


def main(words: Sequence[str] | None = None) -> int:
    args = arguments(words)
    if args.child:
        way, (form, path, rows, cols, n_frames), part = json.loads(args.child)
        run = here(way, Subject(form, Path(path), rows, cols, n_frames), part)
        print(json.dumps(asdict(run)))
        return 0
    texts = [machine() + "\n\n"]
    print(texts[0], end="", flush=True)
    with tempfile.TemporaryDirectory(prefix="speed-") as folder:
        if args.scaling:
            found = list(scaling_rows(Path(folder), args.repeats))
            profiles: list[dict[str, str]] = []
        else:
            found, profiles = _all_rows(args, Path(folder))
    texts += [in_markdown(rows) + "\n" for rows in (found, profiles) if rows]
    print("".join(texts[1:]), end="")
    if args.csv:
        with args.csv.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(found[0]))
            writer.writeheader()
            writer.writerows(found)
    if args.markdown:
        args.markdown.write_text("".join(texts), encoding="utf-8")
    return 0


def _all_rows(
    args: argparse.Namespace, folder: Path
) -> tuple[list[dict[str, str]], list[dict[str, str]]]:
    """Rows of every format, and where its time goes; each take is there only for its turn."""
    cols, rows = (int(part) for part in args.size.split("x"))
    found: list[dict[str, str]] = []
    profiles: list[dict[str, str]] = []
    for form in args.forms.split(","):
        began = time.monotonic()
        with tempfile.TemporaryDirectory(dir=folder) as own:
            subject = write(form, Path(own), rows, cols, args.frames)
            table = tabled(subject, args.part, args.repeats)
            shown = list(table.rows())
        found += shown
        profiles.append(table.profile())
        took = f"{form}: {time.monotonic() - began:.0f} s"
        print(took, in_markdown(shown), sep="\n", file=sys.stderr, flush=True)
    return found, profiles


if __name__ == "__main__":
    sys.exit(main())
