"""Takes to be trimmed, and what is looked at afterwards. All takes are invented."""

import hashlib
import json
import os
import sys

import av
import numpy as np
from video_fixtures import encode

from flashpan.cut.sidecar import read_sidecar

N_FRAMES = 120
FLASHES = (50, 100)
QUICK = ["--pre-roll", "4", "--post-roll", "5", "--merge-gap", "3"]


MAIN = [sys.executable, "-c", "from flashpan.cli import main; main()"]


def trim_command(*words):
    """The command line in a process of its own."""
    return [*MAIN, "trim", *map(str, words)]


def pictures(n_frames=N_FRAMES, flashes=FLASHES, rows=48, cols=64):
    """Grey noise, with a square that lights up for six frames."""
    draw = np.random.default_rng(1)
    shots = draw.normal(40, 2, (n_frames, rows, cols))
    for onset in flashes:
        shots[onset : onset + 6, 16:32, 24:40] += 80
    return np.clip(shots, 0, 255).astype(np.uint8)


def video(path, codec="mjpeg", pixels="yuvj420p", shots=None, **more):
    frames = (
        av.VideoFrame.from_ndarray(shot, format="gray").reformat(format=pixels)
        for shot in (pictures() if shots is None else shots)
    )
    if codec == "mjpeg":  # or its quality would change while it looks for a rate
        more["options"] = {"qmin": "2", "qmax": "2"}
    return encode(path, codec, frames, **more)


def h264(path, shots=None, **more):
    options = {"g": "20", "bf": "2", "crf": "10", "preset": "fast", "sc_threshold": "0"}
    return video(path, "libx264", "yuv420p", shots, options=options, **more)


def state(path):
    """What must not change of a source: bytes, times, mode."""
    files = sorted(path.iterdir()) if path.is_dir() else [path]
    return [
        (file.name, hashlib.sha256(file.read_bytes()).hexdigest(), os.stat(file).st_mtime_ns)
        for file in files
    ]


def clips(folder):
    """Clips in a folder with their sidecars."""
    found = {}
    for beside in sorted(folder.glob("*.clip.json")):
        clip = beside.with_name(beside.name.removesuffix(".clip.json"))
        if clip.exists():
            found[clip] = read_sidecar(clip)
    return found


def log_in(folder, stem):
    return json.loads((folder / f"{stem}.events.json").read_text())


def ranges(folder, stem):
    return [(one["first"], one["last"]) for one in log_in(folder, stem)["ranges"]]


def temporary(folder):
    return [path.name for path in folder.iterdir() if path.name.startswith(".flashpan-")]
